//! Why the output stops where it does, with the facts. Where the facts don't decide, it says so.

use serde::{Deserialize, Serialize};
use std::fmt;

use crate::conclude::Bound;
use crate::fit;
use crate::observe::Look;
use crate::points::{Point, Points, Side};
use crate::sought::Sought;

/// Why the ceiling is where it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// The waveform is cut off abruptly.
    Clipping,
    /// The waveform bends gradually.
    SoftClipping,
    /// Gain is taken back while the waveform stays clean.
    Limiting,
    /// The supply gives way.
    Sag,
    /// The amplifier's protection trips.
    Protection,
    /// The source has no more to give.
    DriveExhausted,
    /// Peaks stop below what the supply allows.
    CurrentLimit,
    /// Heat lowers the output at the same drive.
    Thermal,
    /// The facts don't decide.
    Undetermined,
}

impl fmt::Display for Cause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Clipping => "clipping",
            Self::SoftClipping => "soft clipping",
            Self::Limiting => "limiting",
            Self::Sag => "sag",
            Self::Protection => "protection",
            Self::DriveExhausted => "drive exhausted",
            Self::CurrentLimit => "current limit",
            Self::Thermal => "thermal",
            Self::Undetermined => "undetermined",
        })
    }
}

/// What the classifier looks at.
pub(crate) struct Facts<'a> {
    pub sought: &'a Sought,
    pub points: &'a Points,
    pub looks: &'a [Look],
    pub since: usize,
    pub sides: &'a [Side],
    pub x_db: f64,
    pub bound: Bound,
    pub compression_db: f64,
    pub near: &'a Point,
}

/// Rise of ln(distortion) per dB above which clipping is hard.
const HARD_SLOPE: f64 = 1.3;

/// The cause and its evidence; rules in the order in which one fact overrules another.
pub(crate) fn classify(facts: &Facts<'_>) -> (Cause, Vec<String>) {
    let mut evidence = Vec::new();
    let cause = load_fault(facts, &mut evidence)
        .or_else(|| bounded(facts, &mut evidence))
        .or_else(|| limiting(facts, &mut evidence))
        .or_else(|| thermal(facts, &mut evidence))
        .or_else(|| sag(facts, &mut evidence))
        .or_else(|| current_limit(facts, &mut evidence))
        .unwrap_or_else(|| {
            asymmetry(facts, &mut evidence);
            waveform(facts, &mut evidence)
        });
    (cause, evidence)
}

/// A load off nominal by more than 25 %, or moving by more than 15 %, makes every other fact doubtful.
fn load_fault(facts: &Facts<'_>, evidence: &mut Vec<String>) -> Option<Cause> {
    let nominal = facts.sought.load_ohm;
    let at = facts.near.lowest(|c| c.load_ohm_measured)?;
    if (at / nominal - 1.0).abs() > 0.25 {
        evidence.push(format!("load measured {at:.2} ohm instead of {nominal:.2} ohm: load fault"));
        return Some(Cause::Undetermined);
    }
    let first = facts.points.all.iter().find_map(|p| p.lowest(|c| c.load_ohm_measured))?;
    if (at / first - 1.0).abs() > 0.15 {
        evidence.push(format!("load moved from {first:.2} ohm to {at:.2} ohm: load fault"));
        return Some(Cause::Undetermined);
    }
    None
}

fn bounded(facts: &Facts<'_>, evidence: &mut Vec<String>) -> Option<Cause> {
    let d = facts.near.distortion_pct;
    match facts.bound {
        Bound::Trip => {
            evidence.push(format!(
                "output collapsed above {:.2} dBV of drive at {d:.3} % distortion",
                facts.x_db
            ));
            Some(Cause::Protection)
        }
        Bound::Range | Bound::DeclaredMax if facts.compression_db > 0.5 => None,
        Bound::Range => {
            evidence.push(format!(
                "source maximum {:.3} V rms reached at {d:.3} % distortion, {:.2} dB gain loss",
                facts.sought.level_vrms_max, facts.compression_db
            ));
            Some(Cause::DriveExhausted)
        }
        Bound::DeclaredMax => {
            evidence.push(format!(
                "declared maximum {:.2} W reached at {d:.3} % distortion; the amplifier's own ceiling is higher",
                facts.sought.out_w_max
            ));
            Some(Cause::Undetermined)
        }
        Bound::Distortion | Bound::Compression => None,
    }
}

/// Gain lost beyond what any bending of the waveform costs at the distortion seen. A memoryless cubic loses
/// about 0.26 dB per percent of third harmonic, a hard clip less.
fn limiting(facts: &Facts<'_>, evidence: &mut Vec<String>) -> Option<Cause> {
    let all = &facts.points.all;
    let taken = (0..all.len()).find(|i| {
        let lost = facts.points.compression_db(*i);
        let round = all[*i].lowest(|c| c.crest_factor).is_none_or(|c| c > 1.3);
        lost > 0.5 && lost > 0.4 + 0.35 * all[*i].distortion_pct && round && all[*i].x_db > facts.x_db - 3.0
    })?;
    let p = &all[taken];
    evidence.push(format!(
        "fundamental {:.2} dB below linear at only {:.3} % distortion",
        facts.points.compression_db(taken),
        p.distortion_pct
    ));
    if let Some(crest) = p.lowest(|c| c.crest_factor) {
        evidence.push(format!("crest factor {crest:.3}, that of a sine being 1.414"));
    }
    if let Some(droop) = p.highest(|c| c.envelope_droop_db).filter(|d| *d > 0.06) {
        evidence.push(format!("envelope falls by {droop:.2} dB within the capture"));
    }
    Some(Cause::Limiting)
}

