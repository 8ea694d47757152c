//! Dialect files: which messages a make of instrument understands for its role.

use std::collections::BTreeMap;
use std::fmt;
use std::ops::Range;
use std::path::Path;
use std::sync::OnceLock;

use serde::Deserialize;
use toml::Spanned;

use wattproof_link::{Flow, SerialChoice};

use crate::form::AnswerForm;
use crate::operation::{Complaint, Operation};
use crate::operations::operations;
use crate::role::Role;
use crate::samples::Samples;
use crate::settings::SessionSettings;

/// The dialect files built into the program: file name and text.
pub const SHIPPED: [(&str, &str); 13] = [
    ("scpi-source.toml", include_str!("../../dialects/scpi-source.toml")),
    ("scpi-load.toml", include_str!("../../dialects/scpi-load.toml")),
    ("scpi-supply.toml", include_str!("../../dialects/scpi-supply.toml")),
    ("scpi-digitizer.toml", include_str!("../../dialects/scpi-digitizer.toml")),
    ("scpi-thermometer.toml", include_str!("../../dialects/scpi-thermometer.toml")),
    ("comma-supply.toml", include_str!("../../dialects/comma-supply.toml")),
    ("echo-load.toml", include_str!("../../dialects/echo-load.toml")),
    ("kelvin-thermometer.toml", include_str!("../../dialects/kelvin-thermometer.toml")),
    ("list-digitizer.toml", include_str!("../../dialects/list-digitizer.toml")),
    ("listed-thermometer.toml", include_str!("../../dialects/listed-thermometer.toml")),
    ("packed-digitizer.toml", include_str!("../../dialects/packed-digitizer.toml")),
    ("peak-source.toml", include_str!("../../dialects/peak-source.toml")),
    ("tapped-load.toml", include_str!("../../dialects/tapped-load.toml")),
];

/// The dialect to start from, commented: file name and text. It is no dialect that a bench file can name.
pub const TEMPLATE: (&str, &str) = ("template.toml", include_str!("../../dialects/template.toml"));

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
    /// Whether an instrument may have more of them: as many as a bench file names.
    pub more_channels: bool,
    /// Instruments known to speak it: what they answer when asked who they are, or a part of it. Empty where the file
    /// names none.
    pub identities: Vec<String>,
    /// How the session behaves.
    pub session: SessionSettings,
    /// Line settings of a serial port, where the bench file does not give them.
    pub serial: SerialChoice,
    pub(crate) answer: AnswerForm,
    pub(crate) samples: Option<Samples>,
    /// The resistances that a load has, ohm, rising; empty where it is set to any.
    pub taps_ohm: Vec<f64>,
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

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    name: String,
    role: Role,
    summary: String,
    channels: Spanned<u32>,
    #[serde(default)]
    more_channels: bool,
    #[serde(default)]
    identities: Vec<Spanned<String>>,
    session: Option<Spanned<SessionSettings>>,
    serial: Option<Spanned<SerialChoice>>,
    answer: Option<Spanned<AnswerForm>>,
    samples: Option<Spanned<Samples>>,
    taps_ohm: Option<Spanned<Vec<f64>>>,
    operations: Spanned<BTreeMap<Spanned<String>, Spanned<Operation>>>,
}

/// The shipped dialect of that name.
///
/// # Errors
/// When there is none (the names there are get listed).
pub fn shipped(name: &str) -> Result<Dialect, DialectError> {
    match shipped_each().find(|(file, _)| file.strip_suffix(".toml") == Some(name)) {
        Some((_, dialect)) => dialect.clone(),
        None => {
            let names: Vec<&str> =
                SHIPPED.iter().filter_map(|(file, _)| file.strip_suffix(".toml")).collect();
            let text = format!("no such dialect is built in; there are {}", names.join(", "));
            Err(DialectError { file: name.to_string(), line: None, column: None, text })
        }
    }
}

/// Every shipped file with its dialect, each parsed once and when it is first looked at.
fn shipped_each() -> impl Iterator<Item = (&'static str, &'static Result<Dialect, DialectError>)> {
    static PARSED: [OnceLock<Result<Dialect, DialectError>>; SHIPPED.len()] =
        [const { OnceLock::new() }; SHIPPED.len()];
    SHIPPED
        .iter()
        .zip(&PARSED)
        .map(|((file, text), parsed)| (*file, parsed.get_or_init(|| Dialect::parse(file, text))))
}

