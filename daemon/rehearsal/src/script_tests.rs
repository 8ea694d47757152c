//! Tests of scripts: `NAME_test.rhai` beside `NAME.rhai`, whose functions that begin with `test_` perform scripts on invented
//! amplifiers in virtual time and say what is expected of them.
//!
//! | function | what it does |
//! | --- | --- |
//! | `perform(#{ script, amplifier, set, seed, bridged, speaker, selfcheck })` | performs a script beside the test on an amplifier of the virtual bench; gives a map with `finished`, `error`, `printed`, `ratings`, `findings`, `steps`, `forecast`, `lines_not_tried` |
//! | `truth(amplifier)` | what the model itself says each rating of the amplifier comes to |
//! | `truth(amplifier, #{ rating, hz, load_ohm, supply_v, limit_pct })` | the same of one rating (the first if left out) at other conditions |
//! | `level(amplifier, #{ level_vrms, hz, load_ohm, supply_v, outputs })` | what the model says of a source level: `fundamental_vrms`, `full_w`, `thd_pct`, `thdn_pct` of each output, `fold` and `limiter` (gain by heat and by a limiter, 0 to 1) of each channel, `trips` |
//! | `physics(amplifier)` | what its description says: `gain_db`, `gain_trim_db`, `resistance_ohm`, `noise_vrms`, `hum_vrms`, `dc_offset_v`, `idle_a` |
//! | `expect(condition, text)` | fails with the text unless the condition holds |
//! | `expect_near(found, wanted, within, text)` | fails unless both numbers are no further apart than `within` |

use std::path::{Path, PathBuf};
use std::sync::Arc;

use rhai::{AST, Dynamic, Engine, EvalAltResult, NativeCallContext, Scope};
use serde_json::{Value, json};
use wattproof_runs::{
    RunError, Script, ScriptFault, Set, from_json, read_script, register_arithmetic, script_fault,
    step_answer, to_json,
};
use wattproof_virtual_bench::{TruthQuery, catalogue, rating_truths, truth, truth_at as truth_at_level};

use crate::stand_in::StandIn;
use crate::virtual_files::nameplate;
use crate::{HOURS, Rehearsal, RehearsalError, rehearse_on};

/// What the names of test files end with, and those of the functions in them begin with.
const FILE_END: &str = "_test.rhai";
const TEST: &str = "test_";
/// Most operations of one test, without those of the scripts that it performs.
const OPERATIONS_MAX: u64 = 20_000_000;

/// One test.
#[derive(Debug)]
pub struct TestedScript {
    /// The file.
    pub file: PathBuf,
    /// The function.
    pub name: String,
    /// Why it failed; none if it passed.
    pub failure: Option<Box<ScriptFault>>,
}

type Answer<T> = Result<T, Box<EvalAltResult>>;

/// Test files at a path: that file, or all of a folder, by name.
///
/// # Errors
/// The operating system's.
pub fn test_files(path: &Path) -> std::io::Result<Vec<PathBuf>> {
    if !path.is_dir() {
        let is_test = path.to_string_lossy().ends_with(FILE_END);
        let what = format!("tests of scripts are files whose names end in {FILE_END}, or a folder of such");
        return if is_test && path.exists() {
            Ok(vec![path.into()])
        } else {
            Err(std::io::Error::new(std::io::ErrorKind::InvalidInput, what))
        };
    }
    let entries = std::fs::read_dir(path)?.collect::<Result<Vec<_>, _>>()?;
    let files = entries.into_iter().map(|entry| entry.path());
    let mut files: Vec<PathBuf> = files.filter(|file| file.to_string_lossy().ends_with(FILE_END)).collect();
    files.sort();
    Ok(files)
}

/// Performs every test of a file whose name has `only` in it, and tells each as soon as it is done.
///
/// # Errors
/// [`RunError::ReadScript`]; [`RunError::Script`] for a file that does not parse.
pub fn test_scripts_in(file: &Path, only: &str, told: &mut dyn FnMut(&TestedScript)) -> Result<(), RunError> {
    let script = Script { path: file.into(), source: read_script(file)? };
    let engine = engine(file.parent().unwrap_or(Path::new(".")));
    let fault = |ast: &AST, error: &EvalAltResult| Box::new(script_fault(&script, &engine, ast, error));
    let parsed = engine.compile(&script.source);
    let ast = parsed.map_err(|error| RunError::Script(fault(&AST::empty(), &error.into())))?;
    let names = ast.iter_functions().map(|function| function.name.to_string());
    let mut names: Vec<String> = names.filter(|name| name.starts_with(TEST) && name.contains(only)).collect();
    // In the order of the file.
    names.sort_by_key(|name| script.source.find(&format!("fn {name}")));
    for name in names {
        let called = engine.call_fn::<Dynamic>(&mut Scope::new(), &ast, &name, ());
        told(&TestedScript {
            file: file.into(),
            name,
            failure: called.err().map(|error| fault(&ast, &error)),
        });
    }
    Ok(())
}

