//! The CSV tables of a run (RFC 4180, units in the column names, full precision, absent values empty).

use std::marker::PhantomData;
use std::path::{Path, PathBuf};

use serde::Serialize;
use wattproof_bench::Watches;
use wattproof_signal::Reading;

use crate::disk::{Disk, Growing};
use crate::words::Words;
use crate::{NotMeasured, RatingResult, Step};

/// A table can't be written.
#[derive(Debug, thiserror::Error)]
#[error("table {path}: {source}; the journal beside it is complete, free disk space or mend the disk")]
pub struct TableError {
    /// The file.
    pub path: PathBuf,
    /// Why.
    pub source: csv::Error,
}

/// A CSV file of rows `T` with a header line, written after every step.
pub struct Table<T> {
    file: Box<dyn Growing>,
    path: PathBuf,
    rows: PhantomData<T>,
}

impl<T: Serialize + Default> Table<T> {
    /// Creates the table with its header, so that a run without rows still leaves a readable file.
    ///
    /// # Errors
    /// [`TableError`].
    pub fn create(disk: &dyn Disk, path: &Path) -> Result<Self, TableError> {
        let fail = |source| TableError { path: path.into(), source };
        let head = head::<T>().map_err(fail)?;
        let mut file = disk.create(path).map_err(|error| fail(error.into()))?;
        file.append(&head).map_err(|error| fail(error.into()))?;
        Ok(Table { file, path: path.into(), rows: PhantomData })
    }

    /// Writes the table anew from `bytes` and goes on after them.
    ///
    /// # Errors
    /// [`TableError`].
    pub fn renewed(disk: &dyn Disk, path: &Path, bytes: &[u8]) -> Result<Self, TableError> {
        let renewed = disk.write_whole(path, bytes).and_then(|()| disk.reopen(path, bytes.len() as u64));
        let file = renewed.map_err(|error| TableError { path: path.into(), source: error.into() })?;
        Ok(Table { file, path: path.into(), rows: PhantomData })
    }

    /// Appends rows.
    ///
    /// # Errors
    /// [`TableError`].
    pub fn append(&mut self, rows: impl IntoIterator<Item = T>) -> Result<(), TableError> {
        let fail = |source| TableError { path: self.path.clone(), source };
        let bytes = lines(rows).map_err(fail)?;
        self.file.append(&bytes).map_err(|error| TableError { path: self.path.clone(), source: error.into() })
    }
}

/// Rows as lines of CSV; RFC 4180 ends them with CR LF.
pub fn lines<T: Serialize>(rows: impl IntoIterator<Item = T>) -> Result<Vec<u8>, csv::Error> {
    let mut builder = csv::WriterBuilder::new();
    builder.has_headers(false).terminator(csv::Terminator::CRLF);
    let mut writer = builder.from_writer(Vec::new());
    for row in rows {
        writer.serialize(row)?;
    }
    writer.into_inner().map_err(|error| error.into_error().into())
}

/// The lines of `steps.csv` that one step makes, with the header before them.
///
/// # Errors
/// The `csv` crate's.
pub fn step_lines(step: &Step) -> Result<Vec<u8>, csv::Error> {
    let mut bytes = head::<StepRow>()?;
    bytes.extend(lines(step_rows(step))?);
    Ok(bytes)
}

/// The header line of a table.
pub fn head<T: Serialize + Default>() -> Result<Vec<u8>, csv::Error> {
    let mut builder = csv::WriterBuilder::new();
    builder.terminator(csv::Terminator::CRLF);
    let mut writer = builder.from_writer(Vec::new());
    writer.write_record(&header::<T>()?)?;
    writer.into_inner().map_err(|error| error.into_error().into())
}

/// The column names of a row type, as the `csv` crate itself derives them.
pub(crate) fn header<T: Serialize + Default>() -> Result<csv::StringRecord, csv::Error> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.serialize(T::default())?;
    let bytes = writer.into_inner().map_err(|error| csv::Error::from(error.into_error()))?;
    csv::Reader::from_reader(bytes.as_slice()).headers().cloned()
}

