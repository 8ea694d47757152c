//! What each rating claims, what was measured, and why it stops there.

use wattproof_bench::CalibrationState;
use wattproof_method::{Kind, Verdict};
use wattproof_runs::{LimitBy, Nameplate, RatingRecord};

use super::Fact;
use super::words::cause_words;
use crate::figures::{Setting, claim_words, draw_spectrum, draw_waveform, subtitle};
use crate::number::{significant, with_u};
use crate::record::{Recorded, shot};

/// Contributions of less than this to the variance are summed up in a line, %.
const SHARE_SHOWN_PCT: f64 = 0.05;

/// A judged rating.
pub struct Answer {
    pub rating: usize,
    pub claim: String,
    pub rated: String,
    pub unit: &'static str,
    pub measured: String,
    pub u: String,
    pub ratio: String,
    pub verdict_class: &'static str,
    pub verdict: &'static str,
    pub verdict_words: String,
    pub cause: String,
    pub cause_words: &'static str,
    pub evidence: Vec<String>,
    pub notes: Vec<String>,
    pub facts: Vec<Fact>,
    pub budget: Vec<Part>,
    pub combined: String,
    pub waveform: Option<String>,
    pub spectrum: Option<String>,
    /// Why there is no picture of the capture.
    pub no_picture: Option<String>,
}

/// A line of the uncertainty budget.
pub struct Part {
    pub name: String,
    pub kind: &'static str,
    pub stated: String,
    pub u: String,
    pub share: String,
    pub source: String,
}

struct Figures {
    unit: &'static str,
    rated: Option<f64>,
    measured: f64,
    expanded_u: f64,
    standard_u: f64,
    indicated: f64,
}

pub fn answer(run: &Recorded, plate: &Nameplate, record: &RatingRecord) -> Answer {
    let figures = figures(record);
    let claim = record.rating.checked_sub(1).and_then(|index| plate.rating.get(index));
    let (measured, u) = with_u(figures.measured, figures.expanded_u);
    let (waveform, spectrum, no_picture) = pictures(run, plate.invented, record);
    Answer {
        rating: record.rating,
        claim: claim.map_or_else(|| record.claimed(), claim_words),
        rated: figures.rated.map_or("–".into(), |rated| significant(rated, 6)),
        unit: figures.unit,
        measured,
        u,
        ratio: match record.ratio_db {
            Some(db) => format!("{} ({db:+.2} dB)", significant(record.ratio, 4)),
            None => significant(record.ratio, 4),
        },
        verdict_class: match record.verdict {
            Verdict::Meets => "meets",
            Verdict::Short => "short",
            Verdict::Undecided => "undecided",
        },
        verdict: match record.verdict {
            Verdict::Meets => "✓ meets",
            Verdict::Short => "✗ short",
            Verdict::Undecided => "? undecided",
        },
        // The word itself stands before it.
        verdict_words: record
            .verdict_words
            .split_once(": ")
            .map_or(record.verdict_words.as_str(), |(_, words)| words)
            .to_string(),
        cause: record.cause.clone(),
        cause_words: cause_words(&record.cause),
        evidence: record.evidence.clone(),
        notes: record.notes.clone(),
        facts: facts(record, &figures),
        budget: budget(record),
        combined: format!("{} {}", significant(figures.standard_u, 3), figures.unit),
        waveform,
        spectrum,
        no_picture,
    }
}

fn figures(record: &RatingRecord) -> Figures {
    let of = |value: Option<f64>| value.unwrap_or(f64::NAN);
    match &record.volts {
        Some(volts) => Figures {
            unit: "V",
            rated: Some(volts.rated_vrms),
            measured: volts.measured_vrms,
            expanded_u: volts.expanded_u_vrms,
            standard_u: volts.standard_u_vrms,
            indicated: volts.indicated_vrms,
        },
        None => Figures {
            unit: "W",
            rated: record.rated_w,
            measured: of(record.measured_w),
            expanded_u: of(record.expanded_u_w),
            standard_u: of(record.standard_u_w),
            indicated: of(record.indicated_w),
        },
    }
}

