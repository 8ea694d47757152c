//! The safe state of a whole bench: switched off, read back, and measured.

use std::time::Duration;

use wattproof_guard::{DEAD_A, DEAD_VRMS, Output, SafetyReading, State, TripCause};

use crate::readings::acquire::{acquire, acquisition};
use crate::readings::captured::{outputs, to_amplifier};
use crate::readings::temperatures;
use crate::safety::off::{OFF_DEADLINE_S, cut_upstream, safe_once, switch_off};
use crate::safety::unasked::set_watchdogs;
use crate::shared::{SUPPLY_OUTPUT, Shared};
use crate::wire::actor::Pending;
use crate::{Bench, SafeReport};

/// Samples of the capture that looks whether the outputs are dead.
const DEAD_SAMPLES: usize = 1024;
/// From one look at an output that still lives to the next: charge stored in an amplifier takes its time.
const LOOK_AGAIN: Duration = Duration::from_millis(200);

impl Bench {
    /// Trips the guard for `cause` (a stop wins over it) and makes everything safe; returns when that is done or
    /// can't be done.
    pub fn make_safe(&self, cause: TripCause) -> SafeReport {
        let _turn = self.shared.ending.take();
        self.end_tripped(cause)
    }

    fn end_tripped(&self, cause: TripCause) -> SafeReport {
        let cause = match self.shared.stop.stopped_by() {
            Some(by) => TripCause::Stop { by },
            None => cause,
        };
        self.shared.guard().fault(self.now_s(), cause);
        // The safety thread goes ahead of this one and begins, where both can.
        self.shared.stop.wake();
        let mut report = safe_once(&self.shared);
        // It ends off or in alarm, never in between: the safety thread goes on trying, the guard's own time ends it.
        if self.state() == State::Tripping {
            while self.state() == State::Tripping {
                self.shared.clock.sleep(LOOK_AGAIN);
            }
            report = safe_once(&self.shared);
        }
        measure_dead(&self.shared, &mut report);
        self.let_latch_stand();
        report
    }

    /// Ends a healthy run: everything off, confirmed, measured, guard back to its safe state.
    pub fn finish(&self) -> SafeReport {
        let _turn = self.shared.ending.take();
        if self.shared.guard().trip().is_some() || self.shared.stop.stopped_by().is_some() {
            return self.end_tripped(TripCause::Run { what: "the run ended while tripping".into() });
        }
        let mut report = switch_off(&self.shared);
        measure_dead(&self.shared, &mut report);
        // While the bench is still this run's: an instrument that fails even now trips it like at any other time.
        set_watchdogs(&self.shared, 0.0);
        let disarmed = {
            let mut guard = self.shared.guard();
            guard.disarm(self.now_s()).map(|()| guard.state())
        };
        // The state this run leaves: from now on another may arm.
        report.state = match disarmed {
            Ok(state) => state,
            Err(refusal) => {
                let mut safe = self.end_tripped(TripCause::Run { what: refusal.to_string() });
                safe.warnings.insert(0, refusal.to_string());
                return safe;
            }
        };
        report
    }
}

/// Beyond what instruments say of themselves: is the supply really off, is the output really dead? Looks again until
/// both are, or until stored charge has had its time; the guard judges what it sees.
pub(crate) fn measure_dead(shared: &Shared, report: &mut SafeReport) {
    let _turn = shared.capturing.take();
    let until_s = shared.clock.now_s() + OFF_DEADLINE_S + 0.1;
    loop {
        let asked_s = shared.clock.now_s();
        let (reading, missing) = look(shared, asked_s);
        let tripped = shared.guard().observe(shared.clock.now_s(), &reading).is_some();
        if tripped {
            shared.stop.wake();
        }
        (report.supply_a, report.out_vrms) = (reading.supply_a, reading.out_vrms);
        let live_a = reading.supply_a.filter(|amps_a| !(*amps_a < DEAD_A));
        let live_vrms = reading.out_vrms.filter(|vrms| !(*vrms < DEAD_VRMS));
        report.measured_live = live_a.is_some() || live_vrms.is_some();
        if !report.measured_live || asked_s >= until_s {
            report.warnings.extend(missing);
            tell_live(shared, report, live_a, live_vrms);
            break;
        }
        shared.clock.sleep(LOOK_AGAIN);
    }
    report.state = shared.guard().state();
    if report.state == State::Alarm && report.warnings.is_empty() {
        report.warnings.push(format!("ALARM: {}: touch nothing, cut the mains", still_wrong(shared)));
    }
}

