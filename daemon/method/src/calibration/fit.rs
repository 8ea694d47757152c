use serde::{Deserialize, Serialize};

use super::line::{Line, Weighted, line, through_zero};
use super::meter::half_digit;
use super::{Meter, Refused};

/// Fewest points: a line takes two, what it leaves over at least one more.
const POINTS_MIN: usize = 3;
/// Below this correlation two things do not follow each other at all.
const CORRELATION_MIN: f64 = 0.999;
/// A point so many times further off the line of the others than can be explained is a slip.
const SLIP: f64 = 4.0;
/// Found over stated gain beyond which units or ranges differ, not calibrations.
const FAR: f64 = 2.0;

/// What was applied.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Direct voltage or current of either sign: gain and offset from one line.
    Dc,
    /// Alternating, as rms: gain from a line through zero; the offset was read with nothing applied.
    Ac,
}

/// One point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair {
    /// What the converter saw, V: mean for direct, rms for alternating.
    pub adc_v: f64,
    /// Standard uncertainty of that by its own scatter, V.
    pub u_adc_v: f64,
    /// What the meter read, V or A.
    pub reading: f64,
    /// Worth of the last digit of that.
    pub digit: f64,
}

/// How far one point is off the line.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Departure {
    /// What the converter saw, V.
    pub adc_v: f64,
    /// What the meter read, V or A.
    pub reading: f64,
    /// The meter less the line, V or A.
    pub off: f64,
    /// Standard uncertainty of this point by scatter and last digit, V or A.
    pub u: f64,
}

/// What a calibration comes to: quantity = (ADC volts − `offset_v`) · `gain`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Calibration {
    /// V or A per ADC volt.
    pub gain: f64,
    /// ADC reading with nothing applied, V.
    pub offset_v: f64,
    /// Standard uncertainty of the gain, %: scatter (type A) and meter (type B).
    pub u_gain_pct: f64,
    /// Standard uncertainty of the offset, V at the ADC.
    pub u_offset_v: f64,
    /// Largest departure from the line, V at the ADC: a half-width.
    pub linearity_v: f64,
    /// Effective degrees of freedom of the gain (JCGM 100:2008, G.4.1); absent from a thousand on.
    pub degrees: Option<f64>,
    /// The largest reading, V or A: beyond it nothing was tried.
    pub highest: f64,
    /// Every point's departure.
    pub departures: Vec<Departure>,
    /// The line itself.
    pub line: Line,
}

/// Fits a line to pairs. `rest_v` is what the converter saw with nothing applied, V, with its standard uncertainty: for
/// [`Kind::Ac`] it is the offset. `stated_gain` is what the bench file says so far.
///
/// The weights are 1/u² by each point's own scatter and last digit; the scatter about the line is taken where it is
/// larger than those explain (JCGM 100:2008, H.3). What the meter may be off by is common to all points and no scatter:
/// its share of the reading goes into the gain whole, its fixed part into the offset, or, through zero, into the gain
/// (JCGM 100:2008, F.1.2.3: the same error in every point is one input, not many).
///
/// # Errors
/// [`Refused`].
pub fn calibrate(
    pairs: &[Pair],
    kind: Kind,
    meter: &Meter,
    rest_v: (f64, f64),
    stated_gain: f64,
) -> Result<Calibration, Refused> {
    fit(pairs, kind, meter, rest_v, stated_gain, true)
}

/// The same where a person has typed the same again for a point that looked like a slip.
///
/// # Errors
/// [`Refused`], but no [`Refused::Slip`].
pub fn calibrate_confirmed(
    pairs: &[Pair],
    kind: Kind,
    meter: &Meter,
    rest_v: (f64, f64),
    stated_gain: f64,
) -> Result<Calibration, Refused> {
    fit(pairs, kind, meter, rest_v, stated_gain, false)
}

