use std::collections::BTreeSet;
use std::path::Path;

use serde_json::{Value, json};
use wattproof_bench::{NoiseDrive, NoiseKind, Watches};
use wattproof_method::{BurstAnswer, BurstPower, Ceiling};
use wattproof_signal::{Envelope, NoiseReading, Reading, TwoToneKind, TwoToneReading};

use super::check::check;
use super::shapes::{BURST_ANSWER, CEILING, NAMEPLATE, NOISE_STEP, RATING_RESULT, STEP, TWO_TONE_STEP};
use super::*;
use crate::host::call::Call;
use crate::host::functions::nameplate;
use crate::{
    ChannelStep, Nameplate, NoiseChannel, NoiseStep, RatingResult, Step, TemperatureStep, TwoToneChannel,
    TwoToneStep,
};

fn refused(name: &str, arguments: Vec<Value>) -> String {
    let told = format!("{name} {arguments:?} is refused");
    check(&Call { name: name.into(), arguments, line: 1 }).expect_err(&told)
}

/// What is given has exactly the fields that are told of it, and so has what stands in it.
fn compare(shape: &Shape, given: &Value) {
    let told: BTreeSet<&str> = shape.fields.iter().map(|field| field.name).collect();
    let there: BTreeSet<&str> = given.as_object().unwrap().keys().map(String::as_str).collect();
    assert_eq!(there, told, "{}", shape.name);
    for field in shape.fields {
        let value = &given[field.name];
        let fits = match field.holds {
            Holds::Number | Holds::Whole => value.is_number(),
            Holds::Text => value.is_string(),
            Holds::Flag => value.is_boolean(),
            Holds::Numbers | Holds::MayNumbers | Holds::Texts | Holds::Maps(_) => value.is_array(),
            Holds::Map(_) => value.is_object(),
            _ => true,
        };
        assert!(fits, "{} of {} is {value}", field.name, shape.name);
        if let (Some(inner), Some(one)) =
            (field.holds.shape(), value.as_array().map_or(Some(value), |all| all.first()))
            && one.is_object()
        {
            compare(inner, one);
        }
    }
}

fn given(name: &str, arguments: Vec<Value>, answer: impl serde::Serialize) -> Value {
    let call = Call { name: name.into(), arguments, line: 1 };
    complete(&call, serde_json::to_value(answer).unwrap())
}

#[test]
fn a_step_has_the_fields_that_are_told() {
    let envelope: Envelope =
        serde_json::from_value(json!({ "block_s": 1.0, "fundamental_vrms": [], "droop_db": null })).unwrap();
    let reading = Reading { envelope: Some(envelope), ..Reading::default() };
    let temperatures =
        vec![TemperatureStep { name: "room".into(), watches: Watches::Ambient, c: Some(20.0) }];
    let channel =
        ChannelStep { channel: 1, driven: true, gain_db: None, reading, bridged: false, sides_vrms: None };
    let step = Step {
        step: 1,
        at_s: 1.0,
        purpose: "capture".into(),
        rating: None,
        level_vrms: 0.1,
        hz: 1000.0,
        load_ohm: 4.0,
        supply_v_set: 14.4,
        supply_v: None,
        supply_a: None,
        supply_w: None,
        efficiency_pct: None,
        heatsink_c: None,
        temperatures,
        channels: vec![channel],
    };
    compare(&STEP, &given("capture", Vec::new(), &step));
    // What the record leaves out is there all the same.
    let bare = Step { temperatures: Vec::new(), ..step };
    let bare = given("capture_at", vec![json!({ "levels_vrms": [0.1] })], [bare]);
    compare(&STEP, &bare[0]);
    assert_eq!(bare[0]["channels"][0]["sides_vrms"], Value::Null);
}

