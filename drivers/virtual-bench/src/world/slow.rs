use super::drive::SourceChannel;
use super::supply::BenchSupply;
use super::{Terminal, db_to_ratio};
use crate::amplifier::{AmplifierSpec, Cycle, CycleGrid, Demand, Limits, Stage, demand};

/// An input below this is quiet for the protection, V peak.
const QUIET_INPUT_VPK: f64 = 5.0e-3;
/// The converter never sees less than this share of the supply: keeps an impossible demand finite.
const INNER_SHARE_MIN: f64 = 0.3;

/// Everything that changes slower than the signal.
#[derive(Debug, Clone)]
pub(crate) struct Slow {
    /// Supply current as the rails have followed it so far, A.
    pub rail_current_a: f64,
    /// Limiter gain of each channel, 0 to 1.
    pub limiter: Vec<f64>,
    pub die_c: Vec<f64>,
    pub heatsink_c: f64,
    pub tripped: bool,
    /// Since when all inputs have been quiet, s.
    pub quiet_since_s: Option<f64>,
}

/// What one channel does to its input at one moment.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Operating {
    pub gain: f64,
    pub limits: Limits,
}

/// One evaluation of the slow equations.
#[derive(Debug, Clone)]
pub(crate) struct Outcome {
    pub operating: Vec<Operating>,
    pub cycles: Vec<Cycle>,
    pub demand: Demand,
}

/// One channel's number, its limiter gain and die temperature, and what drives and loads it.
type Channel<'a> = (usize, ((&'a f64, &'a f64), (&'a SourceChannel, &'a Terminal)));

impl Slow {
    /// At rest: heatsink and die where the idle heat leaves them at the nominal supply.
    pub fn new(spec: &AmplifierSpec) -> Self {
        let t = &spec.physics.thermal;
        Self {
            rail_current_a: 0.0,
            limiter: vec![1.0; spec.channels()],
            die_c: vec![t.ambient_c; spec.channels()],
            heatsink_c: t.ambient_c,
            tripped: false,
            quiet_since_s: None,
        }
    }

    /// Voltage at the converter's input, V.
    pub fn inner_v(&self, spec: &AmplifierSpec, supply_v: f64) -> f64 {
        let drop = spec.physics.supply.source_ohm * self.rail_current_a;
        (supply_v - drop).max(INNER_SHARE_MIN * supply_v)
    }

