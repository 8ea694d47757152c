//! Expanded uncertainties (k = 2) of what a capture tells: calibration or tolerance of the inputs, skew between channels, and
//! the record's own noise. They go to the script beside each reading; the journal keeps what they are computed from.

use serde_json::{Map, Value, json};
use wattproof_bench::{BenchFile, CalibratedChannel, Measures};
use wattproof_method::Ceiling;

use crate::inputs::{gain, gain_calibration, offset};
use crate::{ChannelStep, Step};

/// The coverage factor.
const K: f64 = 2.0;
/// From a ratio of amplitudes to dB, for small changes: 20/ln 10.
const DB_PER_RATIO: f64 = 8.685_889_638;

/// Standard uncertainty of a half-width known by nothing else (JCGM 100:2008, 4.3.7).
fn rectangular(half_width: f64) -> f64 {
    half_width / 3f64.sqrt()
}

/// Root of a sum of squares.
fn rss(parts: &[f64]) -> f64 {
    parts.iter().map(|part| part * part).sum::<f64>().sqrt()
}

/// What the inputs of one amplifier channel are good for: standard uncertainties.
pub(crate) struct Inputs<'a> {
    volts: Vec<&'a CalibratedChannel>,
    amps: Option<&'a CalibratedChannel>,
    day: &'a str,
    common: f64,
    skew_s: f64,
}

impl<'a> Inputs<'a> {
    /// Of the amplifier channel or bridge `number`, from 1, on a day, `YYYY-MM-DD`.
    pub fn of(file: &'a BenchFile, day: &'a str, number: u32) -> Self {
        Inputs {
            volts: file.inputs(number, Measures::Volts),
            amps: file.inputs(number, Measures::Amps).first().copied(),
            day,
            common: rectangular(file.digitizer.gain_tolerance_pct.unwrap_or_default() / 100.0),
            skew_s: rectangular(file.digitizer.skew_s()),
        }
    }

    fn gain_of(&self, input: &CalibratedChannel, reading: f64) -> f64 {
        let made = gain_calibration(Some(input), reading.abs().max(f64::MIN_POSITIVE));
        rss(&[
            rectangular(gain(Some(input), self.day).half_width),
            made.standard,
            rectangular(made.linearity.half_width),
        ])
    }

    /// Of the voltage's gain as a ratio, what all inputs share left out; each side of a bridge carries its share.
    pub fn volts_gain(&self, vrms: f64, shares: [f64; 2]) -> f64 {
        let sides = self.volts.iter().zip(shares);
        let parts: Vec<f64> = sides.map(|(input, share)| share * self.gain_of(input, share * vrms)).collect();
        if parts.is_empty() { f64::INFINITY } else { rss(&parts) }
    }

    fn amps_gain(&self, irms: f64) -> Option<f64> {
        self.amps.map(|input| self.gain_of(input, irms))
    }

    /// Of direct voltage by the inputs' offsets, V.
    pub fn volts_offset(&self) -> f64 {
        let parts: Vec<f64> =
            self.volts.iter().map(|input| rectangular(offset(Some(input), self.day).half_width)).collect();
        rss(&parts)
    }

    fn amps_offset(&self) -> f64 {
        self.amps.map_or(0.0, |input| rectangular(offset(Some(input), self.day).half_width))
    }

    /// Of a voltage as a ratio, with what all inputs share.
    pub fn volts(&self, vrms: f64, shares: [f64; 2]) -> f64 {
        rss(&[self.volts_gain(vrms, shares), self.common])
    }
}

/// Shares of both sides of a bridge in its voltage; one input has it all.
fn shares(channel: &ChannelStep) -> [f64; 2] {
    match channel.sides_vrms {
        Some([a, b]) if a + b > 0.0 => [a / (a + b), b / (a + b)],
        _ => [1.0, 0.0],
    }
}

