//! A bench whose instruments do not behave as SCPI has it, spoken to through dialects alone.
//!
//! Each instrument really behaves so (`drivers/virtual-bench/manners/`), and shares no code with the dialects. The main
//! job must come to what it comes to on the strict bench: the same amplifier, the same seed, another set of instruments.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod bench;

use std::collections::HashMap;

use bench::{Served, number, root, rows, said};

const PACKED: [&str; 10] = [
    "--manner",
    "peak-source",
    "--manner",
    "echo-load",
    "--manner",
    "comma-supply",
    "--manner",
    "packed-digitizer",
    "--manner",
    "kelvin-thermometer",
];
const LISTED: [&str; 4] = ["--manner", "list-digitizer", "--manner", "listed-thermometer"];

fn ratings(further: &[&str]) -> Vec<HashMap<String, String>> {
    let served = Served::start_with("honest", further);
    let text = std::fs::read_to_string(served.bench()).unwrap();
    for name in further.iter().filter(|word| !word.starts_with("--")) {
        assert!(text.contains(&format!("dialect = \"{name}\"")), "the bench file does not name {name}");
    }
    let ended = served.run(&root().join("scripts/rated_power.rhai")).output().unwrap();
    assert!(ended.status.success(), "{further:?}: {}", said(&ended));
    rows(&served.run_folder().join("ratings.csv"))
}

#[test]
fn the_main_job_comes_to_the_same_on_instruments_of_other_manners() {
    let strict = ratings(&[]);
    for strange in [ratings(&PACKED), ratings(&LISTED)] {
        assert_eq!(strange.len(), strict.len());
        for (one, other) in strict.iter().zip(&strange) {
            let (one_w, other_w) = (number(one, "measured_w"), number(other, "measured_w"));
            let u_w = number(one, "expanded_u_w").min(number(other, "expanded_u_w"));
            println!("rating {}: {one_w:.3} W and {other_w:.3} W, U {u_w:.3} W", one["rating"]);
            assert!(
                (one_w - other_w).abs() <= u_w,
                "rating {}: {one_w} and {other_w}, U {u_w}",
                one["rating"]
            );
            for column in ["rating", "rated_w", "load_ohm", "supply_v", "verdict", "cause"] {
                assert_eq!(one[column], other[column], "rating {}, {column}", one["rating"]);
            }
        }
    }
}
