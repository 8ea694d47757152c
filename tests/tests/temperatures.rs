//! Temperatures beside the heatsink's, told by the load, the supply and the digitizer of the served bench.
//!
//! Outside fact: a body that follows its power with one time constant; the figures are those of the simulated load
//! (`drivers/virtual-bench/src/world/warmth.rs`: 0.5 °C/W, 20 s), which the daemon never reads.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod bench;

use std::process::Output;

use bench::{Served, interposed, number, rows, said};

const WATCHED: &str = "
[[temperature]]
name = \"resistors 1\"
role = \"load\"
input = 1
watches = \"load\"
limit_c = 55.0

[[temperature]]
name = \"resistors 2\"
role = \"load\"
input = 2
watches = \"load\"

[[temperature]]
name = \"supply case\"
role = \"supply\"
watches = \"supply\"
limit_c = 80.0

[[temperature]]
name = \"digitizer\"
role = \"digitizer\"
watches = \"ambient\"
";
const BEGIN: &str = "
load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, on: true });
source(#{ hz: 1000.0, level_vrms: 0.2, driven: \"one\", on: true });
settle();
capture();
";

fn watched(served: &Served, more: &str) {
    let text = std::fs::read_to_string(served.bench()).unwrap();
    std::fs::write(served.bench(), format!("{text}{more}")).unwrap();
}

fn is_off(served: &Served) {
    assert_eq!((served.ask("source", "OUTP1?"), served.ask("supply", "OUTP?")), ("0".into(), "0".into()));
}

fn run(served: &Served, script: &str) -> Output {
    served.run(&served.script(script)).output().unwrap()
}

/// Every kind has its column, with the hottest of its kind, and the record alone gives the same again.
#[test]
fn temperatures_of_any_instrument_stand_beside_each_step() {
    let served = Served::start("honest");
    watched(&served, WATCHED);
    let ended = run(
        &served,
        &format!(
            "{BEGIN} source(#{{ level_vrms: 0.5 }}); sleep(20); capture(); source(#{{ on: false }}); supply(#{{ on: false }});"
        ),
    );
    assert!(ended.status.success(), "{}", said(&ended));
    let steps = rows(&served.run_folder().join("steps.csv"));
    let (first, last) = (&steps[0], &steps[2]);
    assert!((number(first, "load_c") - 25.0).abs() < 4.0, "{}", first["load_c"]);
    // One channel at P for about one time constant: 63 % of 0.5 °C/W on top of the room's 25 °C.
    let expected_c = 25.0 + 0.5 * number(last, "active_w") * (1.0 - (-1.0f64).exp());
    assert!((number(last, "load_c") - expected_c).abs() < 3.0, "{}, not {expected_c}", last["load_c"]);
    assert!((25.0..35.0).contains(&number(last, "supply_c")));
    assert!((number(last, "ambient_c") - 36.0).abs() < 0.5);
    assert_eq!(last["heatsink_others_c"], "", "nothing watches another heatsink");
    for word in ["recompute", "rebuild"] {
        let again = served.again(word, &served.run_folder()).output().unwrap();
        assert!(again.status.success(), "{word}: {}", said(&again));
    }
}

/// A limit of its own: 105 W bring the resistors from 25 °C to 55 °C in 17 s.
#[test]
fn a_temperature_beyond_its_own_limit_trips() {
    let served = Served::start("honest");
    watched(&served, WATCHED);
    let ended =
        run(&served, &format!("{BEGIN} source(#{{ level_vrms: 0.66 }}); settle(); capture(); sleep(50);"));
    let told = said(&ended);
    assert!(
        !ended.status.success() && told.contains("limit_c of the temperature resistors 1: met 55."),
        "{told}"
    );
    is_off(&served);
}

/// Freshness: a temperature with a limit that can't be read any more ends the run, whatever else is well.
#[test]
fn a_temperature_that_falls_silent_trips() {
    let served = Served::start("honest");
    watched(&served, WATCHED);
    let wire = interposed(&served, "load");
    let daemon = served.run(&served.script(&format!("{BEGIN} sleep(60);"))).spawn().unwrap();
    let journal = |served: &Served| {
        let folder = bench::some_folder(&served.folder.path().join("results"))?;
        std::fs::read_to_string(folder.join("journal.jsonl")).ok()
    };
    let until = std::time::Instant::now() + std::time::Duration::from_secs(60);
    while !journal(&served).is_some_and(|text| text.contains("\"kind\":\"step\"")) {
        assert!(std::time::Instant::now() < until, "no step");
        std::thread::sleep(std::time::Duration::from_millis(50));
    }
    wire.now();
    let struck = std::time::Instant::now();
    let ended = daemon.wait_with_output().unwrap();
    let told = said(&ended);
    assert!(!ended.status.success() && told.contains("temperature resistors 1"), "{told}");
    assert!(struck.elapsed() < std::time::Duration::from_secs(25), "{:?}", struck.elapsed());
    is_off(&served);
}

/// An instrument that can't tell one is found before anything is opened.
#[test]
fn what_no_instrument_tells_is_refused() {
    let served = Served::start_with("honest", &["--manner", "echo-load"]);
    watched(&served, WATCHED);
    let told = said(&run(&served, BEGIN));
    assert!(
        told.contains("resistors 1") && told.contains("echo-load") && told.contains("measure_c"),
        "{told}"
    );
    let served = Served::start("honest");
    watched(&served, &WATCHED.replace("input = 2", "input = 3"));
    let told = said(&run(&served, BEGIN));
    assert!(told.contains("resistors 2") && told.contains("input = 3"), "{told}");
}

/// The sensor in the air of the room is a temperature like any other: named otherwise, as bench files of old do, it is
/// refused with its place and with what to write; as it is written now, it is recorded and the self-check uses it.
#[test]
fn the_room_is_one_of_the_temperatures() {
    let served = Served::start("honest");
    let text = std::fs::read_to_string(served.bench()).unwrap();
    assert!(text.contains("[[temperature]]") && !text.contains("ambient_channel"), "{text}");
    let last = |served: &Served| {
        let output = run(served, &format!("{BEGIN} source(#{{ on: false }}); supply(#{{ on: false }});"));
        assert!(output.status.success(), "{}", said(&output));
        rows(&served.run_folder().join("steps.csv")).pop().unwrap()
    };
    // The model's room has 25 degrees.
    assert!((number(&last(&served), "ambient_c") - 25.0).abs() < 0.1);
    let journal = std::fs::read_to_string(served.run_folder().join("journal.jsonl")).unwrap();
    assert!(journal.contains("heatsink over ambient"), "the self-check did not compare heatsink and room");
    let place = text.find("[thermometer]\n").unwrap();
    let line = text[..place].matches('\n').count() + 2;
    std::fs::write(served.bench(), text.replace("[thermometer]\n", "[thermometer]\nambient_channel = 2\n"))
        .unwrap();
    let refused = run(&served, BEGIN);
    let told = said(&refused);
    assert!(!refused.status.success() && told.contains(&format!("bench.toml:{line}:1: ")), "{told}");
    assert!(told.contains("[[temperature]]") && told.contains("input = 2"), "{told}");
}
