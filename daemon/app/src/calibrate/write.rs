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
            let mine = tables.iter_mut().find(|table| is_mine(&**table));
            put(mine.ok_or("its channel is not there")?, found, false);
        }
        Item::Value(toml_edit::Value::Array(array)) => {
            let mine = array.iter_mut().filter_map(toml_edit::Value::as_inline_table_mut);
            let mine = mine.into_iter().find(|table| is_mine(&**table)).ok_or("its channel is not there")?;
            put(mine, found, true);
        }
        _ => return Err("digitizer.channel is no list of channels".into()),
    }
    Ok(document.to_string())
}

/// A value in place of another keeps what a person wrote around it.
fn set(table: &mut dyn TableLike, key: &str, new: Item) {
    let Ok(mut new) = new.into_value() else { return };
    if let Some(old) = table.get_mut(key).and_then(Item::as_value_mut) {
        *new.decor_mut() = old.decor().clone();
        *old = new;
        return;
    }
    table.insert(key, Item::Value(new));
}

fn put(channel: &mut dyn TableLike, found: &Found, inline: bool) {
    set(channel, "gain", value(found.gain));
    set(channel, "offset_v", value(found.offset_v));
    set(channel, "calibrated", value(found.made.date.as_str()));
    let made = &found.made;
    let mut table = Table::new();
    table.insert("date", value(made.date.as_str()));
    table.insert("due", value(made.due.as_str()));
    table.insert("meter", value(made.meter.as_str()));
    table.insert("points", value(i64::try_from(made.points).unwrap_or(i64::MAX)));
    table.insert("highest", value(made.highest));
    table.insert("gain_u_pct", value(made.gain_u_pct));
    table.insert("offset_u_v", value(made.offset_u_v));
    table.insert("linearity_v", value(made.linearity_v));
    if let Some(degrees) = made.degrees {
        table.insert("degrees", value(degrees));
    }
    // An inline channel can hold an inline table only.
    let item = if inline { value(table.into_inline_table()) } else { Item::Table(table) };
    channel.insert("calibration", item);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found() -> Found {
        Found {
            adc: 2,
            gain: 10.123,
            offset_v: -0.001,
            made: Calibration {
                date: "2026-05-02".into(),
                due: "2027-05-02".into(),
                meter: "invented \"meter\" 1".into(),
                points: 6,
                highest: 12.0,
                gain_u_pct: 0.03,
                offset_u_v: 1e-5,
                linearity_v: 2e-5,
                degrees: Some(12.5),
            },
        }
    }

    /// Project definition: comments, order and everything else stay.
    #[test]
    fn everything_else_stays_as_a_person_wrote_it() {
        let text = "# my bench\nname = \"b\"   # the old one\n\n[digitizer]\nrate_hz = 1.0\n\n[[digitizer.channel]]\nadc = 1\ngain = 20.0\n\n# the shunt\n[[digitizer.channel]]\nadc = 2\ngain = 10.0 # by its label\nrange_v = 5.0\n\n[thermometer]\nchannel = 1 # on the fin\n";
        let new = edited(text, &found()).unwrap();
        for line in text.lines().filter(|line| !line.starts_with("gain = 10.0")) {
            assert!(new.contains(line), "{line} is gone from:\n{new}");
        }
        assert!(new.contains("gain = 10.123 # by its label"), "{new}");
        assert!(new.contains("gain = 20.0\n"), "the other channel keeps its gain");
        let table: toml::Table = new.parse().unwrap();
        let channels = table["digitizer"]["channel"].as_array().unwrap();
        assert!(channels[0].get("calibration").is_none());
        assert_eq!(channels[1]["calibration"]["meter"].as_str(), Some("invented \"meter\" 1"));
        assert_eq!(channels[1]["calibration"]["degrees"].as_float(), Some(12.5));
        assert_eq!(table["thermometer"]["channel"].as_integer(), Some(1));
        // Once more, over the first.
        let again = edited(&new, &Found { gain: 10.2, ..found() }).unwrap();
        assert_eq!(again.matches("[digitizer.channel.calibration]").count(), 1, "{again}");
        assert!(again.contains("gain = 10.2 # by its label"));
    }

    #[test]
    fn channels_in_a_line_are_written_in_their_line() {
        let text = "[digitizer]\nchannel = [{ adc = 1, gain = 20.0 }, { adc = 2, gain = 10.0 }]\n";
        let new = edited(text, &found()).unwrap();
        let table: toml::Table = new.parse().unwrap();
        assert_eq!(table["digitizer"]["channel"][1]["calibration"]["points"].as_integer(), Some(6));
        assert_eq!(table["digitizer"]["channel"][0]["gain"].as_float(), Some(20.0));
        assert!(edited("name = 1\n", &found()).is_err());
        assert!(edited(&text.replace("adc = 2", "adc = 3"), &found()).is_err());
    }
}
