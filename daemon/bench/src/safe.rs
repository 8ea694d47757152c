//! The safe state of a whole bench: switched off, read back, and measured.

use wattproof_guard::TripCause;

use crate::acquire::{acquire, acquisition};
use crate::captured::{outputs, to_amplifier};
use crate::off::{safe_once, switch_off};
use crate::shared::SUPPLY_OUTPUT;
use crate::{Bench, SafeReport};

/// Below this an output counts as dead when measured, V rms: far under the 30 V rms touch limit of IEC 61010-1
/// (from memory) and above any noise or offset.
const DEAD_VRMS: f64 = 1.0;
/// Below this a supply counts as off when measured, A.
const DEAD_A: f64 = 0.1;
/// Samples of the capture that looks whether the outputs are dead.
const DEAD_SAMPLES: usize = 1024;

impl Bench {
    /// Trips the guard for `cause` (a stop wins over it) and makes everything safe; returns when that is done or
    /// can't be done.
    pub fn make_safe(&self, cause: TripCause) -> SafeReport {
        let cause = match self.shared.stop.stopped_by() {
            Some(by) => TripCause::Stop { by },
            None => cause,
        };
        self.shared.guard().fault(self.now_s(), cause);
        let mut report = safe_once(&self.shared);
        self.measure_dead(&mut report);
        report
    }

    /// Ends a healthy run: everything off, confirmed, measured, guard back to its safe state.
    pub fn finish(&self) -> SafeReport {
        if self.shared.guard().trip().is_some() || self.shared.stop.stopped_by().is_some() {
            return self.make_safe(TripCause::Run { what: "the run ended while tripping".into() });
        }
        let mut report = switch_off(&self.shared);
        self.measure_dead(&mut report);
        if let Err(refusal) = self.shared.guard().disarm(self.now_s()) {
            report.warnings.push(refusal.to_string());
        }
        report.state = self.state();
        report
    }

    /// Beyond what instruments say of themselves: is the output really dead, is the supply really drained?
    fn measure_dead(&self, report: &mut SafeReport) {
        let _turn = self.shared.capturing.take();
        let actors = &self.shared.actors;
        match actors.supply.ask(|supply| supply.measure_a(SUPPLY_OUTPUT)) {
            Ok(Ok(amps_a)) => {
                report.supply_a = Some(amps_a);
                if !(amps_a < DEAD_A) {
                    report.measured_live = true;
                    report.warnings.push(format!(
                        "the supply still delivers {amps_a:.2} A after it was switched off: cut its mains"
                    ));
                }
            }
            Ok(Err(error)) => report.warnings.push(format!("supply current not measured after off: {error}")),
            Err(gone) => report.warnings.push(gone.to_string()),
        }
        let wanted = acquisition(&self.shared.file, DEAD_SAMPLES);
        match actors.digitizer.ask(move |digitizer| {
            digitizer.canceller().clear();
            acquire(digitizer, &wanted)
        }) {
            Ok(Ok(acquired)) => {
                let channels = to_amplifier(&self.shared.file, acquired);
                let readings = vec![wattproof_signal::Reading::default(); channels.len()];
                report.out_vrms = outputs(&channels, &readings).out_vrms;
                if report.out_vrms.is_some_and(|vrms| !(vrms < DEAD_VRMS)) {
                    report.measured_live = true;
                    report.warnings.push(format!(
                        "an amplifier output still carries {:.2} V rms after everything was switched off: do not touch it, cut the mains",
                        report.out_vrms.unwrap_or(f64::NAN)
                    ));
                }
            }
            Ok(Err(error)) => report.warnings.push(format!("outputs not measured after off: {error}")),
            Err(gone) => report.warnings.push(gone.to_string()),
        }
    }
}
