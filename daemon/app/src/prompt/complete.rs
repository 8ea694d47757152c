//! Completion of the names of functions at the prompt.

use rustyline::completion::{Completer, Pair};
use rustyline::highlight::Highlighter;
use rustyline::hint::Hinter;
use rustyline::validate::Validator;
use rustyline::{Context, Helper, Result};

/// Completes names that begin as what is typed.
pub struct Names(Vec<(&'static str, String)>);

impl Names {
    /// Every function that a script can call, with how it is called.
    pub fn all() -> Self {
        Names(wattproof_runs::script_usages())
    }
}

impl Completer for Names {
    type Candidate = Pair;

    fn complete(&self, line: &str, at: usize, _: &Context<'_>) -> Result<(usize, Vec<Pair>)> {
        let before = line.get(..at).unwrap_or_default();
        let word = before.rsplit(|c: char| !(c.is_alphanumeric() || c == '_')).next().unwrap_or_default();
        let found = self.0.iter().filter(|(name, _)| !word.is_empty() && name.starts_with(word));
        let pair =
            |(name, usage): &(&str, String)| Pair { display: usage.clone(), replacement: format!("{name}(") };
        Ok((at - word.len(), found.map(pair).collect()))
    }
}

impl Hinter for Names {
    type Hint = String;
}
impl Highlighter for Names {}
impl Validator for Names {}
impl Helper for Names {}

#[cfg(test)]
mod tests {
    use rustyline::history::DefaultHistory;

    use super::*;

    #[test]
    fn a_name_is_completed_where_it_is_typed() {
        let history = DefaultHistory::new();
        let found = |line: &str| {
            let (at, pairs) = Names::all().complete(line, line.len(), &Context::new(&history)).unwrap();
            (at, pairs.into_iter().map(|pair| pair.replacement).collect::<Vec<_>>())
        };
        assert_eq!(found("let c = find_c"), (8, vec!["find_ceiling(".to_string()]));
        assert!(found("capt").1.len() >= 3 && found("").1.is_empty());
    }
}
