//! The nameplate of one unit, from that of its model.

use std::path::Path;

use toml_edit::{DocumentMut, value};

use crate::failure::Failure;

/// Longest serial number, characters.
const SERIAL_CHARS_MAX: usize = 80;

/// A serial number as typed.
pub fn serial(text: &str) -> Result<String, String> {
    let text = text.trim();
    let fits =
        !text.is_empty() && text.chars().count() <= SERIAL_CHARS_MAX && !text.chars().any(char::is_control);
    fits.then(|| text.to_string())
        .ok_or_else(|| format!("give 1 to {SERIAL_CHARS_MAX} characters on one line"))
}

/// The text with the serial number in it, everything else as it was.
///
/// # Errors
/// When the file is of another unit, or is no TOML.
pub fn of_unit(path: &Path, text: &str, serial: &str, golden: bool) -> Result<String, Failure> {
    let said = |what: String| Failure::Said(format!("nameplate {}: {what}", path.display()));
    let mut plate: DocumentMut =
        text.parse().map_err(|error: toml_edit::TomlError| said(error.to_string()))?;
    if let Some(other) = plate.get("serial").and_then(|item| item.as_str()).filter(|other| *other != serial) {
        return Err(said(format!(
            "it is of the unit with serial number {other}, and --serial says {serial}: take the nameplate of this unit, or one of the model, without a serial number"
        )));
    }
    if plate.get("serial").is_none() {
        plate.insert("serial", value(serial));
    }
    if golden {
        plate.insert("golden", value(true));
    }
    Ok(plate.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    const MODEL: &str = "# as on the case\nmaker = \"Invented\"   # made up\nmodel = \"Example 100\"\nchannels = 2\n\n[[rating]]\nwatts = 50.0\nload_ohm = 4.0\nsupply_v = 14.4\ndriven = \"all\"\nlimit_pct = 1.0\n";

    fn of(text: &str, serial: &str, golden: bool) -> Result<String, String> {
        of_unit(Path::new("amp.toml"), text, serial, golden).map_err(|failure| failure.to_string())
    }

    /// Project definition: everything else stays, to the byte.
    #[test]
    fn the_serial_is_put_in_and_everything_else_stays() {
        let unit = of(MODEL, "A \"1\"", false).unwrap();
        assert_eq!(unit.replace("serial = 'A \"1\"'\n", ""), MODEL, "{unit}");
        let plate = wattproof_runs::Nameplate::parse(Path::new("a"), &unit).unwrap();
        assert_eq!((plate.serial.as_deref(), plate.golden, plate.rating.len()), (Some("A \"1\""), false, 1));
        let golden = of(&unit, "A \"1\"", true).unwrap();
        assert!(wattproof_runs::Nameplate::parse(Path::new("a"), &golden).unwrap().golden);
    }

    #[test]
    fn another_units_nameplate_is_refused() {
        let other = MODEL.replace("channels", "serial = \"B2\"\nchannels");
        let words = of(&other, "A1", false).unwrap_err();
        assert!(words.contains("B2") && words.contains("A1") && words.contains("amp.toml"), "{words}");
        assert_eq!(of(&other, "B2", false).unwrap(), other);
        assert!(serial(" ").is_err() && serial("a\nb").is_err() && serial(" A1 ") == Ok("A1".into()));
    }
}
