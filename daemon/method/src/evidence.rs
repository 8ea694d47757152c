//! The facts that decide a cause, one rule each; every rule says what it saw, with numbers.

use crate::cause::{Cause, Facts};
use crate::conclude::Bound;
use crate::estimate;
use crate::fit;
use crate::points::Point;
use crate::side::Side;

/// Rise of ln(distortion) per dB above which clipping is hard.
const HARD_SLOPE: f64 = 1.3;
/// How far above and below the ceiling captures tell of it, dB.
const AROUND_DB: f64 = 2.6;
/// Gain taken back that shows a limiter, dB.
const TAKEN_DB: f64 = 0.2;
/// The same that a look shows, whose level was read in the same breath as its curve, dB.
const LOOKED_DB: f64 = 0.15;
/// Slope that the end of a curve keeps where a limiter, rather than a clip, takes gain.
const STRAIGHT: f64 = 0.6;
/// ln(distortion) by which a fixed bend would differ from what is read, that no scatter explains.
const UNLIKE: f64 = 0.6;
/// ln(distortion/limit) that a bend has to tell to be compared with what is read.
const FLOOR: f64 = -1.5;
/// Share of the limit up to which noise leaves looks' harmonics alone.
const QUIET_SHARE: f64 = 0.1;
/// Time constant above which gain falls by heat rather than by a limiter, s. Limiters act within a fifth of a second:
/// common practice, no source.
const HEAT_TAU_S: f64 = 0.25;
/// Fall of the output, or of the ceiling, at the same level that shows heat, dB.
const HEAT_DB: f64 = 0.03;
/// Fall of the supply, or of the output's own limit, that shows sag, dB.
const SAG_DB: f64 = 0.2;
const OWN_SAG_DB: f64 = 0.1;
/// Lead of a burst over a held level that shows sag, dB.
const BURST_DB: f64 = 0.35;

/// A load off nominal by more than 25 %, or moving by more than 15 %, makes every other fact doubtful.
pub(crate) fn load_fault(facts: &Facts<'_>, told: &mut Vec<String>) -> Option<Cause> {
    let nominal = facts.sought.load_ohm;
    let at = facts.near.lowest(|c| c.load_ohm_measured)?;
    if (at / nominal - 1.0).abs() > 0.25 {
        told.push(format!("load measured {at:.2} ohm instead of {nominal:.2} ohm: load fault"));
        return Some(Cause::Undetermined);
    }
    let first = facts.points.all.iter().find_map(|p| p.lowest(|c| c.load_ohm_measured))?;
    if (at / first - 1.0).abs() > 0.15 {
        told.push(format!("load moved from {first:.2} ohm to {at:.2} ohm: load fault"));
        return Some(Cause::Undetermined);
    }
    None
}

/// Something else than the waveform ended the search.
pub(crate) fn bounded(facts: &Facts<'_>, told: &mut Vec<String>) -> Option<Cause> {
    let d = facts.near.distortion_pct;
    match facts.bound {
        Bound::Trip => {
            told.push(format!(
                "output collapsed above {:.2} dBV of drive at {d:.3} % distortion",
                facts.x_db
            ));
            Some(Cause::Protection)
        }
        Bound::Range | Bound::DeclaredMax if facts.compression_db > 0.5 => None,
        Bound::Range => {
            told.push(format!(
                "source maximum {:.3} V rms reached at {d:.3} % distortion, {:.2} dB gain loss",
                facts.sought.level_vrms_max, facts.compression_db
            ));
            Some(Cause::DriveExhausted)
        }
        Bound::DeclaredMax => {
            told.push(format!(
                "declared maximum {:.2} W reached at {d:.3} % distortion; the amplifier's own ceiling is higher",
                facts.sought.out_w_max
            ));
            Some(Cause::Undetermined)
        }
        Bound::Distortion | Bound::Compression => None,
    }
}

