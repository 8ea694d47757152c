//! The physical bench: one amplifier, its supply, source and loads, moving through time.
//!
//! In: control settings and times. Out: analogue volts and amperes at the amplifier's terminals, and what
//! its meters would show. Time is an argument and never runs backwards; randomness comes from the seed only.

mod ailments;
mod bridge;
mod capture;
mod corners;
mod cutout;
mod decimate;
mod drive;
mod fineness;
mod inputs;
mod kinks;
pub(crate) mod noise;
mod noise_wave;
pub(crate) mod slow;
mod speaker;
mod supply;
mod warmth;

pub use ailments::{Ailments, Oscillation};
pub use bridge::BridgeInputs;
pub use capture::RawCapture;
pub use cutout::LoadStands;
pub use drive::Drive;
pub use inputs::{INPUTS_MAX, Input, Inputs};
pub use noise_wave::Shape;

use self::cutout::Cutout;
use self::drive::SourceChannel;
use self::fineness::Fineness;
use self::noise::Gaussian;
use self::slow::{Outcome, Slow};
use self::supply::BenchSupply;
use self::warmth::Warmth;
use crate::amplifier::{AmplifierSpec, CycleGrid, Stage};
use crate::load::Load;

/// Shortest step of the slow states, s.
const STEP_S_MIN: f64 = 0.25e-3;
/// Longest step of the slow states while nothing moves, s.
const STEP_S_MAX: f64 = 20.0e-3;

/// What is connected to one output.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Terminal {
    load: Load,
    connected: bool,
}

impl Terminal {
    pub fn load(&self) -> Option<&Load> {
        self.connected.then_some(&self.load)
    }

    /// Share of the EMF that reaches the terminals.
    pub fn divider(&self, output_ohm: f64, hz: f64) -> f64 {
        self.load().map_or(1.0, |l| {
            let z = l.impedance(hz);
            (z / (z + output_ohm)).norm()
        })
    }
}

/// State of one output.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OutputState {
    /// No supply, or too little of it.
    Off,
    /// Passing signal.
    Active,
    /// Passing signal with the limiter or the thermal foldback holding the level down by over 0.1 dB.
    Limiting,
    /// Muted by protection until the input has been quiet and the die is cool.
    Tripped,
}

/// What one output does at this moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutputReading {
    /// Its state.
    pub state: OutputState,
    /// Output voltage without noise and dc, V rms.
    pub out_vrms: f64,
    /// Active power in the load, W.
    pub out_w: f64,
    /// Die temperature, °C.
    pub die_c: f64,
    /// Limiter gain, dB (0 when idle).
    pub limiter_db: f64,
}

/// Source and loads as they were set.
#[derive(Debug, Clone)]
struct Wired {
    sources: Vec<SourceChannel>,
    terminals: Vec<Terminal>,
}

/// Amplifier, supply, source and loads as physical things.
#[derive(Debug, Clone)]
pub struct World {
    spec: AmplifierSpec,
    stage: Stage,
    grid: CycleGrid,
    /// What drives the amplifier and what hangs on it, as far as it is whole.
    wired: Wired,
    ailments: Ailments,
    cutout: Cutout,
    warmth: Warmth,
    /// The same as things really are.
    sources: Vec<SourceChannel>,
    terminals: Vec<Terminal>,
    /// What looks at the bridges, where channels 1 and 2, 3 and 4 and so on are bridged.
    bridged: Option<BridgeInputs>,
    supply: BenchSupply,
    slow: Slow,
    noise: Vec<Gaussian>,
    now_s: f64,
    step_s: f64,
    fineness: Fineness,
}

impl World {
    /// A cold amplifier with its supply off, its source off and 4 Ω loads connected, at time 0.
    pub fn new(amplifier: AmplifierSpec, seed: u64) -> Self {
        let channels = amplifier.channels();
        let sources = vec![SourceChannel::new(); channels];
        let terminals = vec![Terminal { load: Load::Resistive { ohm: 4.0 }, connected: true }; channels];
        Self {
            stage: Stage::new(&amplifier),
            grid: CycleGrid::new(128),
            wired: Wired { sources: sources.clone(), terminals: terminals.clone() },
            ailments: Ailments::default(),
            cutout: Cutout::default(),
            warmth: Warmth::default(),
            sources,
            terminals,
            bridged: None,
            supply: BenchSupply::new(),
            slow: Slow::new(&amplifier),
            noise: noises(seed, channels),
            now_s: 0.0,
            step_s: STEP_S_MIN,
            fineness: Fineness::FULL,
            spec: amplifier,
        }
    }

    /// Computes captures some tens of times faster, with distortion below 0.1 % no longer true: for simulations
    /// of what a bench does, not of what it measures.
    #[must_use]
    pub fn coarse(self) -> Self {
        Self { fineness: Fineness::COARSE, grid: CycleGrid::new(16), ..self }
    }

