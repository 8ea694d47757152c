use std::f64::consts::{SQRT_2, TAU};

use realfft::num_complex::Complex64;

use super::bridge;
use super::corners::{Corner, Corners};
use super::decimate::Decimator;
use super::drive::add_tone;
use super::fineness::Way;
use super::kinks::Span;
use super::slow::Operating;
use super::speaker::SpeakerFilter;
use super::{World, db_to_ratio};
use crate::load::Load;

/// Seconds per block: the slow states move by one step in each.
const BLOCK_S: f64 = 0.5e-3;
/// Harmonics of the drive used to put a loudspeaker into its steady state.
const PRIME_HARMONICS: usize = 15;
/// Share of the sampling rate below which switching residue passes the digitizer's own filter.
const RESIDUE_EDGE: f64 = 0.5;

/// Analogue values at the amplifier's terminals, all channels, sampled at the same moments.
#[derive(Debug, Clone, PartialEq)]
pub struct RawCapture {
    /// Voltage of each output to ground, V.
    pub volts: Vec<Vec<f64>>,
    /// Current from each output into its load, A.
    pub amps: Vec<Vec<f64>>,
    /// Time of sample 0, s.
    pub start_s: f64,
    /// Sampling rate, Hz.
    pub fs_hz: f64,
}

/// One channel's way from drive to samples.
struct Lane {
    /// What takes corners out of the band, before the rate is halved.
    corners: Option<Corners>,
    volts: Decimator,
    amps: Option<Decimator>,
    speaker: Option<SpeakerFilter>,
    /// Voltage divider and current per EMF of a resistive (or open) output.
    divider: f64,
    amps_per_volt: f64,
    /// Fundamental output amplitude at each block's end, for the residue, V peak.
    envelope_vpk: Vec<f64>,
}

impl World {
    /// Captures `samples` at `fs_hz` from `start_s` on and leaves the world at the end of the record.
    ///
    /// A start in the past begins now instead; [`RawCapture::start_s`] tells. Band-limited: flat to
    /// 0.455·fs, −120 dB from fs/2 on.
    pub fn capture(&mut self, start_s: f64, fs_hz: f64, samples: usize) -> RawCapture {
        self.advance(start_s);
        let operating = self.outcome(self.now_s).operating;
        self.capture_by(self.way(fs_hz, &operating), fs_hz, samples)
    }

    /// The same from now on, computed in this way.
    pub(super) fn capture_by(&mut self, way: Way, fs_hz: f64, samples: usize) -> RawCapture {
        let start_s = self.now_s;
        let end_s = start_s + samples as f64 / fs_hz;
        let mut before = self.outcome(self.now_s);
        let dt_s = 1.0 / (fs_hz * f64::from(1_u32 << way.halvings));
        let channels = self.spec.channels();
        let mut lanes: Vec<Lane> = (0..channels).map(|ch| self.lane(ch, way, dt_s)).collect();
        let early = lanes.first().map_or(0, Lane::early);
        let total = 2 * early + samples.saturating_sub(1) * (1 << way.halvings) + 1;
        let first_s = start_s - early as f64 * dt_s;
        let block = ((BLOCK_S / dt_s) as usize).max(1);
        let rows = || (0..channels).map(|_| Vec::with_capacity(samples + block)).collect();
        let mut record = RawCapture { volts: rows(), amps: rows(), start_s, fs_hz };
        let mut buffers = (vec![0.0; block], vec![0.0; block]);
        self.prime(&mut lanes, &before.operating, first_s);
        let mut done = 0;
        while done < total {
            let count = block.min(total - done);
            let t0_s = first_s + done as f64 * dt_s;
            // Before the start and after the end the slow states hold still.
            self.advance_from(Some(before.clone()), (t0_s + count as f64 * dt_s).min(end_s));
            let outcome = self.outcome(self.now_s);
            for (ch, lane) in lanes.iter_mut().enumerate() {
                let (emf, amps) = (&mut buffers.0[..count], &mut buffers.1[..count]);
                self.sources[ch].fill(t0_s, dt_s, emf);
                let (from, to) = (before.operating[ch], outcome.operating[ch]);
                let span = Span { t0_s, dt_s, samples: count, from, to };
                self.distort(emf, from, to);
                self.add_offset(emf);
                let volts = &mut record.volts[ch];
                let from = volts.len();
                if lane.speaker.is_some() {
                    self.add_hum(emf, t0_s, dt_s);
                    lane.run_speaker(emf, amps, volts, &mut record.amps[ch]);
                } else {
                    lane.push(emf, || self.corners(ch, span), volts);
                    // Far below the edge of the decimation, so it is the same behind it.
                    self.add_hum(&mut volts[from..], start_s + from as f64 / fs_hz, 1.0 / fs_hz);
                    lane.divide(&mut volts[from..], &mut record.amps[ch]);
                }
                lane.envelope_vpk.push(outcome.cycles[ch].fundamental_vpk);
            }
            before = outcome;
            done += count;
        }
        for (ch, lane) in lanes.iter().enumerate() {
            record.volts[ch].truncate(samples);
            record.amps[ch].truncate(samples);
            self.add_residue_and_noise(&mut record, lane, ch, (first_s, block as f64 * dt_s));
        }
        if let Some(inputs) = self.bridged {
            bridge::join(&mut record, self.spec.physics.output.resistance_ohm, inputs);
        }
        self.advance(end_s);
        record
    }