#[test]
fn two_tones_noise_bursts_and_ceilings_have_the_fields_that_are_told() {
    let two_tone = TwoToneStep {
        at_s: 1.0,
        kind: TwoToneKind::Smpte,
        level_vrms: 0.1,
        load_ohm: None,
        supply_v_set: None,
        supply_v: None,
        supply_a: None,
        heatsink_c: None,
        channels: vec![TwoToneChannel {
            channel: 1,
            driven: true,
            reading: TwoToneReading {
                products: vec![
                    serde_json::from_value(
                        json!({ "low_order": 1, "high_order": 1, "hz": 7060.0, "vrms": 0.1 }),
                    )
                    .unwrap(),
                ],
                ..TwoToneReading::default()
            },
        }],
    };
    compare(&TWO_TONE_STEP, &given("capture_two_tone", Vec::new(), two_tone));
    let noise = NoiseStep {
        at_s: 1.0,
        drive: NoiseDrive { kind: NoiseKind::Pink, level_vrms: 0.1, crest: None },
        load_ohm: None,
        supply_v_set: None,
        supply_v: None,
        supply_a: None,
        heatsink_c: None,
        channels: vec![NoiseChannel { channel: 1, driven: true, reading: NoiseReading::default() }],
    };
    compare(&NOISE_STEP, &given("capture_noise", Vec::new(), noise));
    let power = BurstPower { burst_w: 1.0, expanded_u_w: 0.1 };
    let burst = BurstAnswer {
        channel: 1,
        level_vrms: 0.1,
        on_s: 0.5,
        onset: power,
        burst: power,
        sustained: None,
        headroom_db: None,
        expanded_u_headroom_db: None,
        attack_s: None,
        expanded_u_attack_s: None,
        limiter: None,
    };
    let burst = given("burst_and_sustained", vec![json!({ "level_vrms": 0.1 })], [burst]);
    compare(&BURST_ANSWER, &burst[0]);
    let ceiling: Ceiling = serde_json::from_value(json!({
        "level_vrms": 0.5, "level_dbv": -6.0, "out_vrms": 10.0, "power_w": 25.0, "power_w_each": [25.0], "thdn_pct": 1.0,
        "u_interpolation_w": 0.1, "u_level_db": 0.01,
        "below": { "level_vrms": 0.4, "power_w": 20.0, "thdn_pct": 0.5 }, "above": null,
        "cause": "clipping", "evidence": [], "captures": 9, "compression_db": 0.1,
        "low_level_bump": { "level_vrms": 0.1, "power_w": 1.0, "thdn_pct": 2.0, "noise_dominated": null },
        "load_ohm_measured": 4.0, "supply_v": 14.4, "efficiency_pct": 60.0,
    }))
    .unwrap();
    compare(&CEILING, &given("find_ceiling", vec![json!({})], ceiling));
}

/// Of ratings as runs recorded them: one in watts, one of a bridge, one in volts.
#[test]
fn a_judged_rating_has_the_fields_that_are_told() {
    for kind in ["single", "bridged", "line"] {
        let fixture = format!("{}/../report/tests/fixture/{kind}/journal.jsonl", env!("CARGO_MANIFEST_DIR"));
        let journal = std::fs::read_to_string(fixture).unwrap();
        let mut lines = journal.lines().map(|line| serde_json::from_str::<Value>(line).unwrap());
        let line = lines.find(|line| line["kind"] == "rating").unwrap();
        let result: RatingResult = serde_json::from_value(line["data"].clone()).unwrap();
        // A claim has what its kind has, and here no number.
        let mut told = given("record", vec![json!({}), json!({})], &result);
        let claim = told["claim"].as_object_mut().unwrap();
        claim.insert("number".into(), 1.into());
        for kind in ["watts", "out_vrms", "out_dbv", "out_dbu"] {
            claim.entry(kind).or_insert(Value::Null);
        }
        compare(&RATING_RESULT, &told);
    }
}

#[test]
fn the_nameplate_has_the_fields_that_are_told() {
    let text = "maker = \"Invented\"\nmodel = \"X\"\nchannels = 1\n[[rating]]\nwatts = 10.0\nload_ohm = 4.0\nsupply_v = 14.4\ndriven = \"all\"\nlimit_pct = 1.0\n";
    let plate = Nameplate::parse(Path::new("n.toml"), text).unwrap();
    let mut told = given("nameplate", Vec::new(), nameplate(&plate, &[]).unwrap());
    let rating = told["ratings"][0].as_object_mut().unwrap();
    assert!(!rating.contains_key("out_vrms"), "what a rating is not in is left out");
    for kind in ["out_vrms", "out_dbv", "out_dbu"] {
        rating.insert(kind.into(), Value::Null);
    }
    compare(&NAMEPLATE, &told);
}

