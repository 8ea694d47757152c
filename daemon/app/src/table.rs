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

/// The table as it is printed: two spaces between columns, or one where it would be too wide otherwise.
pub fn printed(mut table: Table) -> String {
    let widths = table.column_max_content_widths();
    let content: u16 = widths.iter().fold(0, |sum, width| sum.saturating_add(*width));
    let gaps = u16::try_from(widths.len().saturating_sub(1)).unwrap_or(u16::MAX);
    let spaces = if content.saturating_add(gaps.saturating_mul(2)) <= WIDTH { 2 } else { 1 };
    let last = widths.len().saturating_sub(1);
    for (index, column) in table.column_iter_mut().enumerate() {
        column.set_padding((0, if index == last { 0 } else { spaces }));
    }
    table.trim_fmt()
}

#[cfg(test)]
mod tests {
    use super::{WIDTH, plain_table, printed};

    /// 80 columns: the width of a terminal since the VT100 (from memory).
    #[test]
    fn no_line_is_wider_than_a_terminal_and_none_ends_in_spaces() {
        for words in [1, 20, 200] {
            let mut table = plain_table(&["run", "what"]);
            table.add_row(["x".repeat(26), "word ".repeat(words)]);
            table.add_row(["short", &"y".repeat(words)]);
            let text = printed(table);
            for line in text.lines() {
                assert!(line.chars().count() <= usize::from(WIDTH) && !line.ends_with(' '), "{line:?}");
            }
            assert_eq!(text.matches("word").count(), words, "nothing is lost");
        }
    }
}