fn engine(beside: &Path) -> Engine {
    let mut engine = Engine::new();
    engine.set_max_operations(OPERATIONS_MAX).set_strict_variables(true).set_max_expr_depths(64, 64);
    engine.set_fail_on_invalid_map_property(true);
    engine.disable_symbol("eval");
    engine.set_module_resolver(rhai::module_resolvers::DummyModuleResolver::new());
    register_arithmetic(&mut engine);
    let beside: Arc<Path> = beside.into();
    engine.register_fn(
        "perform",
        move |context: NativeCallContext<'_>, asked: rhai::Map| -> Answer<Dynamic> {
            given(&context, perform(&beside, &asked))
        },
    );
    engine.register_fn("truth", |context: NativeCallContext<'_>, amplifier: &str| -> Answer<Dynamic> {
        given(&context, truth_of(amplifier))
    });
    engine.register_fn(
        "truth",
        |context: NativeCallContext<'_>, amplifier: &str, at: rhai::Map| -> Answer<Dynamic> {
            given(&context, truth_at(amplifier, &at))
        },
    );
    engine.register_fn(
        "level",
        |context: NativeCallContext<'_>, amplifier: &str, at: rhai::Map| -> Answer<Dynamic> {
            given(&context, level_of(amplifier, &at))
        },
    );
    engine.register_fn("physics", |context: NativeCallContext<'_>, amplifier: &str| -> Answer<Dynamic> {
        given(&context, physics_of(amplifier))
    });
    engine.register_fn("expect", |context: NativeCallContext<'_>, holds: bool, text: &str| -> Answer<()> {
        if holds { Ok(()) } else { Err(failed(&context, format!("not as expected: {text}"))) }
    });
    engine.register_fn(
        "expect_near",
        |context: NativeCallContext<'_>,
         found: Dynamic,
         wanted: Dynamic,
         within: Dynamic,
         text: &str|
         -> Answer<()> {
            let number = |value: &Dynamic, what: &str| {
                let number = value.as_float().or_else(|_| value.as_int().map(|whole| whole as f64));
                number.map_err(|kind| failed(&context, format!("{text}: {what} is no number but {kind}")))
            };
            let (found, wanted, within) = (
                number(&found, "what was found")?,
                number(&wanted, "what is wanted")?,
                number(&within, "how near")?,
            );
            // A NaN is near nothing.
            if (found - wanted).abs() <= within {
                return Ok(());
            }
            Err(failed(
                &context,
                format!("not as expected: {text}: {found} is not within {within} of {wanted}"),
            ))
        },
    );
    engine
}

fn failed(context: &NativeCallContext<'_>, text: String) -> Box<EvalAltResult> {
    EvalAltResult::ErrorRuntime(text.into(), context.call_position()).into()
}

fn given(context: &NativeCallContext<'_>, answer: Result<Value, String>) -> Answer<Dynamic> {
    answer.map(from_json).map_err(|what| failed(context, what))
}

/// Performs a script on an invented amplifier.
fn perform(beside: &Path, asked: &rhai::Map) -> Result<Value, String> {
    const KNOWN: [&str; 7] = ["script", "amplifier", "set", "seed", "bridged", "speaker", "selfcheck"];
    if let Some(strange) = asked.keys().find(|key| !KNOWN.contains(&key.as_str())) {
        return Err(format!("perform() knows no {strange}; it takes {}", KNOWN.join(", ")));
    }
    let text = |key: &str| asked.get(key).and_then(|value| value.clone().into_string().ok());
    let flag = |key: &str| asked.get(key).and_then(|value| value.as_bool().ok());
    let name = text("script").ok_or("perform() needs script, the name of a file beside the test")?;
    let amplifier = text("amplifier").unwrap_or_else(|| "honest".into());
    let seed = asked.get("seed").and_then(|value| value.as_int().ok()).map_or(1, i64::unsigned_abs);
    let set: Set = match asked.get("set") {
        None => Set::new(),
        Some(map) => to_json(map)
            .and_then(|value| serde_json::from_value(value).map_err(|error| error.to_string()))
            .map_err(|error| format!("perform(#{{ set: … }}): {error}"))?,
    };
    let path = beside.join(&name);
    let script = Script { source: read_script(&path).map_err(|error| error.to_string())?, path };
    let spec = catalogue::amplifier(&amplifier).map_err(|error| error.to_string())?;
    let stand_in = StandIn::of_amplifier(
        &spec,
        seed,
        flag("bridged").unwrap_or(false),
        flag("speaker").unwrap_or(false),
    );
    let stand_in = stand_in.map_err(|error| error.to_string())?;
    let selfcheck = flag("selfcheck").unwrap_or(false);
    let bench = stand_in.file.clone();
    let played = rehearse_on(stand_in, script, set, nameplate(&spec), selfcheck, HOURS);
    let played = match played {
        Ok(played) => played,
        // Refused before anything began, as for a parameter out of its limits.
        Err(RehearsalError::NotBegun(error)) => Rehearsal::not_begun(error),
        Err(error) => return Err(error.to_string()),
    };
    // No calibration of a simulated input runs out.
    let steps: Vec<Value> = played.steps.iter().map(|step| step_answer(&bench, "", step)).collect();
    Ok(json!({
        "finished": played.error.is_none(),
        "error": played.error.as_ref().map(ToString::to_string),
        "printed": played.printed, "ratings": played.ratings, "findings": played.findings, "steps": steps,
        "forecast": played.forecast, "left_out": played.left_out, "lines_not_tried": played.missed,
    }))
}

