//! Distortion against power (of a line stage: against output voltage), a line a rating, both axes logarithmic.

use std::path::Path;

use wattproof_runs::{LimitBy, Nameplate, Rating, RatingRecord};

use super::axis::Axis;
use super::legend::Sample;
use super::marks::{POINT, ceiling, marks, rated};
use super::panel::{INNER, Panel};
use super::ratios::ratios;
use super::sheet::{Setting, Sheet};
use super::style::{LIMIT, LIMIT_DASH};
use super::thin::thinned;
use crate::ReportError;
use crate::number::{significant, with_u};
use crate::record::{CurvePoint, Point, Recorded, StepRow, curve, run_file, steps_of};

const HEIGHT: f64 = 330.0;
/// More points than this have no marks of their own.
const MARKED_MAX: usize = 60;
/// Share of the width at which a limit is named.
const LIMIT_NAMED_AT: f64 = 0.07;

/// A measured ceiling.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Ceiling {
    pub measured: f64,
    pub u: f64,
    pub distortion_pct: f64,
}

/// The curve of one rating.
#[derive(Debug, Clone)]
pub(crate) struct Curve {
    /// What it is called.
    pub label: String,
    /// The same as short as can be.
    pub row_name: String,
    /// Whether volts are rated rather than watts.
    pub in_volts: bool,
    pub limit_pct: f64,
    pub limit_by: LimitBy,
    pub rated: Option<f64>,
    /// Output against distortion, in order of output.
    pub points: Vec<(f64, f64)>,
    pub ceiling: Option<Ceiling>,
    pub colour: usize,
    pub dash: usize,
}

/// Power against distortion of a run, a line a rating, as far as it is recorded: rated points, limits, and measured ceilings
/// with their uncertainty.
///
/// Costs the reading of `run.json`, `ratings.json`, `curve.csv` and, while not every rating is judged, `steps.csv`: some
/// milliseconds, about 5 ms more for every thousand steps.
///
/// # Errors
/// [`ReportError`], when it is no run's folder or one of these files can't be understood.
pub fn distortion(folder: &Path) -> Result<String, ReportError> {
    let run = Recorded::open(folder)?;
    let file = run_file(&run)?;
    let curves = curves_of(&run, &file.nameplate, &run.ratings()?)?;
    let title = format!("Distortion against {} – {}", what(&curves), file.amplifier());
    Ok(draw(&curves, &title, &subtitle(run.name(), file.nameplate.invented), Setting::Alone))
}

/// What stands below a title: which run, and whether it is invented.
pub(crate) fn subtitle(run: &str, invented: bool) -> String {
    if invented { format!("Invented device, invented claims · run {run}") } else { format!("Run {run}") }
}

fn what(curves: &[Curve]) -> &'static str {
    if curves.iter().any(|curve| curve.in_volts) { "output voltage" } else { "power" }
}

/// The curves of every rating of a nameplate that has points yet.
pub(crate) fn curves_of(
    run: &Recorded,
    plate: &Nameplate,
    records: &[RatingRecord],
) -> Result<Vec<Curve>, ReportError> {
    let judged = curve(run)?;
    let is_judged = |number: usize| judged.iter().any(|row| row.rating == number);
    let open = (1..=plate.rating.len()).any(|number| !is_judged(number));
    let steps = if open { steps_of(run, 0)? } else { Vec::new() };
    let curves = (1..).zip(&plate.rating).map(|(number, claim)| {
        let record = records.iter().find(|record| record.rating == number);
        let points = if is_judged(number) {
            points_judged(&judged, number, claim)
        } else {
            points_open(&steps, number, claim)
        };
        one(number, claim, record, points)
    });
    Ok(curves.filter(|curve| !curve.points.is_empty() || curve.ceiling.is_some()).collect())
}