/// Gain taken back from a stage that stays straight: its transfer curve, carried down, gives less than was measured
/// there. Bending or clipping leaves the middle of the curve alone. Without curves: more loss than the distortion seen
/// explains (a memoryless cubic loses about 0.26 dB per percent of third harmonic, a hard clip less).
pub(crate) fn taken_back(facts: &Facts<'_>, told: &mut Vec<String>) -> Option<Cause> {
    let all = &facts.points.all;
    if let Some(taken) = taken_in_looks(facts) {
        told.push(format!(
            "a short look shows the whole transfer curve {taken:.2} dB less steep: gain was taken back"
        ));
        return Some(Cause::Limiting);
    }
    let around = (0..all.len()).filter(|i| (all[*i].x_db - facts.x_db).abs() < AROUND_DB);
    let curved = |i: usize| all[i].seen.channels.iter().all(|c| c.curve.is_some());
    let spare = |i: usize| {
        let lost = facts.points.compression_db(i).max(beside_looks(facts, &all[i]).1);
        match taken_db(facts, i).filter(|_| curved(i)) {
            Some(taken) => taken.min(lost) - TAKEN_DB - 3.0 * facts.sought.level_scatter_db,
            None => lost - (0.4 + 0.35 * all[i].distortion_pct).max(0.5),
        }
    };
    let most = around.max_by(|a, b| spare(*a).total_cmp(&spare(*b))).filter(|i| spare(*i) > 0.0)?;
    let p = &all[most];
    told.push(format!(
        "fundamental {:.2} dB below linear at only {:.3} % distortion",
        facts.points.compression_db(most),
        p.distortion_pct
    ));
    if let Some(taken) = taken_db(facts, most).filter(|_| curved(most)) {
        told.push(format!("the whole transfer curve is {taken:.2} dB less steep: gain was taken back"));
    }
    if let Some(crest) = p.lowest(|c| c.crest_factor) {
        told.push(format!("crest factor {crest:.3}, that of a sine being 1.414"));
    }
    if let Some((fall_db, tau_s)) = slow_fall(facts) {
        told.push(format!("output fell by {fall_db:.2} dB within {tau_s:.2} s while the level was held"));
        if tau_s > HEAT_TAU_S {
            told.push("slower than a limiter acts: heat".to_owned());
            return Some(Cause::Thermal);
        }
    }
    Some(Cause::Limiting)
}

/// The most gain that a look around the ceiling shows as taken back beside the captures well below it, dB.
fn taken_in_looks(facts: &Facts<'_>) -> Option<f64> {
    let around = facts.looks.iter().filter(|l| (l.x_db - facts.x_db).abs() < AROUND_DB);
    let taken = around.filter_map(|look| {
        let below = facts.points.all.iter().rev().find(|p| p.x_db <= look.x_db - 1.5)?;
        let channel = look.seen.channels.first()?;
        let curve = channel.curve.as_ref()?;
        // A clipped curve says little about its own slope further down: only a straight one counts.
        curve.end_slope().filter(|slope| *slope > STRAIGHT)?;
        let level = |ratio: f64| Some(20.0 * curve.predict(ratio, Some(1))?.fundamental_vrms.log10());
        let fixed_db = level(10f64.powf((below.x_db - look.x_db) / 20.0))? - level(1.0)?;
        Some(below.out_db.first()? - look.out_db.first()? - fixed_db)
    });
    taken.max_by(f64::total_cmp).filter(|taken| *taken > LOOKED_DB + 4.0 * facts.sought.level_scatter_db)
}

