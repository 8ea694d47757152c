//! CSV: columns of numbers, one of which is time.

use std::io::Read;

use csv::{ByteRecord, ReaderBuilder};

use crate::error::RecordingError;
use crate::rationed::{Ration, Rationed};
use crate::recording::{CHANNELS_MAX, Channel, RATE_MAX_HZ, Recording, SAMPLES_MAX, Wanted};
use crate::times::{Printed, Times};
use crate::titles::{names_count, names_time, unit_s};

const SEPARATORS: [u8; 3] = [b'\t', b';', b','];
/// Most lines above the first number.
const TITLES_MAX: usize = 10_000;
/// Characters of a wrong field that an error repeats.
const QUOTED_MAX: usize = 24;

/// Reads a table. `head` is the start of `source`, by which its separator is found.
///
/// Lines before the first number are names and units; of those with as many fields as the table, the first
/// names the columns. Time is the column so named, else the first that only rises, else the first.
pub(crate) fn read(head: &[u8], source: impl Read, wanted: &Wanted) -> Result<Recording, RecordingError> {
    let Layout { separator, decimal_comma } = layout(head).ok_or(RecordingError::NoTable)?;
    let left = Ration::default();
    left.renew();
    let mut rows = ReaderBuilder::new()
        .delimiter(separator)
        .has_headers(false)
        .flexible(true)
        .comment(Some(b'#'))
        .from_reader(Rationed { source, left: left.clone() });
    let mut table = Table::default();
    let mut record = ByteRecord::new();
    while rows.read_byte_record(&mut record).map_err(unreadable)? {
        left.renew();
        let line = record.position().map_or(0, csv::Position::line);
        let field = |field| if decimal_comma { with_point(clean(field)) } else { clean(field) };
        let fields: Vec<String> = record.iter().map(field).collect();
        if table.lines.is_empty() && !is_number(fields.first().map_or("", String::as_str)) {
            // Titles stand above the numbers.
            if !fields.iter().all(String::is_empty) {
                table.titles.push(fields);
                if table.titles.len() > TITLES_MAX {
                    return Err(RecordingError::NoTable);
                }
            }
            continue;
        }
        table.push(line, &fields)?;
    }
    if table.lines.is_empty() {
        return Err(RecordingError::NoTable);
    }
    table.recording(wanted)
}

fn unreadable(error: csv::Error) -> RecordingError {
    let text = error.to_string();
    match error.into_kind() {
        csv::ErrorKind::Io(error) => RecordingError::Unreadable(error),
        _ => RecordingError::Unreadable(std::io::Error::other(text)),
    }
}

/// A field without blanks around it and without a byte-order mark. What is no UTF-8 is taken as ISO 8859-1, the other
/// way in which instruments write the micro sign.
fn clean(field: &[u8]) -> String {
    let text = std::str::from_utf8(field).map(str::to_string);
    let text = text.unwrap_or_else(|_| field.iter().copied().map(char::from).collect());
    text.trim_start_matches('\u{feff}').trim().to_string()
}

fn number(text: &str) -> Option<f64> {
    text.parse().ok().filter(|value: &f64| value.is_finite())
}

fn is_number(text: &str) -> bool {
    number(text).is_some()
}

/// How a table is laid out.
#[derive(Clone, Copy)]
struct Layout {
    separator: u8,
    decimal_comma: bool,
}

/// The layout that makes a line of at least two numbers; where none does, one that makes a number and something else,
/// so that the fault is told by its line. A comma is the decimal mark where it stands within the fields of some other
/// separator, or within quotes, and no point does.
fn layout(head: &[u8]) -> Option<Layout> {
    let lines: Vec<Vec<u8>> = head
        .split(|byte| matches!(byte, b'\n' | b'\r'))
        .filter(|line| !line.starts_with(b"#"))
        .map(<[u8]>::to_vec)
        .collect();
    let all = SEPARATORS
        .into_iter()
        .flat_map(|separator| [true, false].map(|decimal_comma| Layout { separator, decimal_comma }));
    let fitting: Vec<Layout> =
        all.filter(|layout| !layout.decimal_comma || layout.has_commas(&lines)).collect();
    let found = |least: usize| fitting.iter().copied().find(|layout| layout.makes(&lines, least));
    found(2).or_else(|| found(1))
}