/// A row of `steps.csv`: one amplifier channel of one step.
#[derive(Debug, Default, Serialize)]
pub struct StepRow {
    step: u64,
    at_s: f64,
    purpose: Words,
    rating: Option<usize>,
    channel: u32,
    driven: bool,
    level_vrms: f64,
    level_dbv: f64,
    hz: f64,
    load_ohm: f64,
    supply_v_set: f64,
    fundamental_hz: Option<f64>,
    fundamental_vrms: Option<f64>,
    out_vrms: Option<f64>,
    out_irms: Option<f64>,
    out_vpk: Option<f64>,
    out_apk: Option<f64>,
    band_vrms: Option<f64>,
    dc_v: Option<f64>,
    active_w: Option<f64>,
    apparent_va: Option<f64>,
    power_factor: Option<f64>,
    phase_deg: Option<f64>,
    load_ohm_measured: Option<f64>,
    load_x_ohm: Option<f64>,
    gain_db: Option<f64>,
    thd_pct: Option<f64>,
    thdn_pct: Option<f64>,
    noise_vrms: Option<f64>,
    hum_pct: Option<f64>,
    residue_vrms: Option<f64>,
    crest_factor: Option<f64>,
    flat_top_pct: Option<f64>,
    supply_v: Option<f64>,
    supply_a: Option<f64>,
    supply_w: Option<f64>,
    efficiency_pct: Option<f64>,
    heatsink_c: Option<f64>,
    flags: Words,
    noise_a_vrms: Option<f64>,
    noise_468_vrms: Option<f64>,
    fundamental_active_w: Option<f64>,
    fundamental_apparent_va: Option<f64>,
    fundamental_reactive_var: Option<f64>,
    displacement_power_factor: Option<f64>,
    harmonic_active_w: Option<f64>,
    nonfundamental_va: Option<f64>,
    heatsink_others_c: Option<f64>,
    load_c: Option<f64>,
    supply_c: Option<f64>,
    ambient_c: Option<f64>,
    bridged: bool,
    positive_vrms: Option<f64>,
    negative_vrms: Option<f64>,
}

/// The rows of a step.
pub fn step_rows(step: &Step) -> Vec<StepRow> {
    step.channels
        .iter()
        .map(|channel| {
            let r = &channel.reading;
            StepRow {
                step: step.step,
                at_s: step.at_s,
                purpose: step.purpose.clone().into(),
                rating: step.rating,
                channel: channel.channel,
                driven: channel.driven,
                level_vrms: step.level_vrms,
                level_dbv: 20.0 * step.level_vrms.log10(),
                hz: step.hz,
                load_ohm: step.load_ohm,
                supply_v_set: step.supply_v_set,
                fundamental_hz: r.fundamental_hz,
                fundamental_vrms: r.fundamental_vrms,
                out_vrms: r.out_vrms,
                out_irms: r.out_irms,
                out_vpk: r.out_vpk,
                out_apk: r.out_apk,
                band_vrms: r.band_vrms,
                dc_v: r.dc_v,
                active_w: r.active_w,
                apparent_va: r.apparent_va,
                power_factor: r.power_factor,
                phase_deg: r.phase_deg,
                load_ohm_measured: r.load_ohm_measured,
                load_x_ohm: r.load_x_ohm,
                gain_db: channel.gain_db,
                thd_pct: r.thd_pct,
                thdn_pct: r.thdn_pct,
                noise_vrms: r.noise_vrms,
                hum_pct: r.hum_pct,
                residue_vrms: r.residue_vrms,
                crest_factor: r.crest_factor,
                flat_top_pct: r.flat_top_pct,
                supply_v: step.supply_v,
                supply_a: step.supply_a,
                supply_w: step.supply_w,
                efficiency_pct: step.efficiency_pct,
                heatsink_c: step.heatsink_c,
                flags: flag_words(r).into(),
                noise_a_vrms: r.noise_a_vrms,
                noise_468_vrms: r.noise_468_vrms,
                fundamental_active_w: r.fundamental_active_w,
                fundamental_apparent_va: r.fundamental_apparent_va,
                fundamental_reactive_var: r.fundamental_reactive_var,
                displacement_power_factor: r.displacement_power_factor,
                harmonic_active_w: r.harmonic_active_w,
                nonfundamental_va: r.nonfundamental_va,
                heatsink_others_c: step.hottest_c(Watches::Heatsink),
                load_c: step.hottest_c(Watches::Load),
                supply_c: step.hottest_c(Watches::Supply),
                ambient_c: step.hottest_c(Watches::Ambient),
                bridged: channel.bridged,
                positive_vrms: channel.sides_vrms.map(|[positive, _]| positive),
                negative_vrms: channel.sides_vrms.map(|[_, negative]| negative),
            }
        })
        .collect()
}

/// Why no current and no power stands in a row.
const NO_CURRENT: &str = "no_current_input";

