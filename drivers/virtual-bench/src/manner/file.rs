use std::ops::Range;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use thiserror::Error;
use toml::Spanned;

use super::line::LineSpec;
use super::rule::Rule;
use crate::Role;

/// The manners built in: name and text.
const SHIPPED: [(&str, &str); 8] = [
    ("comma-supply", include_str!("../../manners/comma-supply.toml")),
    ("echo-load", include_str!("../../manners/echo-load.toml")),
    ("kelvin-thermometer", include_str!("../../manners/kelvin-thermometer.toml")),
    ("list-digitizer", include_str!("../../manners/list-digitizer.toml")),
    ("listed-thermometer", include_str!("../../manners/listed-thermometer.toml")),
    ("packed-digitizer", include_str!("../../manners/packed-digitizer.toml")),
    ("peak-source", include_str!("../../manners/peak-source.toml")),
    ("tapped-load", include_str!("../../manners/tapped-load.toml")),
];

/// How an instrument behaves.
#[derive(Debug, Clone, PartialEq)]
pub struct Manner {
    /// Its name; a dialect that suits it is called the same.
    pub name: String,
    /// The instrument it stands in front of.
    pub role: Role,
    /// One line for a list.
    pub summary: String,
    pub(crate) line: LineSpec,
    /// Beginnings of messages that mean what they mean in SCPI.
    pub(crate) passes: Vec<String>,
    pub(crate) rules: Vec<Rule>,
}

/// Why a manner cannot be used.
#[derive(Debug, Error)]
pub enum MannerError {
    /// There is none of that name.
    #[error("no manner is called {name}; there are {known}, or name a file ending in .toml")]
    Unknown {
        /// The name asked for.
        name: String,
        /// Those there are.
        known: String,
    },
    /// Its file cannot be read.
    #[error("{path}: {source}; name a manner file that can be read")]
    Read {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// Something in it is wrong.
    #[error(
        "{path}:{line}:{column}: {what}; drivers/virtual-bench/manners/README.md tells what a manner may say"
    )]
    Wrong {
        /// Which file.
        path: PathBuf,
        /// Line, from 1.
        line: usize,
        /// Column, from 1.
        column: usize,
        /// What is wrong.
        what: String,
    },
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Table {
    /// Must be true: no product behaves so.
    invented: Spanned<bool>,
    name: String,
    role: Role,
    summary: String,
    #[serde(default)]
    line: LineSpec,
    #[serde(default)]
    passes: Vec<String>,
    rule: Vec<Spanned<Rule>>,
}

/// Names of the manners built in.
pub fn names() -> impl Iterator<Item = &'static str> {
    SHIPPED.iter().map(|(name, _)| *name)
}

/// A manner by its name, or from a file when the name ends in `.toml`.
///
/// # Errors
/// [`MannerError`].
pub fn named(name: &str) -> Result<Manner, MannerError> {
    if name.ends_with(".toml") {
        let path = Path::new(name);
        let text = wattproof_texts::read_text(path)
            .map_err(|source| MannerError::Read { path: path.into(), source })?;
        return read(path, &text);
    }
    match SHIPPED.iter().find(|(known, _)| *known == name) {
        Some((known, text)) => read(Path::new(&format!("{known}.toml")), text),
        None => {
            let known: Vec<&str> = names().collect();
            Err(MannerError::Unknown { name: name.to_owned(), known: known.join(", ") })
        }
    }
}

/// Reads the text of a manner; `path` is for complaints.
///
/// # Errors
/// [`MannerError::Wrong`].
pub fn read(path: &Path, text: &str) -> Result<Manner, MannerError> {
    let wrong = |span: Option<Range<usize>>, what: String| {
        let before = span.and_then(|span| text.get(..span.start)).unwrap_or_default();
        let line = before.matches('\n').count() + 1;
        let column = before.rsplit('\n').next().map_or(0, |tail| tail.chars().count()) + 1;
        MannerError::Wrong { path: path.into(), line, column, what }
    };
    let table: Table =
        toml::from_str(text).map_err(|error| wrong(error.span(), error.message().to_owned()))?;
    if !table.invented.get_ref() {
        return Err(wrong(
            Some(table.invented.span()),
            "`invented` must be true: no product is meant".into(),
        ));
    }
    if let Some(what) = table.line.complaint() {
        return Err(wrong(None, what));
    }
    for rule in &table.rule {
        if let Some(what) = rule.get_ref().complaint() {
            return Err(wrong(Some(rule.span()), what));
        }
    }
    Ok(Manner {
        name: table.name,
        role: table.role,
        summary: table.summary,
        line: table.line,
        passes: table.passes,
        rules: table.rule.into_iter().map(Spanned::into_inner).collect(),
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may stop at once")]

    use super::*;

    #[test]
    fn every_manner_is_valid_and_named_like_its_file() {
        for name in names() {
            assert_eq!(named(name).unwrap().name, name);
        }
        let files = concat!(env!("CARGO_MANIFEST_DIR"), "/manners");
        let files = std::fs::read_dir(files).unwrap().map(|file| file.unwrap().file_name());
        let there = files.filter(|file| file.to_string_lossy().ends_with(".toml")).count();
        assert_eq!(there, names().count(), "a file that is not built in");
        assert!(named("nobody").unwrap_err().to_string().contains("peak-source"));
    }

    #[test]
    fn complaints_name_the_place() {
        // Project definition.
        let head = "invented = true\nname = \"x\"\nrole = \"load\"\nsummary = \"\"\n";
        let told = |text: String| read(Path::new("m.toml"), &text).unwrap_err().to_string();
        assert!(told(head.replace("true", "false") + "rule = []\n").starts_with("m.toml:1:12: `invented`"));
        let rule = told(format!("{head}[[rule]]\nhears = \"A\"\n"));
        assert!(rule.starts_with("m.toml:5:1: a rule needs"), "{rule}");
        let line = told(format!("{head}rule = []\n[line]\npaced = true\n"));
        assert!(line.contains("`paced` needs a `baud`"), "{line}");
    }
}