    /// The same amplifier with channels 1 and 2, 3 and 4 and so on bridged: what drives the first of a pair drives
    /// both, the second in opposite phase, and the first one's load is between their outputs. An odd last channel
    /// stays as it is.
    #[must_use]
    pub fn bridge(mut self, inputs: BridgeInputs) -> Self {
        self.bridged = Some(inputs);
        self.refit();
        self
    }

    /// Whether its channels are bridged.
    pub fn is_bridged(&self) -> bool {
        self.bridged.is_some()
    }

    /// The amplifier's description.
    pub fn spec(&self) -> &AmplifierSpec {
        &self.spec
    }

    /// World time, s.
    pub fn now_s(&self) -> f64 {
        self.now_s
    }

    /// Sets one source channel from now on. A channel that does not exist is ignored.
    pub fn source_set(&mut self, channel: usize, drive: Drive, on: bool) {
        if let Some(source) = self.wired.sources.get_mut(channel) {
            source.set(drive, on, self.now_s);
            self.refit();
        }
    }

    /// Lets the loads stand no more than this, from cold.
    pub fn load_stands(&mut self, stands: LoadStands) {
        self.cutout = Cutout::new(stands);
        self.refit();
    }

    /// Begins the bursts of all source channels afresh, at the same moment.
    pub fn source_restart(&mut self) {
        self.wired.sources.iter_mut().for_each(|source| source.restart(self.now_s));
        self.refit();
    }

    /// Lets something go wrong with the amplifier from now on, or be well again.
    pub fn ail(&mut self, change: impl FnOnce(&mut Ailments)) {
        change(&mut self.ailments);
        self.refit();
    }

    /// Puts what was set and what is wrong together.
    fn refit(&mut self) {
        self.sources = self.ailments.sources(&self.wired.sources, &self.spec, self.now_s);
        self.terminals = self.ailments.terminals(&self.wired.terminals);
        for (terminal, cut) in self.terminals.iter_mut().zip(self.cutout.cut) {
            terminal.connected &= !cut;
        }
        if self.bridged.is_some() {
            bridge::wire(&mut self.sources, &mut self.terminals, self.ailments.bridge_in_phase);
        }
        self.supply.discharge_tau_s = self.ailments.discharge_tau_s;
        self.step_s = STEP_S_MIN;
    }

    /// Sets the bench supply from now on: volts dc, current limit in A, output on or off.
    pub fn supply_set(&mut self, volts: f64, current_limit_a: f64, on: bool) {
        self.supply.set_v = volts.max(0.0);
        self.supply.limit_a = current_limit_a.max(0.0);
        self.supply.on = on;
        self.step_s = STEP_S_MIN;
    }

    /// Sets the load of one output; not connected means an open circuit.
    pub fn load_set(&mut self, channel: usize, load: Load, connected: bool) {
        if let Some(terminal) = self.wired.terminals.get_mut(channel) {
            *terminal = Terminal { load, connected };
            self.refit();
        }
    }

    /// How the digitizer's inputs are connected.
    pub(crate) fn inputs(&self) -> &Inputs {
        &self.ailments.inputs
    }

    /// What one source channel truly plays, and whether it is on; `None` for a channel that does not exist.
    pub fn source(&self, channel: usize) -> Option<(Drive, bool)> {
        self.sources.get(channel).map(|source| (source.drive(), source.is_on()))
    }

    /// Whether the bench supply's output is truly on.
    pub fn supply_on(&self) -> bool {
        self.supply.on
    }

    /// Voltage at the supply terminals, V dc.
    pub fn supply_v(&self) -> f64 {
        self.supply.out_v
    }

    /// Current from the supply, A dc (mean over the signal's cycles).
    pub fn supply_a(&self) -> f64 {
        self.supply.current_a(self.slow.rail_current_a)
    }

    /// True while the supply cannot hold its voltage because of its current limit.
    pub fn supply_in_current_limit(&self) -> bool {
        self.supply.on
            && self.slow.rail_current_a >= self.supply.limit_a * 0.999
            && self.supply.out_v < self.supply.set_v - 1.0e-3
    }

    /// Heatsink temperature, °C.
    pub fn heatsink_c(&self) -> f64 {
        self.slow.heatsink_c
    }

    /// Temperature of an output's load, °C; `None` for a channel that does not exist.
    pub fn load_c(&self, channel: usize) -> Option<f64> {
        Some(self.spec.physics.thermal.ambient_c + self.warmth.load_c.get(channel)?)
    }

    /// Temperature of the supply, °C.
    pub fn supply_c(&self) -> f64 {
        self.spec.physics.thermal.ambient_c + self.warmth.supply_c
    }

    /// Temperature of the room, °C.
    pub fn ambient_c(&self) -> f64 {
        self.spec.physics.thermal.ambient_c
    }

    /// Puts the heatsink (and the dies) at a temperature, °C: an amplifier that was warmed up before.
    pub fn heatsink_set(&mut self, heatsink_c: f64) {
        self.slow.heatsink_c = heatsink_c;
        self.slow.die_c.fill(heatsink_c);
        self.step_s = STEP_S_MIN;
    }

