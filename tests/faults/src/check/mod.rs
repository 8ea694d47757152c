//! The checker: the invariants of the safety design, judged from outside.
//!
//! In comes what anybody could see: each message as it reaches an instrument, each answer as the daemon gets it, the
//! true state of outputs and amplifier, the guard's state as the daemon shows it, and what the operator does. Out go
//! violations. Nothing here uses the guard's code; the numbers of invariants are those of the safety design.

mod drive;
pub mod message;
mod past;
mod reset;
mod state;
mod truth;

use std::collections::BTreeMap;

use wattproof_guard::{Limits, State};
use wattproof_virtual_bench::Role;

use drive::{Change, Drive};
use message::{Part, parts};
pub use past::{Past, Recorded};
use reset::Resets;
pub use truth::Truth;

/// From a trip to the first OFF on a link that takes bytes, s.
pub const SEND_DEADLINE_S: f64 = 0.05;
/// From a trip, or from boot, until no output that obeys is live, s.
pub const OFF_DEADLINE_S: f64 = 3.0;
/// What polling adds to a deadline, s.
pub const POLLING_S: f64 = 0.6;

/// How long a stale reading may go unnoticed, s: four ticks of the bench's safety thread.
pub const NOTICE_S: f64 = 0.2;

/// Where the daemon stands, seen from outside.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Standing {
    /// No daemon runs.
    Closed,
    /// A daemon has started and opens its bench.
    Opening,
    /// Its bench is open.
    Open(Shown),
}

/// The guard's state, ordered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[expect(missing_docs, reason = "the states of the safety design")]
pub enum Shown {
    Boot,
    Safe,
    Armed,
    Running,
    Tripping,
    Tripped,
    Alarm,
}

impl From<State> for Shown {
    fn from(state: State) -> Shown {
        match state {
            State::Boot => Shown::Boot,
            State::Safe => Shown::Safe,
            State::Armed => Shown::Armed,
            State::Running => Shown::Running,
            State::Tripping => Shown::Tripping,
            State::Tripped => Shown::Tripped,
            State::Alarm => Shown::Alarm,
        }
    }
}

/// A broken invariant.
#[derive(Debug, Clone)]
pub struct Violation {
    /// Number of the invariant.
    pub invariant: u8,
    /// Virtual time, s.
    pub at_s: f64,
    /// Which side of the invariant, in a word.
    pub about: &'static str,
    /// What was seen.
    pub what: String,
}

impl std::fmt::Display for Violation {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "invariant {} broken at {:.6} s: {}", self.invariant, self.at_s, self.what)
    }
}

/// What faults excuse at this moment.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Excuse {
    /// The link does not carry messages or answers in time, or did not a moment ago.
    pub link: bool,
    /// The instrument said what is not so.
    pub lied: bool,
}

/// What is known of one output instrument by its wire.
#[derive(Debug, Clone, Default)]
struct Wire {
    identified: bool,
    off_written_s: Option<f64>,
    off_answered: bool,
    energised_s: Option<f64>,
    measured_s: Option<f64>,
}

/// Judges a schedule.
pub struct Checker {
    limits: Limits,
    outputs_of_source: usize,
    standing: Standing,
    since_s: f64,
    opened_s: f64,
    tripped_s: Option<f64>,
    stopped_s: Option<f64>,
    wires: BTreeMap<&'static str, Wire>,
    drive: Drive,
    off_answers: [bool; 2],
    live_since_s: Option<f64>,
    stale_since_s: Option<f64>,
    disk_failed_s: Option<f64>,
    past: Past,
    resets: Resets,
    over_since_s: Option<f64>,
    told: Vec<(u8, &'static str)>,
    violations: Vec<Violation>,
}

impl Checker {
    /// Nothing seen yet.
    pub fn new(limits: Limits, outputs_of_source: usize) -> Checker {
        Checker {
            limits,
            outputs_of_source,
            standing: Standing::Closed,
            since_s: 0.0,
            opened_s: 0.0,
            tripped_s: None,
            stopped_s: None,
            wires: Role::ALL.iter().map(|role| (role.name(), Wire::default())).collect(),
            drive: Drive::default(),
            off_answers: [false; 2],
            live_since_s: None,
            stale_since_s: None,
            disk_failed_s: None,
            past: Past::default(),
            resets: Resets::default(),
            over_since_s: None,
            told: Vec::new(),
            violations: Vec::new(),
        }
    }

