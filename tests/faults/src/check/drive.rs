//! What each source output would play by the messages it was sent: for the limits on level and on steps.

/// One source output.
#[derive(Debug, Clone, Copy, Default)]
struct Output {
    on: bool,
    /// Its level was set since it was switched off: before, it may hold any.
    told: bool,
    /// It was operated by hand or restarted since its level was set: the daemon can't know yet, and nothing is judged.
    unknown: bool,
    vrms: f64,
    rest_vrms: f64,
    second_vrms: f64,
    bursts: bool,
    two_tone: bool,
}

/// Both outputs of a source.
#[derive(Debug, Clone, Default)]
pub struct Drive([Output; 2]);

/// How a message changed an output.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    /// The output is on; what it was switched on from is silence.
    pub on: bool,
    /// Its level was set since it was last switched off.
    pub told: bool,
    /// Loudest level before, V rms.
    pub before_vrms: f64,
    /// Loudest level now, V rms.
    pub now_vrms: f64,
}

impl Output {
    fn loudest_vrms(&self) -> f64 {
        if self.two_tone {
            self.vrms + self.second_vrms
        } else if self.bursts {
            self.vrms.max(self.rest_vrms)
        } else {
            self.vrms
        }
    }
}

impl Drive {
    /// An output is switched; how that changes what it plays, where it is switched on.
    pub fn switch(&mut self, channel: usize, on: bool) -> Option<Change> {
        let output = self.0.get_mut(channel.wrapping_sub(1))?;
        let before_vrms = if output.on { output.loudest_vrms() } else { 0.0 };
        (output.on, output.told) = (on, output.told && on);
        let judged = on && !output.unknown;
        judged.then(|| Change { on, told: output.told, before_vrms, now_vrms: output.loudest_vrms() })
    }

    /// Something of an output is set; None when it has nothing to do with its loudness.
    pub fn set(&mut self, header: &str, channel: usize, value: &str) -> Option<Change> {
        let output = self.0.get_mut(channel.wrapping_sub(1))?;
        let before = *output;
        let number = value.parse().unwrap_or(f64::NAN);
        match header {
            "SOUR:VOLT" => (output.vrms, output.told, output.unknown) = (number, true, false),
            "SOUR:BURS:REST:VOLT" => output.rest_vrms = number,
            "SOUR:TWOT:VOLT" => output.second_vrms = number,
            "SOUR:BURS" => output.bursts = value == "ON",
            "SOUR:TWOT" => output.two_tone = value == "ON",
            _ => return None,
        }
        let (before_vrms, now_vrms) = (before.loudest_vrms(), output.loudest_vrms());
        (!before.unknown).then_some(Change { on: output.on, told: output.told, before_vrms, now_vrms })
    }

    /// Nothing is known of it any more, as after a restart of the instrument or a hand at its panel.
    pub fn forget(&mut self) {
        self.0 = [Output { unknown: true, ..Output::default() }; 2];
    }
}