/// All shipped dialects.
///
/// # Errors
/// The first that is not valid.
pub fn shipped_all() -> Result<Vec<Dialect>, DialectError> {
    shipped_each().map(|(_, dialect)| dialect.clone()).collect()
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
        if let Some(empty) =
            written.identities.iter().find(|one| one.get_ref().replace(',', "").trim().is_empty())
        {
            let words =
                "an empty identity would be anybody's: write what the instrument answers, or a part of it";
            return Err(at(Some(empty.span()), words.into()));
        }
        let at_key = |span: Range<usize>, (key, words): Complaint| {
            let start = key_place(text, &span, key);
            at(Some(start..start), words)
        };
        let (session, span) = parts(written.session);
        if let Some(complaint) = session.complaint() {
            return Err(at_key(span, complaint));
        }
        let (serial, span) = parts(written.serial);
        if let Some(complaint) = serial.complaint().or_else(|| flow_complaint(&serial, written.role)) {
            return Err(at_key(span, complaint));
        }
        let (answer, span) = parts(written.answer);
        if let Some(complaint) = answer.complaint() {
            return Err(at_key(span, complaint));
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
            if let Some(complaint) = operation.complaint(spec, &session) {
                return Err(at_key(span, complaint));
            }
            checked.insert(name.into_inner(), operation);
        }
        if let Some(spec) = known.iter().find(|spec| spec.required && !checked.contains_key(spec.name)) {
            let words = format!("a {} needs [operations.{}]", written.role, spec.name);
            return Err(at(Some(all), words));
        }
        let samples = match (written.role, written.samples) {
            (Role::Digitizer, None) => return Err(at(None, "a digitizer needs [samples]".into())),
            (Role::Digitizer, Some(samples)) => match samples.get_ref().complaint(&checked) {
                Some(complaint) => return Err(at_key(samples.span(), complaint)),
                None => Some(samples.into_inner()),
            },
            (role, Some(samples)) => {
                return Err(at(Some(samples.span()), format!("a {role} takes no samples: remove the table")));
            }
            (_, None) => None,
        };
        let taps = written.taps_ohm.as_ref();
        let words = taps_complaint(written.role, taps.map(|taps| taps.get_ref().as_slice()), &checked);
        if let Some(words) = words {
            return Err(at(Some(taps.map_or(all, Spanned::span)), words));
        }
        Ok(Dialect {
            name: written.name,
            role: written.role,
            summary: written.summary,
            channels: written.channels.into_inner(),
            more_channels: written.more_channels,
            identities: written.identities.into_iter().map(Spanned::into_inner).collect(),
            session,
            serial,
            answer,
            samples,
            taps_ohm: written.taps_ohm.map(Spanned::into_inner).unwrap_or_default(),
            operations: checked,
        })
    }

    /// For an instrument of which channels up to `highest` are used: it has as many, if it may have more than usual.
    #[must_use]
    pub fn up_to_channel(mut self, highest: u32) -> Self {
        if self.more_channels {
            self.channels = self.channels.max(highest);
        }
        self
    }

    /// The unit of an operation's number on the wire, for people.
    pub fn unit(&self, operation: &str) -> Option<&str> {
        self.operations.get(operation)?.unit.as_deref()
    }

    /// Whether a record is fetched channel by channel.
    pub(crate) fn fetches_each(&self) -> bool {
        let query = self.operations.get("fetch").and_then(|fetch| fetch.query.as_deref());
        query.is_some_and(|query| query.contains("{channel}"))
    }

    /// Whether a message is one of the dialect's questions, whatever stands in place of a placeholder.
    pub(crate) fn asks(&self, message: &str) -> bool {
        let questions = self.operations.values().filter_map(|operation| operation.query.as_deref());
        questions.chain([self.session.identify.as_str()]).any(|question| said_as(question, message))
    }

    /// Whether a load is told the number of a tap, from 1, rather than its resistance.
    pub(crate) fn names_taps(&self) -> bool {
        self.operations.get("set_ohm").is_some_and(names_taps)
    }

    /// Whether the dialect has that operation. Those a role requires are always there.
    pub fn can(&self, operation: &str) -> bool {
        self.operations.contains_key(operation)
    }
}

