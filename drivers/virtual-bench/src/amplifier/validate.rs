use std::fmt::Display;

use super::{AmplifierSpec, CHANNELS_MAX, OutputKind, PlateKind, RatingChannels, SpecError, Transfer};

/// Deviation of a channel, dB: down to a channel that passes nothing.
const GAIN_TRIM_DB: (f64, f64) = (-150.0, 3.0);

impl AmplifierSpec {
    /// Reads and validates a description.
    ///
    /// # Errors
    /// [`SpecError::Syntax`] for anything the parser refuses (unknown fields too), [`SpecError::Value`] for a
    /// value outside the model's range.
    pub fn from_toml(text: &str) -> Result<Self, SpecError> {
        let spec: Self = toml::from_str(text).map_err(|e| SpecError::Syntax { message: e.to_string() })?;
        spec.validate()?;
        Ok(spec)
    }

    /// Checks every value against the range the model can represent.
    ///
    /// # Errors
    /// [`SpecError::Value`] naming the first offending field.
    pub fn validate(&self) -> Result<(), SpecError> {
        if self.name.trim().is_empty() {
            return Err(self.bad("name", "empty", "a short name"));
        }
        if !self.invented {
            return Err(self.bad(
                "invented",
                false,
                "true: the virtual bench holds invented amplifiers only",
            ));
        }
        self.validate_nameplate()?;
        let p = &self.physics;
        self.within("physics.gain_db", p.gain_db, 0.0, 60.0)?;
        self.each_channel("physics.gain_trim_db", &p.gain_trim_db, GAIN_TRIM_DB.0, GAIN_TRIM_DB.1)?;
        self.validate_supply()?;
        self.validate_output()?;
        self.validate_noise()?;
        self.validate_limiter()?;
        self.validate_thermal()
    }

    fn validate_nameplate(&self) -> Result<(), SpecError> {
        let channels = self.channels();
        if !(1..=CHANNELS_MAX).contains(&channels) {
            return Err(self.bad("nameplate.channels", channels, format!("1 to {CHANNELS_MAX}")));
        }
        if self.nameplate.ratings.is_empty() {
            return Err(self.bad("nameplate.ratings", "empty", "at least one rating"));
        }
        for r in &self.nameplate.ratings {
            match (self.nameplate.kind, r.watts, r.out_vrms) {
                (PlateKind::Amplifier, Some(watts), None) => {
                    self.within("nameplate.ratings.watts", watts, 0.001, 1.0e5)?;
                }
                (PlateKind::LineStage, None, Some(vrms)) => {
                    self.within("nameplate.ratings.out_vrms", vrms, 0.01, 100.0)?;
                }
                (PlateKind::Amplifier, ..) => {
                    return Err(self.bad("nameplate.ratings", "otherwise", "watts alone of an amplifier"));
                }
                (PlateKind::LineStage, ..) => {
                    return Err(self.bad("nameplate.ratings", "otherwise", "out_vrms alone of a line stage"));
                }
            }
            self.within("nameplate.ratings.load_ohm", r.load_ohm, 0.1, 1.0e6)?;
            self.within("nameplate.ratings.supply_v", r.supply_v, 0.1, 1.0e3)?;
            self.within("nameplate.ratings.thdn_pct", r.thdn_pct, 1.0e-4, 50.0)?;
            self.within("nameplate.ratings.hz", r.hz, 1.0, 1.0e5)?;
            if r.channels == RatingChannels::Bridged && !channels.is_multiple_of(2) {
                return Err(self.bad("nameplate.channels", channels, "even where a rating is for bridges"));
            }
        }
        Ok(())
    }

    fn validate_supply(&self) -> Result<(), SpecError> {
        let s = &self.physics.supply;
        self.within("physics.supply.ratio", s.ratio, 0.01, 100.0)?;
        self.within("physics.supply.source_ohm", s.source_ohm, 0.0, 10.0)?;
        self.within("physics.supply.settle_s", s.settle_s, 1.0e-3, 10.0)?;
        self.within("physics.supply.converter_efficiency", s.converter_efficiency, 0.2, 1.0)?;
        self.within("physics.supply.idle_a", s.idle_a, 0.0, 50.0)?;
        self.within("physics.supply.minimum_v", s.minimum_v, 0.0, 500.0)?;
        if let Some(v) = s.rail_limit_v {
            self.within("physics.supply.rail_limit_v", v, 0.1, 1.0e4)?;
        }
        Ok(())
    }

