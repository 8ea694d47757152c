//! Values of a bench file that its owner has not filled in yet: `"?"` stands for each, in any place. A limit that
//! nobody has thought of must not be guessed.

use std::path::Path;

use toml::de::{DeTable, DeValue};

use crate::bench_file::place::toml_place;

/// What stands for a value that must be filled in.
pub const UNFILLED: &str = "?";

/// A value that must be filled in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unfilled {
    /// file:line.
    pub place: String,
    /// Section and key.
    pub key: String,
}

/// Every value that is not filled in, in order of the file; empty for a text that is no TOML, whose parser says more.
pub fn unfilled(path: &Path, text: &str) -> Vec<Unfilled> {
    let Ok(table) = DeTable::parse(text) else { return Vec::new() };
    let mut found = Vec::new();
    look(table.get_ref(), "", &mut |key, start| found.push((start, key)));
    found.sort();
    found
        .into_iter()
        .map(|(start, key)| {
            let place = toml_place(path, text, Some(start..start));
            // The column of a question mark helps nobody.
            let place = place.rsplit_once(':').map_or(place.clone(), |(line, _)| line.to_string());
            Unfilled { place, key }
        })
        .collect()
}

fn look(table: &DeTable<'_>, section: &str, found: &mut impl FnMut(String, usize)) {
    for (key, value) in table {
        let name = key.get_ref();
        let inside = if section.is_empty() { name.to_string() } else { format!("{section}.{name}") };
        look_at(value.get_ref(), value.span().start, section, name, &inside, found);
    }
}

fn look_at(
    value: &DeValue<'_>,
    start: usize,
    section: &str,
    name: &str,
    inside: &str,
    found: &mut impl FnMut(String, usize),
) {
    match value {
        DeValue::String(text) if text.trim() == UNFILLED => {
            found(if section.is_empty() { name.to_string() } else { format!("[{section}] {name}") }, start);
        }
        DeValue::Table(table) => look(table, inside, found),
        DeValue::Array(all) => {
            for one in all {
                look_at(one.get_ref(), one.span().start, section, name, inside, &mut *found);
            }
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_open_value_is_told_with_its_line() {
        // Project definition.
        let text = "name = \"b\"\n[limits]\nout_vrms_max = \"?\"  # V\ndc_v_max = 3.0\n\n[[digitizer.channel]]\n\
                    gain = \"?\"\n[load]\nlink = { serial = \"?\" }\nchannels = [1, \"?\"]\n";
        let found: Vec<String> = unfilled(Path::new("b.toml"), text)
            .into_iter()
            .map(|one| format!("{} {}", one.place, one.key))
            .collect();
        assert_eq!(
            found,
            [
                "b.toml:3 [limits] out_vrms_max",
                "b.toml:7 [digitizer.channel] gain",
                "b.toml:9 [load.link] serial",
                "b.toml:10 [load] channels",
            ]
        );
        assert!(unfilled(Path::new("b.toml"), "a = \"no\"\n").is_empty());
        assert!(unfilled(Path::new("b.toml"), "a = = \"?\"\n").is_empty());
    }
}