impl Layout {
    fn fields(self, line: &[u8]) -> Vec<String> {
        // Separators within quotes are part of the field (RFC 4180).
        let mut quoted = false;
        let parts = line.split(|byte| {
            quoted ^= *byte == b'"';
            *byte == self.separator && !quoted
        });
        parts.map(unquoted).collect()
    }

    /// True if a line begins with a number and holds at least so many.
    fn makes(self, lines: &[Vec<u8>], least: usize) -> bool {
        let number = |text: &String| is_number(text) || (self.decimal_comma && is_comma_number(text));
        lines.iter().any(|line| {
            let fields = self.fields(line);
            fields.len() > 1
                && number(&fields[0])
                && fields.iter().filter(|text| number(text)).count() >= least
        })
    }

    /// True if some numbers have a comma in them, and none a point.
    fn has_commas(self, lines: &[Vec<u8>]) -> bool {
        // The last line may have been cut within a number.
        let whole = &lines[..lines.len().saturating_sub(usize::from(lines.len() > 1))];
        let fields = || whole.iter().flat_map(|line| self.fields(line));
        fields().any(|text| is_comma_number(&text))
            && !fields().any(|text| text.contains('.') && is_number(&text))
    }
}

/// True for a number with one comma among its digits.
fn is_comma_number(text: &str) -> bool {
    text.matches(',').count() == 1 && !text.contains('.') && is_number(&text.replace(',', "."))
}

/// A number with a point for its comma; other text as it is.
fn with_point(text: String) -> String {
    if is_comma_number(&text) { text.replace(',', ".") } else { text }
}

fn unquoted(field: &[u8]) -> String {
    clean(field).trim_matches('"').trim().to_string()
}

/// Columns as they fill.
#[derive(Default)]
struct Table {
    titles: Vec<Vec<String>>,
    columns: Vec<Vec<f64>>,
    printed: Vec<Printed>,
    lines: Vec<u64>,
}

impl Table {
    fn push(&mut self, line: u64, fields: &[String]) -> Result<(), RecordingError> {
        if self.lines.is_empty() {
            let titled = self.titles.last().map_or(0, |titles| filled(titles));
            let columns = filled(fields).max(titled.min(fields.len()));
            if columns > CHANNELS_MAX + 1 {
                return Err(RecordingError::TooManyChannels { channels: columns - 1, max: CHANNELS_MAX });
            }
            if columns < 2 {
                return Err(RecordingError::Missing { line, column: 2 });
            }
            self.columns = vec![Vec::new(); columns];
            self.printed = vec![Printed::default(); columns];
        }
        if self.lines.len() >= SAMPLES_MAX {
            return Err(RecordingError::TooLong { max: SAMPLES_MAX });
        }
        let columns = self.columns.len();
        if filled(fields) > columns {
            return Err(RecordingError::TooManyFields { line, fields: filled(fields), columns });
        }
        for (index, (column, printed)) in self.columns.iter_mut().zip(&mut self.printed).enumerate() {
            let text = fields.get(index).map_or("", String::as_str);
            if text.is_empty() {
                return Err(RecordingError::Missing { line, column: index + 1 });
            }
            let value = number(text).ok_or_else(|| RecordingError::NotANumber {
                line,
                column: index + 1,
                text: text.chars().take(QUOTED_MAX).collect(),
            })?;
            column.push(value);
            printed.note(text, value);
        }
        self.lines.push(line);
        Ok(())
    }

