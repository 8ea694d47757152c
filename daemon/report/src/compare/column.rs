//! Which runs stand in one column: each in its own, or those of one unit together.

use serde::Serialize;

use super::Side;

/// A column: a run, or the runs of one unit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Column {
    /// What it is called: the run, or maker, model and serial number.
    pub title: String,
    /// Its runs, newest first.
    pub runs: Vec<String>,
    /// Maker.
    pub maker: String,
    /// Model.
    pub model: String,
    /// Serial number of the unit.
    pub serial: Option<String>,
    /// Whether the nameplate says that this unit is known to be good.
    pub golden: bool,
}

/// The runs of each column by their place, newest first. A run whose nameplate has no serial number stands alone: nobody can
/// tell whether another of its model is the same unit.
pub fn groups(sides: &[Side], by_unit: bool) -> Vec<Vec<usize>> {
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for (index, side) in sides.iter().enumerate() {
        let same = |group: &&mut Vec<usize>| {
            let first = group.first().and_then(|first| sides.get(*first));
            by_unit && first.is_some_and(|first| is_same_unit(first, side))
        };
        match groups.iter_mut().find(same) {
            Some(group) => group.push(index),
            None => groups.push(vec![index]),
        }
    }
    let began = |index: &usize| sides.get(*index).map(|side| side.brief.started_utc.clone());
    for group in &mut groups {
        group.sort_by_key(|index| std::cmp::Reverse(began(index)));
    }
    groups
}

fn is_same_unit(a: &Side, b: &Side) -> bool {
    let unit = |side: &Side| {
        let plate = &side.file.nameplate;
        (plate.maker.clone(), plate.model.clone(), plate.serial.clone())
    };
    a.file.nameplate.serial.as_deref().is_some_and(|serial| !serial.trim().is_empty()) && unit(a) == unit(b)
}

/// What each column is.
pub fn columns(sides: &[Side], groups: &[Vec<usize>]) -> Vec<Column> {
    groups.iter().filter_map(|group| column(sides, group)).collect()
}

fn column(sides: &[Side], group: &[usize]) -> Option<Column> {
    let runs: Vec<&Side> = group.iter().filter_map(|index| sides.get(*index)).collect();
    let newest = runs.first()?;
    let plate = &newest.file.nameplate;
    let title = match (runs.len(), &plate.serial) {
        (1, _) | (_, None) => newest.brief.run.clone(),
        (_, Some(serial)) => format!("{}, serial {serial}", newest.brief.amplifier),
    };
    Some(Column {
        title,
        runs: runs.iter().map(|side| side.brief.run.clone()).collect(),
        maker: plate.maker.clone(),
        model: plate.model.clone(),
        serial: plate.serial.clone(),
        golden: plate.golden,
    })
}