/// Project definition: a wrong unit is told with what turns it into the right one.
#[test]
fn a_wrong_key_is_told_with_what_is_meant() {
    for (name, key, says) in [
        ("source", "levl_vrms", "perhaps level_vrms"),
        ("source", "level_vpk", "level_vrms is meant, in V rms; the rms of a sine is its peak divided by √2"),
        ("source", "level_vpp", "divide by 2.8284"),
        ("source", "level_w", "level_vrms is meant, in V rms; the source is set in volts"),
        ("source", "watts", "the source is set in volts"),
        ("source", "frequency", "hz is meant, in Hz"),
        ("source", "freq_khz", "source() knows no freq_khz"),
        ("supply", "volts", "volts_v is meant, in V"),
        ("load", "ohms", "ohm is meant"),
        ("capture_at", "levels_vpk", "levels_vrms is meant"),
        ("noise", "colour", "kind is meant"),
    ] {
        let told = refused(name, vec![json!({ key: 1.0 })]);
        assert!(told.contains(says), "{name} {key}: {told}");
    }
}

#[test]
fn a_wrong_value_is_told_with_what_it_may_be() {
    for (name, given, says) in [
        ("source", json!({ "hz": "1k" }), "source(#{ hz }) takes a number (Hz) for hz, not \"1k\""),
        ("source", json!({ "level_vrms": "1" }), "takes a number (V rms)"),
        ("source", json!({ "driven": "two" }), "\"all\" or \"one\" or \"bridged\" for driven, not \"two\""),
        ("source", json!({ "on": 1 }), "takes true or false for on"),
        ("source", json!(1), "takes a map, source(#{ hz, level_vrms, level_dbv, driven, on }), not 1"),
        ("digitizer", json!({ "samples": 100.5 }), "a number from 256 to 4000000"),
        ("plan_steps", json!(1.5), "a whole number from 0"),
        ("capture_at", json!({}), "needs levels_vrms"),
        ("capture_at", json!({ "levels_vrms": [0.1, null] }), "a list of numbers"),
        ("settle", json!(-1), "takes a number from 0 to 1000000 for seconds, not -1"),
        ("find_ceiling", json!(1), "takes a rating for rating: one of `nameplate().ratings`, not 1"),
        ("capture", json!(1), "takes a text for purpose"),
    ] {
        let told = refused(name, vec![given]);
        assert!(told.contains(says), "{name}: {told}");
    }
    // The guard judges what is set: a script must not be able to catch its refusal.
    let call =
        Call { name: "source".into(), arguments: vec![json!({ "level_vrms": 1e300, "hz": -1 })], line: 1 };
    assert_eq!(check(&call), Ok(()));
    assert!(refused("load", Vec::new()).contains("call load(#{ ohm })"));
    assert!(refused("nosuch", Vec::new()).contains("no function nosuch()"));
    assert!(refused("record", vec![json!({}), json!(2)]).contains("takes a ceiling"));
    assert_eq!(
        check(&Call { name: "record".into(), arguments: vec![json!("a"), json!(2)], line: 1 }),
        Ok(())
    );
}

#[test]
fn every_function_is_told_whole() {
    for function in functions() {
        let name = function.name;
        assert!(function.what.ends_with('.') && function.what.len() > 20, "{name}: what it does");
        assert!(function.example.contains(&format!("{name}(")), "{name}: its example calls it");
        assert!(function.fails.is_empty() || function.fails.ends_with('.'), "{name}: why it fails");
    }
    for shape in shapes() {
        for field in shape.fields {
            assert!(!field.what.is_empty() || shape.name == "u", "{} of {}", field.name, shape.name);
        }
    }
}

#[test]
fn every_link_in_the_reference_leads_somewhere() {
    let text = reference();
    let headings = text
        .lines()
        .filter_map(|line| line.trim_start_matches('#').strip_prefix(' ').filter(|_| line.starts_with('#')));
    let anchors: Vec<String> = headings.map(super::reference::anchor).collect();
    let once: BTreeSet<&String> = anchors.iter().collect();
    assert_eq!(once.len(), anchors.len(), "two headings have one anchor: {anchors:?}");
    let links: Vec<&str> = text.split("](#").skip(1).filter_map(|rest| rest.split(')').next()).collect();
    assert!(links.len() > 40, "only {} links were found", links.len());
    for link in links {
        assert!(anchors.iter().any(|anchor| anchor == link), "#{link} leads nowhere");
    }
}

/// The files beside the scripts say what the table says: `wattproof reference --write scripts` makes them.
#[test]
fn the_files_are_made_from_the_table() {
    let scripts = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../scripts");
    for (name, text) in [("REFERENCE.md", reference()), ("wattproof.d.rhai", definitions())] {
        let there = std::fs::read_to_string(scripts.join(name)).unwrap_or_default();
        assert!(there == text, "{name} is not what the table says: `wattproof reference --write scripts`");
    }
}
