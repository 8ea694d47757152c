//! Two tones at once: what an amplifier makes of them between them.

use realfft::num_complex::Complex;
use serde::{Deserialize, Serialize};

use crate::analysis::Surveys;
use crate::capture::Capture;
use crate::flags::Flag;
use crate::harmonics::{FIT_WINDOW, Weights};
use crate::read::unusable;
use crate::search::{CYCLES_MIN, tone};
use crate::settings::Settings;
use crate::spectrum::power_spectrum;
use crate::survey::Survey;
use crate::two_tone_fit::{Orders, TwoToneFit, fit};

/// Sideband pairs counted around the higher tone: 600 Hz to either side of it for 60 Hz, about what a
/// modulation analyser's low-pass lets through. Common practice, no source.
pub const SIDEBAND_PAIRS: i32 = 10;
/// Highest sum of orders in the model of the twin tone.
const TWIN_ORDER_MAX: i32 = 7;

/// The method, which says what is counted and what it is a share of.
#[derive(Serialize, Deserialize, Clone, Copy, Debug, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
pub enum TwoToneKind {
    /// A low tone modulates a high one (SMPTE RP 120; modulation distortion of IEC 60268-3; both from memory).
    Smpte,
    /// Two equal high tones close together (difference-frequency distortion of IEC 60268-3, from memory).
    TwinTone,
}

/// How a two-tone capture is to be read.
#[derive(Serialize, Deserialize, Clone, Debug, PartialEq)]
pub struct TwoToneSettings {
    /// Frequency commanded for the lower tone, in Hz.
    pub low_hz: f64,
    /// Frequency commanded for the higher tone, in Hz.
    pub high_hz: f64,
    /// The method.
    pub kind: TwoToneKind,
    /// Lower and upper edge of the band that products and noise are counted in, in Hz.
    pub band_hz: (f64, f64),
}

impl TwoToneSettings {
    /// 60 Hz and 7 kHz, in the band 20 Hz to 20 kHz. The tones' levels stand 4:1.
    pub fn smpte() -> Self {
        Self { low_hz: 60.0, high_hz: 7000.0, kind: TwoToneKind::Smpte, band_hz: (20.0, 20_000.0) }
    }

    /// 19 kHz and 20 kHz, in the band 20 Hz to 22 kHz, which holds the third-order product at 21 kHz. The
    /// tones' levels are equal.
    pub fn twin_tone() -> Self {
        Self { low_hz: 19_000.0, high_hz: 20_000.0, kind: TwoToneKind::TwinTone, band_hz: (20.0, 22_000.0) }
    }
}

/// One product of the two tones, at `low_order`·low + `high_order`·high.
#[derive(Serialize, Deserialize, Clone, Copy, Debug, PartialEq)]
pub struct Product {
    /// Multiple of the lower tone.
    pub low_order: i32,
    /// Multiple of the higher tone.
    pub high_order: i32,
    /// Frequency, in Hz.
    pub hz: f64,
    /// Rms, in V.
    pub vrms: f64,
}

/// What a two-tone capture says. A number that could not be told is `None`, never 0.
#[derive(Serialize, Deserialize, Clone, Debug, Default, PartialEq)]
pub struct TwoToneReading {
    /// Frequency of the lower tone, in Hz.
    pub low_hz: Option<f64>,
    /// Frequency of the higher tone, in Hz.
    pub high_hz: Option<f64>,
    /// Rms of the lower tone, in V.
    pub low_vrms: Option<f64>,
    /// Rms of the higher tone, in V.
    pub high_vrms: Option<f64>,
    /// Level of the lower tone over that of the higher: 4 for SMPTE, 1 for the twin tone.
    pub tone_ratio: Option<f64>,
    /// Intermodulation, in percent.
    ///
    /// SMPTE: amplitude modulation of the higher tone, √(Σ m²) over the sideband pairs within the band, with
    /// m = |D₊ + D̄₋| of the sidebands' complex ratios D to the tone: what an amplitude demodulator reads. Phase
    /// modulation does not count.
    ///
    /// Twin tone: √(second² + third²) of `second_order_pct` and `third_order_pct`; the standard gives the two
    /// apart, and this sum is the project's.
    pub imd_pct: Option<f64>,
    /// Second order, in percent. SMPTE: (V(f2−f1) + V(f2+f1)) / V(f2). Twin tone: V(f2−f1) / (V(f1) + V(f2)).
    /// IEC 60268-3, from memory.
    pub second_order_pct: Option<f64>,
    /// Third order, in percent. SMPTE: (V(f2−2f1) + V(f2+2f1)) / V(f2). Twin tone: (V(2f1−f2) + V(2f2−f1)) /
    /// (V(f1) + V(f2)). IEC 60268-3, from memory. `None` if either product lies outside the band.
    pub third_order_pct: Option<f64>,
    /// SMPTE only: rms of all counted sidebands over the rms of the higher tone, in percent. Lower than `imd_pct`
    /// by √2 where the sidebands of a pair are equal.
    pub sidebands_rss_pct: Option<f64>,
    /// Products within the band, the tones themselves left out.
    pub products: Vec<Product>,
    /// What is in the band and neither tone nor product of the model, in V rms. What the fit absorbed of a flat
    /// noise is added back.
    pub noise_vrms: Option<f64>,
    /// Type A standard uncertainty of each product's and tone's rms, in V.
    pub u_product_vrms: Option<f64>,
    /// Type A standard uncertainty of `imd_pct`, in percentage points.
    pub u_imd_pct: Option<f64>,
    /// Why numbers are absent, or what to know about them.
    pub flags: Vec<Flag>,
}

