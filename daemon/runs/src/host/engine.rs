//! The script's side: Rhai with bounded operations, depth and sizes, stoppable between any two operations, without files,
//! clock or network. Its functions do nothing but ask a [`Caller`].

use std::sync::{Arc, LazyLock};

use rhai::packages::{Package, StandardPackage};
use rhai::{AST, Dynamic, Engine, EvalAltResult, NativeCallContext};

use super::api::{asks_bench, calls, complete};
use super::call::{Call, CallRefused, Caller, Script};
use super::convert::{from_json, to_json};
use super::layout::{Layout, REQUIRES, layout};
use super::slips::{refuse_comparing_nothing, unparsed};
use super::typed::perform_typed;
use super::{LinesReached, fault, printing};
use crate::ScriptFault;

/// Deepest nesting of function calls; deeper ones could exhaust the thread's stack.
const CALLS_MAX: usize = 32;
/// Short strings that an engine keeps one copy of, as Rhai itself has it.
const STRINGS_INTERNED_MAX: usize = 256;
/// How much a script may do and keep.
#[derive(Debug, Clone, Copy)]
pub struct Bounds {
    /// Most operations. Host calls take the time of a run, operations only that of its arithmetic.
    operations: u64,
    /// Most items of a list, with those of lists in it.
    items: usize,
    /// Most entries of a map, with those of maps in it: a step has about a hundred, and each channel more as many.
    entries: usize,
    /// Most variables.
    variables: usize,
}

impl Bounds {
    /// Of a run.
    pub const RUN: Bounds =
        Bounds { operations: 20_000_000, items: 100_000, entries: 50_000, variables: 1_000 };
    /// Of listing parameters, which may happen in a process that the kernel does not bound.
    pub const LISTING: Bounds = Bounds { operations: 100_000, items: 2_000, entries: 200, variables: 200 };
}

/// The built-in functions, made once: that takes longer than many a script.
static BUILT_IN: LazyLock<StandardPackage> = LazyLock::new(StandardPackage::new);

fn bounded(bounds: Bounds) -> Engine {
    let mut engine = Engine::new_raw();
    engine.register_global_module(BUILT_IN.as_shared_module());
    engine.set_max_strings_interned(STRINGS_INTERNED_MAX);
    engine
        .set_max_operations(bounds.operations)
        .set_max_call_levels(CALLS_MAX)
        .set_max_expr_depths(64, 32)
        .set_max_string_size(64 * 1024)
        .set_max_array_size(bounds.items)
        .set_max_map_size(bounds.entries)
        .set_max_modules(0)
        .set_max_functions(256)
        .set_max_variables(bounds.variables);
    // A misspelt name, or a field that a map does not have, is no () that is computed with.
    engine.set_strict_variables(true).set_fail_on_invalid_map_property(true);
    refuse_comparing_nothing(&mut engine);
    engine.disable_symbol("eval");
    engine.disable_symbol("import");
    engine.set_module_resolver(rhai::module_resolvers::DummyModuleResolver::new());
    engine
}

fn compile(engine: &mut Engine, script: &Script) -> Result<(AST, Layout), Box<ScriptFault>> {
    let fault = |position, text| Box::new(fault::from_position(&script.path, &script.source, position, text));
    // It says for whom the script is written and does nothing.
    let word = engine.register_custom_syntax([REQUIRES, "$string$"], false, |_, _| Ok(Dynamic::UNIT));
    word.map_err(|error| fault(error.position(), error.to_string()))?;
    let ast = engine
        .compile(&script.source)
        .map_err(|error| fault(error.position(), unparsed(error.err_type(), &script.source)))?;
    let own = |name: &str| ast.iter_functions().any(|function| function.name == name);
    let layout = layout(&ast, |name| asks_bench(name) && !own(name))
        .map_err(|(position, text)| fault(position, text))?;
    Ok((ast, layout))
}

/// Parses a script; gives how it is laid out.
///
/// # Errors
/// Its first fault, with place and source line.
pub fn parse(script: &Script) -> Result<Layout, Box<ScriptFault>> {
    compile(&mut bounded(Bounds::RUN), script).map(|(_, layout)| layout)
}

/// Runs a script on the calling thread until it ends, fails or the run is over.
///
/// # Errors
/// The fault that ended it, with place and source line.
pub fn perform(script: &Script, caller: &Arc<dyn Caller>) -> Result<(), Box<ScriptFault>> {
    perform_within(script, caller, Bounds::RUN, None)
}