/// Expanded uncertainties of a channel's quantities under the names of the quantities; `null` where one can't be told. Of a
/// ratio of two quantities of one channel (THD, THD+N) the gains cancel, and the record's noise is left.
pub(crate) fn of_channel(file: &BenchFile, day: &str, channel: &ChannelStep, hz: f64) -> Value {
    let (r, inputs) = (&channel.reading, Inputs::of(file, day, channel.channel));
    let shares = shares(channel);
    let vrms = r.fundamental_vrms.or(r.out_vrms).unwrap_or_default();
    let (u_v, u_i) = (inputs.volts(vrms, shares), r.out_irms.and_then(|irms| inputs.amps_gain(irms)));
    let voltage =
        |value: Option<f64>, noise: Option<f64>| Some(rss(&[value?.abs() * u_v, noise.unwrap_or_default()]));
    let u_p = u_i.map(|u_i| rss(&[inputs.volts_gain(vrms, shares), u_i, 2.0 * inputs.common]));
    let turn = std::f64::consts::TAU * hz * inputs.skew_s;
    let reactive = r.phase_deg.map_or(0.0, |deg| deg.to_radians().tan().abs());
    let dc_v = r.dc_v.unwrap_or_default().abs();
    let dc_a = r.load_ohm_measured.filter(|ohm| *ohm > 0.0).map_or(0.0, |ohm| dc_v / ohm);
    let offsets_w = rss(&[
        inputs.volts_offset() * dc_a,
        inputs.amps_offset() * dc_v,
        inputs.volts_offset() * inputs.amps_offset(),
    ]);
    let active_w = r.active_w.zip(u_p).map(|(watts, u_p)| {
        rss(&[watts * u_p, watts * reactive * turn, offsets_w, r.u.active_w.unwrap_or_default()])
    });
    let ohm = |value: Option<f64>, other: Option<f64>, noise: Option<f64>| {
        let ratio = rss(&[inputs.volts_gain(vrms, shares), u_i?]);
        Some(rss(&[value?.abs() * ratio, other.unwrap_or_default().abs() * turn, noise.unwrap_or_default()]))
    };
    let gain_db = channel
        .gain_db
        .and(r.fundamental_vrms)
        .filter(|vrms| *vrms > 0.0)
        .map(|vrms| DB_PER_RATIO * rss(&[u_v, r.u.fundamental_vrms.unwrap_or_default() / vrms]));
    let quantities = [
        ("out_vrms", voltage(r.out_vrms, r.u.out_vrms)),
        ("band_vrms", voltage(r.band_vrms, r.u.band_vrms)),
        ("fundamental_vrms", voltage(r.fundamental_vrms, r.u.fundamental_vrms)),
        ("dc_v", r.dc_v.map(|v| rss(&[v * u_v, inputs.volts_offset(), r.u.dc_v.unwrap_or_default()]))),
        (
            "out_irms",
            r.out_irms.zip(u_i).map(|(irms, u_i)| {
                rss(&[irms * rss(&[u_i, inputs.common]), r.u.out_irms.unwrap_or_default()])
            }),
        ),
        ("active_w", active_w),
        (
            "apparent_va",
            r.apparent_va.zip(u_p).map(|(va, u_p)| rss(&[va * u_p, r.u.apparent_va.unwrap_or_default()])),
        ),
        ("load_ohm_measured", ohm(r.load_ohm_measured, r.load_x_ohm, r.u.load_ohm_measured)),
        ("load_x_ohm", ohm(r.load_x_ohm, r.load_ohm_measured, r.u.load_x_ohm)),
        ("phase_deg", r.phase_deg.map(|_| rss(&[turn.to_degrees(), r.u.phase_deg.unwrap_or_default()]))),
        ("gain_db", gain_db),
        ("thd_pct", r.thd_pct.and(r.u.thd_pct)),
        ("thdn_pct", r.thdn_pct.and(r.u.thdn_pct)),
        ("noise_vrms", voltage(r.noise_vrms, r.u.noise_vrms)),
        ("noise_a_vrms", voltage(r.noise_a_vrms, r.u.noise_a_vrms)),
        ("noise_468_vrms", voltage(r.noise_468_vrms, r.u.noise_468_vrms)),
        ("hum_pct", r.hum_pct.and(r.u.hum_pct)),
        ("residue_vrms", voltage(r.residue_vrms, r.u.residue_vrms)),
    ];
    let expanded = quantities.into_iter().map(|(name, u)| (name.to_string(), json!(u.map(|u| K * u))));
    Value::Object(expanded.collect::<Map<_, _>>())
}

/// A step as a script sees it: each channel with `expanded_u` beside its `reading`.
pub fn step_answer(file: &BenchFile, day: &str, step: &Step) -> Value {
    let mut answer = json!(step);
    let channels = answer.get_mut("channels").and_then(Value::as_array_mut);
    for (told, channel) in channels.into_iter().flatten().zip(&step.channels) {
        if let Some(told) = told.as_object_mut() {
            told.insert("expanded_u".into(), of_channel(file, day, channel, step.hz));
        }
    }
    answer
}

/// A ceiling as a script sees it, with `expanded_u` of its power (at the load as it is) and of its output voltage.
pub(crate) fn ceiling_answer(file: &BenchFile, day: &str, ceiling: &Ceiling) -> Value {
    let each = ceiling.power_w_each.iter().zip(1u32..);
    let weakest = each.min_by(|a, b| a.0.total_cmp(b.0)).map_or(1, |(_, number)| number);
    let inputs = Inputs::of(file, day, weakest);
    // Of a bridge both sides carry about half.
    let halves = if inputs.volts.len() > 1 { [0.5, 0.5] } else { [1.0, 0.0] };
    let interpolation = ceiling.u_interpolation_w / ceiling.power_w.max(f64::MIN_POSITIVE);
    let u_v = inputs.volts_gain(ceiling.out_vrms, halves);
    let out_vrms = ceiling.out_vrms * rss(&[u_v, inputs.common, 0.5 * interpolation]);
    let irms = ceiling.out_vrms / ceiling.load_ohm_measured.unwrap_or(f64::INFINITY);
    let power_w = inputs
        .amps_gain(irms)
        .map(|u_i| ceiling.power_w * rss(&[u_v, u_i, 2.0 * inputs.common, interpolation]));
    let mut answer = json!(ceiling);
    if let Some(map) = answer.as_object_mut() {
        let expanded = json!({ "power_w": power_w.map(|u| K * u), "out_vrms": K * out_vrms });
        map.insert("expanded_u".into(), expanded);
    }
    answer
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100:2008, 4.3.7 and 5.1.2: a half-width a known by nothing else is a/√3; independent parts add in quadrature.
    #[test]
    fn parts_add_as_the_guide_says() {
        assert!((rectangular(0.3) - 0.173_205).abs() < 1e-6);
        assert!((rss(&[3.0, 4.0]) - 5.0).abs() < 1e-12);
        // 20·lg(1.001) = 0.008682 dB (definition).
        assert!((DB_PER_RATIO * 0.001 - 20.0 * 1.001f64.log10()).abs() < 1e-5);
    }
}
