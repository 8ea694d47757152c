//! `wattproof explain`: one judged rating with its verdict in words, its cause and its uncertainty budget.

use wattproof_bench::CalibrationState;
use wattproof_runs::{RatingRecord, RatingsFile};

use crate::budget_table::{Part, budget_table, percent, significant};
use crate::cli::ExplainOrder;
use crate::failure::Failure;
use crate::run_folder::folder_of;
use crate::say::say;

/// Width of what is printed, columns.
const WIDTH: usize = 80;

/// Prints a rating of a run, or all of them in a line each.
pub fn explain(order: &ExplainOrder) -> Result<(), Failure> {
    let folder = folder_of(&order.which)?;
    let file = RatingsFile::read(&folder)?;
    let Some(number) = order.rating else {
        return if order.json { say(&json(&file)?) } else { say(&list(&file)) };
    };
    let record = file.rating(number)?;
    if order.json { say(&json(record)?) } else { say(&text(&file, record)) }
}

fn json<T: serde::Serialize>(value: &T) -> Result<String, Failure> {
    serde_json::to_string_pretty(value)
        .map_err(|error| Failure::Said(format!("the ratings could not be put into JSON: {error}")))
}

fn list(file: &RatingsFile) -> String {
    let line = |record: &RatingRecord| {
        wrap(&format!("Rating {}: {}; {}", record.rating, claim(record), record.verdict_words), "  ")
    };
    let left_out = file.not_measured.iter();
    let left_out =
        left_out.map(|one| wrap(&format!("Rating {}: not measured: {}", one.rating, one.why), "  "));
    let lines: Vec<String> = file.ratings.iter().map(line).chain(left_out).collect();
    format!("{}, run {}\n{}", file.amplifier, file.run, lines.join("\n"))
}

fn claim(record: &RatingRecord) -> String {
    let driven = match record.driven {
        wattproof_runs::Driven::All => "all channels driven",
        wattproof_runs::Driven::One => "one channel driven",
        wattproof_runs::Driven::Bridged => "channels bridged",
    };
    let limit = match record.limit_by {
        wattproof_runs::LimitBy::Thdn => "THD+N",
        wattproof_runs::LimitBy::Thd => "THD",
    };
    format!(
        "{} into {} ohm at {} V, {driven}, {} % {limit} at {} Hz",
        record.claimed(),
        record.load_ohm,
        record.supply_v,
        record.limit_pct,
        record.hz
    )
}

fn text(file: &RatingsFile, record: &RatingRecord) -> String {
    let mut lines = vec![
        wrap(&format!("Rating {}: {}", record.rating, claim(record)), "  "),
        wrap(&format!("{}, run {}", file.amplifier, file.run), "  "),
        String::new(),
        wrap(&record.verdict_words, "  "),
    ];
    if let Some(met) = record.probability_met {
        lines.push(format!("probability that the rating is met: {}", percent(met)));
    }
    lines.extend([String::new(), "What was measured".into()]);
    lines.extend(measured(record).iter().map(|line| wrap(&format!("  {line}"), "    ")));
    lines.extend([String::new(), format!("Why it stops there: {}", record.cause)]);
    lines.extend(record.evidence.iter().map(|fact| wrap(&format!("  - {fact}"), "    ")));
    lines.extend(record.notes.iter().map(|note| wrap(&format!("  note: {note}"), "    ")));
    lines.extend([String::new(), "What the uncertainty is made of".into()]);
    let Amounts { unit, standard_u, budget, .. } = amounts(record);
    lines.push(budget_table(&budget, standard_u, unit));
    lines.extend(origins(record).iter().map(|line| wrap(&format!("  {line}"), "    ")));
    lines.join("\n")
}

/// The figures of a rating in the unit that it is in; what can't be told is no number.
struct Amounts {
    unit: &'static str,
    measured: f64,
    indicated: f64,
    standard_u: f64,
    expanded_u: f64,
    budget: Vec<Part>,
}

fn amounts(record: &RatingRecord) -> Amounts {
    let of = |value: Option<f64>| value.unwrap_or(f64::NAN);
    match &record.volts {
        Some(volts) => Amounts {
            unit: "V",
            measured: volts.measured_vrms,
            indicated: volts.indicated_vrms,
            standard_u: volts.standard_u_vrms,
            expanded_u: volts.expanded_u_vrms,
            budget: volts.budget.iter().map(Part::from).collect(),
        },
        None => Amounts {
            unit: "W",
            measured: of(record.measured_w),
            indicated: of(record.indicated_w),
            standard_u: of(record.standard_u_w),
            expanded_u: of(record.expanded_u_w),
            budget: record.budget.iter().map(Part::from).collect(),
        },
    }
}

