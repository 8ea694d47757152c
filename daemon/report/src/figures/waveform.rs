//! A few periods of a capture: output voltage, and below it the current where that was measured.

use std::path::Path;

use super::axis::Axis;
use super::distortion::subtitle;
use super::panel::{INNER, Panel};
use super::sheet::{Setting, Sheet};
use super::style::EDGE;
use super::thin::thinned;
use crate::ReportError;
use crate::number::significant;
use crate::record::{Recorded, Shot, run_file, shot};

const HEIGHT: f64 = 180.0;
/// Periods shown.
const PERIODS: f64 = 3.0;
/// Share of the record that is passed over, for what a start may bring.
const PASSED: f64 = 0.1;

/// The waveform of one channel of a step: `step` absent is the last one recorded, `channel` absent the driven one that
/// distorts most.
///
/// Costs a scan of the journal up to that step (about 30 ms for 100 MB, once it is in memory; of thirty steps a
/// millisecond) and the unpacking of one capture (milliseconds).
///
/// # Errors
/// [`ReportError`], when it is no run's folder, has no such step or channel, or a file can't be understood.
pub fn waveform(folder: &Path, step: Option<u64>, channel: Option<u32>) -> Result<String, ReportError> {
    let run = Recorded::open(folder)?;
    let file = run_file(&run)?;
    let shot = shot(&run, step, channel)?;
    let title = format!("Waveform – {}", file.amplifier());
    Ok(draw(&shot, &title, &subtitle(run.name(), file.nameplate.invented), Setting::Alone))
}

/// What a capture is of, and what was read from it, in words.
pub(crate) fn shot_words(shot: &Shot) -> (String, String) {
    let (step, reading) = (&shot.step, &shot.channel.reading);
    let told = [
        (reading.active_w, "W"),
        (reading.out_vrms, "V rms"),
        (reading.thd_pct, "% THD"),
        (reading.thdn_pct, "% THD+N"),
    ];
    let told: Vec<String> = told
        .iter()
        .filter_map(|(value, unit)| Some(format!("{} {unit}", significant((*value)?, 4))))
        .collect();
    let what = if shot.channel.bridged { "bridge" } else { "channel" };
    let of = format!(
        "Step {}, {what} {}: {} Hz, {} ohm, supply set to {} V",
        step.step, shot.channel.channel, step.hz, step.load_ohm, step.supply_v_set
    );
    (of, if told.is_empty() { "No reading could be made of it".into() } else { told.join(", ") })
}

/// The figure of a capture.
pub(crate) fn draw(shot: &Shot, title: &str, subtitle: &str, setting: Setting) -> String {
    let capture = &shot.capture;
    let (of, read) = shot_words(shot);
    let mut sheet = Sheet::new(title, &[&of, &read]);
    let hz = shot.channel.reading.fundamental_hz.unwrap_or(shot.step.hz);
    let (first, count) = shown(&capture.volts, capture.fs_hz, hz);
    let rows = [
        Some((&capture.volts, "Output voltage, V")),
        capture.amps.as_ref().map(|amps| (amps, "Output current, A")),
    ];
    let rows: Vec<_> = rows.into_iter().flatten().collect();
    let ms = |samples: usize| 1e3 * samples as f64 / capture.fs_hz;
    let end_ms = ms(count.max(2));
    let drawable = end_ms.is_finite() && end_ms > f64::EPSILON;
    let x = Axis { low: 0.0, high: if drawable { end_ms } else { 1.0 }, log: false };
    let mut peaks = Vec::new();
    for (kind, (samples, name)) in rows.iter().enumerate() {
        let part = samples.get(first..(first + count).min(samples.len())).unwrap_or_default();
        let most = part.iter().filter(|s| s.is_finite()).fold(0.0_f64, |most, s| most.max(s.abs()));
        let most = if most > 0.0 { most } else { 1.0 };
        let y = Axis::linear([-1.05 * most, 1.05 * most].into_iter(), 0.0, 5);
        let last = kind + 1 == rows.len();
        let mut panel = Panel::new(x, y, HEIGHT, last.then_some("Time, ms"), name);
        panel.across(0.0, EDGE, "none");
        let points = part.iter().enumerate().map(|(n, s)| (ms(n), *s));
        panel.curve(&thinned(points, (x.low, x.high), INNER as usize), kind, 0);
        sheet.panel(panel);
        peaks.push(format!("{name}: peak {}", significant(most, 4)));
    }
    sheet.quiet(subtitle);
    let described = format!("{of}. {read}. {}. {subtitle}.", peaks.join("; "));
    sheet.finish(title, &described, setting)
}

/// The first sample and the count of what is shown: some periods from a rise through the middle on.
fn shown(volts: &[f64], fs_hz: f64, hz: f64) -> (usize, usize) {
    let count = (PERIODS * fs_hz / hz).ceil();
    let count = if count.is_finite() && count >= 2.0 { count as usize } else { volts.len() };
    let count = count.min(volts.len());
    let from = ((PASSED * volts.len() as f64) as usize).min(volts.len() - count);
    let rises = |at: &usize| match (volts.get(*at), volts.get(at + 1)) {
        (Some(here), Some(next)) => *here <= 0.0 && *next > 0.0,
        _ => false,
    };
    ((from..volts.len().saturating_sub(count)).find(rises).unwrap_or(from), count)
}

#[cfg(test)]
mod tests {
    use super::shown;

    #[test]
    fn what_is_shown_begins_with_a_rise_and_lies_within_the_record() {
        // Definition of a sine.
        let volts: Vec<f64> =
            (0..1000).map(|n| (f64::from(n) * std::f64::consts::TAU / 100.0 + 1.0).sin()).collect();
        let (first, count) = shown(&volts, 100_000.0, 1000.0);
        assert_eq!(count, 300);
        assert!(first >= 100 && volts[first] <= 0.0 && volts[first + 1] > 0.0, "{first}");
        for (volts, hz) in
            [(&volts[..50], 1000.0), (&volts[..0], 1000.0), (&volts[..], 0.0), (&volts[..], f64::NAN)]
        {
            let (first, count) = shown(volts, 100_000.0, hz);
            assert!(first + count <= volts.len());
        }
    }
}
