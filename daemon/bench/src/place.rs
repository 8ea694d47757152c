//! Where in a text file something is wrong.

use std::path::Path;

/// `file:line:col` of a byte span in a file's text, or the file alone when there is no span.
pub fn toml_place(path: &Path, text: &str, span: Option<std::ops::Range<usize>>) -> String {
    let Some(before) = span.and_then(|span| text.get(..span.start)) else {
        return path.display().to_string();
    };
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().map_or(0, |tail| tail.chars().count()) + 1;
    format!("{}:{line}:{column}", path.display())
}