impl TwoToneReading {
    /// A reading without numbers, for the reasons given.
    pub fn refused(flags: Vec<Flag>) -> Self {
        Self { flags, ..Self::default() }
    }

    /// True if the capture was refused: no number is present.
    pub fn is_refused(&self) -> bool {
        self.flags.iter().any(Flag::refuses)
    }
}

/// Reads the voltage of a two-tone capture. Never panics and never fails: what can't be told is `None`, and
/// flags say why. The tones need be coherent neither with the record nor with each other.
pub fn read_two_tone(capture: &Capture, settings: &TwoToneSettings) -> TwoToneReading {
    let of_tone =
        |hz: f64| Settings { expected_hz: Some(hz), band_hz: settings.band_hz, ..Settings::default() };
    let surveys =
        Surveys { volts: Survey::new(&capture.volts), amps: capture.amps.as_deref().map(Survey::new) };
    let mut flags = unusable(capture, &of_tone(settings.low_hz), surveys);
    let ordered = settings.high_hz.is_finite() && settings.high_hz > settings.low_hz;
    if !ordered && !flags.contains(&Flag::InvalidSamples) {
        flags.push(Flag::InvalidSamples);
    }
    if capture.touches_full_scale() {
        flags.push(Flag::AdcOverrange);
    }
    if flags.iter().any(Flag::refuses) {
        return TwoToneReading::refused(flags);
    }
    let weights = Weights::new(capture.volts.len());
    let start = [settings.low_hz, settings.high_hz]
        .map(|hz| tone(&capture.volts, capture.fs_hz, &weights, &of_tone(hz)));
    let found = match start {
        [Ok(low), Ok(high)] => analyse(capture, settings, &weights, [low, high]),
        [Err(flag), _] | [_, Err(flag)] => Err(flag),
    };
    match found {
        Ok(reading) => TwoToneReading { flags, ..reading },
        Err(flag) => {
            flags.insert(0, flag);
            TwoToneReading::refused(flags)
        }
    }
}

fn analyse(
    capture: &Capture,
    settings: &TwoToneSettings,
    weights: &Weights,
    start: [f64; 2],
) -> Result<TwoToneReading, Flag> {
    let fs_hz = capture.fs_hz;
    let apart = settings.high_hz - settings.low_hz;
    if apart * capture.volts.len() as f64 / fs_hz < CYCLES_MIN * (1.0 - 1e-3) {
        return Err(Flag::TooShort);
    }
    // The search reaches as far as the other tone if they stand close.
    let strays = |(found, hz): (f64, f64)| (found * fs_hz - hz).abs() > apart / 2.0;
    if strays((start[0], settings.low_hz)) || strays((start[1], settings.high_hz)) {
        return Err(Flag::WrongFrequency);
    }
    let fit = fit(&capture.volts, weights, start, &orders(settings.kind)).ok_or(Flag::TooShort)?;
    let rms = |orders: Orders| fit.part(orders).map(|c| c.norm() / std::f64::consts::SQRT_2);
    let (low, high) = rms((1, 0)).zip(rms((0, 1))).ok_or(Flag::TooShort)?;
    let inside = |hz: f64| hz >= settings.band_hz.0 && hz <= settings.band_hz.1;
    let products: Vec<Product> = fit
        .parts
        .iter()
        .skip(1)
        .filter_map(|(orders, frequency, c)| {
            let product = Product {
                low_order: orders.0,
                high_order: orders.1,
                hz: frequency * fs_hz,
                vrms: c.norm() / std::f64::consts::SQRT_2,
            };
            let is_tone = *orders == (1, 0) || *orders == (0, 1);
            (!is_tone && inside(product.hz)).then_some(product)
        })
        .collect();
    let (noise_ms, part_ms) = noise(&fit, fs_hz, weights, settings, products.len() + 2);
    // Below 6 dB over the noise; written so that a level that is no number is refused too.
    if !(low.min(high) >= 10_f64.powf(0.3) * noise_ms.sqrt() && low.min(high) > 0.0) {
        return Err(Flag::NoSignal);
    }
    let mut reading = TwoToneReading {
        low_hz: finite(fit.tones[0] * fs_hz),
        high_hz: finite(fit.tones[1] * fs_hz),
        low_vrms: finite(low),
        high_vrms: finite(high),
        tone_ratio: finite(low / high),
        noise_vrms: finite(noise_ms.sqrt()),
        u_product_vrms: finite(part_ms.sqrt()),
        products,
        ..TwoToneReading::default()
    };
    match settings.kind {
        TwoToneKind::Smpte => smpte(&fit, part_ms, &mut reading),
        TwoToneKind::TwinTone => twin_tone(part_ms, &mut reading),
    }
    Ok(reading)
}