/// Whether a message could have come from a template.
fn said_as(template: &str, message: &str) -> bool {
    let mut rest = message;
    let mut template = template;
    while let Some((before, inside)) = template.split_once('{') {
        let Some(after) = rest.strip_prefix(before) else { return false };
        let tail = inside.split_once('}').map_or("", |(_, tail)| tail);
        let next = tail.split('{').next().unwrap_or_default();
        let end = if next.is_empty() { Some(after.len()) } else { after.find(next) };
        match end {
            Some(end) if end > 0 => rest = after.get(end..).unwrap_or_default(),
            _ => return false,
        }
        template = tail;
    }
    rest == template
}

/// A table and its place; where it is missing, the defaults and the start of the file.
fn parts<T: Default>(table: Option<Spanned<T>>) -> (T, Range<usize>) {
    table.map_or_else(Default::default, |table| {
        let span = table.span();
        (table.into_inner(), span)
    })
}

/// Whether its messages carry the number of a tap.
fn names_taps(set_ohm: &Operation) -> bool {
    set_ohm.write.list().iter().any(|message| message.contains("{tap}"))
}

/// What is wrong with the taps of a load, if anything.
fn taps_complaint(
    role: Role,
    taps_ohm: Option<&[f64]>,
    operations: &BTreeMap<String, Operation>,
) -> Option<String> {
    let set_ohm = operations.get("set_ohm");
    let by_number = set_ohm.is_some_and(names_taps);
    let Some(taps_ohm) = taps_ohm else {
        return by_number.then(|| {
            "set_ohm names {tap}: say which there are, such as taps_ohm = [2.0, 4.0, 8.0]".to_string()
        });
    };
    if role != Role::Load {
        return Some(format!("a {role} has no taps: remove taps_ohm"));
    }
    let both = set_ohm.is_some_and(|set| set.write.list().iter().any(|message| message.contains("{ohm}")));
    if by_number && both {
        return Some("set_ohm carries {ohm} and {tap}: keep the one that the load understands".to_string());
    }
    let positive = taps_ohm.iter().all(|ohm| ohm.is_finite() && *ohm > 0.0);
    let rising = taps_ohm.windows(2).all(|pair| matches!(pair, [a, b] if a < b));
    (taps_ohm.is_empty() || !positive || !rising)
        .then(|| "taps_ohm needs one or more resistances above 0, in rising order".to_string())
}

/// Blocks may hold the bytes that XON/XOFF takes for its own.
fn flow_complaint(serial: &SerialChoice, role: Role) -> Option<Complaint> {
    let eaten = role == Role::Digitizer && serial.flow == Some(Flow::Software);
    eaten.then(|| {
        (
            "flow",
            "flow = \"software\" would take bytes out of sample blocks: use none or hardware".to_string(),
        )
    })
}

/// Where a key stands in a piece of a file, as a byte of the whole; the piece's start where it is not found.
fn key_place(text: &str, span: &Range<usize>, key: &str) -> usize {
    let piece = text.get(span.start..).unwrap_or_default();
    // A table written out goes on to the next header; the parser's span may end with its own header.
    let end = piece.match_indices("\n[").map(|(at, _)| at).find(|at| *at > 0);
    let piece = piece.get(..end.unwrap_or(piece.len()).max(span.len())).unwrap_or(piece);
    let found = piece.match_indices(key).find(|(at, _)| {
        let before = piece.get(..*at).unwrap_or_default().chars().next_back();
        let after = piece.get(at + key.len()..).unwrap_or_default().trim_start();
        before.is_none_or(|c| matches!(c, '\n' | ' ' | '\t' | '{' | ','))
            && (after.starts_with('=') || after.starts_with('.'))
    });
    span.start + found.map_or(0, |(at, _)| at)
}

/// Line and column, both from 1, of a byte of a text.
fn place(text: &str, byte: usize) -> (usize, usize) {
    let before = text.get(..byte).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().unwrap_or_default().chars().count() + 1;
    (line, column)
}