/// Distortion falls with level by far more than the transfer curve of a louder record tells: what distorts there is no
/// fixed bend. ln by which the two differ, and how far apart they lie, dB.
fn unlike_a_bend(facts: &Facts<'_>) -> Option<(f64, f64)> {
    // Captures among themselves, and looks where noise, which they can't tell from harmonics, is small.
    let noise_pct = facts.near.highest(|c| Some(100.0 * c.noise_vrms? / c.fundamental_vrms?));
    let quiet = noise_pct.is_some_and(|noise| noise < QUIET_SHARE * facts.sought.limit_pct);
    let looks = if quiet { facts.looks } else { &[] };
    let pairs = [facts.points.all.as_slice(), looks].into_iter().flat_map(|seen| {
        let around = seen.iter().filter(|p| (p.x_db - facts.x_db).abs() < AROUND_DB);
        around.flat_map(move |louder| {
            let lower = seen.iter().filter(move |p| (0.05..2.0).contains(&(louder.x_db - p.x_db)));
            lower.filter_map(move |p| {
                let here = estimate::excess_at(louder, louder.x_db, facts.sought)?;
                // Distortion that no static curve has isn't judged by one.
                if (here - louder.excess).abs() > UNLIKE || louder.excess < -UNLIKE {
                    return None;
                }
                let told = estimate::excess_at(louder, p.x_db, facts.sought)?;
                // A floor far below the limit is no part of a bend.
                (told > FLOOR).then_some((told - p.excess, louder.x_db - p.x_db))
            })
        })
    });
    pairs.filter(|(off, _)| *off > UNLIKE).max_by(|a, b| a.0.total_cmp(&b.0))
}

/// Gain taken back at capture `i` beside the captures, or the looks, below it, dB.
fn taken_db(facts: &Facts<'_>, i: usize) -> Option<f64> {
    Some(facts.points.taken_db(i)?.max(beside_looks(facts, &facts.points.all[i]).0))
}

/// The same beside the looks 1.5 to 8 dB below a capture, and the gain lost to them: medians, dB, 0 without looks.
fn beside_looks(facts: &Facts<'_>, at: &Point) -> (f64, f64) {
    let below = facts.looks.iter().filter(|l| (1.5..8.0).contains(&(at.x_db - l.x_db)));
    let (mut taken, mut lost): (Vec<f64>, Vec<f64>) = below
        .filter_map(|l| {
            let level = |ratio: f64| {
                let curve = at.seen.channels.first()?.curve.as_ref()?;
                Some(20.0 * curve.predict(ratio, Some(1))?.fundamental_vrms.log10())
            };
            let fixed_db = level(10f64.powf((l.x_db - at.x_db) / 20.0))? - level(1.0)?;
            let (out_l, out_at) = (l.out_db.first()?, at.out_db.first()?);
            Some(((out_l - out_at - fixed_db).abs(), (out_l - l.x_db) - (out_at - at.x_db)))
        })
        .unzip();
    let median = |values: &mut Vec<f64>| {
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied().unwrap_or(0.0)
    };
    (median(&mut taken), median(&mut lost))
}

/// Whole fall of the output from a drifting capture to a later one at the same level, and its time constant.
fn slow_fall(facts: &Facts<'_>) -> Option<(f64, f64)> {
    let early = facts.drifted.iter().filter(|p| (p.x_db - facts.x_db).abs() < AROUND_DB);
    let falls = early.filter_map(|early| {
        let droop_db = early.highest(|c| c.envelope_droop_db).filter(|d| *d > 0.0)?;
        let late =
            facts.points.all.iter().find(|p| (p.x_db - early.x_db).abs() < 0.02 && p.order > early.order)?;
        // Output left to fall after the early record's middle, over the fall within it, counts its time constants.
        let fall_db = (early.out_db.iter().zip(&late.out_db)).map(|(a, b)| a - b).fold(0.0, f64::max);
        let ratio = (fall_db / droop_db).max(0.3);
        Some((fall_db.max(droop_db), ratio * early.seen.record_s))
    });
    falls.max_by(|a, b| a.0.total_cmp(&b.0))
}