/// Products of the model, those that matter most first.
fn orders(kind: TwoToneKind) -> Vec<Orders> {
    let mut all: Vec<Orders> = vec![(1, 0), (0, 1)];
    match kind {
        TwoToneKind::Smpte => {
            all.extend((1..=SIDEBAND_PAIRS).flat_map(|k| [(k, 1), (-k, 1)]));
            all.extend((2..=SIDEBAND_PAIRS).map(|k| (k, 0)));
            all.extend((2..=3).flat_map(|high| (-4..=4).map(move |k| (k, high))));
        }
        TwoToneKind::TwinTone => {
            for sum in 2..=TWIN_ORDER_MAX {
                all.extend((-sum..=sum).map(|low| (low, sum - low.abs())).filter(|pair| *pair != (-sum, 0)));
            }
        }
    }
    all
}

/// Mean square of the noise within the band, and the variance it gives a fitted part's rms.
fn noise(
    fit: &TwoToneFit,
    fs_hz: f64,
    weights: &Weights,
    settings: &TwoToneSettings,
    parts_in_band: usize,
) -> (f64, f64) {
    let spectrum = power_spectrum(&fit.residual, fs_hz, &weights.residue);
    let (low, high) = (settings.band_hz.0, settings.band_hz.1.min(fs_hz / 2.0));
    let width_hz = (high - low).max(spectrum.bin_hz);
    let taken_hz = parts_in_band as f64 * FIT_WINDOW.enbw_bins() * spectrum.bin_hz;
    let noise_ms = spectrum.between(low, high) / (1.0 - taken_hz / width_hz).max(0.1);
    (noise_ms, noise_ms / width_hz * spectrum.bin_hz / 2.0 * FIT_WINDOW.enbw_bins())
}

/// Sidebands around the higher tone.
fn smpte(fit: &TwoToneFit, part_ms: f64, reading: &mut TwoToneReading) {
    let Some((carrier, high)) = fit.part((0, 1)).zip(reading.high_vrms) else {
        return;
    };
    let pair = |k: i32| -> Option<(Complex<f64>, Complex<f64>)> {
        let within = |low_order: i32| {
            // A sideband below 0 Hz is none.
            reading.products.iter().any(|p| (p.low_order, p.high_order) == (low_order, 1))
        };
        (within(k) && within(-k)).then_some(())?;
        Some((fit.part((k, 1))? / carrier, fit.part((-k, 1))? / carrier))
    };
    let pairs: Vec<_> = (1..=SIDEBAND_PAIRS).filter_map(pair).collect();
    let sum = |k: i32| pair(k).and_then(|(above, below)| finite(100.0 * (above.norm() + below.norm())));
    let (second, third) = (sum(1), sum(2));
    if !pairs.is_empty() {
        let modulation_ms: f64 = pairs.iter().map(|(above, below)| (above + below.conj()).norm_sqr()).sum();
        let sidebands_ms: f64 = pairs.iter().map(|(above, below)| above.norm_sqr() + below.norm_sqr()).sum();
        reading.imd_pct = finite(100.0 * modulation_ms.sqrt());
        reading.sidebands_rss_pct = finite(100.0 * sidebands_ms.sqrt());
        // Each pair's sum carries the noise of two parts, along and across: as for THD.
        let (count, spread_ms) = (pairs.len() as f64, 2.0 * part_ms / (high * high));
        let clean_ms = (modulation_ms - 2.0 * count * spread_ms).max(0.0);
        let of_sum = (clean_ms * spread_ms + count * spread_ms * spread_ms) / modulation_ms;
        reading.u_imd_pct = finite(100.0 * of_sum.sqrt());
    }
    reading.second_order_pct = second;
    reading.third_order_pct = third;
}

/// Difference-frequency products.
fn twin_tone(part_ms: f64, reading: &mut TwoToneReading) {
    let Some((low, high)) = reading.low_vrms.zip(reading.high_vrms) else {
        return;
    };
    let level = |low_order: i32, high_order: i32| {
        let same = |p: &&Product| {
            (p.low_order, p.high_order) == (low_order, high_order)
                || (p.low_order, p.high_order) == (-low_order, -high_order)
        };
        reading.products.iter().find(same).map(|p| p.vrms)
    };
    let both = low + high;
    let second = level(-1, 1).and_then(|v| finite(100.0 * v / both));
    let third = level(2, -1).zip(level(-1, 2)).and_then(|(a, b)| finite(100.0 * (a + b) / both));
    let all = second.zip(third).map(|(second, third)| (second, third, second.hypot(third)));
    let u_second = 100.0 * part_ms.sqrt() / both;
    reading.u_imd_pct = all.and_then(|(second, third, all)| {
        finite((second * u_second).hypot(third * std::f64::consts::SQRT_2 * u_second) / all)
    });
    reading.imd_pct = all.and_then(|(_, _, all)| finite(all));
    reading.second_order_pct = second;
    reading.third_order_pct = third;
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}
