//! Every function that a script can call, described once: what it takes with units and limits, what it gives, why it
//! can fail, and an example. From here come the functions' registration, the check of their arguments, the reference
//! for people and the definitions for editors; nothing about a function is told in two places.
//!
//! In come calls, out come refusals; or nothing comes in, and texts come out. It knows no bench. A file a subject; what
//! maps hold is in `shapes`.

mod arithmetic;
mod bench;
mod captures;
mod check;
mod complete;
mod definitions;
mod drives;
mod findings;
mod ratings;
mod reference;
mod rest;
mod script;
mod shapes;

pub use check::{check, usages};
pub use complete::complete;
pub use definitions::definitions;
pub use reference::reference;
pub use shapes::{Holds, Shape};

/// A function.
#[derive(Debug)]
pub struct Function {
    /// Its name. One that takes arguments of several kinds is told once for each.
    pub name: &'static str,
    /// What it takes, in order.
    pub arguments: &'static [Argument],
    /// What it gives.
    pub gives: Gives,
    /// What it does, in sentences.
    pub what: &'static str,
    /// Why it can fail, and what happens then, beyond what holds for all.
    pub fails: &'static str,
    /// A script that can be performed as it stands.
    pub example: &'static str,
    /// The version of the functions since which it is there.
    pub since: u32,
    /// Who carries it out.
    pub by: By,
}

/// Who carries out a function.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    /// The host: the call is recorded.
    Host,
    /// The script's own process: nothing is asked of anybody.
    Script,
}

/// One argument.
#[derive(Debug)]
pub enum Argument {
    /// A map of settings, `#{ key: value }`.
    Map(&'static [Key]),
    /// A single value.
    Plain(Key),
}

/// A setting of a map, or a single value. Its unit is the last word of its name.
#[derive(Debug)]
pub struct Key {
    /// Its name.
    pub name: &'static str,
    /// What it takes.
    pub takes: Takes,
    /// Whether it must be there.
    pub needed: bool,
    /// What it is; what holds where it is left out.
    pub what: &'static str,
    /// Other names that a person may try, for which this one is meant.
    pub also: &'static [&'static str],
}

/// What an argument takes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Takes {
    /// A number from the first to the second.
    Number(f64, f64),
    /// A finite number, or `()` for what could not be told.
    MayNumber,
    /// Something that is set on the bench: any number here, since the guard alone judges it, and a run that wants what it
    /// may not have ends.
    Setpoint,
    /// A list of such.
    Setpoints,
    /// A whole number, a float without a fraction too.
    Whole(f64, f64),
    /// true or false.
    Flag,
    /// One of these words.
    Word(&'static [&'static str]),
    /// Any text.
    Text,
    /// A list of texts.
    Texts,
    /// A map that another function gave.
    Given(&'static Shape),
    /// Anything that can be recorded: numbers, texts, true and false, lists and maps of them, `()`.
    Anything,
}

/// What a function gives.
#[derive(Debug, Clone, Copy)]
pub enum Gives {
    /// Nothing, `()`.
    Nothing,
    /// A number: what it is, with its unit.
    Number(&'static str),
    /// The value that was set, of the kind of the default.
    Value(&'static str),
    /// A map.
    Map(&'static Shape),
    /// A list of such maps: what each stands for.
    Maps(&'static Shape, &'static str),
}

/// The subjects in the order in which they are told, each with its functions.
pub const SUBJECTS: [(&str, &[Function]); 8] = [
    ("The script itself", script::FUNCTIONS),
    ("Setting the bench", bench::FUNCTIONS),
    ("Captures", captures::FUNCTIONS),
    ("Bursts, two tones and noise", drives::FUNCTIONS),
    ("Ratings", ratings::FUNCTIONS),
    ("Findings and clips", findings::FUNCTIONS),
    ("The bench, and outputs at rest", rest::FUNCTIONS),
    ("Arithmetic", arithmetic::FUNCTIONS),
];

/// Every function.
pub fn functions() -> impl Iterator<Item = &'static Function> {
    SUBJECTS.iter().flat_map(|(_, functions)| functions.iter())
}

/// Every example with how its function is called, and the first script of the reference.
pub fn examples() -> Vec<(String, &'static str)> {
    let first = reference::HEAD.split("```rust\n").nth(1).and_then(|rest| rest.split("```").next());
    let of_functions = functions().map(|function| (check::usage(function), function.example));
    first.into_iter().map(|script| ("the first script".to_string(), script)).chain(of_functions).collect()
}

/// Every way in which a function is called, with its name.
pub fn all_usages() -> Vec<(&'static str, String)> {
    functions().map(|function| (function.name, check::usage(function))).collect()
}

/// Every name with a number of arguments that the host answers, each once.
pub fn calls() -> Vec<(&'static str, usize)> {
    let mut calls: Vec<_> = functions()
        .filter(|function| function.by == By::Host)
        .map(|function| (function.name, function.arguments.len()))
        .collect();
    calls.sort_unstable();
    calls.dedup();
    calls
}

/// Whether a function of this name asks for bench, nameplate or record, so that no parameter may come after it.
pub fn asks_bench(name: &str) -> bool {
    name != "param" && functions().any(|function| function.name == name && function.by == By::Host)
}

/// Every kind of map that functions give, each once.
pub fn shapes() -> Vec<&'static Shape> {
    let mut known = Vec::new();
    for function in functions() {
        match function.gives {
            Gives::Map(shape) | Gives::Maps(shape, _) => shape.with_inner(&mut known),
            _ => {}
        }
    }
    known
}

#[cfg(test)]
mod tests;