    /// The broken invariants so far.
    pub fn violations(&self) -> &[Violation] {
        &self.violations
    }

    /// Where the daemon stands.
    pub fn standing(&self) -> Standing {
        self.standing
    }

    /// Notes a broken invariant; each kind once in a schedule, since one cause breaks it again and again.
    pub fn broken(&mut self, invariant: u8, at_s: f64, about: &'static str, what: String) {
        if !self.told.contains(&(invariant, about)) {
            self.told.push((invariant, about));
            self.violations.push(Violation { invariant, at_s, about, what });
        }
    }

    /// The machine was suspended for so long: no deadline runs on while nothing can run.
    pub fn suspended(&mut self, length_s: f64) {
        self.since_s += length_s;
        self.opened_s += length_s;
        let marks = [
            &mut self.tripped_s,
            &mut self.stopped_s,
            &mut self.live_since_s,
            &mut self.stale_since_s,
            &mut self.disk_failed_s,
            &mut self.over_since_s,
        ];
        self.resets.suspended(length_s);
        let written = self.wires.values_mut().map(|wire| &mut wire.off_written_s);
        // An OFF written before stays as long after its trip as it was.
        marks.into_iter().chain(written).flatten().for_each(|mark| *mark += length_s);
    }

    /// A daemon starts: nothing it believed before counts.
    pub fn boots(&mut self, at_s: f64) {
        self.standing = Standing::Opening;
        self.since_s = at_s;
        self.opened_s = at_s;
        self.tripped_s = None;
        self.stopped_s = None;
        self.disk_failed_s = None;
        self.wires.values_mut().for_each(|wire| *wire = Wire::default());
        self.off_answers = [false; 2];
        self.resets = Resets::default();
    }

    /// The run's record can't be written.
    pub fn disk_fails(&mut self, at_s: f64) {
        self.disk_failed_s.get_or_insert(at_s);
    }

    /// A person stops the run.
    pub fn stops(&mut self, at_s: f64) {
        self.stopped_s.get_or_insert(at_s);
    }

    /// An instrument was restarted or operated by hand: what its output plays by its messages is unknown.
    pub fn forgets(&mut self, role: Role) {
        if role == Role::Source {
            self.drive.forget();
        }
    }

    fn wire(&mut self, role: Role) -> &mut Wire {
        self.wires.entry(role.name()).or_default()
    }

    /// A message reaches an instrument's port. `reached`: no fault kept it from the instrument.
    pub fn message(&mut self, at_s: f64, role: Role, line: &[u8], intent_durable: &dyn Fn() -> bool) {
        let text = String::from_utf8_lossy(line).into_owned();
        if let Some(question) =
            past::QUESTIONS.iter().find(|question| text.starts_with(question.trim_end_matches('?')))
        {
            self.past.asked(at_s, question);
        }
        for part in parts(role, line) {
            if part.energises(role) {
                self.energising(at_s, role, &text, intent_durable);
            }
            // Clears may follow once both outputs have answered that they are off.
            let cleared = part == Part::Clear && self.all_answered_off();
            if !part.is_harmless() && !cleared {
                self.forbidden_now(at_s, role, &text);
            }
            match part {
                Part::Off(channel) => {
                    let wire = self.wire(role);
                    wire.off_written_s = Some(at_s);
                    if role == Role::Source {
                        self.drive.switch(channel, false);
                    }
                }
                Part::On(channel) if role == Role::Source => {
                    let change = self.drive.switch(channel, true);
                    self.played(at_s, &text, change);
                }
                Part::Set(header, channel, value) => self.value(at_s, role, &header, channel, &value, &text),
                _ => {}
            }
        }
    }

