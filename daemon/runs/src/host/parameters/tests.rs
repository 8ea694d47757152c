use std::path::Path;

use serde_json::json;

use super::*;
use crate::RunError;
use crate::host::Script;

fn listed(source: &str, set: &[(&str, Value)]) -> Result<Vec<Parameter>, String> {
    let script = Script { path: Path::new("test.rhai").into(), source: source.into() };
    let set = set.iter().map(|(name, value)| ((*name).to_string(), value.clone())).collect();
    parameters_of(&script, &set).map_err(|error| {
        assert!(matches!(error, RunError::Script(_) | RunError::NoParameter { .. }), "{error:?}");
        error.to_string()
    })
}

const SWEEP: &str = "requires \"wattproof 1\";
let low_v = param(\"low_v\", #{ value: 11, unit: \"V\", min: 8, max: 16, what: \"lowest supply\" });
let steps = param(\"steps\", #{ value: 5, min: 2, max: 50 });
let levels = param(\"levels_vrms\", #{ value: [0.1, 1], unit: \"V rms\", min: 0.01, max: 2.0 });
let kind = param(\"kind\", #{ value: \"pink\", choices: [\"white\", \"pink\"] });
let curve = param(\"curve\", #{ value: false });
if curve { param(\"below_db\", #{ value: -3.0, min: -60.0, max: 0.0 }); }
supply(#{ volts_v: low_v });
";

/// Project definition: what a script declares is listed without a bench, in its order.
#[test]
fn parameters_are_listed_without_a_bench() {
    let found = listed(SWEEP, &[]).unwrap();
    let told: Vec<_> =
        found.iter().map(|one| (one.name.as_str(), one.unit.as_str(), one.kind, one.line)).collect();
    use ParameterKind::{Flag, Number, Numbers, Whole, Word};
    assert_eq!(
        told,
        [
            ("low_v", "V", Number, 2),
            ("steps", "", Whole, 3),
            ("levels_vrms", "V rms", Numbers, 4),
            ("kind", "", Word, 5),
            ("curve", "", Flag, 6),
        ]
    );
    // With a unit it is no whole number: 11 / 2 would be 5 in a script.
    assert_eq!(found[0].value, ParameterValue::Number(11.0));
    assert!(found.iter().all(|one| !one.set));
    let set = [("low_v", json!("12.5")), ("curve", json!(true)), ("below_db", json!("-6"))];
    let found = listed(SWEEP, &set).unwrap();
    assert_eq!(found[0].value, ParameterValue::Number(12.5));
    assert_eq!(found[5].value, ParameterValue::Number(-6.0));
    assert_eq!(set_of(&found).keys().collect::<Vec<_>>(), ["below_db", "curve", "low_v"]);
    let (text, number) = ([("low_v", json!("12.5"))], [("low_v", json!(12.5))]);
    assert_eq!(listed(SWEEP, &text).unwrap(), listed(SWEEP, &number).unwrap());
}

#[test]
fn what_can_not_be_set_is_told_with_its_line() {
    for (name, value, says) in [
        ("low_v", json!("20"), "test.rhai:2:13: low_v was set to 20: 20 is outside 8 to 16 V"),
        ("low_v", json!("eleven"), "it takes a number, 8 to 16 V"),
        ("steps", json!(2.5), "test.rhai:3:13: steps was set to 2.5: it takes a whole number, 2 to 50"),
        ("levels_vrms", json!("0.1,5"), "5 is outside 0.01 to 2 V rms"),
        ("kind", json!("brown"), "\"brown\" is none of white, pink"),
        ("curve", json!("perhaps"), "it takes true or false"),
        (
            "lowv",
            json!(12),
            "has no parameter lowv, perhaps low_v; it has low_v, steps, levels_vrms, kind, curve",
        ),
        // It is a parameter only where curve is true.
        ("below_db", json!(-6), "has no parameter below_db"),
    ] {
        let told = listed(SWEEP, &[(name, value)]).unwrap_err();
        assert!(told.contains(says), "{name}: {told}");
    }
    let told = listed("settle();", &[("x", json!(1))]).unwrap_err();
    assert!(told.contains("has no parameter x; it has none"), "{told}");
}

#[test]
fn a_declaration_that_makes_no_sense_is_refused() {
    for (says, told) in [
        ("\"low_v\", #{ value: 11, min: 8 }", "needs min and max"),
        ("\"low_v\", #{ value: 1, min: 8, max: 9 }", "its own default: 1 is outside 8 to 9 V"),
        ("\"low_v\", #{ value: 1, min: 9, max: 8 }", "above max"),
        ("\"low_v\", #{ value: 9, unit: \"V rms\", min: 8, max: 9 }", "its name says V, its unit \"V rms\""),
        ("\"low\", #{ value: 9, unit: \"V\", min: 8, max: 9 }", "call it low_v"),
        ("\"low\", #{ value: 9, unit: \"volts\", min: 8, max: 9 }", "there is no unit \"volts\""),
        ("\"Low\", #{ value: true }", "small letters"),
        ("\"kind\", #{ value: \"pink\" }", "needs choices"),
        ("\"kind\", #{ value: \"pink\", choices: [\"white\"] }", "none of white"),
        ("\"kind\", #{ value: \"pink\", choices: [1] }", "takes a list of texts for choices, not [1]"),
        ("\"on\", #{ value: true, min: 0, max: 1 }", "min and max are for numbers"),
        ("\"x\", #{ min: 0 }", "param() needs value"),
        ("\"x\", #{ value: (), min: 0 }", "its value is"),
        ("\"x\", #{ valu: 1 }", "perhaps value"),
        ("\"x\", 1", "takes a map"),
        ("1, #{ value: 1 }", "takes a text for name, not 1"),
        ("\"x\", #{ value: [], min: 0, max: 1 }", "takes whole numbers with commas"),
        ("\"on\", #{ value: true }); param(\"on\", #{ value: true }", "a param \"on\" in line 1 already"),
    ] {
        let found = listed(&format!("param({says});"), &[]).unwrap_err();
        assert!(found.contains(told) && found.contains("test.rhai:1:"), "{says}: {found}");
    }
}

#[test]
fn parameters_come_first() {
    let late = "settle();\nlet x = param(\"x\", #{ value: true });";
    let told = listed(late, &[]).unwrap_err();
    assert!(told.contains("test.rhai:2:9: param() comes after settle() in line 1"), "{told}");
    // What can't be seen from the text is refused when it happens.
    let mut asked = Asked::default();
    let call = |name: &str, line| {
        let arguments = vec![json!("x"), json!({ "value": true })];
        Call { name: name.into(), arguments, line }
    };
    asked.bench_asked(&call("capture", 3));
    assert!(asked.answer(&call("param", 9)).unwrap_err().contains("capture() in line 3"));
    // A function of the script's own of such a name asks for nothing.
    assert!(listed("fn load(x) { x } load(1); param(\"x\", #{ value: true });", &[]).is_ok());
}

#[test]
fn a_script_that_never_comes_to_an_end_is_no_listing() {
    let told =
        listed("let n = 0;\nwhile n >= 0 { n += 1; }\nparam(\"x\", #{ value: true });", &[]).unwrap_err();
    assert!(told.contains("loop that never ends"), "{told}");
    let told =
        listed("let n = 1; if n > 0 { throw \"low above high\"; } param(\"x\", #{ value: true });", &[])
            .unwrap_err();
    assert!(told.contains("low above high"), "{told}");
}

#[test]
fn a_script_says_first_for_which_version_it_is_written() {
    let check = |source: &str| {
        let script = Script { path: Path::new("test.rhai").into(), source: source.into() };
        crate::check_source(&script).map(|layout| layout.says_version).map_err(|error| error.to_string())
    };
    assert_eq!(check("// head\nrequires \"wattproof 1\";\nsettle();"), Ok(true));
    assert_eq!(check("requires \"wattproof 1\";"), Ok(true));
    assert_eq!(check("settle();"), Ok(false));
    let told = check("\n  requires \"wattproof 2\";\nsettle();").unwrap_err();
    assert!(told.contains("test.rhai:2:3") && told.contains("it speaks requires \"wattproof 1\";"), "{told}");
    let told = check("settle();\nrequires \"wattproof 1\";").unwrap_err();
    assert!(told.contains("test.rhai:2") && told.contains("stands first"), "{told}");
    assert!(check("requires 1;").is_err());
}
