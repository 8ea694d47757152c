//! A script's parameters as a table.

use wattproof_runs::{Limits, Parameter};

use crate::table::{plain_table, printed};

/// A row for each.
pub fn parameters_table(parameters: &[Parameter]) -> String {
    let mut table = plain_table(&["parameter", "default", "unit", "takes", "what it is"]);
    for one in parameters {
        let takes = match one.limits {
            Some(Limits { min, max }) => format!("{min} to {max}"),
            None if one.letters_max.is_some() => "a text".into(),
            None if one.choices.is_empty() => "true or false".into(),
            None => one.choices.join(", "),
        };
        table.add_row([one.name.clone(), one.default.to_string(), one.unit.clone(), takes, one.what.clone()]);
    }
    printed(table)
}