    #[expect(clippy::too_many_arguments, reason = "the state's neighbours, each a different physical thing")]
    /// Evaluates gain, limits, cycle averages and demand as the state stands.
    pub fn evaluate(
        &self,
        spec: &AmplifierSpec,
        stage: &Stage,
        grid: &CycleGrid,
        supply_v: f64,
        sources: &[SourceChannel],
        terminals: &[Terminal],
        t_s: f64,
    ) -> Outcome {
        let inner_v = self.inner_v(spec, supply_v);
        let alive = supply_v >= spec.physics.supply.minimum_v && supply_v > 0.0 && !self.tripped;
        let channels = spec.channels();
        let (mut rails_v, mut cycles) = (Vec::with_capacity(channels), Vec::with_capacity(channels));
        let states = self.limiter.iter().zip(&self.die_c);
        let wired = sources.iter().zip(terminals);
        let operate = |(ch, ((limiter, die_c), (source, terminal))): Channel<'_>| {
            let load = terminal.load();
            let (fold_gain, fold_rail) = foldback(spec, *die_c);
            let rail = rail_v(spec, inner_v) * fold_rail;
            rails_v.push(rail);
            let hz = source.drive().hz();
            let ohm = load.map(|l| l.impedance(hz).norm() + spec.physics.output.resistance_ohm);
            let limits = if alive { Limits::new(rail, &spec.physics.output, ch, ohm) } else { Limits::MUTE };
            let gain = channel_gain(spec, ch) * fold_gain * limiter;
            let tones = source.tones(t_s).map(|(peak, hz)| (peak * gain, hz));
            let output_ohm = spec.physics.output.resistance_ohm;
            cycles.push(Cycle::new(grid, stage, limits, tones, output_ohm, load));
            Operating { gain: if source.inverted { -gain } else { gain }, limits }
        };
        let operating = states.zip(wired).enumerate().map(operate).collect();
        let demand = if supply_v >= spec.physics.supply.minimum_v && supply_v > 0.0 {
            demand(spec, &cycles, &rails_v, inner_v)
        } else {
            Demand::none(channels)
        };
        Outcome { operating, cycles, demand }
    }

    /// Moves every slow state over `dt_s`, exactly for inputs that hold still meanwhile.
    #[expect(clippy::too_many_arguments, reason = "the state's neighbours, each a different physical thing")]
    pub fn step(
        &mut self,
        spec: &AmplifierSpec,
        outcome: &Outcome,
        supply: &mut BenchSupply,
        sources: &[SourceChannel],
        terminals: &[Terminal],
        t_s: f64,
        dt_s: f64,
    ) {
        supply.step(dt_s, outcome.demand.supply_a);
        approach(&mut self.rail_current_a, outcome.demand.supply_a, dt_s, spec.physics.supply.settle_s);
        let states = self.limiter.iter_mut().zip(&self.die_c).zip(sources.iter().zip(terminals));
        for (ch, ((limiter, die_c), (source, terminal))) in states.enumerate() {
            let tones = source.tones(t_s);
            let hz = source.drive().hz();
            let divider = terminal.divider(spec.physics.output.resistance_ohm, hz);
            let (fold_gain, _) = foldback(spec, *die_c);
            let peak = (tones[0].0 + tones[1].0) * channel_gain(spec, ch) * fold_gain * divider;
            if let Some(l) = &spec.physics.limiter {
                let target = limiter_target(l.threshold_vpk, l.ratio, peak);
                let tau = if target < *limiter { l.attack_s } else { l.release_s };
                approach(limiter, target, dt_s, tau);
            }
        }
        self.step_heat(spec, outcome, dt_s);
        self.step_protection(spec, sources, t_s + dt_s);
    }

    fn step_heat(&mut self, spec: &AmplifierSpec, outcome: &Outcome, dt_s: f64) {
        let t = &spec.physics.thermal;
        for (die_c, die_w) in self.die_c.iter_mut().zip(&outcome.demand.die_w) {
            approach(die_c, self.heatsink_c + t.die_c_per_w * die_w, dt_s, t.die_tau_s);
        }
        let target = t.ambient_c + t.heatsink_c_per_w * outcome.demand.heat_w;
        approach(&mut self.heatsink_c, target, dt_s, t.heatsink_tau_s);
    }

    fn step_protection(&mut self, spec: &AmplifierSpec, sources: &[SourceChannel], t_s: f64) {
        let t = &spec.physics.thermal;
        let quiet = sources.iter().all(|s| {
            let tones = s.tones(t_s);
            tones[0].0 + tones[1].0 < QUIET_INPUT_VPK
        });
        self.quiet_since_s = if quiet { self.quiet_since_s.or(Some(t_s)) } else { None };
        let Some(trip_c) = t.trip_c else { return };
        let hottest = self.die_c.iter().copied().fold(f64::MIN, f64::max);
        if hottest > trip_c {
            self.tripped = true;
        } else if self.tripped && hottest < trip_c - t.trip_hysteresis_c {
            let rested = self.quiet_since_s.is_some_and(|since| t_s - since >= t.trip_recover_s);
            self.tripped = !rested;
        }
    }
}

/// Small-signal gain of a channel as a ratio.
pub(crate) fn channel_gain(spec: &AmplifierSpec, channel: usize) -> f64 {
    let trim_db = spec.physics.gain_trim_db.get(channel).copied().unwrap_or(0.0);
    db_to_ratio(spec.physics.gain_db + trim_db)
}

/// Rail voltage for a voltage at the converter's input, V.
pub(crate) fn rail_v(spec: &AmplifierSpec, inner_v: f64) -> f64 {
    let rail = spec.physics.supply.ratio * inner_v;
    spec.physics.supply.rail_limit_v.map_or(rail, |limit| rail.min(limit))
}

/// Factors on gain and rail at a die temperature.
pub(crate) fn foldback(spec: &AmplifierSpec, die_c: f64) -> (f64, f64) {
    let t = &spec.physics.thermal;
    let Some(from) = t.foldback_c else { return (1.0, 1.0) };
    let over = (die_c - from).max(0.0);
    (db_to_ratio(-t.foldback_db_per_c * over), (1.0 - t.foldback_rail_pct_per_c / 100.0 * over).max(0.0))
}

/// Limiter gain that holds a linear output peak at its threshold.
pub(crate) fn limiter_target(threshold_vpk: f64, ratio: Option<f64>, peak_v: f64) -> f64 {
    if peak_v <= threshold_vpk {
        return 1.0;
    }
    (threshold_vpk / peak_v).powf(1.0 - ratio.map_or(0.0, |r| 1.0 / r))
}

fn approach(state: &mut f64, target: f64, dt_s: f64, tau_s: f64) {
    *state = target + (*state - target) * (-dt_s / tau_s).exp();
}
