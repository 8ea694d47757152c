//! The functions as a definition file of Rhai, from which editors that speak its language server complete and explain.

use std::fmt::Write;

use super::check::told;
use super::{Argument, Function, Gives, Key, SUBJECTS, Takes};
use crate::host::units::unit_of;

/// The file's text.
pub fn definitions() -> String {
    let mut text = String::from(
        "// The functions of Wattproof's scripts, for editors. Made by `wattproof reference --write scripts`: do not edit.\n\nmodule static;\n",
    );
    for (subject, functions) in SUBJECTS {
        let _ = writeln!(text, "\n// {subject}");
        for function in functions {
            write_function(&mut text, function);
        }
    }
    text
}

fn write_function(text: &mut String, function: &Function) {
    let _ = writeln!(text, "\n/// {}", function.what);
    for argument in function.arguments {
        match argument {
            Argument::Plain(key) => write_key(text, "", key),
            Argument::Map(keys) => keys.iter().for_each(|key| write_key(text, "key ", key)),
        }
    }
    let arguments: Vec<String> = function.arguments.iter().map(argument).collect();
    let _ = writeln!(text, "fn {}({}) -> {};", function.name, arguments.join(", "), gives(function.gives));
}

fn write_key(text: &mut String, before: &str, key: &Key) {
    let unit = unit_of(key.name);
    let unit = if unit.is_empty() { String::new() } else { format!(", {unit}") };
    let _ = writeln!(text, "/// - {before}`{}` ({}{unit}): {}", key.name, told(key.takes), key.what);
}

fn argument(argument: &Argument) -> String {
    match argument {
        Argument::Map(_) => "settings: Map".into(),
        Argument::Plain(key) => {
            let kind = match key.takes {
                Takes::Number(..) | Takes::Setpoint => "float",
                Takes::Whole(..) => "int",
                Takes::Setpoints | Takes::Texts => "Array",
                Takes::Flag => "bool",
                Takes::Word(_) | Takes::Text => "String",
                Takes::Given(_) => "Map",
                Takes::Anything | Takes::MayNumber => "?",
            };
            format!("{}: {kind}", key.name)
        }
    }
}

fn gives(gives: Gives) -> &'static str {
    match gives {
        Gives::Nothing => "()",
        Gives::Number(_) => "float",
        Gives::Value(_) => "?",
        Gives::Map(_) => "Map",
        Gives::Maps(..) => "Array",
    }
}