    /// Invariants 1, 7 and 13.
    fn energising(&mut self, at_s: f64, role: Role, text: &str, intent_durable: &dyn Fn() -> bool) {
        if self.resets.is_under_way() {
            self.broken(6, at_s, "energised", format!("{role} was sent {text} by a reset"));
        }
        if self.standing == Standing::Opening {
            self.broken(1, at_s, "opening", format!("{role} was sent {text} before its bench was open"));
        }
        let unready: Vec<&str> =
            self.wires.iter().filter(|(_, wire)| !wire.identified).map(|(name, _)| *name).collect();
        if !unready.is_empty() {
            let what =
                format!("{role} was sent {text} though {unready:?} did not say who they are in this boot");
            self.broken(1, at_s, "identified", what);
        }
        for output in ["source", "supply"] {
            if self.wires.get(output).is_none_or(|wire| wire.energised_s.is_none() && !wire.off_answered) {
                let what =
                    format!("{role} was sent {text} though the {output} was not read back off in this boot");
                self.broken(1, at_s, "read back", what);
            }
        }
        if let Some(stopped_s) = self.stopped_s
            && at_s > stopped_s
        {
            let what = format!(
                "{role} was sent {text}, {:.6} s after a person had stopped the run",
                at_s - stopped_s
            );
            self.broken(7, at_s, "stop", what);
        }
        if !intent_durable() {
            let about = match (role, text.starts_with("OUTP")) {
                (_, true) => "switching on",
                (Role::Source, false) => "source level",
                _ => "supply voltage",
            };
            self.broken(13, at_s, about, format!("{role} was sent {text} without a durable intent"));
        }
        self.wire(role).energised_s = Some(at_s);
        self.wire(role).off_answered = false;
        if role == Role::Source {
            self.off_answers = [false; 2];
        }
    }

    fn all_answered_off(&self) -> bool {
        let off = |output: &str| self.wires.get(output).is_some_and(|wire| wire.off_answered);
        off(Role::Source.name()) && off(Role::Supply.name())
    }

    /// Invariant 8.
    fn forbidden_now(&mut self, at_s: f64, role: Role, text: &str) {
        if let Standing::Open(state @ (Shown::Tripping | Shown::Tripped | Shown::Alarm)) = self.standing {
            self.broken(8, at_s, role.name(), format!("{role} was sent {text} in state {state:?}"));
        }
    }

    /// Invariant 11, on the value that the instrument is really sent.
    fn value(&mut self, at_s: f64, role: Role, header: &str, channel: usize, value: &str, text: &str) {
        let number = value.parse::<f64>().unwrap_or(f64::NAN);
        let limits = self.limits;
        // Written so that a value that is no number is outside.
        let inside = match (role, header) {
            (Role::Supply, "VOLT") => (0.0..=limits.supply_v_max).contains(&number),
            (Role::Supply, "CURR") => (0.0..=limits.supply_a_max).contains(&number),
            (Role::Load, "SOUR:RES") => number >= limits.load_ohm_min * 0.999 && number.is_finite(),
            (Role::Source, header) if header.ends_with("FREQ") => number > 0.0 && number.is_finite(),
            (Role::Source, header) if header.ends_with("VOLT") => {
                (0.0..=limits.source_vrms_max * 1.000_001).contains(&number)
            }
            _ => true,
        };
        if !inside {
            self.broken(
                11,
                at_s,
                "limit",
                format!("{role} was sent {text}, which is outside the bench's limits"),
            );
        }
        if role != Role::Source {
            return;
        }
        let change = self.drive.set(header, channel, value);
        self.played(at_s, text, change);
    }