/// The flags as the words they have everywhere else.
fn flag_words(reading: &Reading) -> String {
    let word = |flag| serde_json::to_value(flag).ok().and_then(|value| value.as_str().map(str::to_string));
    let unmeasured = reading.out_vrms.is_some() && reading.out_irms.is_none();
    let words = reading.flags.iter().filter_map(word).chain(unmeasured.then(|| NO_CURRENT.to_string()));
    words.collect::<Vec<_>>().join(" ")
}

/// A row of `ratings.csv`.
#[derive(Debug, Default, Serialize)]
pub struct RatingRow {
    rating: usize,
    rated_w: Option<f64>,
    load_ohm: f64,
    supply_v_set: f64,
    driven: &'static str,
    hz: f64,
    limit_by: &'static str,
    limit_pct: f64,
    measured_w: Option<f64>,
    expanded_u_w: Option<f64>,
    coverage_factor: Option<f64>,
    ratio: Option<f64>,
    ratio_db: Option<f64>,
    verdict: Words,
    cause: Words,
    evidence: Words,
    out_vrms: Option<f64>,
    level_vrms: Option<f64>,
    distortion_pct: Option<f64>,
    load_ohm_measured: Option<f64>,
    supply_v: Option<f64>,
    efficiency_pct: Option<f64>,
    captures: Option<usize>,
    indicated_w: Option<f64>,
    effective_degrees: Option<f64>,
    probability_met: Option<f64>,
    seconds_at_power: Option<f64>,
    joules: Option<f64>,
    load_ohm_set: Option<f64>,
    calibration: Words,
    not_measured: Words,
    rated_vrms: Option<f64>,
    measured_vrms: Option<f64>,
    expanded_u_vrms: Option<f64>,
}

/// What a rating claims, with nothing measured.
fn claim_row(rating: usize, claim: &crate::Rating) -> RatingRow {
    RatingRow {
        rating,
        rated_w: claim.watts,
        load_ohm: claim.load_ohm,
        supply_v_set: claim.supply_v,
        driven: claim.driven.word(),
        hz: claim.hz,
        limit_by: claim.limit_by.word(),
        limit_pct: claim.limit_pct,
        rated_vrms: claim.out_vrms,
        ..RatingRow::default()
    }
}

/// The row of a rating that the bench can't serve.
pub fn left_out_row(one: &NotMeasured) -> RatingRow {
    RatingRow { not_measured: one.why.clone().into(), ..claim_row(one.rating, &one.claim) }
}

/// The row of a judged rating.
pub fn rating_row(result: &RatingResult) -> RatingRow {
    let (claim, ceiling, volts) = (&result.claim, &result.ceiling, result.volts.as_ref());
    // Energy needs a current.
    let spent = volts.is_none().then_some(result.spent);
    RatingRow {
        measured_w: result.measured_w,
        expanded_u_w: result.expanded_u_w,
        coverage_factor: Some(result.coverage_factor()),
        ratio: Some(result.ratio),
        ratio_db: result.ratio_db,
        verdict: result.verdict.to_string().into(),
        cause: ceiling.cause.to_string().into(),
        evidence: ceiling.evidence.join("; ").into(),
        out_vrms: Some(ceiling.out_vrms),
        level_vrms: Some(ceiling.level_vrms),
        distortion_pct: Some(ceiling.thdn_pct),
        load_ohm_measured: ceiling.load_ohm_measured,
        supply_v: ceiling.supply_v,
        efficiency_pct: ceiling.efficiency_pct,
        captures: Some(ceiling.captures),
        indicated_w: result.indicated_w,
        effective_degrees: result.effective_degrees(),
        probability_met: result.probability_met,
        seconds_at_power: spent.map(|spent| spent.seconds_at_power),
        joules: spent.map(|spent| spent.joules),
        load_ohm_set: result.load_ohm_set,
        calibration: result.calibration.to_string().into(),
        measured_vrms: volts.map(|volts| volts.measured_vrms),
        expanded_u_vrms: volts.map(|volts| volts.expanded_u_vrms),
        ..claim_row(result.rating, claim)
    }
}

