//! Dialect files: which messages a make of instrument understands for its role.

use std::collections::BTreeMap;
use std::fmt;
use std::ops::Range;
use std::path::Path;

use serde::Deserialize;
use toml::Spanned;

use crate::operations::{OperationSpec, operations};
use crate::role::Role;
use crate::samples::Samples;
use crate::settings::SessionSettings;
use crate::template::placeholders;

/// The dialect files built into the program: file name and text.
pub const SHIPPED: [(&str, &str); 5] = [
    ("scpi-source.toml", include_str!("../../dialects/scpi-source.toml")),
    ("scpi-load.toml", include_str!("../../dialects/scpi-load.toml")),
    ("scpi-supply.toml", include_str!("../../dialects/scpi-supply.toml")),
    ("scpi-digitizer.toml", include_str!("../../dialects/scpi-digitizer.toml")),
    ("scpi-thermometer.toml", include_str!("../../dialects/scpi-thermometer.toml")),
];

/// A dialect, checked: every operation its role needs is there, with the right placeholders.
#[derive(Debug, Clone, PartialEq)]
pub struct Dialect {
    /// As a bench file names it.
    pub name: String,
    /// What it is for.
    pub role: Role,
    /// One line for a list.
    pub summary: String,
    /// How many outputs, inputs or sensors; they count from 1.
    pub channels: u32,
    /// How the session behaves.
    pub session: SessionSettings,
    pub(crate) samples: Option<Samples>,
    pub(crate) operations: BTreeMap<String, Operation>,
}

/// A dialect file that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DialectError {
    /// The file.
    pub file: String,
    /// Line, from 1; None when the whole file is meant.
    pub line: Option<usize>,
    /// Column in characters, from 1.
    pub column: Option<usize>,
    /// What is wrong and what would be right.
    pub text: String,
}

impl std::error::Error for DialectError {}

impl fmt::Display for DialectError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.file)?;
        if let (Some(line), Some(column)) = (self.line, self.column) {
            write!(f, ":{line}:{column}")?;
        }
        write!(f, ": {}", self.text)
    }
}

/// How one operation is said.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Operation {
    #[serde(default)]
    pub(crate) write: Messages,
    pub(crate) query: Option<String>,
    unit: Option<String>,
    /// Number on the wire = our number × scale.
    #[serde(default = "one")]
    pub(crate) scale: f64,
    #[serde(default)]
    pub(crate) completion: Completion,
    pub(crate) timeout_ms: Option<u64>,
    pub(crate) verify: Option<Verify>,
}

fn one() -> f64 {
    1.0
}

/// One message or several, sent in order.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(untagged)]
pub(crate) enum Messages {
    One(String),
    Many(Vec<String>),
}

impl Default for Messages {
    fn default() -> Self {
        Messages::Many(Vec::new())
    }
}

impl Messages {
    pub(crate) fn list(&self) -> &[String] {
        match self {
            Messages::One(one) => std::slice::from_ref(one),
            Messages::Many(many) => many,
        }
    }
}

/// How one knows that an operation has taken effect.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Completion {
    #[default]
    None,
    OpcQuery,
    DelayMs(u64),
}

/// A read-back after a setting.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Verify {
    pub(crate) query: String,
    /// For a state or a word.
    pub(crate) expect: Option<String>,
    /// Allowed deviation, % of the value set.
    pub(crate) within_pct: Option<f64>,
    /// Allowed deviation, in the unit on the wire; added to the other.
    pub(crate) within_abs: Option<f64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    name: String,
    role: Role,
    summary: String,
    channels: Spanned<u32>,
    #[serde(default)]
    session: SessionSettings,
    samples: Option<Spanned<Samples>>,
    operations: Spanned<BTreeMap<Spanned<String>, Spanned<Operation>>>,
}

