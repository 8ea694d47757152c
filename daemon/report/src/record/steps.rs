//! `steps.csv`, a step at a time.

use std::path::Path;

use serde::{Deserialize, Serialize};

use wattproof_runs::{Step, step_lines};

use super::folder::{Recorded, row_words};
use crate::ReportError;

const STEPS_FILE: &str = "steps.csv";

/// A step with everything read there; names and numbers as in `steps.csv`, what could not be told is absent.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StepRow {
    /// Number within the run, from 1.
    pub step: u64,
    /// The bench's clock, s.
    pub at_s: f64,
    /// Why it was taken.
    pub purpose: String,
    /// The rating it serves, from 1.
    pub rating: Option<usize>,
    /// Source level, V rms.
    pub level_vrms: f64,
    /// Frequency commanded, Hz.
    pub hz: f64,
    /// Load commanded, ohm.
    pub load_ohm: f64,
    /// Supply voltage commanded, V.
    pub supply_v_set: f64,
    /// Supply voltage, V.
    pub supply_v: Option<f64>,
    /// Supply current, A.
    pub supply_a: Option<f64>,
    /// Supply power, W.
    pub supply_w: Option<f64>,
    /// Output power over supply power, %.
    pub efficiency_pct: Option<f64>,
    /// Heatsink, °C.
    pub heatsink_c: Option<f64>,
    /// Every channel.
    pub channels: Vec<ChannelRow>,
}

/// A channel of a step.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelRow {
    /// Amplifier channel or bridge, from 1.
    pub channel: u32,
    /// Whether its input was driven.
    pub driven: bool,
    /// Output voltage, V rms.
    pub out_vrms: Option<f64>,
    /// Output current, A rms.
    pub out_irms: Option<f64>,
    /// Active power, W.
    pub active_w: Option<f64>,
    /// THD, %.
    pub thd_pct: Option<f64>,
    /// THD+N, %.
    pub thdn_pct: Option<f64>,
    /// Noise, V rms.
    pub noise_vrms: Option<f64>,
    /// Gain, dB.
    pub gain_db: Option<f64>,
    /// Direct voltage, V.
    pub dc_v: Option<f64>,
    /// What lies above the band, V rms.
    pub residue_vrms: Option<f64>,
    /// Peak over rms.
    pub crest_factor: Option<f64>,
    /// Share of samples near the peak, %.
    pub flat_top_pct: Option<f64>,
    /// What is odd about it, in words.
    pub flags: String,
    /// Voltage within the band, V rms: what a rating in volts counts.
    #[serde(skip)]
    pub band_vrms: Option<f64>,
}

#[derive(Deserialize)]
struct Row {
    step: u64,
    at_s: f64,
    purpose: String,
    rating: Option<usize>,
    channel: u32,
    driven: bool,
    level_vrms: f64,
    hz: f64,
    load_ohm: f64,
    supply_v_set: f64,
    out_vrms: Option<f64>,
    out_irms: Option<f64>,
    band_vrms: Option<f64>,
    dc_v: Option<f64>,
    active_w: Option<f64>,
    gain_db: Option<f64>,
    thd_pct: Option<f64>,
    thdn_pct: Option<f64>,
    noise_vrms: Option<f64>,
    residue_vrms: Option<f64>,
    crest_factor: Option<f64>,
    flat_top_pct: Option<f64>,
    supply_v: Option<f64>,
    supply_a: Option<f64>,
    supply_w: Option<f64>,
    efficiency_pct: Option<f64>,
    heatsink_c: Option<f64>,
    flags: String,
}

/// The steps of a run after the one numbered `after` (0: all), as far as they are recorded.
///
/// Costs one reading of `steps.csv`: about 5 ms a thousand steps of two channels, half of it for those left out.
///
/// # Errors
/// [`ReportError`], when it is no run's folder or the table can't be understood.
pub fn steps(folder: &Path, after: u64) -> Result<Vec<StepRow>, ReportError> {
    steps_of(&Recorded::open(folder)?, after)
}

pub(crate) fn steps_of(run: &Recorded, after: u64) -> Result<Vec<StepRow>, ReportError> {
    let bytes = run.table(STEPS_FILE)?;
    let header = csv::Reader::from_reader(bytes.as_slice()).byte_headers().cloned().unwrap_or_default();
    rows(&bytes, after).map_err(|error| run.altered(STEPS_FILE, row_words(&error, &header)))
}