/// A row of `curve.csv`: one point of a power curve. `point` is `measured`, `ceiling` or `rated`.
#[derive(Debug, Default, Clone, Serialize)]
pub struct CurveRow {
    rating: usize,
    load_ohm: f64,
    supply_v_set: f64,
    hz: f64,
    point: &'static str,
    level_vrms: Option<f64>,
    active_w: Option<f64>,
    thdn_pct: Option<f64>,
    thd_pct: Option<f64>,
    residue_vrms: Option<f64>,
    gain_db: Option<f64>,
    supply_v: Option<f64>,
    supply_a: Option<f64>,
    efficiency_pct: Option<f64>,
    heatsink_c: Option<f64>,
    step: Option<u64>,
    out_vrms: Option<f64>,
}

/// The curve of one judged rating: every step that served it in order of power, then its ceiling, then the rated
/// point. A step counts with its weakest channel's power and its worst channel's distortion.
pub fn curve_rows(result: &RatingResult, steps: &[Step]) -> Vec<CurveRow> {
    let claim = &result.claim;
    let in_volts = result.volts.is_some();
    let bare = |point, amount: Option<f64>| CurveRow {
        rating: result.rating,
        load_ohm: claim.load_ohm,
        supply_v_set: claim.supply_v,
        hz: claim.hz,
        point,
        level_vrms: None,
        active_w: amount.filter(|_| !in_volts),
        out_vrms: amount.filter(|_| in_volts),
        thdn_pct: None,
        thd_pct: None,
        residue_vrms: None,
        gain_db: None,
        supply_v: None,
        supply_a: None,
        efficiency_pct: None,
        heatsink_c: None,
        step: None,
    };
    let mut rows: Vec<CurveRow> = steps
        .iter()
        .filter(|step| step.rating == Some(result.rating))
        .filter_map(|step| {
            let largest = |pick: fn(&crate::ChannelStep) -> Option<f64>| {
                step.driven().filter_map(pick).reduce(f64::max)
            };
            Some(CurveRow {
                level_vrms: Some(step.level_vrms),
                thdn_pct: step.worst_thdn_pct(),
                thd_pct: largest(|channel| channel.reading.thd_pct),
                residue_vrms: largest(|channel| channel.reading.residue_vrms),
                gain_db: step.driven().filter_map(|channel| channel.gain_db).reduce(f64::min),
                supply_v: step.supply_v,
                supply_a: step.supply_a,
                efficiency_pct: step.efficiency_pct,
                heatsink_c: step.heatsink_c,
                step: Some(step.step),
                ..bare("measured", Some(if in_volts { step.lowest_vrms()? } else { step.lowest_w()? }))
            })
        })
        .collect();
    let amount = |row: &CurveRow| row.active_w.or(row.out_vrms).unwrap_or_default();
    rows.sort_by(|a, b| amount(a).total_cmp(&amount(b)));
    rows.push(CurveRow {
        level_vrms: Some(result.ceiling.level_vrms),
        thdn_pct: Some(result.ceiling.thdn_pct),
        ..bare("ceiling", result.volts.as_ref().map(|volts| volts.measured_vrms).or(result.measured_w))
    });
    rows.push(CurveRow { thdn_pct: Some(claim.limit_pct), ..bare("rated", claim.watts.or(claim.out_vrms)) });
    rows
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Fault 54: what came from outside is words, which can't begin a formula; any other text in a row is this program's
    /// own and begins with a letter.
    #[test]
    fn fault_54_every_text_column_is_made_harmless() {
        for code in [include_str!("tables.rs"), include_str!("burst_table.rs"), include_str!("finding.rs")] {
            let rows = code.split("#[cfg(test)]").next().unwrap().split("Row {\n").skip(1);
            let fields = rows.flat_map(|row| row.lines().take_while(|line| !line.starts_with('}')));
            let raw: Vec<&str> = fields.filter(|line| line.contains(": String")).collect();
            assert!(raw.is_empty(), "{raw:?} must be Words");
        }
        let step = StepRow { purpose: "=1+1".into(), level_dbv: -20.0, ..StepRow::default() };
        let line = String::from_utf8(lines([step]).unwrap()).unwrap();
        assert!(line.contains(",'=1+1,") && line.contains(",-20.0,"), "{line}");
    }

    /// The documented columns are the written ones, in order.
    #[test]
    fn readme_documents_every_column() {
        let readme = include_str!("../../../README.md");
        for header in [
            header::<StepRow>(),
            header::<RatingRow>(),
            header::<CurveRow>(),
            header::<crate::burst_table::BurstRow>(),
            header::<crate::finding::FindingRow>(),
        ] {
            let columns = header.unwrap().iter().collect::<Vec<_>>().join(", ");
            assert!(readme.contains(&format!("`{columns}`")), "README.md lacks the columns {columns}");
        }
    }
}