fn measured(record: &RatingRecord) -> Vec<String> {
    let degrees = match record.effective_degrees {
        Some(nu) => format!("{nu:.1} effective degrees of freedom (t = {:.3})", record.t_factor),
        None => "more than a million effective degrees of freedom".to_string(),
    };
    let Amounts { unit, measured, indicated, standard_u, expanded_u, .. } = amounts(record);
    let mut lines = vec![
        format!(
            "{} {unit}, U = {} {unit}: {:.2} % coverage, k = {:.3}",
            fixed(measured, expanded_u),
            significant(expanded_u, 3),
            record.coverage_pct,
            record.coverage_factor
        ),
        format!("standard uncertainty {} {unit}, {degrees}", significant(standard_u, 3)),
        format!(
            "{:.4} of the rating{}",
            record.ratio,
            record.ratio_db.map_or(String::new(), |db| format!(" ({db:+.3} dB)"))
        ),
        format!(
            "indicated {} {unit}, corrected by {:+.3} % to the rated load",
            fixed(indicated, expanded_u),
            100.0 * (record.correction - 1.0)
        ),
        format!(
            "ceiling at {:.4} V rms in, {:.3} V rms out, {:.3} % distortion",
            record.level_vrms, record.out_vrms, record.distortion_pct
        ),
    ];
    lines.push(match record.calibration {
        CalibrationState::Valid => "calibration: valid on the day of the run".into(),
        CalibrationState::Expired => "calibration: expired on the day of the run: U holds drift since".into(),
        CalibrationState::Missing => "calibration: missing: the tolerances of the bench file stand".into(),
    });
    for (side, bracket) in [("below", &record.below), ("above", &record.above)] {
        lines.push(match bracket {
            Some(at) => {
                let step = at.step.map_or(String::new(), |step| format!("step {step}: "));
                let power =
                    at.power_w.map_or(String::new(), |power_w| format!("{} W, ", fixed(power_w, expanded_u)));
                format!(
                    "{side} it {step}{:.4} V rms in, {power}{:.3} % distortion",
                    at.level_vrms, at.distortion_pct
                )
            }
            None => format!("{side} it: no capture"),
        });
    }
    lines.push(match record.seconds_at_power.zip(record.joules) {
        Some((seconds, joules)) => {
            format!("{} captures, {seconds:.1} s at power, {joules:.0} J into the loads", record.captures)
        }
        None => format!("{} captures; no current was measured, and so no power", record.captures),
    });
    lines
}

/// Where the figures come from, a line an origin; then what counts as 0.
fn origins(record: &RatingRecord) -> Vec<String> {
    let budget = amounts(record).budget;
    let counts = |part: &&Part| part.u > 0.0;
    let mut lines: Vec<(String, Vec<&str>)> = Vec::new();
    for part in budget.iter().filter(counts) {
        match lines.iter_mut().find(|(source, _)| *source == part.source) {
            Some((_, names)) => names.push(&part.name),
            None => lines.push((part.source.clone(), vec![&part.name])),
        }
    }
    let zero: Vec<&str> = budget.iter().filter(|part| !counts(part)).map(|part| part.name.as_str()).collect();
    let mut lines: Vec<String> =
        lines.iter().map(|(source, names)| format!("{source}: {}", names.join(", "))).collect();
    if !zero.is_empty() {
        lines.push(format!("without effect here: {}", zero.join(", ")));
    }
    lines
}

/// A figure with the decimals of its uncertainty's third significant digit.
fn fixed(value: f64, u: f64) -> String {
    let digits =
        if u > 0.0 && u.is_finite() { (2.0 - u.log10().floor()).clamp(0.0, 9.0) as usize } else { 3 };
    format!("{value:.digits$}")
}

/// Breaks at spaces so that no line is wider than the page; lines that follow are indented.
fn wrap(text: &str, indent: &str) -> String {
    let margin = text.len() - text.trim_start().len();
    let mut lines = vec![text[..margin].to_string()];
    let mut empty = true;
    for word in text.split_whitespace() {
        let width = lines.last().map_or(0, |line| line.chars().count());
        if !empty && width + 1 + word.chars().count() > WIDTH {
            lines.push(indent.to_string());
            empty = true;
        }
        if let Some(line) = lines.last_mut() {
            if !empty {
                line.push(' ');
            }
            line.push_str(word);
            empty = false;
        }
    }
    lines.join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_line_is_wider_than_the_page_and_no_word_is_lost() {
        // Project definition: 80 columns.
        let long = format!("  - {}", "word ".repeat(60));
        let wrapped = wrap(&long, "    ");
        assert!(wrapped.lines().all(|line| line.chars().count() <= WIDTH));
        assert!(wrapped.lines().skip(1).all(|line| line.starts_with("    word")));
        assert_eq!(wrapped.split_whitespace().count(), 61);
        assert_eq!(wrap("", "  "), "");
        assert_eq!(wrap("short", "  "), "short");
    }

    #[test]
    fn figures_keep_the_decimals_of_their_uncertainty() {
        assert_eq!(fixed(115.60349, 0.3123), "115.603");
        assert_eq!(fixed(1523.4, 12.0), "1523.4");
        assert_eq!(fixed(3.0, 0.0), "3.000");
    }
}