/// Less output, or an earlier limit, at the same level once it was held: the stage itself gives way to heat.
pub(crate) fn drift(facts: &Facts<'_>, told: &mut Vec<String>) -> Option<Cause> {
    let all = &facts.points.all;
    for early in facts.drifted.iter().filter(|p| (p.x_db - facts.x_db).abs() < AROUND_DB) {
        let Some(late) =
            all.iter().rev().find(|p| (p.x_db - early.x_db).abs() < 0.4 && p.order > early.order)
        else {
            continue;
        };
        let moved_db = early.own.zip(late.own).map_or(0.0, |(a, b)| a.x_db - b.x_db);
        let droop_db = early.highest(|c| c.envelope_droop_db).unwrap_or(0.0);
        if droop_db > 0.0 && moved_db > HEAT_DB {
            told.push(format!("ceiling fell by {moved_db:.2} dB while the level was held"));
            told.push(format!("output fell by {droop_db:.3} dB within one record"));
            return Some(Cause::Thermal);
        }
    }
    warmed(facts, told)
}

/// A later capture at (nearly) the same level has less output while the heatsink has warmed.
fn warmed(facts: &Facts<'_>, told: &mut Vec<String>) -> Option<Cause> {
    let all = &facts.points.all;
    for (i, a) in all.iter().enumerate() {
        for b in all[i + 1..].iter().take_while(|b| b.x_db - a.x_db <= 0.06) {
            let (old, new) = if a.order < b.order { (a, b) } else { (b, a) };
            let (Some(hot_c), Some(cold_c)) = (new.seen.heatsink_c, old.seen.heatsink_c) else { continue };
            let lost = 10.0 * (old.lowest_w() / new.lowest_w()).log10() - (old.x_db - new.x_db);
            if lost > 0.05 + 4.0 * facts.sought.level_scatter_db && hot_c - cold_c > 2.0 {
                let warmed_c = hot_c - cold_c;
                told.push(format!(
                    "{lost:.2} dB less output at the same drive after the heatsink warmed by {warmed_c:.1} C"
                ));
                return Some(Cause::Thermal);
            }
        }
    }
    None
}

/// The supply falls with the load; or the amplifier's own: its output stops lower the harder it is driven, or a short
/// burst gets further than a level that is held.
pub(crate) fn sag(facts: &Facts<'_>, told: &mut Vec<String>) -> Option<Cause> {
    let usable = |p: &Point| p.seen.supply_v.filter(|v| v.is_finite() && *v > 0.0);
    if let (Some(idle), Some(loaded)) = (facts.points.all.iter().find_map(usable), usable(facts.near)) {
        let drop_db = 20.0 * (idle / loaded).log10();
        if drop_db > SAG_DB {
            told.push(format!("supply fell from {idle:.2} V to {loaded:.2} V ({drop_db:.2} dB)"));
            return Some(Cause::Sag);
        }
        told.push(format!("supply steady: {idle:.2} V to {loaded:.2} V ({drop_db:.2} dB)"));
    }
    if let Some(fell_db) = peak_fell(facts) {
        told.push(format!(
            "output peaks {fell_db:.2} dB lower when driven harder: the amplifier's own supply gives way"
        ));
        return Some(Cause::Sag);
    }
    // Only looks that went beyond the limit show where it lies for them.
    let seen = facts.looks.iter().filter_map(|p| p.own.map(|e| e.x_db).filter(|x| *x <= p.x_db));
    let further_db = seen.reduce(f64::min)? - facts.x_db;
    if facts.bound == Bound::Distortion && further_db > BURST_DB {
        told.push(format!(
            "a short burst keeps the limit {further_db:.2} dB further: the amplifier's own supply gives way"
        ));
        return Some(Cause::Sag);
    }
    None
}