    fn validate_output(&self) -> Result<(), SpecError> {
        let o = &self.physics.output;
        match (o.kind, o.efficiency) {
            (OutputKind::ClassD, Some(e)) => self.within("physics.output.efficiency", e, 0.2, 1.0)?,
            (OutputKind::ClassD, None) => {
                return Err(self.bad("physics.output.efficiency", "absent", "given for class_d"));
            }
            (OutputKind::ClassAb, Some(e)) => {
                return Err(self.bad(
                    "physics.output.efficiency",
                    e,
                    "absent for class_ab, whose losses follow from its rails",
                ));
            }
            (OutputKind::ClassAb, None) => {}
        }
        self.within("physics.output.drop_v", o.drop_v, 0.0, 100.0)?;
        self.each_channel("physics.output.drop_trim_v", &o.drop_trim_v, -10.0, 10.0)?;
        let most_ohm = if self.nameplate.kind == PlateKind::LineStage { 1.0e4 } else { 10.0 };
        self.within("physics.output.resistance_ohm", o.resistance_ohm, 0.0, most_ohm)?;
        self.within("physics.output.asymmetry", o.asymmetry, -0.5, 0.5)?;
        self.within("physics.output.dead_zone_v", o.dead_zone_v, 0.0, 10.0)?;
        self.within("physics.output.dead_zone_depth", o.dead_zone_depth, 0.0, 1.0)?;
        self.within("physics.output.dc_offset_v", o.dc_offset_v, -5.0, 5.0)?;
        if let Some(a) = o.current_limit_apk {
            self.within("physics.output.current_limit_apk", a, 0.1, 1.0e3)?;
        }
        if let Transfer::Soft { sharpness } = self.physics.transfer {
            self.within("physics.transfer.sharpness", sharpness, 1.5, 60.0)?;
        }
        Ok(())
    }

    fn validate_noise(&self) -> Result<(), SpecError> {
        let n = &self.physics.noise;
        self.within("physics.noise.noise_vrms", n.noise_vrms, 0.0, 10.0)?;
        self.within("physics.noise.hum_hz", n.hum_hz, 1.0, 1.0e3)?;
        for &v in &n.hum_vrms {
            self.within("physics.noise.hum_vrms", v, 0.0, 10.0)?;
        }
        for tone in &self.physics.residue {
            self.within("physics.residue.hz", tone.hz, 20_000.0, 2.0e6)?;
            self.within("physics.residue.level_db", tone.level_db, -150.0, 0.0)?;
        }
        Ok(())
    }

    fn validate_limiter(&self) -> Result<(), SpecError> {
        let Some(l) = &self.physics.limiter else { return Ok(()) };
        self.within("physics.limiter.threshold_vpk", l.threshold_vpk, 0.01, 1.0e3)?;
        self.within("physics.limiter.attack_s", l.attack_s, 1.0e-3, 10.0)?;
        self.within("physics.limiter.release_s", l.release_s, 1.0e-3, 100.0)?;
        match l.ratio {
            Some(r) => self.within("physics.limiter.ratio", r, 1.0, 1.0e3),
            None => Ok(()),
        }
    }

    fn validate_thermal(&self) -> Result<(), SpecError> {
        let t = &self.physics.thermal;
        self.within("physics.thermal.ambient_c", t.ambient_c, -40.0, 80.0)?;
        self.within("physics.thermal.heatsink_tau_s", t.heatsink_tau_s, 1.0, 1.0e5)?;
        self.within("physics.thermal.heatsink_c_per_w", t.heatsink_c_per_w, 0.0, 50.0)?;
        self.within("physics.thermal.die_tau_s", t.die_tau_s, 0.01, 100.0)?;
        self.within("physics.thermal.die_c_per_w", t.die_c_per_w, 0.0, 50.0)?;
        self.within("physics.thermal.foldback_db_per_c", t.foldback_db_per_c, 0.0, 2.0)?;
        self.within("physics.thermal.foldback_rail_pct_per_c", t.foldback_rail_pct_per_c, 0.0, 10.0)?;
        self.within("physics.thermal.trip_hysteresis_c", t.trip_hysteresis_c, 0.0, 100.0)?;
        self.within("physics.thermal.trip_recover_s", t.trip_recover_s, 0.0, 600.0)?;
        if let Some(c) = t.foldback_c {
            self.within("physics.thermal.foldback_c", c, t.ambient_c, 300.0)?;
        }
        match t.trip_c {
            Some(c) => self.within("physics.thermal.trip_c", c, t.ambient_c, 300.0),
            None => Ok(()),
        }
    }

    /// One value for each channel, or none at all.
    fn each_channel(&self, field: &str, values: &[f64], low: f64, high: f64) -> Result<(), SpecError> {
        let channels = self.channels();
        if !values.is_empty() && values.len() != channels {
            let found = format!("{} values", values.len());
            return Err(self.bad(field, found, format!("{channels}, one for each channel, or left out")));
        }
        values.iter().try_for_each(|value| self.within(field, *value, low, high))
    }

    fn within(&self, field: &str, value: f64, low: f64, high: f64) -> Result<(), SpecError> {
        if value.is_finite() && (low..=high).contains(&value) {
            Ok(())
        } else {
            Err(self.bad(field, value, format!("a number from {low} to {high}")))
        }
    }

    fn bad(&self, field: &str, value: impl Display, expected: impl Display) -> SpecError {
        SpecError::Value {
            amplifier: self.name.clone(),
            field: field.to_owned(),
            value: value.to_string(),
            expected: expected.to_string(),
        }
    }
}
