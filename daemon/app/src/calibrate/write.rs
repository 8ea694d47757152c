//! Puts a calibration into the text of a bench file and leaves everything else of it alone.

use std::io::Write;
use std::path::{Path, PathBuf};

use toml_edit::{DocumentMut, Item, Table, TableLike, value};
use wattproof_bench::{BenchFile, Calibration};

use crate::failure::Failure;

/// What goes into one channel.
pub struct Found {
    /// The digitizer's channel.
    pub adc: u32,
    /// V or A per ADC volt.
    pub gain: f64,
    /// ADC reading with nothing applied, V.
    pub offset_v: f64,
    /// What is kept of how it was found.
    pub made: Calibration,
}

/// Writes it into the bench file; the file as it was is kept beside it. Gives the copy's path.
pub fn write_into(path: &Path, found: &Found) -> Result<PathBuf, Failure> {
    let wrap = |path: &Path| {
        let path = path.to_path_buf();
        move |source| Failure::File { path, source }
    };
    let text = std::fs::read_to_string(path).map_err(wrap(path))?;
    let new = edited(&text, found).map_err(|why| {
        Failure::Said(format!("{}: {why}; nothing was written: put the numbers in by hand", path.display()))
    })?;
    // What could not be read back would be worse than what was there.
    BenchFile::parse(path, &new)?;
    let copy = copy_path(path);
    std::fs::copy(path, &copy).map_err(wrap(&copy))?;
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut aside = tempfile::NamedTempFile::new_in(folder).map_err(wrap(path))?;
    aside.write_all(new.as_bytes()).and_then(|()| aside.as_file().sync_all()).map_err(wrap(path))?;
    if let Ok(meta) = std::fs::metadata(path) {
        aside.as_file().set_permissions(meta.permissions()).map_err(wrap(path))?;
    }
    aside.persist(path).map_err(|error| Failure::File { path: path.into(), source: error.error })?;
    Ok(copy)
}

/// `bench.toml` → `bench.before-20260126T013205.123Z.toml`.
fn copy_path(path: &Path) -> PathBuf {
    let stem = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    let end = path.extension().map_or_else(String::new, |end| format!(".{}", end.to_string_lossy()));
    path.with_file_name(format!("{stem}.before-{}{end}", chrono::Utc::now().format("%Y%m%dT%H%M%S%.3fZ")))
}

/// The text with the calibration in it.
fn edited(text: &str, found: &Found) -> Result<String, String> {
    let mut document: DocumentMut = text.parse().map_err(|error| format!("{error}"))?;
    let channels = document
        .get_mut("digitizer")
        .and_then(Item::as_table_like_mut)
        .and_then(|digitizer| digitizer.get_mut("channel"))
        .ok_or("there is no [[digitizer.channel]]")?;
    let adc = i64::from(found.adc);
    let is_mine = |channel: &dyn TableLike| channel.get("adc").and_then(Item::as_integer) == Some(adc);
    match channels {
        Item::ArrayOfTables(tables) => {
            let mine = tables.iter_mut().find(|table| is_mine(*table));
            put(mine.ok_or("its channel is not there")?, found);
        }
        Item::Value(toml_edit::Value::Array(array)) => {
            let mine = array.iter_mut().filter_map(toml_edit::Value::as_inline_table_mut);
            let mine = mine.into_iter().find(|table| is_mine(*table)).ok_or("its channel is not there")?;
            put(mine, found);
        }
        _ => return Err("digitizer.channel is no list of channels".into()),
    }
    Ok(document.to_string())
}

/// A value in place of another keeps what a person wrote around it.
fn set(table: &mut dyn TableLike, key: &str, new: Item) {
    match (table.get_mut(key).and_then(Item::as_value_mut), new.into_value()) {
        (Some(old), Ok(mut new)) => {
            *new.decor_mut() = old.decor().clone();
            *old = new;
        }
        (None, Ok(new)) => {
            table.insert(key, Item::Value(new));
        }
        (_, Err(_)) => {}
    }
}

fn put(channel: &mut dyn TableLike, found: &Found) {
    set(channel, "gain", value(found.gain));
    set(channel, "offset_v", value(found.offset_v));
    set(channel, "calibrated", value(&found.made.date));
    let made = &found.made;
    let mut table = Table::new();
    table.insert("date", value(&made.date));
    table.insert("due", value(&made.due));
    table.insert("meter", value(&made.meter));
    table.insert("points", value(i64::try_from(made.points).unwrap_or(i64::MAX)));
    table.insert("highest", value(made.highest));
    table.insert("gain_u_pct", value(made.gain_u_pct));
    table.insert("offset_u_v", value(made.offset_u_v));
    table.insert("linearity_v", value(made.linearity_v));
    if let Some(degrees) = made.degrees {
        table.insert("degrees", value(degrees));
    }
    // An inline channel can hold an inline table only.
    let inline = channel.get("adc").is_some_and(|_| channel.as_any_inline());
    let item = if inline { value(table.into_inline_table()) } else { Item::Table(table) };
    channel.insert("calibration", item);
}

/// Whether a table stands within a line.
trait Inline {
    fn as_any_inline(&self) -> bool;
}

impl Inline for dyn TableLike + '_ {
    fn as_any_inline(&self) -> bool {
        // Only a table of its own can hold one: an inline table turns it into a value.
        self.get("calibration").map_or_else(|| !self.is_dotted() && self.iter().all(|(_, item)| item.is_value()), Item::is_value)
    }
}