/// A later capture at (nearly) the same level has less output while the heatsink has warmed.
fn thermal(facts: &Facts<'_>, evidence: &mut Vec<String>) -> Option<Cause> {
    let all = &facts.points.all;
    for (i, a) in all.iter().enumerate() {
        for b in &all[i + 1..] {
            if (b.x_db - a.x_db).abs() > 0.06 {
                break;
            }
            let (old, new) = if a.order < b.order { (a, b) } else { (b, a) };
            let warmed = new.seen.heatsink_c? - old.seen.heatsink_c?;
            let lost = 10.0 * (old.lowest_w() / new.lowest_w()).log10() - (old.x_db - new.x_db);
            if lost > 0.05 + 4.0 * facts.sought.level_scatter_db && warmed > 2.0 {
                evidence.push(format!(
                    "{lost:.2} dB less output at the same drive after the heatsink warmed by {warmed:.1} C"
                ));
                return Some(Cause::Thermal);
            }
        }
    }
    None
}

fn sag(facts: &Facts<'_>, evidence: &mut Vec<String>) -> Option<Cause> {
    let usable = |p: &Point| p.seen.supply_v.filter(|v| v.is_finite() && *v > 0.0);
    let idle = facts.points.all.iter().find_map(usable)?;
    let loaded = usable(facts.near)?;
    let drop_db = 20.0 * (idle / loaded).log10();
    if drop_db <= 0.2 {
        evidence.push(format!("supply steady: {idle:.2} V to {loaded:.2} V ({drop_db:.2} dB)"));
        return None;
    }
    evidence.push(format!("supply fell from {idle:.2} V to {loaded:.2} V ({drop_db:.2} dB)"));
    Some(Cause::Sag)
}

/// Flat tops far below the supply's peak voltage.
fn current_limit(facts: &Facts<'_>, evidence: &mut Vec<String>) -> Option<Cause> {
    let rail = facts.sought.rail_vpk?;
    let fundamental = facts.near.lowest(|c| c.fundamental_vrms)?;
    let crest = facts.near.lowest(|c| c.crest_factor)?;
    let peak = fundamental * crest;
    if facts.bound == Bound::Distortion && peak < 0.7 * rail && crest < 1.40 {
        evidence.push(format!("peaks stop at {peak:.1} V though the supply allows {rail:.1} V"));
        return Some(Cause::CurrentLimit);
    }
    None
}

fn asymmetry(facts: &Facts<'_>, evidence: &mut Vec<String>) {
    if let Some(even) = facts.near.highest(|c| c.even_share).filter(|e| *e > 0.15) {
        evidence.push(format!(
            "even harmonics hold {:.0} % of the distortion: one side bends first",
            100.0 * even
        ));
    }
}

/// Hard or soft by how steeply distortion rises around the ceiling; undetermined within the slope's error.
fn waveform(facts: &Facts<'_>, evidence: &mut Vec<String>) -> Cause {
    let sigma = facts.sought.distortion_scatter;
    for reach in [0.6, 1.2, 2.5] {
        let set: Vec<(f64, f64)> = (0..facts.sides.len())
            .filter(|i| facts.sides[*i] != Side::Bump)
            .map(|i| (facts.points.all[i].x_db, facts.points.excess(i, facts.sought.limit_pct)))
            .filter(|(x, y)| (x - facts.x_db).abs() <= reach && *y > -2.5)
            .collect();
        let Some((slope, se)) = fit::slope_of(&set, sigma) else { continue };
        if (slope - HARD_SLOPE).abs() <= 1.5 * se {
            continue;
        }
        evidence.push(format!(
            "distortion rises by {:.2} dB per dB around the ceiling (hard above {:.1})",
            slope * 20.0 / std::f64::consts::LN_10,
            HARD_SLOPE * 20.0 / std::f64::consts::LN_10
        ));
        if let Some(flat) = facts.near.highest(|c| c.flat_top_pct) {
            evidence.push(format!("{flat:.1} % of samples within 1 % of the peak"));
        }
        if slope <= 0.0 {
            return Cause::Undetermined;
        }
        if slope <= HARD_SLOPE {
            return Cause::SoftClipping;
        }
        return hard_or_limited(facts, evidence);
    }
    evidence.push("too few captures around the ceiling to tell how steeply distortion rises".to_owned());
    Cause::Undetermined
}

/// A hard clip loses about 0.054 dB of the fundamental per percent of distortion; far more is gain taken back.
fn hard_or_limited(facts: &Facts<'_>, evidence: &mut Vec<String>) -> Cause {
    let all = &facts.points.all;
    let spare =
        |i: usize, per_pct: f64| facts.points.compression_db(i) - 0.1 - per_pct * all[i].distortion_pct;
    let near = |i: &usize| (all[*i].x_db - facts.x_db).abs() < 2.5;
    let most = (0..all.len()).filter(near).max_by(|a, b| spare(*a, 0.15).total_cmp(&spare(*b, 0.15)));
    let Some(i) = most.filter(|i| spare(*i, 0.15) > 0.0) else { return Cause::Clipping };
    evidence.push(format!(
        "fundamental {:.2} dB below linear at {:.2} % distortion, more than a hard clip loses",
        facts.points.compression_db(i),
        all[i].distortion_pct
    ));
    if spare(i, 0.22) > 0.0 { Cause::Limiting } else { Cause::Undetermined }
}