/// What the model says of every rating of an invented amplifier.
fn truth_of(amplifier: &str) -> Result<Value, String> {
    let spec = catalogue::amplifier(amplifier).map_err(|error| error.to_string())?;
    let truths = rating_truths(&spec).map_err(|error| error.to_string())?;
    serde_json::to_value(truths).map_err(|error| error.to_string())
}

/// What the model says of a rating at other conditions.
fn truth_at(amplifier: &str, at: &rhai::Map) -> Result<Value, String> {
    const KNOWN: [&str; 5] = ["rating", "hz", "load_ohm", "supply_v", "limit_pct"];
    if let Some(strange) = at.keys().find(|key| !KNOWN.contains(&key.as_str())) {
        return Err(format!("truth() knows no {strange}; it takes {}", KNOWN.join(", ")));
    }
    let spec = catalogue::amplifier(amplifier).map_err(|error| error.to_string())?;
    let number = |key: &str, usual: f64| number_of(at, "truth", key, usual);
    let index = number("rating", 1.0)? as usize;
    let rating = index.checked_sub(1).and_then(|index| spec.nameplate.ratings.get(index));
    let rating = rating.ok_or_else(|| format!("{amplifier} has no rating {index}"))?;
    let usual = TruthQuery::of(&spec, rating);
    let query = TruthQuery {
        hz: number("hz", usual.hz)?,
        load_ohm: number("load_ohm", usual.load_ohm)?,
        supply_v: number("supply_v", usual.supply_v)?,
        limit_pct: number("limit_pct", usual.limit_pct)?,
        ..usual
    };
    let found = truth(&spec, &query).map_err(|error| error.to_string())?;
    Ok(json!({
        "power_w": found.full_power_w, "out_vrms": found.out_vrms, "source_vrms": found.source_vrms,
        "thdn_pct": found.thdn_pct, "cause": found.cause.to_string(),
    }))
}

/// A number of a map, or what it usually is.
fn number_of(at: &rhai::Map, function: &str, key: &str, usual: f64) -> Result<f64, String> {
    let Some(value) = at.get(key) else { return Ok(usual) };
    let number = value.as_float().or_else(|_| value.as_int().map(|whole| whole as f64));
    number.map_err(|kind| format!("{function}(#{{ {key} }}) takes a number, not {kind}"))
}

/// What the model says of a source level, in the steady state.
fn level_of(amplifier: &str, at: &rhai::Map) -> Result<Value, String> {
    const KNOWN: [&str; 5] = ["level_vrms", "hz", "load_ohm", "supply_v", "outputs"];
    if let Some(strange) = at.keys().find(|key| !KNOWN.contains(&key.as_str())) {
        return Err(format!("level() knows no {strange}; it takes {}", KNOWN.join(", ")));
    }
    let spec = catalogue::amplifier(amplifier).map_err(|error| error.to_string())?;
    let number = |key: &str, usual: f64| number_of(at, "level", key, usual);
    let usual = TruthQuery::default();
    let query = TruthQuery {
        hz: number("hz", usual.hz)?,
        load_ohm: number("load_ohm", usual.load_ohm)?,
        supply_v: number("supply_v", usual.supply_v)?,
        channels_driven: number("outputs", spec.channels() as f64)? as usize,
        ..usual
    };
    let level_vrms = number("level_vrms", f64::NAN)?;
    let found = truth_at_level(&spec, &query, level_vrms).map_err(|error| error.to_string())?;
    let vrms: Vec<f64> = found.fundamental_vpk.iter().map(|vpk| vpk / std::f64::consts::SQRT_2).collect();
    let full_w: Vec<f64> = found.full_vrms.iter().map(|vrms| vrms * vrms / query.load_ohm).collect();
    Ok(json!({
        "fundamental_vrms": vrms, "full_w": full_w, "thd_pct": found.thd_pct, "thdn_pct": found.thdn_pct,
        "fold": found.fold, "limiter": found.limiter, "trips": found.trips,
    }))
}

/// What an amplifier's description says of its small-signal behaviour.
fn physics_of(amplifier: &str) -> Result<Value, String> {
    let spec = catalogue::amplifier(amplifier).map_err(|error| error.to_string())?;
    let physics = &spec.physics;
    Ok(json!({
        "gain_db": physics.gain_db, "gain_trim_db": physics.gain_trim_db,
        "resistance_ohm": physics.output.resistance_ohm, "noise_vrms": physics.noise.noise_vrms,
        "hum_vrms": physics.noise.hum_vrms, "dc_offset_v": physics.output.dc_offset_v, "idle_a": physics.supply.idle_a,
    }))
}