/// The shipped dialect of that name.
///
/// # Errors
/// When there is none (the names there are get listed).
pub fn shipped(name: &str) -> Result<Dialect, DialectError> {
    match SHIPPED.iter().find(|(file, _)| file.strip_suffix(".toml") == Some(name)) {
        Some((file, text)) => Dialect::parse(file, text),
        None => {
            let names: Vec<&str> =
                SHIPPED.iter().filter_map(|(file, _)| file.strip_suffix(".toml")).collect();
            let text = format!("no such dialect is built in; there are {}", names.join(", "));
            Err(DialectError { file: name.to_string(), line: None, column: None, text })
        }
    }
}

/// All shipped dialects.
///
/// # Errors
/// The first that is not valid.
pub fn shipped_all() -> Result<Vec<Dialect>, DialectError> {
    SHIPPED.iter().map(|(file, text)| Dialect::parse(file, text)).collect()
}

impl Dialect {
    /// Reads a dialect file.
    ///
    /// # Errors
    /// The file cannot be read, or is not valid; with line and column.
    pub fn load(path: &Path) -> Result<Dialect, DialectError> {
        let file = path.display().to_string();
        let text = wattproof_texts::read_text(path).map_err(|error| DialectError {
            file: file.clone(),
            line: None,
            column: None,
            text: format!("{error}; check the path in the bench file"),
        })?;
        Dialect::parse(&file, &text)
    }

    /// Reads a dialect from text; `file` is only for the error.
    ///
    /// # Errors
    /// The text is not valid; with line and column.
    pub fn parse(file: &str, text: &str) -> Result<Dialect, DialectError> {
        let at = |span: Option<Range<usize>>, words: String| {
            let place = span.map(|span| place(text, span.start));
            let (line, column) = (place.map(|p| p.0), place.map(|p| p.1));
            DialectError { file: file.to_string(), line, column, text: words }
        };
        let written: Written =
            toml::from_str(text).map_err(|error| at(error.span(), error.message().to_string()))?;
        if *written.channels.get_ref() == 0 {
            return Err(at(
                Some(written.channels.span()),
                "channels = 0: an instrument has at least one".into(),
            ));
        }
        let known = operations(written.role);
        let all = written.operations.span();
        let mut checked = BTreeMap::new();
        for (name, operation) in written.operations.into_inner() {
            let spec = known.iter().find(|spec| spec.name == name.get_ref()).ok_or_else(|| {
                let names: Vec<&str> = known.iter().map(|spec| spec.name).collect();
                let words = format!("a {} has no operation `{}`", written.role, name.get_ref());
                at(Some(name.span()), format!("{words}; it has {}", names.join(", ")))
            })?;
            let span = operation.span();
            let operation = operation.into_inner();
            if let Some(words) = complaint(spec, &operation) {
                return Err(at(Some(span), words));
            }
            checked.insert(name.into_inner(), operation);
        }
        if let Some(spec) = known.iter().find(|spec| spec.required && !checked.contains_key(spec.name)) {
            let words = format!("a {} needs [operations.{}]", written.role, spec.name);
            return Err(at(Some(all), words));
        }
        let samples = match (written.role, written.samples) {
            (Role::Digitizer, None) => return Err(at(None, "a digitizer needs [samples]".into())),
            (Role::Digitizer, Some(samples)) => match samples.get_ref().complaint() {
                Some(words) => return Err(at(Some(samples.span()), words)),
                None => Some(samples.into_inner()),
            },
            (role, Some(samples)) => {
                return Err(at(Some(samples.span()), format!("a {role} takes no samples: remove the table")));
            }
            (_, None) => None,
        };
        Ok(Dialect {
            name: written.name,
            role: written.role,
            summary: written.summary,
            channels: written.channels.into_inner(),
            session: written.session,
            samples,
            operations: checked,
        })
    }

    /// The unit of an operation's number on the wire, for people.
    pub fn unit(&self, operation: &str) -> Option<&str> {
        self.operations.get(operation)?.unit.as_deref()
    }

    /// Whether the dialect has that operation. Those a role requires are always there.
    pub fn can(&self, operation: &str) -> bool {
        self.operations.contains_key(operation)
    }
}

