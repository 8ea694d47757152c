//! The bench, the amplifier and the scripts of a schedule. All of it is invented.

use std::path::Path;

use wattproof_bench::{BenchFile, BenchFileError};
use wattproof_runs::{Driven, LimitBy, Nameplate, PlateKind, Rating};

use wattproof_turns::Random;

/// Bench file: small captures, limits that the scripts come close to.
const BENCH: &str = r#"
name = "simulated"
mains_hz = 50.0

[limits]
out_vrms_max = 20.0
out_arms_max = 8.0
out_w_max = 80.0
dc_v_max = 2.0
supply_v_max = 16.0
supply_a_max = 30.0
heatsink_c_max = 90.0
source_vrms_max = 0.8
source_step_db_max = 6.0
load_ohm_min = 2.0
power_s_max = 6.0
power_w_from = 20.0
reading_age_s_max = 1.5

[source]
dialect = "scpi-source"
outputs = [1, 2]
settle_ms = 20
link = { serial = "source", baud = 115200 }

[load]
dialect = "scpi-load"
channels = [1, 2]
settle_ms = 20
tolerance_pct = 0.05
link = { serial = "load", baud = 115200 }

[supply]
dialect = "scpi-supply"
settle_ms = 20
tolerance_pct = 0.05
link = { serial = "supply", baud = 115200 }

[digitizer]
dialect = "scpi-digitizer"
rate_hz = 100000.0
samples = 512
link = { serial = "digitizer", baud = 115200 }

[[digitizer.channel]]
adc = 1
amplifier_channel = 1
measures = "volts"
gain = 20.0
range_v = 5.0
tolerance_pct = 0.1

[[digitizer.channel]]
adc = 2
amplifier_channel = 1
measures = "amps"
gain = 10.0
range_v = 5.0
tolerance_pct = 0.1

[[digitizer.channel]]
adc = 3
amplifier_channel = 2
measures = "volts"
gain = 20.0
range_v = 5.0
tolerance_pct = 0.1

[[digitizer.channel]]
adc = 4
amplifier_channel = 2
measures = "amps"
gain = 10.0
range_v = 5.0
tolerance_pct = 0.1

[thermometer]
dialect = "scpi-thermometer"
channel = 1
link = { serial = "thermometer", baud = 115200 }
"#;

/// What every script begins with.
const BEGIN: &str = "supply(#{ volts_v: 14.4, limit_a: 20.0 }); supply(#{ on: true }); load(#{ ohm: 4.0 });
source(#{ hz: 2000.0, level_vrms: 0.05 }); source(#{ on: true }); settle();
";

/// The scripts: what they do after the beginning, and whether a healthy bench lets them finish.
const SCRIPTS: [(&str, bool, &str); 11] = [
    ("steps", true, "capture_at(#{ levels_vrms: [0.1, 0.3, 0.2, 0.25] });"),
    ("hold", true, "source(#{ level_vrms: 0.3 }); for n in 0..6 { settle(0.4); capture(); }"),
    (
        "toggle",
        true,
        "for n in 0..5 { source(#{ on: false }); source(#{ level_vrms: 0.1 }); source(#{ on: true }); }",
    ),
    ("creep", true, "for n in 0..15 { source(#{ level_vrms: 0.05 + 0.01 * n }); } capture();"),
    (
        "supplies",
        true,
        "for volts in [13.0, 12.0, 14.0] { supply(#{ volts_v: volts }); settle(); capture(); }",
    ),
    (
        "loads",
        true,
        "source(#{ level_vrms: 0.2 }); for ohm in [8.0, 6.0, 4.0] { load(#{ ohm: ohm }); settle(); capture(); }",
    ),
    ("throws", false, "source(#{ level_vrms: 0.3 }); throw \"as the script wants\";"),
    ("nonsense", false, "source(#{ level_vrms: 0.0 / 0.0 });"),
    ("greedy", false, "source(#{ level_vrms: 0.3 }); capture(); supply(#{ volts_v: 24.0 });"),
    ("loud", false, "source(#{ level_vrms: 5.0 });"),
    (
        "endless",
        false,
        "source(#{ level_vrms: 0.1 }); loop { sleep(0.3); if heatsink() > 500.0 { break; } if capture().step > 9 { throw \"enough\"; } }",
    ),
];

/// Those that came later.
const LATER_SCRIPTS: [(&str, bool, &str); 2] = [
    // On again at a level far above what the source may jump to: the bench begins lower and rises.
    (
        "returns",
        true,
        "for level in [0.5, 0.8, 0.3] { source(#{ on: false }); source(#{ level_vrms: level, on: true }); settle(); capture(); }",
    ),
    // At whatever level the instrument still holds: refused.
    ("unset", false, "source(#{ level_vrms: 0.5 }); source(#{ on: false }); source(#{ on: true });"),
];

/// What every script that ends by itself ends with.
const END: &str = "\nsource(#{ on: false }); supply(#{ on: false });";

/// A script.
#[derive(Debug, Clone)]
pub struct Played {
    /// Its name.
    pub name: &'static str,
    /// Whether it finishes on a healthy bench.
    pub finishes: bool,
    /// Whether the bench is checked before it.
    pub checked: bool,
    /// Its text.
    pub text: String,
}

/// A script that does this between the usual beginning and end.
pub fn whole_script(body: &str) -> String {
    format!("{BEGIN}{body}{END}")
}

/// The script of a seed.
pub fn script(seed: u64) -> Played {
    let mut random = Random::new(seed, 10);
    if random.once_in(6) { drawn(seed, &mut random, &LATER_SCRIPTS) } else { early_script(seed) }
}

/// The script that a seed drew before there were others to draw: what is known of a seed from then goes with it.
pub fn early_script(seed: u64) -> Played {
    drawn(seed, &mut Random::new(seed, 4), &SCRIPTS)
}

fn drawn(seed: u64, random: &mut Random, scripts: &[(&'static str, bool, &str)]) -> Played {
    let (name, finishes, body) = scripts[random.below(scripts.len())];
    let mut text = format!("{BEGIN}{body}");
    // Some end energised, which the daemon has to clear up.
    if finishes && !random.once_in(4) {
        text.push_str(END);
    }
    // Drawn apart, so that each seed keeps the script it had.
    Played { name, finishes, checked: Random::new(seed, 9).once_in(4), text }
}

/// The bench file.
///
/// # Errors
/// [`BenchFileError`], should this room be at fault.
pub fn bench_file() -> Result<BenchFile, BenchFileError> {
    BenchFile::parse(Path::new("simulated-bench.toml"), BENCH)
}

/// The amplifier's nameplate.
pub fn nameplate() -> Nameplate {
    let rating = Rating {
        watts: Some(40.0),
        out_vrms: None,
        out_dbv: None,
        out_dbu: None,
        load_ohm: 4.0,
        supply_v: 14.4,
        driven: Driven::All,
        limit_pct: 1.0,
        limit_by: LimitBy::Thdn,
        hz: 2000.0,
    };
    Nameplate {
        maker: "Invented Works".into(),
        model: "Simulated 40".into(),
        serial: None,
        price: None,
        currency: None,
        golden: false,
        invented: true,
        kind: PlateKind::Amplifier,
        channels: 2,
        rating: vec![rating],
    }
}
