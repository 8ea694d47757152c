//! Prints the true ceiling of every built-in amplifier at each of its ratings.

use wattproof_virtual_bench::{TruthError, TruthQuery, catalogue, truth};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    for name in catalogue::names() {
        let spec = catalogue::amplifier(name)?;
        for r in &spec.nameplate.ratings {
            let query = TruthQuery::of(&spec, r);
            let t = match truth(&spec, &query) {
                // Of a dead channel no level is clean.
                Err(error @ TruthError::NoCeiling { .. }) => {
                    println!("{name:11} {error}");
                    continue;
                }
                told => told?,
            };
            println!(
                "{name:11} {:4} ohm {:5} V rated {:4.4} W true {:7.4} W burst {:7.2} W source {:.4} V thdn {:.3} % \
                 eff {:.2} {:5.1} A {:?}",
                r.load_ohm,
                r.supply_v,
                r.load_w(),
                t.power_w,
                t.burst_power_w,
                t.source_vrms,
                t.thdn_pct,
                t.efficiency,
                t.supply_a,
                t.cause
            );
        }
    }
    Ok(())
}