fn facts(record: &RatingRecord, figures: &Figures) -> Vec<Fact> {
    let Figures { unit, measured, expanded_u, indicated, .. } = figures;
    let (measured, u) = with_u(*measured, *expanded_u);
    let limit_by = if record.limit_by == LimitBy::Thd { "THD" } else { "THD+N" };
    let limit = format!("{} % {limit_by}", record.limit_pct);
    let mut facts = vec![
        Fact::new("Distortion limit", limit),
        Fact::new(
            "Measured",
            format!(
                "{measured} {unit} ± {u} {unit} ({:.2} % coverage, k = {:.3}, {})",
                record.coverage_pct,
                record.coverage_factor,
                match record.effective_degrees {
                    Some(degrees) => format!("{degrees:.0} effective degrees of freedom"),
                    None => "more than a million effective degrees of freedom".into(),
                }
            ),
        ),
        Fact::new(
            "As indicated",
            format!(
                "{} {unit}, corrected by {:+.3} % to the rated load",
                with_u(*indicated, *expanded_u).0,
                100.0 * (record.correction - 1.0)
            ),
        ),
        Fact::new(
            "At the ceiling",
            format!(
                "{} V rms in, {} V rms out, {} % distortion",
                significant(record.level_vrms, 4),
                significant(record.out_vrms, 4),
                significant(record.distortion_pct, 3)
            ),
        ),
    ];
    facts.extend(record.probability_met.map(|met| {
        Fact::new("Probability that the claim is met", format!("{} %", significant(100.0 * met, 4)))
    }));
    for (side, bracket) in [("Capture below", &record.below), ("Capture above", &record.above)] {
        facts.push(Fact::new(
            side,
            match bracket {
                Some(at) => format!(
                    "{}{} V rms in, {}{} % distortion",
                    at.step.map_or(String::new(), |step| format!("step {step}: ")),
                    significant(at.level_vrms, 4),
                    at.power_w.map_or(String::new(), |watts| format!("{} W, ", significant(watts, 5))),
                    significant(at.distortion_pct, 3)
                ),
                None => "none".into(),
            },
        ));
    }
    facts.push(Fact::new(
        "What it took",
        match record.seconds_at_power.zip(record.joules) {
            Some((seconds, joules)) => {
                format!("{} captures, {seconds:.1} s at power, {joules:.0} J into the loads", record.captures)
            }
            None => format!("{} captures; no current was measured, and so no power", record.captures),
        },
    ));
    facts.push(Fact::new(
        "Calibration of the inputs",
        match record.calibration {
            CalibrationState::Valid => "valid on the day of the run",
            CalibrationState::Expired => "expired on the day of the run: U holds the drift since",
            CalibrationState::Missing => "missing: the tolerances of the bench file stand",
        },
    ));
    facts
}

fn budget(record: &RatingRecord) -> Vec<Part> {
    struct Line<'a>(&'a str, Kind, f64, &'a str, f64, f64, &'a str);
    let mut lines: Vec<Line<'_>> = match &record.volts {
        Some(volts) => volts
            .budget
            .iter()
            .map(|p| Line(&p.name, p.kind, p.stated, &p.unit, p.u_vrms, p.share_pct, &p.source))
            .collect(),
        None => record
            .budget
            .iter()
            .map(|p| Line(&p.name, p.kind, p.stated, &p.unit, p.u_w, p.share_pct, &p.source))
            .collect(),
    };
    let unit = if record.volts.is_some() { "V" } else { "W" };
    lines.sort_by(|a, b| b.5.total_cmp(&a.5));
    let shown = lines.iter().take_while(|line| line.5 >= SHARE_SHOWN_PCT).count();
    let part = |Line(name, kind, stated, stated_in, u, share_pct, source): &Line<'_>| Part {
        name: (*name).into(),
        kind: if *kind == Kind::A { "A" } else { "B" },
        stated: format!("{} {stated_in}", significant(*stated, 3)),
        u: format!("{} {unit}", significant(*u, 3)),
        share: format!("{share_pct:.1} %"),
        source: (*source).into(),
    };
    let mut parts: Vec<Part> = lines.iter().take(shown).map(part).collect();
    let rest = lines.get(shown..).unwrap_or_default();
    if !rest.is_empty() {
        let names: Vec<&str> = rest.iter().map(|line| line.0).collect();
        parts.push(Part {
            name: format!("together less than 0.1 %: {}", names.join(", ")),
            kind: "",
            stated: String::new(),
            u: format!(
                "{} {unit}",
                significant(rest.iter().map(|line| line.4 * line.4).sum::<f64>().sqrt(), 2)
            ),
            share: format!("{:.1} %", rest.iter().map(|line| line.5).sum::<f64>()),
            source: String::new(),
        });
    }
    parts
}

/// Waveform and spectrum of the capture nearest the ceiling, or why they can't be shown.
fn pictures(
    run: &Recorded,
    invented: bool,
    record: &RatingRecord,
) -> (Option<String>, Option<String>, Option<String>) {
    let Some(step) = record.nearest_step() else {
        return (None, None, Some("No capture beside the ceiling is a step of its own.".into()));
    };
    match shot(run, Some(step), None) {
        Ok(shot) => {
            let below = subtitle(run.name(), invented);
            let title = |what: &str| format!("{what} beside the ceiling of rating {}", record.rating);
            (
                Some(draw_waveform(&shot, &title("Waveform"), &below, Setting::Inside)),
                Some(draw_spectrum(&shot, &title("Spectrum"), &below, Setting::Inside)),
                None,
            )
        }
        Err(error) => (None, None, Some(format!("The capture of step {step} can't be shown: {error}"))),
    }
}
