use std::ops::Range;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use thiserror::Error;
use toml::Spanned;

use super::{Fault, What};
use crate::Role;
use crate::amplifier::CHANNELS_MAX;
use crate::world::INPUTS_MAX;

/// Why a fault file cannot be used.
#[derive(Debug, Error)]
pub enum FaultFileError {
    /// It cannot be read.
    #[error("{path}: {source}; name a fault file that can be read")]
    Read {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// Something in it is wrong.
    #[error("{path}:{line}:{column}: {what}; drivers/virtual-bench/faults/example.toml shows every kind")]
    Wrong {
        /// Which.
        path: PathBuf,
        /// Line, from 1.
        line: usize,
        /// Column, from 1.
        column: usize,
        /// What is wrong.
        what: String,
    },
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Table {
    /// Must be true: no fault of this file has happened anywhere.
    invented: Spanned<bool>,
    #[serde(default)]
    fault: Vec<Spanned<Fault>>,
}

/// Reads a fault file.
///
/// # Errors
/// [`FaultFileError`], with the place of what is wrong.
pub fn read(path: &Path) -> Result<Vec<Fault>, FaultFileError> {
    let text = wattproof_texts::read_text(path)
        .map_err(|source| FaultFileError::Read { path: path.into(), source })?;
    parse(path, &text)
}

/// Reads the text of a fault file; `path` is for complaints.
///
/// # Errors
/// [`FaultFileError::Wrong`].
pub fn parse(path: &Path, text: &str) -> Result<Vec<Fault>, FaultFileError> {
    let wrong = |span: Option<Range<usize>>, what: String| {
        let before = span.and_then(|span| text.get(..span.start)).unwrap_or_default();
        let line = before.matches('\n').count() + 1;
        let column = before.rsplit('\n').next().map_or(0, |tail| tail.chars().count()) + 1;
        FaultFileError::Wrong { path: path.into(), line, column, what }
    };
    let table: Table =
        toml::from_str(text).map_err(|error| wrong(error.span(), error.message().to_owned()))?;
    if !table.invented.get_ref() {
        return Err(wrong(
            Some(table.invented.span()),
            "`invented` must be true: no fault here is real".into(),
        ));
    }
    for fault in &table.fault {
        check(fault.get_ref()).map_err(|what| wrong(Some(fault.span()), what))?;
    }
    Ok(table.fault.into_iter().map(Spanned::into_inner).collect())
}

fn check(fault: &Fault) -> Result<(), String> {
    let what = &fault.what;
    if fault.for_s.is_none() && fault.times.is_none() {
        return Err("a fault needs an end: give `for_s` or `times`".into());
    }
    if what.lasts() && fault.for_s.is_none() {
        return Err("this kind lasts and needs `for_s`".into());
    }
    if what.is_sudden() && fault.times.is_none() {
        return Err("this kind happens at a moment and needs `times`".into());
    }
    if fault.is_timed() && what.is_sudden() && fault.times != Some(1) {
        return Err("without a message to strike, `times` must be 1".into());
    }
    if fault.nth == Some(0) || fault.times == Some(0) {
        return Err("`nth` and `times` count from 1".into());
    }
    finite("at_s", fault.at_s)?;
    fault.for_s.map_or(Ok(()), |for_s| finite("for_s", for_s))?;
    check_kind(fault.port, what)
}

fn check_kind(port: Role, what: &What) -> Result<(), String> {
    match what {
        What::HangUp { returns_s, returns_as, .. } => {
            if returns_as.is_some() && returns_s.is_none() {
                return Err("`returns_as` needs `returns_s`".into());
            }
            returns_s.map_or(Ok(()), |returns_s| finite("returns_s", returns_s))
        }
        What::Late { by_ms } => finite("by_ms", *by_ms),
        What::Dribble { gap_ms } => finite("gap_ms", *gap_ms),
        What::Scaled { by } if !by.is_finite() => Err("`by` must be a number".into()),
        What::FlipBits { mask: 0, .. } => Err("`mask` 0 flips nothing".into()),
        What::ShortBlock { .. } | What::LongBlock { .. } | What::LyingHeader { .. }
            if port != Role::Digitizer =>
        {
            Err("only the digitizer sends blocks".into())
        }
        What::OffIgnored | What::OffLies if !matches!(port, Role::Source | Role::Supply) => {
            Err("only source and supply are switched off".into())
        }
        What::SensorDetached { .. } if port != Role::Thermometer => {
            Err("the sensor hangs on the thermometer".into())
        }
        What::ErrorQueue { number } if *number >= 0 => Err("errors of SCPI-1999 are below 0".into()),
        What::Short { output, ohm } => {
            output_exists(*output)?;
            (ohm.is_finite() && *ohm > 0.0).then_some(()).ok_or_else(|| "`ohm` must be above 0".into())
        }
        What::Open { output } => output_exists(*output),
        What::WrongLoad { output, ohm } => {
            output_exists(*output)?;
            (ohm.is_finite() && *ohm > 0.0).then_some(()).ok_or_else(|| "`ohm` must be above 0".into())
        }
        What::WrongGain { input, by: value }
        | What::Offset { input, v: value }
        | What::Bent { input, share: value } => {
            input_exists(*input)?;
            value.is_finite().then_some(()).ok_or_else(|| "it must be wrong by a number".into())
        }
        What::Reversed { input } => input_exists(*input),
        What::Exchanged { first, second } => {
            input_exists(*first)?;
            input_exists(*second)?;
            (first != second).then_some(()).ok_or_else(|| "`first` and `second` must be two inputs".into())
        }
        What::Oscillates { out_vrms, hz } => {
            finite("out_vrms", *out_vrms)?;
            let audible = (1.0..=100_000.0).contains(hz);
            audible.then_some(()).ok_or_else(|| "`hz` must be 1 to 100000".into())
        }
        What::ThermalRunaway { c_per_s } => finite("c_per_s", *c_per_s),
        What::StoredCharge { tau_s } => {
            (tau_s.is_finite() && *tau_s > 0.0).then_some(()).ok_or_else(|| "`tau_s` must be above 0".into())
        }
        _ => Ok(()),
    }
}

fn finite(name: &str, value: f64) -> Result<(), String> {
    let fits = value.is_finite() && value >= 0.0;
    fits.then_some(()).ok_or_else(|| format!("`{name}` = {value} must be a finite number, 0 or more"))
}

fn output_exists(output: usize) -> Result<(), String> {
    let exists = (1..=CHANNELS_MAX).contains(&output);
    exists.then_some(()).ok_or_else(|| format!("the outputs are 1 to {CHANNELS_MAX} at most"))
}

fn input_exists(input: usize) -> Result<(), String> {
    let exists = (1..=INPUTS_MAX).contains(&input);
    exists.then_some(()).ok_or_else(|| format!("the digitizer's inputs are 1 to {INPUTS_MAX} at most"))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may stop at once")]

    use super::*;

    fn complaint(text: &str) -> String {
        parse(Path::new("f.toml"), text).unwrap_err().to_string()
    }

    #[test]
    fn the_example_is_valid_and_shows_every_kind() {
        let text = include_str!("../../faults/example.toml");
        let faults = parse(Path::new("example.toml"), text).unwrap();
        let kinds = faults.iter().map(|fault| std::mem::discriminant(&fault.what));
        let kinds: std::collections::HashSet<_> = kinds.collect();
        assert_eq!((kinds.len(), faults.len()), (42, 42));
    }

    #[test]
    fn complaints_name_the_place() {
        // Project definition.
        let text = "invented = true\n[[fault]]\nport = \"supply\"\nwhat = \"silent\"\n";
        assert!(complaint(text).starts_with("f.toml:2:1: a fault needs an end"), "{}", complaint(text));
        let text = "invented = true\n[[fault]]\nport = \"supply\"\nwhat = \"sillent\"\ntimes = 1\n";
        assert!(complaint(text).starts_with("f.toml:4:8: "), "{}", complaint(text));
        let text = "invented = true\n[[fault]]\nport = \"supply\"\nwhat = \"silent\"\ntime = 1\n";
        assert!(complaint(text).starts_with("f.toml:5:1: unknown field `time`"), "{}", complaint(text));
        let text = "invented = true\n[[fault]]\nport = \"load\"\nwhat.late = { by_s = 1.0 }\ntimes = 1\n";
        assert!(complaint(text).contains("f.toml:4:") && complaint(text).contains("by_s"));
        assert!(complaint("invented = false\n").starts_with("f.toml:1:12: "));
        for (port, what) in [
            ("load", "\"off_lies\"\nfor_s = 1.0"),
            ("source", "\"blocked\"\ntimes = 1"),
            ("source", "\"reboot\"\nfor_s = 1.0"),
            ("source", "\"reboot\"\ntimes = 2"),
            ("supply", "{ short_block = { bytes = 1 } }\ntimes = 1"),
            ("supply", "{ sensor_detached = { reads = \"1\" } }\ntimes = 1"),
            ("supply", "{ late = { by_ms = -1.0 } }\ntimes = 1"),
            ("supply", "{ late = { by_ms = nan } }\ntimes = 1"),
            ("supply", "{ short = { output = 9, ohm = 0.1 } }\nfor_s = 1.0"),
            ("load", "{ wrong_load = { output = 1, ohm = 0.0 } }\nfor_s = 1.0"),
            ("digitizer", "{ wrong_gain = { input = 17, by = 1.1 } }\nfor_s = 1.0"),
            ("digitizer", "{ exchanged = { first = 2, second = 2 } }\nfor_s = 1.0"),
            ("digitizer", "{ reversed = { input = 2 } }\ntimes = 1"),
            ("supply", "\"silent\"\ntimes = 0"),
        ] {
            let text = format!("invented = true\n[[fault]]\nport = \"{port}\"\nwhat = {what}\n");
            assert!(complaint(&text).starts_with("f.toml:2:1: "), "{text}");
        }
    }
}