    fn recording(self, wanted: &Wanted) -> Result<Recording, RecordingError> {
        let width = self.columns.len();
        let titles: Vec<&Vec<String>> = self.titles.iter().filter(|row| filled(row) == width).collect();
        let title = |column: usize| {
            titles.first().and_then(|row| row.get(column)).filter(|text| !text.is_empty()).cloned()
        };
        // Units may stand in a line of their own; what stands above those two is about the instrument.
        let last = titles.get(titles.len().saturating_sub(2)..).unwrap_or_default();
        let whole_title = |column: usize| {
            let rows = last.iter().filter_map(|row| row.get(column)).filter(|text| !text.is_empty());
            let whole = rows.map(String::as_str).collect::<Vec<_>>().join(" ");
            (!whole.is_empty()).then_some(whole)
        };
        let time = time_column(&self.columns, &titles);
        let unit_s = titles.iter().filter_map(|row| row.get(time)).find_map(|text| unit_s(text));
        if unit_s.is_none()
            && counts(&self.columns, &titles, time)
            && title(time).is_some_and(|text| names_count(&text))
        {
            return Err(RecordingError::NoTime { column: time + 1, title: title(time).unwrap_or_default() });
        }
        let unit_s = unit_s.unwrap_or(1.0);
        let s: Vec<f64> = self.columns[time].iter().map(|t| t * unit_s).collect();
        let resolution_s = self.printed[time].resolution() * unit_s;
        let fs_hz = Times { s: &s, resolution_s, lines: &self.lines }.rate_hz()?;
        if !(fs_hz > 0.0 && fs_hz <= RATE_MAX_HZ * (1.0 + 1e-6)) {
            return Err(RecordingError::Rate { fs_hz });
        }
        let (skip, length) = wanted.samples(fs_hz);
        let rows = self.lines.len() as u64;
        let first = skip.min(rows);
        let end = first.saturating_add(length).min(rows);
        if first == end {
            return Err(RecordingError::NoSamples);
        }
        let part = first as usize..end as usize;
        let mut channels = Vec::new();
        let is_channel =
            |index: usize| index != time && !(width > 2 && counts(&self.columns, &titles, index));
        for (index, column) in self.columns.iter().enumerate().filter(|(index, _)| is_channel(*index)) {
            let kept = wanted.keeps(channels.len());
            let samples = if kept { column[part.clone()].to_vec() } else { Vec::new() };
            channels.push(Channel { name: whole_title(index), samples, limit: None });
        }
        Ok(Recording { fs_hz, channels, relative: false })
    }
}

/// Fields up to the last that is not empty.
fn filled(fields: &[String]) -> usize {
    fields.iter().rposition(|text| !text.is_empty()).map_or(0, |last| last + 1)
}

/// The column of times: the one so named, else the first that only rises and, of three or more, does not count lines, else the first that
/// only rises, else the first.
fn time_column(columns: &[Vec<f64>], titles: &[&Vec<String>]) -> usize {
    let named = |column: usize| titles.iter().filter_map(|row| row.get(column)).any(|text| names_time(text));
    let rises = |column: usize| columns[column].windows(2).all(|pair| pair[1] > pair[0]);
    let all = || 0..columns.len();
    let named = all().find(|column| named(*column));
    let clock =
        || all().find(|column| rises(*column) && !(columns.len() > 2 && counts(columns, titles, *column)));
    named.or_else(clock).or_else(|| all().find(|column| rises(*column))).unwrap_or(0)
}

/// True for a column that counts the lines one by one: titled so, or the first without a title.
fn counts(columns: &[Vec<f64>], titles: &[&Vec<String>], column: usize) -> bool {
    let mut names =
        titles.iter().filter_map(|row| row.get(column)).filter(|text| !text.is_empty()).peekable();
    let so_called = if names.peek().is_none() { column == 0 } else { names.any(|text| names_count(text)) };
    so_called && columns[column].len() > 1 && columns[column].windows(2).all(|pair| pair[1] - pair[0] == 1.0)
}