fn one(number: usize, claim: &Rating, record: Option<&RatingRecord>, points: Vec<(f64, f64)>) -> Curve {
    let figures = record.and_then(|record| match &record.volts {
        Some(volts) => Some((volts.measured_vrms, volts.expanded_u_vrms, record)),
        None => Some((record.measured_w?, record.expanded_u_w.unwrap_or(0.0), record)),
    });
    Curve {
        label: format!("{number}: {}", claim_words(claim)),
        row_name: number.to_string(),
        in_volts: claim.out_vrms.is_some(),
        limit_pct: claim.limit_pct,
        limit_by: claim.limit_by,
        rated: claim.watts.or(claim.out_vrms),
        points,
        ceiling: figures.map(|(measured, u, record)| Ceiling {
            measured,
            u,
            distortion_pct: record.distortion_pct,
        }),
        colour: number - 1,
        dash: number - 1,
    }
}

/// A claim in a few words.
pub(crate) fn claim_words(claim: &Rating) -> String {
    let amount = match (claim.watts, claim.out_vrms) {
        (Some(watts), _) => format!("{watts} W"),
        (None, Some(volts)) => format!("{} V", significant(volts, 4)),
        (None, None) => "nothing".into(),
    };
    let driven = match claim.driven.word() {
        "all" => "",
        "one" => ", one channel",
        _ => ", bridged",
    };
    format!("{amount} into {} ohm at {} V, {} Hz{driven}", claim.load_ohm, claim.supply_v, claim.hz)
}

fn points_judged(judged: &[CurvePoint], number: usize, claim: &Rating) -> Vec<(f64, f64)> {
    let own = judged.iter().filter(|row| row.rating == number && row.point == Point::Measured);
    let point = |row: &CurvePoint| {
        let output = if claim.out_vrms.is_some() { row.out_vrms } else { row.active_w };
        output.zip(if claim.limit_by == LimitBy::Thd { row.thd_pct } else { row.thdn_pct })
    };
    in_order(own.filter_map(point))
}

/// Of a rating that is not judged yet: its weakest channel's output and its worst channel's distortion of every step.
fn points_open(steps: &[StepRow], number: usize, claim: &Rating) -> Vec<(f64, f64)> {
    let own = steps.iter().filter(|step| step.rating == Some(number));
    let point = |step: &StepRow| {
        let output = match claim.out_vrms {
            Some(_) => step.least(|channel| channel.band_vrms),
            None => step.least(|channel| channel.active_w),
        };
        output.zip(match claim.limit_by {
            LimitBy::Thd => step.greatest(|channel| channel.thd_pct),
            LimitBy::Thdn => step.greatest(|channel| channel.thdn_pct),
        })
    };
    in_order(own.filter_map(point))
}

/// What can stand on logarithmic axes, in order of output.
fn in_order(points: impl Iterator<Item = (f64, f64)>) -> Vec<(f64, f64)> {
    let real = |value: f64| value.is_finite() && value > 0.0;
    let mut points: Vec<(f64, f64)> = points.filter(|(x, y)| real(*x) && real(*y)).collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    points
}

/// The figure of some curves.
pub(crate) fn draw(curves: &[Curve], title: &str, subtitle: &str, setting: Setting) -> String {
    let in_volts = curves.iter().any(|curve| curve.in_volts);
    let mut sheet = Sheet::new(title, &[subtitle]);
    let outputs = curves.iter().flat_map(|curve| {
        let ceiling = curve.ceiling.iter().flat_map(|at| [at.measured - at.u, at.measured + at.u]);
        curve.points.iter().map(|(x, _)| *x).chain(ceiling).chain(curve.rated)
    });
    let distortions = curves.iter().flat_map(|curve| {
        curve.points.iter().map(|(_, y)| *y).chain([curve.limit_pct * 1.4, curve.limit_pct * 0.8])
    });
    let x_name =
        if in_volts { "Output voltage per channel, V rms" } else { "Output power per channel or bridge, W" };
    let mut panel =
        Panel::new(Axis::log(outputs), Axis::log(distortions), HEIGHT, Some(x_name), y_name(curves));
    limits(&mut panel, curves);
    for curve in curves {
        draw_line(&mut panel, curve);
    }
    // Answers lie above every line.
    for curve in curves {
        draw_answers(&mut panel, curve);
    }
    if curves.is_empty() {
        panel.note(0.5, panel.y.at(0.5), "No step of a rating is recorded.");
    }
    sheet.panel(panel);
    if let Some(panel) = ratios(curves) {
        sheet.panel(panel);
    }
    sheet.legend(&entries(curves));
    sheet.finish(title, &described(curves, subtitle), setting)
}