/// What is wrong with an operation, if anything.
fn complaint(spec: &OperationSpec, operation: &Operation) -> Option<String> {
    let name = spec.name;
    let written = operation.write.list();
    match (spec.asks, &operation.query, written.is_empty()) {
        (true, None, _) => return Some(format!("{name} asks: it needs `query`")),
        (true, _, false) => return Some(format!("{name} asks: it has no `write`")),
        (false, Some(_), _) => {
            return Some(format!("{name} tells: a read-back goes into `verify`, not `query`"));
        }
        (false, None, true) => return Some(format!("{name} tells: it needs `write`")),
        _ => {}
    }
    if !(operation.scale.is_finite() && operation.scale != 0.0) {
        return Some(format!("{name}: scale = {} is not a usable factor", operation.scale));
    }
    let mut carries_value = false;
    for message in written.iter().chain(&operation.query) {
        if let Some(words) = unclean(message) {
            return Some(format!("{name}: {words}"));
        }
        match placeholders(message) {
            Err(words) => return Some(format!("{name}: {words}")),
            Ok(names) => {
                for placeholder in names {
                    if Some(placeholder) == spec.value {
                        carries_value = true;
                    } else if !(spec.channel && placeholder == "channel") {
                        return Some(format!(
                            "{name}: {{{placeholder}}} means nothing here; {}",
                            known_names(spec)
                        ));
                    }
                }
            }
        }
    }
    if let Some(value) = spec.value.filter(|_| !carries_value) {
        return Some(format!("{name}: no message carries {{{value}}}"));
    }
    operation.verify.as_ref().and_then(|verify| verify_complaint(spec, verify))
}

fn known_names(spec: &OperationSpec) -> String {
    match (spec.channel, spec.value) {
        (true, Some(value)) => format!("use {{channel}} and {{{value}}}"),
        (true, None) => "use {channel}".to_string(),
        (false, Some(value)) => format!("use {{{value}}}"),
        (false, None) => "it takes none".to_string(),
    }
}

/// A message is one line of printable ASCII.
fn unclean(message: &str) -> Option<String> {
    if message.trim().is_empty() {
        return Some("an empty message".to_string());
    }
    let bad = message.chars().find(|c| !matches!(c, ' '..='~'))?;
    Some(format!("`{}` holds {bad:?}: a message is one line of printable ASCII", message.escape_debug()))
}

fn verify_complaint(spec: &OperationSpec, verify: &Verify) -> Option<String> {
    let name = spec.name;
    if spec.asks {
        return Some(format!("{name} asks: there is nothing to verify"));
    }
    if let Some(words) = unclean(&verify.query) {
        return Some(format!("{name}: verify: {words}"));
    }
    match placeholders(&verify.query) {
        Err(words) => return Some(format!("{name}: verify: {words}")),
        Ok(names) => {
            if let Some(other) = names.iter().find(|n| !(spec.channel && **n == "channel")) {
                return Some(format!("{name}: verify: {{{other}}} means nothing in a read-back"));
            }
        }
    }
    let tolerances = [verify.within_pct, verify.within_abs];
    if tolerances.iter().flatten().any(|t| !(t.is_finite() && *t >= 0.0)) {
        return Some(format!("{name}: verify: a tolerance is a number from 0 up"));
    }
    let tolerant = tolerances.iter().any(Option::is_some);
    match (verify.expect.is_some(), tolerant) {
        (true, true) => Some(format!("{name}: verify: either `expect` or a tolerance")),
        (false, false) => Some(format!("{name}: verify: give `expect`, `within_pct` or `within_abs`")),
        (false, true) if spec.value.is_none() => {
            Some(format!("{name}: verify: no number is set here, so give `expect`"))
        }
        _ => None,
    }
}

/// Line and column, both from 1, of a byte of a text.
fn place(text: &str, byte: usize) -> (usize, usize) {
    let before = text.get(..byte).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().unwrap_or_default().chars().count() + 1;
    (line, column)
}