    /// True while protection mutes the outputs.
    pub fn tripped(&self) -> bool {
        self.slow.tripped
    }

    /// What one output does now; `None` for a channel that does not exist.
    pub fn output(&self, channel: usize) -> Option<OutputReading> {
        let limiter = *self.slow.limiter.get(channel)?;
        let outcome = self.outcome(self.now_s);
        let (fold, _) = slow::foldback(&self.spec, self.slow.die_c[channel]);
        let supply_v = self.supply.out_v;
        let state = if supply_v <= 0.0 || supply_v < self.spec.physics.supply.minimum_v {
            OutputState::Off
        } else if self.slow.tripped {
            OutputState::Tripped
        } else if ratio_to_db(limiter * fold) < -0.1 {
            OutputState::Limiting
        } else {
            OutputState::Active
        };
        Some(OutputReading {
            state,
            out_vrms: outcome.cycles[channel].out_vrms,
            out_w: outcome.cycles[channel].out_w,
            die_c: self.slow.die_c[channel],
            limiter_db: ratio_to_db(limiter),
        })
    }

    /// Starts the noise afresh, so that a copy of this world does not repeat its original's noise.
    pub(crate) fn reseed_noise(&mut self, seed: u64) {
        self.noise = noises(seed, self.spec.channels());
    }

    /// Lets time pass until `to_s`; a time in the past does nothing.
    pub fn advance(&mut self, to_s: f64) {
        self.advance_from(None, to_s);
    }

    /// The same; `outcome` is that of this moment, where it is known already.
    fn advance_from(&mut self, mut outcome: Option<Outcome>, to_s: f64) {
        while self.now_s < to_s {
            let edge_s = self.next_edge_s();
            let dt_s = self.step_s.min(to_s - self.now_s).min(edge_s - self.now_s).max(1.0e-9);
            let outcome = outcome.take().unwrap_or_else(|| self.outcome(self.now_s));
            self.step(&outcome, dt_s);
            // Landing exactly on the target avoids a train of vanishing steps.
            if to_s - self.now_s < 1.0e-9 {
                self.now_s = to_s;
            }
        }
    }

    fn next_edge_s(&self) -> f64 {
        self.sources.iter().map(|s| s.next_edge_s(self.now_s)).fold(f64::INFINITY, f64::min)
    }

    fn outcome(&self, t_s: f64) -> Outcome {
        let (sources, terminals) = (&self.sources, &self.terminals);
        self.slow.evaluate(&self.spec, &self.stage, &self.grid, self.supply.out_v, sources, terminals, t_s)
    }

    fn step(&mut self, outcome: &Outcome, dt_s: f64) {
        let before = self.slow.clone();
        let supply_v = self.supply.out_v;
        self.slow.step(
            &self.spec,
            outcome,
            &mut self.supply,
            &self.sources,
            &self.terminals,
            self.now_s,
            dt_s,
        );
        self.slow.heatsink_c += self.ailments.runaway_c_per_s * dt_s;
        self.now_s += dt_s;
        let mut out_w: Vec<f64> = outcome.cycles.iter().map(|cycle| cycle.out_w).collect();
        if self.bridged.is_some() {
            bridge::out_w(&mut out_w);
        }
        self.warmth.step(&out_w, self.supply.out_v * outcome.demand.supply_a, dt_s);
        if self.cutout.step(&out_w, dt_s) {
            self.refit();
        }
        let each = |now: &[f64], was: &[f64]| {
            now.iter().zip(was).map(|(now, was)| (now - was).abs()).fold(0.0, f64::max)
        };
        let moved = [
            (self.slow.rail_current_a - before.rail_current_a).abs() / (1.0 + before.rail_current_a),
            each(&self.slow.limiter, &before.limiter),
            each(&self.slow.die_c, &before.die_c) / 1.0e3,
            (self.supply.out_v - supply_v).abs(),
        ]
        .into_iter()
        .fold(0.0, f64::max);
        // Steps grow while nothing moves and shrink at once when something does.
        self.step_s = if before.tripped != self.slow.tripped || moved > 1.0e-3 {
            STEP_S_MIN
        } else if moved < 1.0e-4 {
            (self.step_s * 1.5).min(STEP_S_MAX)
        } else {
            self.step_s
        };
        if !self.supply.settled() {
            self.step_s = self.step_s.min(2.0 * STEP_S_MIN);
        }
    }
}

/// Noise of each channel, from one seed.
fn noises(seed: u64, channels: usize) -> Vec<Gaussian> {
    let of = |channel: u64| Gaussian::new(seed ^ channel.wrapping_mul(0xA5A5_5A5A_0F0F_F0F0));
    (0..).take(channels).map(of).collect()
}

pub(crate) fn db_to_ratio(db: f64) -> f64 {
    10.0_f64.powf(db / 20.0)
}

pub(crate) fn ratio_to_db(ratio: f64) -> f64 {
    20.0 * ratio.max(1.0e-30).log10()
}
