//! Slips of the pen in a script, told with what is meant: fields that a map does not have, functions that there are not,
//! names that were not declared.

use rhai::{AST, Engine, EvalAltResult, ParseErrorType, Position};

use super::api::{Shape, calls, shapes, usages};
use super::nearest::perhaps;

/// Makes it an error to compare `()` with a number: the engine would say that it is neither above nor below, and what could
/// not be told would pass for good.
pub fn refuse_comparing_nothing(engine: &mut Engine) {
    fn refused(operator: &'static str) -> Result<bool, Box<EvalAltResult>> {
        let why = format!(
            "{operator} is not for () and a number: () is what could not be told; compare with == () first"
        );
        Err(EvalAltResult::ErrorRuntime(why.into(), Position::NONE).into())
    }
    // Else the engine does not look for what is registered here.
    engine.set_fast_operators(false);
    for operator in ["<", "<=", ">", ">="] {
        engine.register_fn(operator, move |(): (), _: f64| refused(operator));
        engine.register_fn(operator, move |(): (), _: i64| refused(operator));
        engine.register_fn(operator, move |_: f64, (): ()| refused(operator));
        engine.register_fn(operator, move |_: i64, (): ()| refused(operator));
    }
}

/// A script whose errors are put into words.
pub struct Slips<'a> {
    engine: &'a Engine,
    source: &'a str,
    /// The script's own functions.
    own: Vec<String>,
}

impl<'a> Slips<'a> {
    /// Of a script that an engine performs.
    pub fn new(engine: &'a Engine, source: &'a str, ast: &AST) -> Self {
        let own = ast.iter_functions().map(|function| function.name.to_string()).collect();
        Slips { engine, source, own }
    }

    /// What is said of a field that a map does not have. Which map it was the engine does not say: what it may have been is
    /// found among the fields that functions give and the keys that the script writes.
    pub fn missing_field(&self, name: &str) -> String {
        let ask = format!("`\"{name}\" in map` asks whether a map has it");
        let holders: Vec<&Shape> = shapes()
            .into_iter()
            .filter(|shape| shape.fields.iter().any(|field| field.name == name))
            .collect();
        if let Some(shape) = holders.first() {
            let others: Vec<&str> = holders.iter().map(|shape| shape.name).collect();
            let inner = match shape.name {
                "reading" => {
                    "; capture() gives a step, whose readings are step.channels[0].reading and so on"
                }
                "channel" => "; capture() gives a step, whose channels are step.channels[0] and so on",
                _ => "",
            };
            return format!(
                "this map has no {name}, which is a field of a {}{inner}; {ask}",
                others.join(", ")
            );
        }
        let fields = shapes().into_iter().flat_map(|shape| shape.fields).map(|field| field.name);
        let hint = perhaps(name, fields.chain(keys(self.source)).filter(|key| *key != name));
        format!("there is no {name} in this map{hint}; {ask}")
    }

    /// What is said of a property of what is no map.
    pub fn no_map(&self, told: &str) -> String {
        match told.split('\'').collect::<Vec<_>>().as_slice() {
            [_, name, _, "()", ..] => format!(
                "there is nothing to ask for {name}: what stands before it is (), as of what could not be told; compare it with () first"
            ),
            _ => told.to_string(),
        }
    }

    /// What is said of a function that there is not, by the engine's `signature`.
    pub fn missing_function(&self, signature: &str) -> String {
        let (own, engine) = (&self.own, self.engine);
        let (name, given) = signature.split_once(" (").unwrap_or((signature, ""));
        let given = given.trim_end_matches(')');
        if !name.starts_with(|c: char| c.is_alphabetic() || c == '_') {
            let kinds = in_words(given);
            let hint = if given.split(", ").any(|kind| kind == "()") {
                "; () is what could not be told: compare with == () first"
            } else {
                ""
            };
            return format!("{name} is not for {kinds}{hint}");
        }
        if calls().iter().any(|(known, _)| *known == name) || own.iter().any(|known| known == name) {
            let count = given.split(", ").filter(|kind| !kind.is_empty()).count();
            return format!("there is no function {name}() of {count} arguments{}", ways(name));
        }
        let built_in = engine.gen_fn_signatures(true);
        let built_in: Vec<&str> =
            built_in.iter().filter_map(|signature| signature.split_once('(')).map(|(name, _)| name).collect();
        if built_in.contains(&name) {
            return format!(
                "there is no function {name}() for {}: see of what kind its values are",
                in_words(given)
            );
        }
        let all = calls().into_iter().map(|(name, _)| name).chain(own.iter().map(String::as_str));
        let all = all.chain(
            built_in.iter().copied().filter(|name| name.starts_with(|c: char| c.is_ascii_lowercase())),
        );
        let hint = perhaps(name, all);
        format!("there is no function {name}(){hint}: scripts/REFERENCE.md tells those there are")
    }
}

fn ways(name: &str) -> String {
    let ways = usages(name);
    if ways.is_empty() { String::new() } else { format!(": call {}", ways.join(" or ")) }
}

/// The engine's words for kinds of values in ours.
fn in_words(kinds: &str) -> String {
    let word = |kind: &str| {
        match kind.trim_start_matches("&mut ") {
            "i64" => "a whole number",
            "f64" => "a number",
            "bool" => "true or false",
            "array" => "a list",
            "map" => "a map",
            "()" => "()",
            "&str | ImmutableString | String" | "&str" | "string" | "ImmutableString" => "a text",
            other => other,
        }
        .to_string()
    };
    kinds.split(", ").map(word).collect::<Vec<_>>().join(" and ")
}

/// What is said of a script that does not parse.
pub fn unparsed(error: &ParseErrorType, source: &str) -> String {
    match error {
        ParseErrorType::VariableUndefined(name) => {
            let hint = perhaps(name, declared(source).into_iter().filter(|known| known != name));
            format!(
                "there is no variable {name} here{hint}: declare it with let before it is used; a function sees its arguments alone"
            )
        }
        other => other.to_string(),
    }
}

/// Names that a text declares anywhere.
fn declared(source: &str) -> Vec<&str> {
    let word = |c: char| !(c.is_alphanumeric() || c == '_');
    let mut words = source.split(word).filter(|word| !word.is_empty());
    let mut found = Vec::new();
    while let Some(one) = words.next() {
        if matches!(one, "let" | "const" | "for") {
            found.extend(words.next());
        }
    }
    found
}

/// Keys that a text writes into maps, or as fields after a point.
fn keys(source: &str) -> Vec<&str> {
    let word = |c: char| c.is_alphanumeric() || c == '_';
    let before_colon = source.split(':').filter_map(|piece| {
        let piece = piece.trim_end();
        let from = piece
            .rfind(|c: char| !word(c))
            .map_or(0, |at| at + piece[at..].chars().next().map_or(1, char::len_utf8));
        piece.get(from..)
    });
    before_colon.filter(|key| key.starts_with(|c: char| c.is_alphabetic() || c == '_')).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_found_where_they_are_declared() {
        assert_eq!(declared("let a_v = 1; const B=2; for x in 0..2 { y }"), ["a_v", "B", "x"]);
        assert_eq!(keys("#{ hz: 1, own_w : 2, \"é\": 3 }"), ["hz", "own_w"]);
    }
}
