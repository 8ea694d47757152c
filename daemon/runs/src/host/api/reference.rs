//! The reference for people, as Markdown: how a script is laid out, every function, every field.

use std::fmt::Write;

use super::check::{told, usage};
use super::shapes::Holds;
use super::{Argument, Function, Gives, Key, SUBJECTS, Shape, Takes, shapes};
use crate::host::units::{SUFFIXES, unit_in, unit_of};

/// What is told before the functions.
pub const HEAD: &str = include_str!("head.md");
/// What is told after them.
const TAIL: &str = include_str!("tail.md");

/// The reference's text.
pub fn reference() -> String {
    let mut text = HEAD.replace("<!-- units -->\n", &units());
    index(&mut text);
    for (subject, functions) in SUBJECTS {
        let _ = writeln!(text, "\n## {subject}");
        for function in functions {
            write_function(&mut text, function);
        }
    }
    text.push_str("\n## What maps hold\n\nA field that may be `()` is always there: `if reading.thdn_pct == () { … }`.\nWhat could not be told is `()`, never 0. A misspelt field is an error that names the right one.\n");
    for shape in shapes() {
        write_shape(&mut text, shape);
    }
    text.push('\n');
    text.push_str(TAIL);
    text
}

fn units() -> String {
    let mut text = String::from(
        "| last word | unit | last word | unit | last word | unit |\n| --- | --- | --- | --- | --- | --- |\n",
    );
    for row in SUFFIXES.chunks(3) {
        let cells: Vec<String> = row.iter().map(|(word, unit)| format!("`_{word}` | {unit}")).collect();
        let missing = 3 - cells.len();
        let _ = writeln!(text, "| {}{} |", cells.join(" | "), " | |".repeat(missing));
    }
    text
}

fn index(text: &mut String) {
    text.push_str("\n## Every function\n\n| function | what it is about |\n| --- | --- |\n");
    for (subject, functions) in SUBJECTS {
        for function in functions {
            let first = function.what.split_inclusive(". ").next().unwrap_or_default().trim();
            let _ = writeln!(
                text,
                "| [`{}`](#{}) | {subject}: {first} |",
                usage(function),
                anchor(&usage(function))
            );
        }
    }
}

/// A map's heading is not that of a function of its name.
fn shape_anchor(shape: &Shape) -> String {
    anchor(&format!("Fields: {}", shape.name))
}

/// The anchor of a heading in code, as those who show Markdown make it: letters, digits, underlines and dashes stay, in
/// small letters, spaces become dashes.
pub fn anchor(heading: &str) -> String {
    let kept = heading.chars().filter(|c| c.is_alphanumeric() || matches!(c, '_' | '-' | ' '));
    kept.map(|c| if c == ' ' { '-' } else { c.to_ascii_lowercase() }).collect()
}

fn write_function(text: &mut String, function: &Function) {
    let _ = writeln!(text, "\n### `{}`\n\n{}\n", usage(function), function.what);
    let keys: Vec<(&Key, bool)> = function
        .arguments
        .iter()
        .flat_map(|argument| match argument {
            Argument::Plain(key) => {
                std::slice::from_ref(key).iter().map(|key| (key, false)).collect::<Vec<_>>()
            }
            Argument::Map(keys) => keys.iter().map(|key| (key, true)).collect(),
        })
        .collect();
    if !keys.is_empty() {
        text.push_str("| argument | takes | unit | what it is |\n| --- | --- | --- | --- |\n");
    }
    for (key, in_map) in keys {
        let needed = match (in_map, key.needed) {
            (true, true) => " (needed)",
            _ => "",
        };
        let _ = writeln!(
            text,
            "| `{}`{needed} | {} | {} | {} |",
            key.name,
            takes(key.takes),
            unit_of(key.name),
            key.what
        );
    }
    let gives = match function.gives {
        Gives::Nothing => "nothing, `()`".into(),
        Gives::Number(what) | Gives::Value(what) => what.into(),
        Gives::Map(shape) => format!("a [{}](#{})", shape.name, shape_anchor(shape)),
        Gives::Maps(shape, what) => {
            format!("a list of [{}](#{}) maps, {what}", shape.name, shape_anchor(shape))
        }
    };
    let blank = if function.arguments.is_empty() { "" } else { "\n" };
    let _ = writeln!(text, "{blank}Gives: {gives}. Since version {}.", function.since);
    if !function.fails.is_empty() {
        let _ = writeln!(text, "\nFails: {}", function.fails);
    }
    let _ = writeln!(text, "\n```rust\n{}\n```", function.example.trim());
}

/// What is taken; of what is set on the bench, who judges it.
fn takes(takes: Takes) -> String {
    let judged = matches!(takes, Takes::Setpoint | Takes::Setpoints);
    format!("{}{}", told(takes), if judged { ", within the limits of the bench file" } else { "" })
}

fn write_shape(text: &mut String, shape: &Shape) {
    let what = shape.what.chars().next().map(|first| first.to_uppercase().chain(shape.what.chars().skip(1)));
    let what: String = what.into_iter().flatten().collect();
    let _ = writeln!(
        text,
        "\n### Fields: {}\n\n{what}.\n\n| field | holds | unit | what it is |\n| --- | --- | --- | --- |",
        shape.name
    );
    for field in shape.fields {
        let holds = match field.holds {
            Holds::Number => "number".into(),
            Holds::MayNumber => "number or `()`".into(),
            Holds::Sometimes => "number, or left out".into(),
            Holds::Whole => "whole number".into(),
            Holds::MayWhole => "whole number or `()`".into(),
            Holds::Text | Holds::TextElse(_) => "text".into(),
            Holds::MayText => "text or `()`".into(),
            Holds::Flag => "true or false".into(),
            Holds::MayFlag => "true, false or `()`".into(),
            Holds::Numbers => "list of numbers".into(),
            Holds::MayPair => "list of two numbers, or `()`".into(),
            Holds::MayNumbers => "list of numbers, `()` among them".into(),
            Holds::Texts => "list of texts".into(),
            Holds::Map(inner) => format!("[{}](#{})", inner.name, shape_anchor(inner)),
            Holds::MayMap(inner) => format!("[{}](#{}) or `()`", inner.name, shape_anchor(inner)),
            Holds::Maps(inner) => format!("list of [{}](#{})", inner.name, shape_anchor(inner)),
            Holds::Untold => "map or list, for the record".into(),
        };
        let _ = writeln!(text, "| `{}` | {holds} | {} | {} |", field.name, unit_in(field.name), field.what);
    }
}