/// A step that was just taken, read back from the very lines of `steps.csv` that it makes.
///
/// # Errors
/// It can't be put into lines.
pub fn step_row(step: &Step) -> Result<Option<StepRow>, csv::Error> {
    Ok(rows(&step_lines(step)?, 0)?.pop())
}

/// The steps of a table after one.
fn rows(bytes: &[u8], after: u64) -> Result<Vec<StepRow>, csv::Error> {
    let mut reader = csv::Reader::from_reader(bytes);
    let header = reader.byte_headers()?.clone();
    let mut steps: Vec<StepRow> = Vec::new();
    let mut record = csv::ByteRecord::new();
    while reader.read_byte_record(&mut record)? {
        // The number stands first: what was asked for before is not looked at closely.
        let number = record.get(0).and_then(|field| std::str::from_utf8(field).ok()?.parse::<u64>().ok());
        if number.is_some_and(|number| number <= after) {
            continue;
        }
        let row: Row = record.deserialize(Some(&header))?;
        let channel = channel(&row);
        match steps.last_mut() {
            Some(step) if step.step == row.step => step.channels.push(channel),
            _ => steps.push(step(row, channel)),
        }
    }
    Ok(steps)
}

/// How many steps are recorded: cheaper than to look at each.
pub(crate) fn step_count(run: &Recorded) -> Result<u64, ReportError> {
    let bytes = run.table(STEPS_FILE)?;
    let mut reader = csv::Reader::from_reader(bytes.as_slice());
    let (mut count, mut last, mut record) = (0, Vec::new(), csv::ByteRecord::new());
    let altered = |error: csv::Error| run.altered(STEPS_FILE, error.to_string());
    while reader.read_byte_record(&mut record).map_err(altered)? {
        // A row a channel, those of one step together.
        let number = record.get(0).unwrap_or_default();
        if count == 0 || number != last.as_slice() {
            count += 1;
            last = number.to_vec();
        }
    }
    Ok(count)
}

fn step(row: Row, channel: ChannelRow) -> StepRow {
    StepRow {
        step: row.step,
        at_s: row.at_s,
        purpose: row.purpose,
        rating: row.rating,
        level_vrms: row.level_vrms,
        hz: row.hz,
        load_ohm: row.load_ohm,
        supply_v_set: row.supply_v_set,
        supply_v: row.supply_v,
        supply_a: row.supply_a,
        supply_w: row.supply_w,
        efficiency_pct: row.efficiency_pct,
        heatsink_c: row.heatsink_c,
        channels: vec![channel],
    }
}

fn channel(row: &Row) -> ChannelRow {
    ChannelRow {
        channel: row.channel,
        driven: row.driven,
        out_vrms: row.out_vrms,
        out_irms: row.out_irms,
        active_w: row.active_w,
        thd_pct: row.thd_pct,
        thdn_pct: row.thdn_pct,
        noise_vrms: row.noise_vrms,
        gain_db: row.gain_db,
        dc_v: row.dc_v,
        residue_vrms: row.residue_vrms,
        crest_factor: row.crest_factor,
        flat_top_pct: row.flat_top_pct,
        flags: row.flags.clone(),
        band_vrms: row.band_vrms,
    }
}

impl StepRow {
    fn driven(&self) -> impl Iterator<Item = &ChannelRow> {
        self.channels.iter().filter(|channel| channel.driven)
    }

    /// The least of a figure of the driven channels; absent when any has none.
    pub(crate) fn least(&self, pick: fn(&ChannelRow) -> Option<f64>) -> Option<f64> {
        all_of(self.driven().map(pick), f64::min)
    }

    /// The greatest of a figure of the driven channels; absent when any has none.
    pub(crate) fn greatest(&self, pick: fn(&ChannelRow) -> Option<f64>) -> Option<f64> {
        all_of(self.driven().map(pick), f64::max)
    }
}

fn all_of(mut values: impl Iterator<Item = Option<f64>>, pick: fn(f64, f64) -> f64) -> Option<f64> {
    let first = values.next()??;
    values.try_fold(first, |kept, value| Some(pick(kept, value?)))
}