/// The same within other bounds, with a note of the lines performed where that is asked for.
///
/// # Errors
/// As [`perform`].
pub fn perform_within(
    script: &Script,
    caller: &Arc<dyn Caller>,
    bounds: Bounds,
    lines: Option<&Arc<LinesReached>>,
) -> Result<(), Box<ScriptFault>> {
    let mut engine = bounded(bounds);
    for (name, count) in calls() {
        register(&mut engine, name, count, caller);
    }
    without_clock(&mut engine, caller);
    super::arithmetic::register(&mut engine);
    let watch = Arc::clone(caller);
    engine.on_progress(move |_| watch.is_over().then(|| Dynamic::from("the run is over")));
    printing::register(&mut engine, caller);
    if script.is_typed() {
        return perform_typed(&engine, caller);
    }
    let (ast, _) = compile(&mut engine, script)?;
    if let Some(lines) = lines {
        lines.read(&ast);
        lines.watch(&mut engine);
    }
    engine.run_ast(&ast).map_err(|error| Box::new(fault::of(script, &engine, &ast, &error)))
}

/// The engine's own clock would make a script do another thing each time, and its own sleep can't be interrupted: both
/// are put out of reach by functions of exactly their types.
fn without_clock(engine: &mut Engine, caller: &Arc<dyn Caller>) {
    engine.register_fn("timestamp", |context: NativeCallContext<'_>| -> Answer {
        let message = "there is no clock in a script: bench_time_s() tells the run's own time";
        Err(EvalAltResult::ErrorRuntime(message.into(), context.call_position()).into())
    });
    let waiting = Arc::clone(caller);
    engine.register_fn("sleep", move |context: NativeCallContext<'_>, seconds: i64| -> Answer {
        ask(&*waiting, "sleep", &[seconds.into()], &context)
    });
    let waiting = Arc::clone(caller);
    engine.register_fn("sleep", move |context: NativeCallContext<'_>, seconds: f64| -> Answer {
        ask(&*waiting, "sleep", &[seconds.into()], &context)
    });
}

type Answer = Result<Dynamic, Box<EvalAltResult>>;

fn register(engine: &mut Engine, name: &'static str, count: usize, caller: &Arc<dyn Caller>) {
    let caller = Arc::clone(caller);
    match count {
        0 => engine.register_fn(name, move |context: NativeCallContext<'_>| -> Answer {
            ask(&*caller, name, &[], &context)
        }),
        1 => engine.register_fn(name, move |context: NativeCallContext<'_>, a: Dynamic| -> Answer {
            ask(&*caller, name, &[a], &context)
        }),
        _ => engine.register_fn(
            name,
            move |context: NativeCallContext<'_>, a: Dynamic, b: Dynamic| -> Answer {
                ask(&*caller, name, &[a, b], &context)
            },
        ),
    };
}

fn ask(caller: &dyn Caller, name: &str, given: &[Dynamic], context: &NativeCallContext<'_>) -> Answer {
    let place = context.call_position();
    let runtime = |message: String| EvalAltResult::ErrorRuntime(message.into(), place);
    let arguments = given.iter().map(to_json).collect::<Result<Vec<_>, _>>();
    let arguments = arguments.map_err(|message| runtime(format!("{name}(): {message}")))?;
    let call = Call { name: name.into(), arguments, line: place.line().unwrap_or(0) };
    let answer = caller.call(&call).map(|answer| from_json(complete(&call, answer)));
    answer.map_err(|CallRefused { message, over }| {
        Box::new(if over { EvalAltResult::ErrorTerminated(message.into(), place) } else { runtime(message) })
    })
}

#[cfg(test)]
mod tests {
    use std::sync::Mutex;

    use serde_json::Value;

    use super::super::printing::Printed;
    use super::*;

    /// Remembers calls and what is printed, answers nothing.
    #[derive(Default)]
    struct Remembering(Mutex<Vec<Call>>, Mutex<Vec<Printed>>);

    impl Caller for Remembering {
        fn call(&self, call: &Call) -> Result<Value, CallRefused> {
            self.0.lock().unwrap().push(call.clone());
            Ok(Value::Null)
        }
        fn print(&self, printed: &Printed) -> Result<(), CallRefused> {
            self.1.lock().unwrap().push(printed.clone());
            Ok(())
        }
        fn is_over(&self) -> bool {
            false
        }
    }

    fn calls(source: &str) -> Result<Vec<Call>, String> {
        let remembering = Arc::new(Remembering::default());
        let caller: Arc<dyn Caller> = Arc::clone(&remembering) as Arc<dyn Caller>;
        let script = Script { path: "test.rhai".into(), source: source.into() };
        perform(&script, &caller).map_err(|fault| fault.to_string())?;
        Ok(remembering.0.lock().unwrap().clone())
    }

