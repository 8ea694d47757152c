//! From SAFE through ARMED to RUNNING and back: what lets a run energise, command by command.

use crate::gate::{Playing, above, beyond};
use crate::plausible::Plausible;
use crate::{Command, Guard, Output, Refusal, State, TripCause};

/// The span over which switch-ons are counted, s.
const MINUTE_S: f64 = 60.0;

impl Guard {
    /// Lets a run energise. Only from SAFE, with limits that make sense and that the instruments can hold.
    pub fn arm(&mut self, now_s: f64) -> Result<(), Refusal> {
        self.advance(now_s);
        if self.state != State::Safe {
            return Err(self.refusal());
        }
        if let Err(error) = self.limits.check() {
            let why = "is no finite number greater than zero".into();
            return Err(Refusal::Limits { limit: error.name, value: error.value, why });
        }
        if let Some((limit, value, rating)) = self.ratings.exceeded_by(&self.limits) {
            let why =
                format!("is above {rating}, the most its instrument can be set to (a slip of the unit?)");
            return Err(Refusal::Limits { limit, value, why });
        }
        self.state = State::Armed;
        self.play(now_s, None);
        self.power_since_s = None;
        self.switched_on.clear();
        self.plausible = Plausible::default();
        self.heat.forget_gain();
        Ok(())
    }

    /// Judges a command about to be sent. `Ok` means: send it now.
    pub fn permit(&mut self, now_s: f64, command: &Command) -> Result<(), Refusal> {
        self.advance(now_s);
        if !matches!(self.state, State::Armed | State::Running) {
            return Err(self.refusal());
        }
        let switches_on = matches!(command, Command::SourceOn | Command::SupplyOn);
        let cause = beyond(&self.limits, &self.playing, command)
            .or_else(|| self.too_much_for_load(command))
            .or_else(|| self.stale(now_s).filter(|_| switches_on))
            .or_else(|| self.toggled(now_s).filter(|_| switches_on));
        if let Some(cause) = cause {
            self.fault(now_s, cause.clone());
            return Err(Refusal::Tripped(cause));
        }
        if matches!(command, Command::SourceLevel { .. } | Command::SourceTwoTone { .. }) {
            self.heat.share(None);
        }
        match *command {
            Command::SourceLevel { level_vrms } => self.play(now_s, Some(level_vrms)),
            Command::SourceBurst { level_vrms, rest_vrms } => {
                self.play(now_s, Some(level_vrms.max(rest_vrms)))
            }
            Command::SourceTwoTone { level_vrms, second_vrms, .. } => {
                self.play(now_s, Some(level_vrms + second_vrms));
            }
            Command::SourceOn => {
                self.playing.source_on = true;
                self.play(now_s, self.playing.level_vrms);
                self.live(now_s, Output::Source);
            }
            Command::SupplyOn => self.live(now_s, Output::Supply),
            Command::LoadOhm { load_ohm } => {
                self.load_ohm = Some(load_ohm);
                self.play(now_s, self.playing.level_vrms);
            }
            Command::SupplyAmps { amps_a } => self.supply_limit_a = Some(amps_a),
            Command::SourceFrequency { .. } | Command::SupplyVolts { .. } => {}
        }
        Ok(())
    }

    fn live(&mut self, now_s: f64, output: Output) {
        self.known[output as usize].switched_on();
        self.switched_on.push_back(now_s);
        self.state = State::Running;
    }

    /// A level set, or none that is known.
    pub(crate) fn play(&mut self, now_s: f64, level_vrms: Option<f64>) {
        self.playing.level_vrms = level_vrms;
        let level_vrms = level_vrms.unwrap_or(0.0);
        let silent = !self.playing.source_on || level_vrms == 0.0;
        self.quiet_s = silent.then(|| self.quiet_s.unwrap_or(now_s));
        self.heat.play(if silent { 0.0 } else { level_vrms }, self.load_ohm);
    }

    /// A command after which the load would get more than it stands, by what was measured so far.
    fn too_much_for_load(&self, command: &Command) -> Option<TripCause> {
        let Playing { source_on, level_vrms } = self.playing;
        let now_vrms = level_vrms.unwrap_or(0.0);
        let (level_vrms, load_ohm, live) = match *command {
            Command::SourceLevel { level_vrms } => (level_vrms, self.load_ohm, source_on),
            Command::SourceBurst { level_vrms, rest_vrms } => {
                (level_vrms.max(rest_vrms), self.load_ohm, source_on)
            }
            Command::SourceTwoTone { level_vrms, second_vrms, .. } => {
                (level_vrms + second_vrms, self.load_ohm, source_on)
            }
            Command::SourceOn => (now_vrms, self.load_ohm, true),
            Command::LoadOhm { load_ohm } => (now_vrms, Some(load_ohm), source_on),
            _ => return None,
        };
        // Less than now is always let through: it can only help.
        let less = source_on && level_vrms <= now_vrms && load_ohm >= self.load_ohm;
        self.heat.refuses(level_vrms, load_ohm, live).filter(|_| !less)
    }

    /// One switch-on more than a minute may have.
    fn toggled(&mut self, now_s: f64) -> Option<TripCause> {
        while self.switched_on.front().is_some_and(|at_s| now_s - at_s >= MINUTE_S) {
            self.switched_on.pop_front();
        }
        let count = self.switched_on.len() as f64 + 1.0;
        above("switch_on_per_min_max", count, self.limits.switch_on_per_min())
    }

    /// Ends a healthy run: from ARMED or RUNNING to SAFE when everything is confirmed off, else a trip.
    pub fn disarm(&mut self, now_s: f64) -> Result<(), Refusal> {
        self.advance(now_s);
        if !matches!(self.state, State::Armed | State::Running) {
            return Err(self.refusal());
        }
        if !self.all_off() {
            let cause =
                TripCause::Run { what: "an output was not confirmed off at the end of the run".into() };
            self.fault(now_s, cause.clone());
            return Err(Refusal::Tripped(cause));
        }
        self.state = State::Safe;
        Ok(())
    }
}
