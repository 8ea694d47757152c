//! A sheet of points that a person has taken: what was commanded, and what the meter read then.

use std::path::{Path, PathBuf};

use super::person::number;
use crate::failure::Failure;

/// One row.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Line of the file, from 1.
    pub line: usize,
    /// Source level, V rms.
    pub level_vrms: f64,
    /// What the meter read, V or A.
    pub reading: f64,
    /// Worth of the last digit of that.
    pub digit: f64,
}

/// A whole sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// Where it was read.
    pub path: PathBuf,
    /// Its rows in order.
    pub rows: Vec<Row>,
}

impl Sheet {
    /// Reads a CSV file with the columns `level_vrms,reading` and a header.
    pub fn read(path: &Path) -> Result<Self, Failure> {
        let text =
            std::fs::read_to_string(path).map_err(|source| Failure::File { path: path.into(), source })?;
        Self::parse(path, &text).map_err(Failure::Said)
    }

    fn parse(path: &Path, text: &str) -> Result<Self, String> {
        let place = |line: usize, what: &str| {
            format!(
                "{}:{line}: {what}; a sheet has the header level_vrms,reading and a row a point",
                path.display()
            )
        };
        let mut lines = (1..).zip(text.lines().map(str::trim));
        let head = lines.next().map(|(_, head)| head.replace(' ', ""));
        if head.as_deref() != Some("level_vrms,reading") {
            return Err(place(1, "this is not its header"));
        }
        let mut rows = Vec::new();
        for (line, text) in lines.filter(|(_, text)| !text.is_empty()) {
            let (level, reading) =
                text.split_once(',').ok_or_else(|| place(line, "a row needs two fields"))?;
            let (level_vrms, _) = number(level).map_err(|why| place(line, &why))?;
            let (reading, digit) = number(reading).map_err(|why| place(line, &why))?;
            rows.push(Row { line, level_vrms, reading, digit });
        }
        Ok(Sheet { path: path.into(), rows })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sheet_is_read_and_its_slips_are_placed() {
        // Project definition.
        let parse = |text| Sheet::parse(Path::new("s.csv"), text);
        let sheet = parse("level_vrms,reading\n0.1, 3.16\n\n0.2,6.325\n").unwrap();
        assert_eq!(sheet.rows[1], Row { line: 4, level_vrms: 0.2, reading: 6.325, digit: 0.001 });
        for (text, place) in [
            ("0.1,3.16\n", "s.csv:1: "),
            ("level_vrms,reading\n0.1\n", "s.csv:2: "),
            ("level_vrms,reading\n0.1,1.0\n0.2,2;0\n", "s.csv:3: "),
        ] {
            assert!(parse(text).unwrap_err().starts_with(place), "{text}");
        }
    }
}