    fn lane(&self, ch: usize, way: Way, dt_s: f64) -> Lane {
        let output_ohm = self.spec.physics.output.resistance_ohm;
        let (divider, amps_per_volt, speaker) = match self.terminals[ch].load() {
            None => (1.0, 0.0, None),
            Some(Load::Resistive { ohm }) => (ohm / (ohm + output_ohm), 1.0 / ohm, None),
            Some(Load::Loudspeaker(p)) => (1.0, 0.0, Some(SpeakerFilter::new(*p, output_ohm, dt_s))),
        };
        let volts = Decimator::new(way.halvings);
        let amps = speaker.is_some().then(|| volts.clone());
        let corners = way.corners.then(|| Corners::new(way.halvings));
        Lane { corners, volts, amps, speaker, divider, amps_per_volt, envelope_vpk: vec![] }
    }

    /// Applies gain and static transfer, both gliding from one block's end to the next.
    fn distort(&self, emf: &mut [f64], from: Operating, to: Operating) {
        let n = emf.len() as f64;
        let step = |a: f64, b: f64| (b - a) / n;
        let steps = (
            step(from.gain, to.gain),
            step(from.limits.pos_v, to.limits.pos_v),
            step(from.limits.neg_v, to.limits.neg_v),
        );
        let (mut gain, mut limits) = (from.gain, from.limits);
        for v in emf {
            *v = self.stage.emf_v(*v * gain, limits);
            gain += steps.0;
            limits.pos_v += steps.1;
            limits.neg_v += steps.2;
        }
    }

    /// Adds dc offset, which is part of the EMF and so drives current too.
    fn add_offset(&self, emf: &mut [f64]) {
        let dc_v = self.spec.physics.output.dc_offset_v;
        if dc_v != 0.0 && self.alive() {
            emf.iter_mut().for_each(|v| *v += dc_v);
        }
    }

    /// Adds hum, which is part of the EMF as well.
    fn add_hum(&self, emf: &mut [f64], t0_s: f64, dt_s: f64) {
        if !self.alive() {
            return;
        }
        let noise = &self.spec.physics.noise;
        for (k, vrms) in noise.hum_vrms.iter().enumerate() {
            let hz = noise.hum_hz * (k + 1) as f64;
            add_tone(vrms * SQRT_2, hz * t0_s, hz * dt_s, emf);
        }
    }

    fn alive(&self) -> bool {
        !self.slow.tripped
            && self.supply.out_v > 0.0
            && self.supply.out_v >= self.spec.physics.supply.minimum_v
    }

