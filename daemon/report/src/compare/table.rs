//! Runs side by side as one tidy table: a row for each run of each quantity at each condition.

use super::{Cell, Column, Comparison, Difference, Quantity, QuantityCell, Row};
use crate::table::{Field, Kind, Table, TableColumn};

/// The columns. They keep their meaning: new ones are added at the end.
const COLUMNS: [(&str, Kind); 27] = [
    ("load_ohm", Kind::Number),
    ("supply_v_set", Kind::Number),
    ("hz", Kind::Number),
    ("limit_by", Kind::Words),
    ("limit_pct", Kind::Number),
    ("driven", Kind::Words),
    ("run", Kind::Words),
    ("rated", Kind::Number),
    ("measured", Kind::Number),
    ("expanded_u", Kind::Number),
    ("unit", Kind::Words),
    ("verdict", Kind::Words),
    ("cause", Kind::Words),
    ("maker", Kind::Words),
    ("model", Kind::Words),
    ("serial", Kind::Words),
    ("quantity", Kind::Words),
    ("told_by", Kind::Words),
    ("channel", Kind::Whole),
    ("at", Kind::Words),
    ("value", Kind::Number),
    ("note", Kind::Words),
    ("difference", Kind::Number),
    ("difference_expanded_u", Kind::Number),
    ("significance", Kind::Words),
    ("compared_with", Kind::Words),
    ("incomparable", Kind::Words),
];

/// The whole comparison as one table. `rated` and `measured` are those of judged ratings alone, `value` stands in every row that
/// tells a number, `expanded_u` is its uncertainty, all in `unit`; `difference` is from the run `compared_with`, `incomparable`
/// says why numbers that were put side by side all the same can't be compared.
#[must_use]
pub fn compared_table(compared: &Comparison) -> Table {
    let reasons = compared.incomparable.join("; ");
    let mut rows = Vec::new();
    for row in &compared.rows {
        let runs: Vec<Option<&str>> =
            row.cells.iter().map(|cell| cell.as_ref().map(|cell| cell.run.as_str())).collect();
        for (index, (column, cell)) in compared.columns.iter().zip(&row.cells).enumerate() {
            let mut fields = rating_fields(row, column, cell.as_ref());
            fields.extend(difference_fields(row.differences.get(index).copied().flatten(), &runs));
            fields.push(reasons.as_str().into());
            rows.push(fields);
        }
    }
    for row in &compared.quantities {
        let runs: Vec<Option<&str>> =
            row.cells.iter().map(|cell| cell.as_ref().map(|cell| cell.run.as_str())).collect();
        for (index, (column, cell)) in compared.columns.iter().zip(&row.cells).enumerate() {
            let Some(cell) = cell else { continue };
            let mut fields = quantity_fields(row, column, cell);
            fields.extend(difference_fields(row.differences.get(index).copied().flatten(), &runs));
            fields.push(reasons.as_str().into());
            rows.push(fields);
        }
    }
    let columns = COLUMNS.iter().map(|(name, kind)| TableColumn { name: (*name).into(), kind: *kind });
    Table { name: "compared".into(), columns: columns.collect(), rows }
}

/// What differs between the runs, and what makes them incomparable, as a table.
#[must_use]
pub fn differences_table(compared: &Comparison) -> Table {
    let column = |name: &str| TableColumn { name: name.into(), kind: Kind::Words };
    let row = |kind: &str, words: &String| vec![kind.into(), words.as_str().into()];
    let refused = compared.incomparable.iter().map(|words| row("incomparable", words));
    let named = compared.differences.iter().map(|words| row("differs", words));
    Table {
        name: "differences".into(),
        columns: vec![column("kind"), column("words")],
        rows: refused.chain(named).collect(),
    }
}

fn rating_fields(row: &Row, column: &Column, cell: Option<&Cell>) -> Vec<Field> {
    let newest = column.runs.first().map_or("", String::as_str);
    let unit = cell.map(|cell| cell.unit);
    let quantity = cell.map(|cell| if cell.unit == "V" { "measured output" } else { "measured power" });
    vec![
        row.load_ohm.into(),
        row.supply_v.into(),
        row.hz.into(),
        row.limit_by.word().into(),
        row.limit_pct.into(),
        row.driven.word().into(),
        cell.map_or(newest, |cell| &cell.run).into(),
        cell.and_then(|cell| cell.rated).into(),
        cell.and_then(|cell| cell.measured).into(),
        cell.and_then(|cell| cell.expanded_u).into(),
        unit.into(),
        cell.map(|cell| cell.verdict.to_string()).as_deref().into(),
        cell.map(|cell| cell.cause.as_str()).into(),
        column.maker.as_str().into(),
        column.model.as_str().into(),
        column.serial.as_deref().into(),
        quantity.unwrap_or("measured").into(),
        "rating".into(),
        Field::Empty,
        Field::Empty,
        cell.and_then(|cell| cell.measured).into(),
        if cell.is_none() { "no judged rating at these conditions".into() } else { Field::Empty },
    ]
}

fn quantity_fields(row: &Quantity, column: &Column, cell: &QuantityCell) -> Vec<Field> {
    vec![
        row.load_ohm.into(),
        row.supply_v.into(),
        row.hz.into(),
        row.limit_by.map(wattproof_runs::LimitBy::word).into(),
        row.limit_pct.into(),
        row.driven.map(wattproof_runs::Driven::word).into(),
        cell.run.as_str().into(),
        Field::Empty,
        Field::Empty,
        cell.expanded_u.into(),
        row.unit.as_str().into(),
        cell.verdict.map(|verdict| verdict.to_string()).as_deref().into(),
        Field::Empty,
        column.maker.as_str().into(),
        column.model.as_str().into(),
        column.serial.as_deref().into(),
        row.quantity.as_str().into(),
        row.told_by.word().into(),
        row.channel.into(),
        cell.at.as_str().into(),
        cell.value.into(),
        cell.note.as_str().into(),
    ]
}

fn difference_fields(difference: Option<Difference>, runs: &[Option<&str>]) -> [Field; 4] {
    [
        difference.map(|one| one.by).into(),
        difference.and_then(|one| one.expanded_u).into(),
        difference.map(|one| one.words()).into(),
        difference.and_then(|one| *runs.get(one.with)?).into(),
    ]
}
