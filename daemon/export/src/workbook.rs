//! A workbook (Office Open XML): a sheet a table. Numbers are numbers and words are words, whatever stands in them.

use rust_xlsxwriter::{Format, Workbook, Worksheet, XlsxError};
use wattproof_report::{Field, Table};

/// What a spreadsheet would take for a formula if somebody edits the cell.
const BEGINS: [char; 7] = ['=', '+', '-', '@', '\t', '\r', '\0'];
/// Width of a column, characters: at least, and at most by its name.
const WIDTHS: (f64, f64) = (10.0, 40.0);

/// A workbook could not be made.
#[derive(Debug, thiserror::Error)]
#[error(
    "sheet {sheet}: {source}; a sheet holds 1,048,575 rows and a cell 32,767 characters: export fewer runs at once"
)]
pub struct WorkbookError {
    /// The sheet.
    sheet: String,
    /// Why.
    source: XlsxError,
}

/// The bytes of a workbook with a sheet for each table. Its first row has the columns' names with their units and stays in
/// sight; what could not be told is an empty cell.
///
/// # Errors
/// [`WorkbookError`], when a table is longer than a sheet can be.
pub fn workbook(tables: &[Table]) -> Result<Vec<u8>, WorkbookError> {
    let mut book = Workbook::new();
    let mut last = "";
    for table in tables {
        last = &table.name;
        let fail = |source| WorkbookError { sheet: table.name.clone(), source };
        fill(book.add_worksheet(), table).map_err(fail)?;
    }
    book.save_to_buffer().map_err(|source| WorkbookError { sheet: last.into(), source })
}

fn fill(sheet: &mut Worksheet, table: &Table) -> Result<(), XlsxError> {
    sheet.set_name(&table.name)?;
    let head = Format::new().set_bold();
    // The mark of a text cell, which it keeps when somebody edits it.
    let quoted = Format::new().set_quote_prefix();
    for (column, about) in (0u16..).zip(&table.columns) {
        sheet.write_string_with_format(0, column, &about.name, &head)?;
        sheet.set_column_width(column, (about.name.len() as f64 + 1.0).clamp(WIDTHS.0, WIDTHS.1))?;
    }
    sheet.set_freeze_panes(1, 0)?;
    for (row, fields) in (1u32..).zip(&table.rows) {
        for (column, field) in (0u16..).zip(fields) {
            match field {
                Field::Number(value) if value.is_finite() => sheet.write_number(row, column, *value)?,
                // A double holds every whole number that a run can count to.
                Field::Whole(value) => sheet.write_number(row, column, *value as f64)?,
                Field::Flag(value) => sheet.write_boolean(row, column, *value)?,
                Field::Words(text) if text.trim_start_matches(' ').starts_with(BEGINS) => {
                    sheet.write_string_with_format(row, column, text, &quoted)?
                }
                Field::Words(text) => sheet.write_string(row, column, text)?,
                Field::Number(_) | Field::Empty => continue,
            };
        }
    }
    Ok(())
}