    /// Noise and residue are added at the output rate; their current is counted for resistive loads only,
    /// because a voice coil's inductance lets hardly any of it flow.
    fn add_residue_and_noise(
        &mut self,
        record: &mut RawCapture,
        lane: &Lane,
        ch: usize,
        (first_s, block_s): (f64, f64),
    ) {
        if !self.alive() {
            return;
        }
        let fs_hz = record.fs_hz;
        let sigma_v = self.spec.physics.noise.noise_vrms * (fs_hz / 2.0 / 20_000.0).sqrt();
        let tones: Vec<(f64, f64, f64)> = self
            .spec
            .physics
            .residue
            .iter()
            .filter(|tone| tone.hz < RESIDUE_EDGE * fs_hz)
            .map(|tone| (tone.hz, db_to_ratio(tone.level_db), TAU * tone.hz / fs_hz))
            .collect();
        let mut phasors: Vec<Complex64> =
            tones.iter().map(|t| Complex64::from_polar(t.1, TAU * (t.0 * record.start_s).fract())).collect();
        let turns: Vec<Complex64> = tones.iter().map(|t| Complex64::from_polar(1.0, t.2)).collect();
        for (k, v) in record.volts[ch].iter_mut().enumerate() {
            let mut extra = if sigma_v > 0.0 { sigma_v * self.noise[ch].draw() } else { 0.0 };
            if !phasors.is_empty() {
                let at = (record.start_s - first_s + k as f64 / fs_hz) / block_s;
                let envelope = between(&lane.envelope_vpk, at - 1.0);
                for (p, turn) in phasors.iter_mut().zip(&turns) {
                    extra += envelope * p.im;
                    *p *= turn;
                }
            }
            *v += extra;
            record.amps[ch][k] += extra * lane.amps_per_volt;
        }
    }

    /// Puts loudspeakers into the steady state of the present drive, so a record has no switch-on transient.
    fn prime(&self, lanes: &mut [Lane], operating: &[Operating], t_s: f64) {
        for (ch, lane) in lanes.iter_mut().enumerate() {
            let Some(speaker) = lane.speaker.as_mut() else { continue };
            let source = &self.sources[ch];
            let tones = source.tones(t_s);
            let points = 8 * PRIME_HARMONICS;
            let mut phasors = Vec::new();
            for k in 1..=PRIME_HARMONICS {
                let mut sum = Complex64::default();
                for n in 0..points {
                    let theta = TAU * n as f64 / points as f64;
                    let x = tones[0].0 * theta.sin() * operating[ch].gain;
                    let e = self.stage.emf_v(x, operating[ch].limits);
                    sum += e * Complex64::from_polar(2.0 / points as f64, -(k as f64) * theta);
                }
                let turn = Complex64::from_polar(1.0, TAU * (k as f64 * source.cycles(t_s)).fract());
                phasors.push((sum * turn, k as f64 * tones[0].1));
            }
            let mut emf = [0.0];
            source.fill(t_s, 0.0, &mut emf);
            let emf_v = self.stage.emf_v(emf[0] * operating[ch].gain, operating[ch].limits);
            speaker.prime(&phasors, emf_v);
        }
    }
}

impl Lane {
    /// Samples by which it starts early and ends late.
    fn early(&self) -> usize {
        self.volts.delay() + self.corners.as_ref().map_or(0, Corners::reach)
    }

    /// Brings EMF to the rate of the record.
    fn push(&mut self, emf: &[f64], found: impl FnOnce() -> Vec<Corner>, volts: &mut Vec<f64>) {
        match &mut self.corners {
            Some(corners) if self.volts.delay() == 0 => corners.push(emf, &found(), volts),
            Some(corners) => {
                let mut rounded = Vec::new();
                corners.push(emf, &found(), &mut rounded);
                self.volts.push(&rounded, volts);
            }
            None => self.volts.push(emf, volts),
        }
    }

    fn run_speaker(
        &mut self,
        emf: &mut [f64],
        scratch: &mut [f64],
        volts: &mut Vec<f64>,
        amps: &mut Vec<f64>,
    ) {
        if let (Some(speaker), Some(decimator)) = (self.speaker.as_mut(), self.amps.as_mut()) {
            speaker.run(emf, scratch);
            self.volts.push(emf, volts);
            decimator.push(scratch, amps);
        }
    }

    /// Makes terminal voltage of EMF, and appends the current.
    fn divide(&self, volts: &mut [f64], amps: &mut Vec<f64>) {
        for v in volts {
            *v *= self.divider;
            amps.push(*v * self.amps_per_volt);
        }
    }
}

/// Linear interpolation in a table, held at its ends.
fn between(table: &[f64], at: f64) -> f64 {
    let at = at.max(0.0);
    let k = at as usize;
    match (table.get(k), table.get(k + 1)) {
        (Some(a), Some(b)) => a + (b - a) * (at - k as f64),
        (Some(a), None) => *a,
        (None, _) => table.last().copied().unwrap_or(0.0),
    }
}