/// Fall of the output's peak from a clipping capture to one driven at least 0.6 dB harder, dB.
fn peak_fell(facts: &Facts<'_>) -> Option<f64> {
    let peak_db = |p: &Point| {
        let peak = p.highest(|c| Some(c.fundamental_vrms? * c.crest_factor?))?;
        (peak > 0.0).then(|| 20.0 * peak.log10())
    };
    let clips = |p: &&Point| p.distortion_pct > 0.7 * facts.sought.limit_pct;
    let clipping: Vec<&Point> = facts.points.all.iter().filter(clips).collect();
    let (first, last) = (clipping.first()?, clipping.last()?);
    let fell = peak_db(first)? - peak_db(last)?;
    let enough = OWN_SAG_DB + 4.0 * facts.sought.level_scatter_db;
    (last.x_db - first.x_db >= 0.6 && fell > enough).then_some(fell)
}

/// Flat tops far below the supply's peak voltage.
pub(crate) fn current_limit(facts: &Facts<'_>, told: &mut Vec<String>) -> Option<Cause> {
    let rail = facts.sought.rail_vpk?;
    let fundamental = facts.near.lowest(|c| c.fundamental_vrms)?;
    let crest = facts.near.lowest(|c| c.crest_factor)?;
    let peak = fundamental * crest;
    if facts.bound == Bound::Distortion && peak < 0.7 * rail && crest < 1.40 {
        told.push(format!("peaks stop at {peak:.1} V though the supply allows {rail:.1} V"));
        return Some(Cause::CurrentLimit);
    }
    None
}

/// Uneven halves, which don't change the cause but are worth telling.
pub(crate) fn asymmetry(facts: &Facts<'_>, told: &mut Vec<String>) {
    if let Some(even) = facts.near.highest(|c| c.even_share).filter(|e| *e > 0.15) {
        told.push(format!(
            "even harmonics hold {:.0} % of the distortion: one side bends first",
            100.0 * even
        ));
    }
}

/// Hard or soft by how steeply distortion rises at the ceiling; undetermined where nothing tells.
pub(crate) fn waveform(facts: &Facts<'_>, told: &mut Vec<String>) -> Cause {
    let curves = estimate::distortion(facts.points, facts.sought, 0, facts.x_db - AROUND_DB);
    let Some(slope) = curves.map(|e| e.slope).or_else(|| slope_of_readings(facts)) else {
        told.push("too few captures around the ceiling to tell how steeply distortion rises".to_owned());
        return Cause::Undetermined;
    };
    told.push(format!(
        "distortion rises by {:.2} dB per dB at the ceiling (hard above {:.1})",
        slope * 20.0 / std::f64::consts::LN_10,
        HARD_SLOPE * 20.0 / std::f64::consts::LN_10
    ));
    if let Some(flat) = facts.near.highest(|c| c.flat_top_pct) {
        told.push(format!("{flat:.1} % of samples within 1 % of the peak"));
    }
    if let Some((off, away_db)) = unlike_a_bend(facts) {
        told.push(format!(
            "{away_db:.2} dB lower distortion is {:.1} dB less than a fixed bend would leave: a limiter that distorts, or a supply; its loss of gain is too small to tell",
            off * 20.0 / std::f64::consts::LN_10
        ));
        return Cause::Undetermined;
    }
    if slope <= 0.0 {
        Cause::Undetermined
    } else if slope <= HARD_SLOPE {
        Cause::SoftClipping
    } else {
        Cause::Clipping
    }
}

/// The slope by scalar readings alone, where their scatter leaves it clear on which side of "hard" it is.
fn slope_of_readings(facts: &Facts<'_>) -> Option<f64> {
    let sigma = facts.sought.distortion_scatter;
    [0.6, 1.2, 2.5].into_iter().find_map(|reach| {
        let set: Vec<(f64, f64)> = (0..facts.sides.len())
            .filter(|i| facts.sides[*i] != Side::Bump)
            .map(|i| (facts.points.all[i].x_db, facts.points.all[i].excess))
            .filter(|(x, y)| (x - facts.x_db).abs() <= reach && *y > -2.5)
            .collect();
        let (slope, se) = fit::slope_of(&set, sigma)?;
        ((slope - HARD_SLOPE).abs() > 1.5 * se).then_some(slope)
    })
}
