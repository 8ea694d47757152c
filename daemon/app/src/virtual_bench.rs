//! `wattproof virtual-bench`: simulated instruments on pseudo-terminals, for anybody who speaks SCPI.

use std::io::Read;

use wattproof_bench::BenchFile;
use wattproof_rehearsal::{VirtualLoad, VirtualPorts, bench_file, fixed_ohm, nameplate};
use wattproof_virtual_bench::{
    AmplifierSpec, BridgeInputs, LoadStands, ThieleSmall, VirtualBench, VirtualBenchOptions, catalogue,
    faults, manner, rating_truths,
};

use crate::cli::VirtualOrder;
use crate::failure::Failure;
use crate::say::{say, say_json};
use crate::virtual_files::{bench_text, to_toml, write};
use crate::virtual_name::virtual_name;

/// First word of the line that says that every port can be opened.
pub const READY: &str = "ready";
/// Written into the bench file where no pace is asked for; a pseudo-terminal takes any.
const BAUD: u32 = 921_600;

/// The loudspeaker of `--speaker`: an invented woofer of nominally 4 ohm.
const SPEAKER: ThieleSmall = ThieleSmall { re_ohm: 3.4, le_h: 0.0005, qes: 0.5, qms: 4.0, fs_hz: 45.0 };

/// Lists, tells the truth, or serves until Ctrl-C or until standard input closes.
pub fn virtual_bench(order: &VirtualOrder) -> Result<(), Failure> {
    if order.list {
        return list(order.json);
    }
    if order.list_manners {
        if order.json {
            let one = |name| Ok(serde_json::json!({ "name": name, "summary": manner::named(name)?.summary }));
            return say_json(&manner::names().map(one).collect::<Result<Vec<_>, Failure>>()?);
        }
        for name in manner::names() {
            say(&format!("{name:20} {}", manner::named(name)?.summary))?;
        }
        return Ok(());
    }
    let amplifier = catalogue::amplifier(&order.amplifier)?;
    // Before anything is written.
    let name = virtual_name(order.name.as_deref(), &order.amplifier, order.write_bench.as_deref())?;
    if let Some(path) = &order.write_nameplate {
        write(path, &to_toml(&nameplate(&amplifier))?)?;
    }
    if order.truth { tell_truth(&amplifier) } else { serve(order, amplifier, name) }
}

fn list(json: bool) -> Result<(), Failure> {
    if json {
        let one = |name: &&str| {
            let about = catalogue::amplifier(name)?;
            Ok(serde_json::json!({ "name": name, "description": about.description }))
        };
        let names: Vec<&str> = catalogue::names().collect();
        return say_json(&names.iter().map(one).collect::<Result<Vec<_>, Failure>>()?);
    }
    for name in catalogue::names() {
        say(&format!("{name:12} {}", catalogue::amplifier(name)?.description))?;
    }
    Ok(())
}

fn serve(order: &VirtualOrder, amplifier: AmplifierSpec, name: String) -> Result<(), Failure> {
    let load_stands = load_stands(&order.load_stands)?;
    let speaker = order.speaker.then_some(SPEAKER);
    let fixed_ohm = speaker.map(|speaker| speaker.re_ohm).or(fixed_ohm(&amplifier, order.fixed_load));
    let options = VirtualBenchOptions {
        amplifier: amplifier.clone(),
        seed: order.seed,
        pace_baud: order.pace,
        bits: order.bits,
        fixed_load_ohm: fixed_ohm,
        speaker,
        bridged: order.bridged.then_some(if order.differential {
            BridgeInputs::Differential
        } else {
            BridgeInputs::Dividers
        }),
        load_stands,
        manners: order.manner.iter().map(|name| manner::named(name)).collect::<Result<_, _>>()?,
    };
    let faults = order.faults.as_deref().map_or(Ok(Vec::new()), faults::read)?;
    let serving = VirtualBench::start_with_faults(options, &faults)?;
    let load = VirtualLoad { fixed_ohm, loudspeaker: order.speaker, stands: load_stands };
    let file = bench_file(&VirtualPorts::from(&serving), &amplifier, order.pace.unwrap_or(BAUD), load);
    let file = BenchFile { name, ..file.map_err(|error| Failure::Said(error.to_string()))? };
    let text = bench_text(&file)?;
    match &order.write_bench {
        Some(path) => write(path, &text)?,
        None => say(&text)?,
    }
    for port in serving.ports() {
        say(&format!("{:12} {}", port.role.name(), port.path))?;
    }
    if !faults.is_empty() {
        say(&format!("{:12} {} ordered, all invented", "faults", faults.len()))?;
    }
    // Whoever started this waits for that line.
    say(&format!(
        "{READY}: {}, with {} ({}), seed {}; Ctrl-C ends it",
        file.name, amplifier.name, amplifier.description, order.seed
    ))?;
    wait(order.until_stdin_closes)?;
    serving.stop();
    Ok(())
}

/// What the loads stand, from `--load-stands`.
fn load_stands(given: &[f64]) -> Result<Option<LoadStands>, Failure> {
    match *given {
        [] => Ok(None),
        [watts_max, watts_continuous, seconds_at_max]
            if given.iter().all(|value| value.is_finite() && *value > 0.0)
                && watts_continuous < watts_max =>
        {
            Ok(Some(LoadStands { watts_max, watts_continuous, seconds_at_max }))
        }
        _ => Err(Failure::Said(
            "--load-stands takes three numbers above 0, the first above the second, such as 300,100,10"
                .into(),
        )),
    }
}

fn wait(until_stdin_closes: bool) -> Result<(), Failure> {
    if until_stdin_closes {
        // Anything read, or an error, means the other side is still there or gone; only the end counts.
        let mut byte = [0u8; 64];
        while std::io::stdin().read(&mut byte).is_ok_and(|count| count > 0) {}
        return Ok(());
    }
    let wrap = |source| Failure::System { what: "waiting for Ctrl-C", source };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(wrap)?;
    runtime.block_on(tokio::signal::ctrl_c()).map_err(wrap)
}

fn tell_truth(amplifier: &AmplifierSpec) -> Result<(), Failure> {
    let truths = rating_truths(amplifier).map_err(|error| Failure::Said(error.to_string()))?;
    say_json(&truths)
}