    #[test]
    fn every_function_asks_the_host_with_what_it_was_given() {
        for (name, count) in super::super::api::calls() {
            let given = ["1.5", "#{ a: [true, \"x\"] }"];
            let made = calls(&format!("\n{name}({});", given[..count].join(", "))).unwrap();
            let arguments = [serde_json::json!(1.5), serde_json::json!({ "a": [true, "x"] })];
            let call = Call { name: name.into(), arguments: arguments[..count].to_vec(), line: 2 };
            assert_eq!(made, [call]);
        }
    }

    /// The engine's own functions of these names would sleep without an end, or tell the machine's time.
    #[test]
    fn no_function_of_the_engine_stands_before_the_hosts() {
        let began = std::time::Instant::now();
        assert_eq!(calls("sleep(3600);").unwrap().len(), 1);
        assert_eq!(calls("sleep(3600.0);").unwrap().len(), 1);
        assert!(began.elapsed().as_secs() < 10);
        assert!(calls("let t = timestamp();").unwrap_err().contains("bench_time_s"));
        for outside in ["eval(\"1\");", "import \"a\" as b;"] {
            assert!(calls(outside).is_err(), "{outside}");
        }
    }

    /// Project definition: whatever is misspelt is told with what is meant, where it stands.
    #[test]
    fn slips_are_told_with_what_is_meant() {
        for (source, place, says) in [
            (
                "let level_vrms = 1.0;\nprint(levl_vrms);",
                ":2:7:",
                "no variable levl_vrms here, perhaps level_vrms",
            ),
            ("let x = 1;\nfn f() { x }", ":2:10:", "a function sees its arguments alone"),
            ("let m = #{ hz: 1.0 };\nprint(m.hx);", ":2:", "there is no hx in this map, perhaps hz"),
            ("let m = #{ own_w: 1.0 };\nprint(m[\"ow_w\"]);", ":2:", "perhaps own_w"),
            ("let r = #{ thdn_pct: 1.0 };\nprint(r.thdn);", ":2:", "perhaps thdn_pct"),
            ("let step = #{ channels: [] };\nprint(step.thdn_pct);", ":2:", "step.channels[0].reading"),
            ("let x = ();\nprint(x.thdn_pct);", ":2:", "compare it with () first"),
            ("let x = ();\nif x > 1.0 { print(1); }", ":2:", "compare with == () first"),
            ("captur();", ":1:1:", "no function captur(), perhaps capture"),
            ("load(1, 2);", ":1:1:", "no function load() of 2 arguments: call load(#{ ohm })"),
            ("let s = \"a\";\ns.sqrt();", ":2:", "sqrt() for a text"),
            ("fn mine(a) { a }\nmine();", ":2:1:", "no function mine() of 0 arguments"),
        ] {
            let told = calls(source).err().unwrap_or_else(|| panic!("{source}"));
            assert!(told.contains(says) && told.contains(place), "{source}: {told}");
        }
        // What a map does not have yet can be put into it, and be asked for.
        let puts =
            "let m = #{}; m.a = 1; m[\"b\"] = 2; m.a += 1; if \"c\" in m || m.get(\"c\") != () { captur() }";
        assert!(calls(puts).is_ok(), "{:?}", calls(puts));
        let functions = "fn twice(x) { x * 2 } let l = [1].map(|x| twice(x)); let f = Fn(\"twice\"); print(f.call(l[0]));";
        assert!(calls(functions).is_ok(), "{:?}", calls(functions));
    }

    #[test]
    fn what_is_printed_has_its_line() {
        let remembering = Arc::new(Remembering::default());
        let caller: Arc<dyn Caller> = Arc::clone(&remembering) as Arc<dyn Caller>;
        let source = "print(\"a\");\n\nprint(1.5);\nfn f() {\n    print(#{ x: [1] });\n}\nf(); debug(2);\nprint(`${1 + 1}`);";
        perform(&Script { path: "test.rhai".into(), source: source.into() }, &caller).unwrap();
        let printed = remembering.1.lock().unwrap();
        let told: Vec<(&str, usize)> = printed.iter().map(|one| (one.text.as_str(), one.line)).collect();
        assert_eq!(told, [("a", 1), ("1.5", 3), ("#{\"x\": [1]}", 5), ("line 7: 2", 7), ("2", 8)]);
    }

    /// Project definition: the steps of 200 levels, each of two channels, in one value; not whatever a script piles up.
    #[test]
    fn a_script_holds_the_steps_of_many_levels_and_not_without_end() {
        let pile = |steps: usize| {
            let text = format!(
                "let step = #{{}}; for n in 0..200 {{ step[`n${{n}}`] = n; }} let all = #{{}}; for n in 0..{steps} {{ all[`n${{n}}`] = step; }} all.len()"
            );
            bounded(Bounds::RUN).eval::<i64>(&text)
        };
        assert_eq!(pile(200).unwrap(), 200);
        assert!(pile(400).unwrap_err().to_string().contains("too large"));
    }
}
