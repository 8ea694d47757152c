//! A table as data: named columns of a kind, fields that are numbers, words, flags or nothing. What a CSV, a workbook and a
//! column store are written from, so that all of them say the same. It writes no file.

use serde::{Serialize, Serializer};
use wattproof_runs::Words;

use crate::ReportError;

/// What stands in a column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Numbers.
    Number,
    /// Whole numbers.
    Whole,
    /// Words.
    Words,
    /// Yes or no.
    Flag,
}

/// A column.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TableColumn {
    /// Its name, with its unit.
    pub name: String,
    /// What stands in it.
    pub kind: Kind,
}

/// A field.
#[derive(Debug, Clone, PartialEq)]
pub enum Field {
    /// What could not be told.
    Empty,
    /// A number.
    Number(f64),
    /// A whole number.
    Whole(i64),
    /// Words as they are, not yet harmless for a spreadsheet that takes CSV.
    Words(String),
    /// Yes or no.
    Flag(bool),
}

impl From<Option<f64>> for Field {
    fn from(value: Option<f64>) -> Self {
        value.map_or(Field::Empty, Field::Number)
    }
}

impl From<f64> for Field {
    fn from(value: f64) -> Self {
        Field::Number(value)
    }
}

impl From<Option<u32>> for Field {
    fn from(value: Option<u32>) -> Self {
        value.map_or(Field::Empty, |value| Field::Whole(i64::from(value)))
    }
}

impl From<&str> for Field {
    fn from(text: &str) -> Self {
        if text.is_empty() { Field::Empty } else { Field::Words(text.into()) }
    }
}

impl From<Option<&str>> for Field {
    fn from(text: Option<&str>) -> Self {
        text.map_or(Field::Empty, Field::from)
    }
}

impl Serialize for Field {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Field::Empty => serializer.serialize_none(),
            Field::Number(value) => serializer.serialize_f64(*value),
            Field::Whole(value) => serializer.serialize_i64(*value),
            Field::Words(text) => Words::from(text.clone()).serialize(serializer),
            Field::Flag(value) => serializer.serialize_bool(*value),
        }
    }
}

/// A table.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// What it is called, as "steps".
    pub name: String,
    /// Its columns.
    pub columns: Vec<TableColumn>,
    /// Its rows, each with a field a column.
    pub rows: Vec<Vec<Field>>,
}

impl Table {
    /// As CSV: RFC 4180 with CR LF, full precision, what could not be told empty, words harmless for spreadsheets.
    ///
    /// # Errors
    /// [`ReportError::Table`].
    pub fn csv(&self) -> Result<String, ReportError> {
        let fail = |source| ReportError::Table { table: self.name.clone(), source };
        let mut builder = csv::WriterBuilder::new();
        let mut writer = builder.terminator(csv::Terminator::CRLF).from_writer(Vec::new());
        writer.write_record(self.columns.iter().map(|column| &column.name)).map_err(fail)?;
        for row in &self.rows {
            writer.serialize(row).map_err(fail)?;
        }
        let bytes = writer.into_inner().map_err(|error| fail(error.into_error().into()))?;
        // What was written is text of this program alone.
        Ok(String::from_utf8_lossy(&bytes).into_owned())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4180, 2; fault 54: OWASP, "CSV Injection".
    #[test]
    fn fault_54_a_table_is_csv_with_harmless_words() {
        let column = |name: &str, kind| TableColumn { name: name.into(), kind };
        let table = Table {
            name: "t".into(),
            columns: vec![
                column("a_w", Kind::Number),
                column("words", Kind::Words),
                column("n", Kind::Whole),
                column("flag", Kind::Flag),
            ],
            rows: vec![
                vec![(-0.25).into(), "=cmd|' /C calc'!A0".into(), Some(3u32).into(), Field::Flag(true)],
                vec![None::<f64>.into(), "a \"b\", c".into(), Field::Empty, Field::Flag(false)],
            ],
        };
        let text = table.csv().unwrap();
        assert_eq!(
            text,
            "a_w,words,n,flag\r\n-0.25,'=cmd|' /C calc'!A0,3,true\r\n,\"a \"\"b\"\", c\",,false\r\n"
        );
    }
}