fn fit(
    pairs: &[Pair],
    kind: Kind,
    meter: &Meter,
    rest_v: (f64, f64),
    stated_gain: f64,
    slips: bool,
) -> Result<Calibration, Refused> {
    if pairs.len() < POINTS_MIN {
        return Err(Refused::TooFew { have: pairs.len(), need: POINTS_MIN });
    }
    let usable = |pair: &Pair| {
        [pair.adc_v, pair.u_adc_v, pair.reading, pair.digit].iter().all(|value| value.is_finite())
    };
    if let Some(index) = pairs.iter().position(|pair| !usable(pair)) {
        return Err(Refused::NoNumber { point: index + 1 });
    }
    related(pairs)?;
    let fitted = |pairs: &[Pair]| -> Option<Line> {
        let points = weighted(pairs, stated_gain);
        match kind {
            Kind::Dc => line(&points, 0.0),
            Kind::Ac => through_zero(&points),
        }
    };
    let line = fitted(pairs).ok_or(Refused::TooClose)?;
    let ratio = line.slope / stated_gain;
    if !(1.0 / FAR..=FAR).contains(&ratio) {
        return Err(Refused::FarFromFile { ratio });
    }
    if slips {
        slip(pairs, meter, &fitted)?;
    }
    Ok(concluded(pairs, kind, meter, rest_v, line))
}

/// Standard uncertainty of one point's ordinate by its own scatter and last digit (rectangular), V or A.
fn u_of(pair: &Pair, gain: f64) -> f64 {
    (gain * pair.u_adc_v).hypot(half_digit(pair.digit) / 3f64.sqrt())
}

/// Weights; where no point has an uncertainty of its own, all count alike.
fn weighted(pairs: &[Pair], gain: f64) -> Vec<Weighted> {
    let known = pairs.iter().all(|pair| u_of(pair, gain) > 0.0);
    let weight = |pair: &Pair| if known { u_of(pair, gain).powi(-2) } else { 1.0 };
    pairs.iter().map(|pair| Weighted { x: pair.adc_v, y: pair.reading, weight: weight(pair) }).collect()
}

/// The pairs must spread, rise together, and lie on some line.
fn related(pairs: &[Pair]) -> Result<(), Refused> {
    let count = pairs.len() as f64;
    let mean = |pick: fn(&Pair) -> f64| pairs.iter().map(pick).sum::<f64>() / count;
    let (mean_x, mean_y) = (mean(|pair| pair.adc_v), mean(|pair| pair.reading));
    let sum = |term: &dyn Fn(f64, f64) -> f64| -> f64 {
        pairs.iter().map(|pair| term(pair.adc_v - mean_x, pair.reading - mean_y)).sum()
    };
    let (sxx, syy, sxy) = (sum(&|x, _| x * x), sum(&|_, y| y * y), sum(&|x, y| x * y));
    let fold = |f: fn(f64, f64) -> f64, from| pairs.iter().map(|pair| pair.reading).fold(from, f);
    let (low, high) = (fold(f64::min, f64::INFINITY), fold(f64::max, f64::NEG_INFINITY));
    if !(sxx > 0.0 && syy > 0.0) || high - low < high.abs().max(low.abs()) / 2.0 {
        return Err(Refused::TooClose);
    }
    let correlation = sxy / (sxx * syy).sqrt();
    if correlation <= -CORRELATION_MIN {
        return Err(Refused::Reversed);
    }
    // One slip of many spoils the correlation of all: it is named as such below, if the others do lie on a line.
    if correlation < CORRELATION_MIN && !one_spoils_it(pairs) {
        return Err(Refused::Unrelated { correlation });
    }
    Ok(())
}

fn one_spoils_it(pairs: &[Pair]) -> bool {
    pairs.len() > POINTS_MIN
        && (0..pairs.len()).any(|left_out| {
            let rest = without(pairs, left_out);
            let points: Vec<Weighted> =
                rest.iter().map(|pair| Weighted { x: pair.adc_v, y: pair.reading, weight: 1.0 }).collect();
            let most = rest.iter().map(|pair| pair.reading.abs()).fold(0.0, f64::max);
            line(&points, 0.0).is_some_and(|line| line.slope > 0.0 && line.scatter < 0.005 * most)
        })
}

fn without(pairs: &[Pair], left_out: usize) -> Vec<Pair> {
    pairs.iter().enumerate().filter(|(index, _)| *index != left_out).map(|(_, pair)| *pair).collect()
}

