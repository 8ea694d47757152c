//! Where in a text file something is wrong.

use std::path::{Path, PathBuf};

/// `file:line:col` of a byte span in a file's text, or the file alone when there is no span.
pub fn toml_place(path: &Path, text: &str, span: Option<std::ops::Range<usize>>) -> String {
    let Some(before) = span.and_then(|span| text.get(..span.start)) else {
        return path.display().to_string();
    };
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().map_or(0, |tail| tail.chars().count()) + 1;
    format!("{}:{line}:{column}", path.display())
}

/// The text a value was read from, kept so that a complaint found later still names its line.
#[derive(Debug, Clone, Default)]
pub struct Origin {
    path: PathBuf,
    text: String,
}

impl Origin {
    /// Of a file's path and text.
    pub fn new(path: &Path, text: &str) -> Self {
        Origin { path: path.into(), text: text.into() }
    }

    /// `file:line` of a key in a section (empty: before any), or the file alone when it is not found.
    pub fn place(&self, section: &str, key: &str) -> String {
        self.line(section, key).map_or_else(|| self.path.display().to_string(), |line| self.at(line))
    }

    /// The same of the first of several places that is found.
    pub fn place_of(&self, places: &[(&str, &str)]) -> String {
        let line = places.iter().find_map(|(section, key)| self.line(section, key));
        line.map_or_else(|| self.path.display().to_string(), |line| self.at(line))
    }

    fn at(&self, line: usize) -> String {
        format!("{}:{line}", self.path.display())
    }

    fn line(&self, section: &str, key: &str) -> Option<usize> {
        let mut inside = section.is_empty();
        for (number, line) in (1..).zip(self.text.lines().map(str::trim)) {
            if line.starts_with('[') {
                inside = line.trim_matches(['[', ']']) == section;
            } else if inside && line.strip_prefix(key).is_some_and(|rest| rest.trim_start().starts_with('='))
            {
                return Some(number);
            }
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_is_found_in_its_own_section() {
        let origin = Origin::new(Path::new("b.toml"), "a = 1\n[x]\na = 2\n[[y.z]]\n a=3\n");
        assert_eq!(origin.place("", "a"), "b.toml:1");
        assert_eq!(origin.place("x", "a"), "b.toml:3");
        assert_eq!(origin.place("y.z", "a"), "b.toml:5");
        assert_eq!(origin.place("x", "b"), "b.toml");
    }
}