fn y_name(curves: &[Curve]) -> &'static str {
    let by = |limit_by| curves.iter().all(|curve| curve.limit_by == limit_by);
    match (by(LimitBy::Thdn), by(LimitBy::Thd)) {
        (true, _) => "THD+N, %",
        (_, true) => "THD, %",
        _ => "Distortion as each rating counts it, %",
    }
}

fn limits(panel: &mut Panel, curves: &[Curve]) {
    let mut limits: Vec<f64> = curves.iter().map(|curve| curve.limit_pct).collect();
    limits.sort_by(f64::total_cmp);
    limits.dedup();
    for limit in limits {
        panel.across(limit, LIMIT, LIMIT_DASH);
        panel.note(LIMIT_NAMED_AT, limit, &format!("limit {} %", significant(limit, 3)));
    }
}

fn draw_line(panel: &mut Panel, curve: &Curve) {
    let x = panel.x;
    let points = curve.points.iter().map(|point| (x.share(point.0), point.1));
    let thin = thinned(points, (0.0, 1.0), INNER as usize).into_iter();
    let thin: Vec<_> = thin.map(|(share, y)| panel.held((x.at(share), y))).collect();
    panel.curve(&thin, curve.colour, curve.dash);
    if thin.len() <= MARKED_MAX {
        panel.scatter(marks(thin, curve.colour, curve.colour, POINT));
    }
}

fn draw_answers(panel: &mut Panel, curve: &Curve) {
    if let Some(output) = curve.rated {
        let at = panel.held((output, curve.limit_pct));
        rated(at, curve.colour).into_iter().for_each(|mark| panel.scatter(mark));
    }
    if let Some(Ceiling { measured, u, distortion_pct }) = curve.ceiling {
        let at = panel.held((measured, distortion_pct));
        ceiling(at, u, panel.x, curve.colour).into_iter().for_each(|mark| panel.scatter(mark));
    }
}

fn entries(curves: &[Curve]) -> Vec<(Sample, String)> {
    let line = |curve: &Curve| {
        let sample = Sample::Line { colour: curve.colour, dash: curve.dash, shape: Some(curve.colour) };
        (sample, curve.label.clone())
    };
    let mut entries: Vec<(Sample, String)> = curves.iter().map(line).collect();
    if !curves.is_empty() {
        entries.push((Sample::Rated, "rated".into()));
    }
    if curves.iter().any(|curve| curve.ceiling.is_some()) {
        entries.push((Sample::Ceiling, "measured at the limit, bar: ± U".into()));
    }
    entries
}

/// What the figure shows, for who can't see it.
fn described(curves: &[Curve], subtitle: &str) -> String {
    let line = |curve: &Curve| {
        let unit = if curve.in_volts { "V" } else { "W" };
        let found = match &curve.ceiling {
            Some(at) => {
                let (measured, u) = with_u(at.measured, at.u);
                format!("{measured} {unit} ± {u} {unit} measured at {} %", significant(at.distortion_pct, 3))
            }
            None => format!("{} points, not judged yet", curve.points.len()),
        };
        format!("{}; limit {} %: {found}.", curve.label, significant(curve.limit_pct, 3))
    };
    let lines: Vec<String> = curves.iter().map(line).collect();
    format!("{subtitle}. {}", lines.join(" "))
}
