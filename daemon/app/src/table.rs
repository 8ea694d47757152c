//! Tables on the terminal: plain columns that fit 80.

use comfy_table::{ContentArrangement, Table, presets};

/// Width of what is printed, columns.
pub const WIDTH: u16 = 80;

/// A table without lines or colours; what is too wide is broken within its cell.
pub fn plain_table(header: &[&str]) -> Table {
    let mut table = Table::new();
    table.load_style(presets::NOTHING);
    table.set_content_arrangement(ContentArrangement::Dynamic);
    table.set_width(WIDTH);
    if !header.is_empty() {
        table.set_header(header.iter().copied());
    }
    table
}

/// The table as it is printed, two spaces between columns.
pub fn printed(table: Table) -> String {
    spaced(table, 2)
}

/// The same with so many spaces between columns.
pub fn spaced(mut table: Table, spaces: u16) -> String {
    for column in table.column_iter_mut() {
        column.set_padding((0, spaces));
    }
    table.trim_fmt()
}
