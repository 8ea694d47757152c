use super::drive::SourceChannel;
use super::slow::channel_gain;
use super::{Drive, Inputs, Terminal, db_to_ratio};
use crate::amplifier::{AmplifierSpec, CHANNELS_MAX};
use crate::load::Load;

/// What is wrong with the amplifier, or with what hangs on it. The default is nothing.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Ailments {
    /// A short across an output and what is left of its resistance, Ω.
    pub short_ohm: [Option<f64>; CHANNELS_MAX],
    /// A load that has another resistance than it is set to, Ω.
    pub wrong_ohm: [Option<f64>; CHANNELS_MAX],
    /// What is wrong with how the digitizer looks at the outputs.
    pub inputs: Inputs,
    /// A load that has come off its output.
    pub open: [bool; CHANNELS_MAX],
    /// Both sides of every bridge are in phase: the second one is not turned over.
    pub bridge_in_phase: bool,
    /// All channels oscillate, whatever the source does.
    pub oscillation: Option<Oscillation>,
    /// The heatsink warms by itself, °C/s.
    pub runaway_c_per_s: f64,
    /// The supply's output falls with this time constant after it is switched off, s.
    pub discharge_tau_s: Option<f64>,
}

/// An oscillation of the amplifier.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Oscillation {
    /// EMF of the output, as far as the rails allow, V rms.
    pub out_vrms: f64,
    /// Frequency, Hz.
    pub hz: f64,
}

impl Ailments {
    /// What drives the amplifier. An oscillation stands in for the source: both together would clip anyway.
    pub(super) fn sources(
        &self,
        set: &[SourceChannel],
        spec: &AmplifierSpec,
        now_s: f64,
    ) -> Vec<SourceChannel> {
        let Some(Oscillation { out_vrms, hz }) = self.oscillation else { return set.to_vec() };
        let oscillate = |channel| {
            let mut source = SourceChannel::new();
            let vrms = out_vrms / channel_gain(spec, channel).max(db_to_ratio(-120.0));
            source.set(Drive::Sine { vrms, hz }, true, now_s);
            source
        };
        (0..set.len()).map(oscillate).collect()
    }

    /// What hangs on the outputs.
    pub(super) fn terminals(&self, set: &[Terminal]) -> Vec<Terminal> {
        let mut set = set.to_vec();
        let wrong = self.short_ohm.into_iter().zip(self.wrong_ohm);
        for ((terminal, (short_ohm, wrong_ohm)), open) in set.iter_mut().zip(wrong).zip(self.open) {
            terminal.connected &= !open;
            if let Some(ohm) = wrong_ohm {
                terminal.load = Load::Resistive { ohm };
            }
            // A short sits at the output itself, whether or not the load is connected.
            if let Some(ohm) = short_ohm {
                *terminal = Terminal { load: Load::Resistive { ohm }, connected: true };
            }
        }
        set
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test may stop at once")]

    use super::{Ailments, Oscillation};
    use crate::World;
    use crate::catalogue::amplifier;

    fn powered() -> World {
        let mut world = World::new(amplifier("honest").unwrap(), 1);
        world.supply_set(14.4, 50.0, true);
        world.advance(1.0);
        world
    }

    #[test]
    fn an_oscillation_needs_no_drive_and_ends_with_the_supply() {
        let mut world = powered();
        assert!(world.output(0).unwrap().out_vrms < 0.01);
        world.ail(|ailments| ailments.oscillation = Some(Oscillation { out_vrms: 8.0, hz: 40_000.0 }));
        world.advance(2.0);
        // Divided between 0.04 ohm inside and 4 ohm outside (Ohm's law).
        let out_vrms = world.output(0).unwrap().out_vrms;
        assert!((out_vrms - 8.0 * 4.0 / 4.04).abs() < 0.1, "{out_vrms}");
        world.supply_set(14.4, 50.0, false);
        world.advance(3.0);
        assert!(world.output(0).unwrap().out_vrms < 0.01);
    }

    #[test]
    fn heat_charge_and_loads_behave_as_named_and_heal() {
        let mut world = powered();
        let before_c = world.heatsink_c();
        world.ail(|ailments| ailments.runaway_c_per_s = 10.0);
        world.advance(3.0);
        let risen_c = world.heatsink_c() - before_c;
        assert!((risen_c - 20.0).abs() < 1.0, "{risen_c}");
        world.ail(|ailments| {
            *ailments = Ailments { discharge_tau_s: Some(2.0), ..Ailments::default() };
            ailments.open[0] = true;
        });
        world.supply_set(14.4, 50.0, false);
        world.advance(5.0);
        // One time constant leaves 1/e.
        assert!((world.supply_v() - 14.4 * (-1.0_f64).exp()).abs() < 0.05, "{}", world.supply_v());
        assert!(world.terminals[0].load().is_none() && world.terminals[1].load().is_some());
        world.ail(|ailments| *ailments = Ailments::default());
        assert!(world.terminals[0].load().is_some());
    }

    #[test]
    fn a_short_takes_current_from_the_supply() {
        let mut world = powered();
        world.source_set(0, crate::Drive::Sine { vrms: 0.05, hz: 1000.0 }, true);
        world.advance(2.0);
        let healthy_a = world.supply_a();
        world.ail(|ailments| ailments.short_ohm[0] = Some(0.1));
        world.advance(2.5);
        assert!(world.supply_a() > 3.0 * healthy_a, "{} then {}", healthy_a, world.supply_a());
    }
}