    /// Invariant 11, for what a source output plays after a message.
    fn played(&mut self, at_s: f64, text: &str, change: Option<Change>) {
        let Some(change) = change else { return };
        let limits = self.limits;
        if !(change.now_vrms <= limits.source_vrms_max * 1.000_001) {
            let what = format!("the source was sent {text}: {} V rms together", change.now_vrms);
            self.broken(11, at_s, "loudness", what);
        }
        if change.on && !change.told {
            let what = format!("the source was sent {text} before its level: it may hold any");
            self.broken(11, at_s, "level", what);
        }
        let from_vrms = change.before_vrms.max(limits.source_vrms_max / 10.0);
        let step_db = 20.0 * (change.now_vrms / from_vrms).log10();
        if change.on && change.now_vrms > change.before_vrms && !(step_db <= limits.source_step_db_max + 0.01)
        {
            let what = format!("the source was sent {text}: a step of {step_db:.2} dB");
            self.broken(11, at_s, "step", what);
        }
    }

    /// An answer has come to the daemon whole.
    pub fn answered(&mut self, at_s: f64, role: Role, question: &[u8], answer: &[u8]) {
        let question = String::from_utf8_lossy(question).to_ascii_uppercase();
        let answer = String::from_utf8_lossy(answer).trim_matches(['\n', '\r', '\0', ' ']).to_string();
        if question.contains("*IDN?") && answer.matches(',').count() >= 3 {
            self.wire(role).identified = true;
        }
        if question.starts_with("OUTP") && matches!(answer.as_str(), "0" | "OFF") {
            match role {
                Role::Source => {
                    let channel = usize::from(question.contains('2'));
                    if let Some(off) = self.off_answers.get_mut(channel) {
                        *off = true;
                    }
                    if self.off_answers.iter().take(self.outputs_of_source).all(|off| *off) {
                        self.wire(role).off_answered = true;
                    }
                }
                _ => self.wire(role).off_answered = true,
            }
        }
        let safety = matches!(role, Role::Supply) && question.contains("MEAS:CURR")
            || role == Role::Thermometer && question.contains("MEAS");
        if safety && answer.parse::<f64>().is_ok_and(|value| value.abs() < 9.9e37) {
            self.wire(role).measured_s = Some(at_s);
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use super::*;

    /// What an instrument was told before it was switched off says nothing, and switching on is a step from silence.
    #[test]
    fn a_source_is_switched_on_at_a_level_told_since_it_was_off_and_no_louder_than_a_step() {
        let limits = crate::setup::bench_file().unwrap().limits;
        let (soft, loud) = (limits.source_vrms_max / 10.0, limits.source_vrms_max);
        for (told, about) in [
            (format!("SOUR1:VOLT {soft};OUTP1 ON"), None),
            (format!("SOUR1:VOLT {loud};OUTP1 ON"), Some("step")),
            ("OUTP1 ON".to_string(), Some("level")),
            (format!("SOUR1:VOLT {soft};OUTP1 ON;OUTP1 OFF;OUTP1 ON"), Some("level")),
        ] {
            let mut checker = Checker::new(limits, 2);
            for line in told.split(';') {
                checker.message(1.0, Role::Source, line.as_bytes(), &|| true);
            }
            let found: Vec<_> = checker.violations().iter().filter(|v| v.invariant == 11).collect();
            assert_eq!(found.first().map(|violation| violation.about), about, "{told}: {found:?}");
        }
        // A hand at the panel after the level was set: the daemon can't know.
        let mut checker = Checker::new(limits, 2);
        checker.message(1.0, Role::Source, format!("SOUR1:VOLT {soft}").as_bytes(), &|| true);
        checker.forgets(Role::Source);
        checker.message(1.0, Role::Source, b"OUTP1 ON", &|| true);
        checker.message(1.0, Role::Source, format!("SOUR1:VOLT {}", 2.0 * soft).as_bytes(), &|| true);
        assert!(checker.violations().iter().all(|violation| violation.invariant != 11));
        checker.message(1.0, Role::Source, format!("SOUR1:VOLT {loud}").as_bytes(), &|| true);
        assert!(checker.violations().iter().any(|violation| violation.about == "step"));
    }

    /// A suspension between an OFF and the look at it makes the OFF no earlier than its trip.
    #[test]
    fn an_off_in_time_stays_in_time_when_the_machine_is_suspended_after_it() {
        let limits = crate::setup::bench_file().unwrap().limits;
        let truth = Truth {
            supply_on: false,
            supply_v: 0.0,
            supply_a: 0.0,
            source_plays: false,
            out_vrms: 0.0,
            heatsink_c: 25.0,
        };
        for (told_s, broken) in [(1.02, false), (1.3, true)] {
            let mut checker = Checker::new(limits, 2);
            let excuse = |_| Excuse::default();
            checker.look(1.0, Standing::Open(Shown::Tripping), &truth, &excuse);
            if told_s < 1.1 {
                checker.message(told_s, Role::Source, b"OUTP1 OFF", &|| true);
                checker.message(told_s, Role::Supply, b"OUTP OFF", &|| true);
            }
            checker.suspended(5.0);
            checker.look(6.2, Standing::Open(Shown::Tripping), &truth, &excuse);
            assert_eq!(checker.violations().iter().any(|v| v.invariant == 3), broken, "told at {told_s} s");
        }
    }

    /// A reset is granted by the number shown last, once, and with the causes gone; and it energises nothing.
    #[test]
    fn only_a_persons_reset_with_the_number_shown_last_may_leave_the_latch() {
        let limits = crate::setup::bench_file().unwrap().limits;
        let off = Truth {
            supply_on: false,
            supply_v: 0.0,
            supply_a: 0.0,
            source_plays: false,
            out_vrms: 0.0,
            heatsink_c: 25.0,
        };
        let hot = Truth { heatsink_c: 120.0, ..off };
        // Numbers shown, the one quoted, whether a stop comes meanwhile, what is true, invariants broken.
        let cases = [
            (&[7][..], Some(7), false, off, &[][..]),
            (&[7, 8], Some(7), false, off, &[5]),
            (&[7], None, false, off, &[5]),
            (&[7], Some(7), true, off, &[7]),
            (&[7], Some(7), false, hot, &[5]),
            (&[7, 7], Some(7), false, off, &[5]),
        ];
        let latched = [Shown::Tripped, Shown::Alarm];
        for (latched, (shown, quoted, stopped, truth, broken)) in
            latched.into_iter().flat_map(|latched| cases.map(|case| (latched, case)))
        {
            let mut checker = Checker::new(limits, 2);
            let excuse = |_| Excuse::default();
            for (role, question) in
                [(Role::Source, "OUTP1?"), (Role::Source, "OUTP2?"), (Role::Supply, "OUTP?")]
            {
                checker.answered(0.5, role, question.as_bytes(), b"0\n");
            }
            checker.message(1.01, Role::Source, b"OUTP1 OFF", &|| true);
            checker.message(1.01, Role::Supply, b"OUTP OFF", &|| true);
            checker.look(1.0, Standing::Open(latched), &truth, &excuse);
            shown.iter().for_each(|nonce| checker.shows_number(2.0, *nonce));
            if let Some(nonce) = quoted {
                checker.reset_begins(3.0, nonce);
            }
            if stopped {
                checker.stops(3.1);
            }
            checker.look(3.2, Standing::Open(Shown::Safe), &truth, &excuse);
            let found: Vec<u8> = checker.violations().iter().map(|violation| violation.invariant).collect();
            assert_eq!(found, broken, "{latched:?} {shown:?} {quoted:?} {stopped} {truth}");
        }
        let mut checker = Checker::new(limits, 2);
        checker.reset_begins(3.0, 7);
        checker.message(3.1, Role::Supply, b"OUTP ON", &|| true);
        assert!(checker.violations().iter().any(|violation| violation.invariant == 6));
        checker.reset_ends(3.2, 7, true);
        assert!(checker.violations().iter().any(|violation| violation.about == "granted"));
    }
}