/// A single point that the line of all others does not bear out. Several that don't are a bent input, not slips.
fn slip(pairs: &[Pair], meter: &Meter, fitted: &dyn Fn(&[Pair]) -> Option<Line>) -> Result<(), Refused> {
    if pairs.len() <= POINTS_MIN {
        return Ok(());
    }
    let off_the_others = |index: usize| {
        let pair = pairs.get(index)?;
        let rest = without(pairs, index);
        let line = fitted(&rest)?;
        let spread = rest.iter().map(|pair| (pair.reading - line.at(pair.adc_v)).abs()).fold(0.0, f64::max);
        let allowed =
            SLIP * (meter.half_width(pair.reading) / 3f64.sqrt()).hypot(u_of(pair, line.slope)).max(spread);
        Some((pair.reading - line.at(pair.adc_v), allowed))
    };
    let beyond: Vec<(usize, f64, f64)> = (0..pairs.len())
        .filter_map(|index| off_the_others(index).map(|(off, allowed)| (index, off, allowed)))
        .filter(|(_, off, allowed)| off.abs() > *allowed)
        .collect();
    match beyond.as_slice() {
        [(index, off, allowed)] => Err(Refused::Slip {
            point: index + 1,
            reading: pairs.get(*index).map_or(f64::NAN, |pair| pair.reading),
            off: *off,
            allowed: *allowed,
        }),
        _ => Ok(()),
    }
}

fn concluded(pairs: &[Pair], kind: Kind, meter: &Meter, rest_v: (f64, f64), line: Line) -> Calibration {
    let gain = line.slope;
    let (u_slope, u_intercept) = match by_points(pairs, kind, gain) {
        // The scatter says less than each point's own uncertainty when few points happen to lie well.
        Some((u_slope, u_intercept)) => {
            (u_slope * line.scatter.max(1.0), u_intercept * line.scatter.max(1.0))
        }
        None => (line.u_slope, line.u_intercept),
    };
    let rectangular = 3f64.sqrt();
    let u_share = meter.pct_of_reading / 100.0 / rectangular;
    let u_fixed = meter.fixed / rectangular;
    // Through zero, the same error o in every reading turns the gain by o·Σwx/Σwx².
    let (sum_wx, sum_wxx) = weighted(pairs, gain).iter().fold((0.0, 0.0), |(wx, wxx), point| {
        (wx + point.weight * point.x, wxx + point.weight * point.x * point.x)
    });
    let of_fixed = match kind {
        Kind::Dc => 0.0,
        Kind::Ac => u_fixed * sum_wx / sum_wxx / gain,
    };
    let by_scatter = u_slope / gain;
    let u_gain = by_scatter.hypot(u_share).hypot(of_fixed);
    let degrees = line.degrees * (u_gain / by_scatter).powi(4);
    let (offset_v, u_offset_v) = match kind {
        Kind::Dc => (-line.intercept / gain, u_intercept.hypot(u_fixed) / gain),
        Kind::Ac => rest_v,
    };
    let departures: Vec<Departure> = pairs
        .iter()
        .map(|pair| Departure {
            adc_v: pair.adc_v,
            reading: pair.reading,
            off: pair.reading - line.at(pair.adc_v),
            u: u_of(pair, gain),
        })
        .collect();
    let linearity_v = departures.iter().map(|point| point.off.abs() / gain).fold(0.0, f64::max);
    Calibration {
        gain,
        offset_v,
        u_gain_pct: 100.0 * u_gain,
        u_offset_v,
        linearity_v,
        degrees: Some(degrees).filter(|degrees| *degrees < 1000.0),
        highest: pairs.iter().map(|pair| pair.reading.abs()).fold(0.0, f64::max),
        departures,
        line,
    }
}

/// What the points' own uncertainties make of slope and intercept; `None` where a point has none.
fn by_points(pairs: &[Pair], kind: Kind, gain: f64) -> Option<(f64, f64)> {
    if !pairs.iter().all(|pair| u_of(pair, gain) > 0.0) {
        return None;
    }
    let (s, sx, sxx) = weighted(pairs, gain).iter().fold((0.0, 0.0, 0.0), |(s, sx, sxx), point| {
        (s + point.weight, sx + point.weight * point.x, sxx + point.weight * point.x * point.x)
    });
    Some(match kind {
        Kind::Dc => {
            let d = s * sxx - sx * sx;
            ((s / d).sqrt(), (sxx / d).sqrt())
        }
        Kind::Ac => (sxx.sqrt().recip(), 0.0),
    })
}

#[cfg(test)]
mod tests;