/// The last thing that speaks against everything being off.
fn still_wrong(shared: &Shared) -> String {
    let guard = shared.guard();
    let doubtful = |output: &Output| guard.belief(*output).may_be_live();
    if let Some(output) = Output::SAFE_ORDER.into_iter().find(doubtful) {
        return format!("the {output} is not confirmed off");
    }
    let last = guard.trip().map(|trip| trip.evidence.last().map_or(&trip.cause, |evidence| &evidence.cause));
    last.map_or_else(|| "an output may be live".into(), ToString::to_string)
}

fn tell_live(shared: &Shared, report: &mut SafeReport, live_a: Option<f64>, live_vrms: Option<f64>) {
    if let Some(amps_a) = live_a {
        report.warnings.push(format!(
            "ALARM: the supply still delivers {amps_a:.2} A after it was switched off: cut its mains"
        ));
    }
    if let Some(vrms) = live_vrms {
        report.warnings.push(format!(
            "ALARM: an amplifier output still carries {vrms:.2} V rms after everything was switched off: do not touch it, cut the mains"
        ));
    }
    if report.measured_live {
        cut_upstream(shared, Output::Supply, report);
    }
}

/// Supply current, outputs and heatsink, as far as they can be measured, and what could not be.
fn look(shared: &Shared, asked_s: f64) -> (SafetyReading, Vec<String>) {
    let mut reading = SafetyReading { asked_s: Some(asked_s), ..SafetyReading::default() };
    let mut missing = Vec::new();
    let wanted = acquisition(&shared.file, DEAD_SAMPLES);
    let acquired = shared.actors.digitizer.begin(move |digitizer| {
        digitizer.canceller().clear();
        acquire(digitizer, &wanted)
    });
    let channel = shared.file.thermometer.channel;
    let heatsink = shared.actors.thermometer.begin(move |meter| {
        meter.canceller().clear();
        meter.measure_c(channel)
    });
    match supply_a_until(shared, &acquired) {
        Ok(amps_a) => reading.supply_a = Some(amps_a),
        Err(error) => missing.push(format!("supply current not measured after off: {error}")),
    }
    match flat(heatsink.wait()) {
        Ok(heatsink_c) => reading.heatsink_c = Some(heatsink_c),
        Err(error) => missing.push(format!("heatsink not measured after off: {error}")),
    }
    temperatures::look(shared, &mut reading, &mut missing);
    match flat(acquired.wait()) {
        Ok(acquired) => {
            let channels = to_amplifier(&shared.file, acquired);
            let readings = vec![wattproof_signal::Reading::default(); channels.len()];
            reading.out_vrms = outputs(&channels, &readings).out_vrms;
        }
        Err(error) => missing.push(format!("outputs not measured after off: {error}")),
    }
    (reading, missing)
}

/// Supply current, once what else is on its way has come; the guard hears of it every time, so that an instrument that
/// keeps its answer back hides nothing of a supply that lies.
fn supply_a_until<R>(shared: &Shared, other: &Pending<R>) -> Result<f64, String> {
    loop {
        let asked_s = Some(shared.clock.now_s());
        let supply = flat(shared.actors.supply.ask(|supply| supply.measure_a(SUPPLY_OUTPUT)));
        if other.comes_within(LOOK_AGAIN) {
            return supply;
        }
        let reading = SafetyReading { asked_s, supply_a: supply.ok(), ..SafetyReading::default() };
        if shared.guard().observe(shared.clock.now_s(), &reading).is_some() {
            shared.stop.wake();
        }
    }
}

fn flat<T>(
    asked: Result<Result<T, wattproof_instruments::InstrumentError>, crate::wire::actor::ActorGone>,
) -> Result<T, String> {
    asked.map_err(|gone| gone.to_string())?.map_err(|error| error.to_string())
}
