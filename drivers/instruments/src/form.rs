//! How a value stands in an answer: what to strip, which field, which words; the `[answer]` tables of a dialect.

use serde::Deserialize;

use crate::settings::Decimal;

/// How a value stands in an answer. What is None is as in SCPI, or as the dialect's own `[answer]` says.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct AnswerForm {
    /// What stands between the fields of an answer.
    separator: Option<String>,
    /// Which field holds the value, from 1.
    field: Option<usize>,
    /// Stands before the value, in the field.
    prefix: Option<String>,
    /// Stands after the value, such as a unit.
    suffix: Option<String>,
    pub(crate) decimal: Option<Decimal>,
    /// Words for on, connected, complete.
    on: Option<Words>,
    /// Words for the opposite.
    off: Option<Words>,
    /// The value is a register of which this bit counts, from 0.
    bit: Option<u32>,
}

/// A word or several that mean the same.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(untagged)]
pub(crate) enum Words {
    One(String),
    Many(Vec<String>),
}

impl Words {
    fn list(&self) -> &[String] {
        match self {
            Words::One(one) => std::slice::from_ref(one),
            Words::Many(many) => many,
        }
    }

    fn hold(&self, text: &str) -> bool {
        self.list().iter().any(|word| word.eq_ignore_ascii_case(text))
    }
}

/// What a value's text says of a state.
pub(crate) enum Said {
    /// On or off, in the dialect's words.
    State(bool),
    /// The number whose bit counts.
    Bit(u32),
    /// The dialect has no words of its own.
    Usual,
    /// None of the dialect's words; with those that would be right.
    Neither(String),
}

impl AnswerForm {
    /// This form, and `usual` where it says nothing.
    pub(crate) fn over(&self, usual: &AnswerForm) -> AnswerForm {
        let own_field = self.field.is_some() || self.separator.is_some();
        AnswerForm {
            separator: self.separator.clone().or_else(|| usual.separator.clone()),
            field: if own_field { self.field } else { usual.field },
            prefix: self.prefix.clone().or_else(|| usual.prefix.clone()),
            suffix: self.suffix.clone().or_else(|| usual.suffix.clone()),
            decimal: self.decimal.or(usual.decimal),
            on: self.on.clone().or_else(|| usual.on.clone()),
            off: self.off.clone().or_else(|| usual.off.clone()),
            bit: self.bit.or(usual.bit),
        }
    }

    /// The value's own text.
    ///
    /// # Errors
    /// What would have been right.
    pub(crate) fn value(&self, text: &str) -> Result<String, String> {
        let mut value = text.trim();
        if let Some(field) = self.field {
            let separator = self.separator.as_deref().unwrap_or(",");
            let found = value.split(separator).nth(field.saturating_sub(1));
            value = found.ok_or_else(|| format!("{field} fields with `{separator}` between them"))?.trim();
        }
        if let Some(prefix) = self.prefix.as_deref().filter(|prefix| !prefix.is_empty()) {
            let rest = value.strip_prefix(prefix.trim());
            value = rest.ok_or_else(|| format!("`{prefix}` before the value"))?.trim();
        }
        if let Some(suffix) = self.suffix.as_deref().filter(|suffix| !suffix.is_empty()) {
            let rest = value.strip_suffix(suffix.trim());
            value = rest.ok_or_else(|| format!("`{suffix}` after the value"))?.trim();
        }
        Ok(value.to_string())
    }

    /// The same with a decimal point, for a number.
    ///
    /// # Errors
    /// What would have been right.
    pub(crate) fn number(&self, text: &str) -> Result<String, String> {
        let value = self.value(text)?;
        match self.decimal.unwrap_or_default() {
            Decimal::Point => Ok(value),
            Decimal::Comma if value.contains('.') => Err("a number with a decimal comma".to_string()),
            Decimal::Comma => Ok(value.replacen(',', ".", 1)),
        }
    }

    /// What the value's text says of a state.
    pub(crate) fn said(&self, value: &str) -> Said {
        if let Some(bit) = self.bit {
            return Said::Bit(bit);
        }
        let (Some(on), Some(off)) = (&self.on, &self.off) else { return Said::Usual };
        match (on.hold(value), off.hold(value)) {
            (true, false) => Said::State(true),
            (false, true) => Said::State(false),
            _ => Said::Neither(format!("`{}` or `{}`", on.list().join("`, `"), off.list().join("`, `"))),
        }
    }

    /// What is wrong with the form, by name, if anything.
    pub(crate) fn complaint(&self) -> Option<(&'static str, String)> {
        let texts = [("separator", &self.separator), ("prefix", &self.prefix), ("suffix", &self.suffix)];
        for (name, text) in texts {
            if text.as_ref().is_some_and(|text| !text.chars().all(|c| matches!(c, ' '..='~'))) {
                return Some((name, format!("{name}: answers are printable ASCII")));
            }
        }
        if self.separator.as_ref().is_some_and(String::is_empty) {
            return Some((
                "separator",
                "separator is empty: write what stands between the fields".to_string(),
            ));
        }
        if self.field == Some(0) {
            return Some(("field", "field = 0: fields count from 1".to_string()));
        }
        if self.field.is_some()
            && self.decimal == Some(Decimal::Comma)
            && self.separator.as_deref().unwrap_or(",") == ","
        {
            let words = "a comma can't both part fields and stand before decimals: give `separator`";
            return Some(("field", words.to_string()));
        }
        if self.bit.is_some_and(|bit| bit > 15) {
            return Some(("bit", "bit: a status register has bits 0 to 15".to_string()));
        }
        match (&self.on, &self.off) {
            (None, None) => None,
            (Some(on), Some(off)) => {
                let both = on.list().iter().find(|word| off.hold(word));
                let empty = [on, off].iter().any(|words| words.list().is_empty());
                match both {
                    Some(word) => Some(("on", format!("`{word}` can't mean both on and off"))),
                    None if empty => Some(("on", "on and off need a word each".to_string())),
                    None => None,
                }
            }
            (Some(_), None) => Some(("on", "on needs off beside it: write both words".to_string())),
            (None, Some(_)) => Some(("off", "off needs on beside it: write both words".to_string())),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn form(text: &str) -> AnswerForm {
        toml::from_str(text).unwrap()
    }

    #[test]
    fn values_are_found_in_what_stands_around_them() {
        // Common practice, no source: forms of answers that instruments outside SCPI give.
        let volts = form("suffix = \"V\"\ndecimal = \"comma\"");
        assert_eq!(volts.number("+12,05 V").unwrap(), "+12.05");
        assert!(volts.number("12.05 V").unwrap_err().contains("comma"));
        assert!(volts.number("12,05 A").unwrap_err().contains("`V` after"));
        let kelvin = form("prefix = \"T1=\"\nsuffix = \"K\"");
        assert_eq!(kelvin.number("T1=+0296.15K").unwrap(), "+0296.15");
        assert!(kelvin.number("T2=296.15K").unwrap_err().contains("`T1=` before"));
        let list = form("separator = \";\"\nfield = 2\nsuffix = \"C\"");
        assert_eq!(list.number("7;23.5 C;OK").unwrap(), "23.5");
        assert!(list.number("7").unwrap_err().contains("2 fields"));
    }

    #[test]
    fn states_have_words_or_bits() {
        let relay = form("on = [\"CLOSED\", \"1\"]\noff = \"OPEN\"");
        assert!(matches!(relay.said("closed"), Said::State(true)));
        assert!(matches!(relay.said("OPEN"), Said::State(false)));
        assert!(matches!(relay.said("0"), Said::Neither(_)));
        assert!(matches!(form("bit = 3").said("8"), Said::Bit(3)));
        assert!(matches!(form("").said("1"), Said::Usual));
    }

    #[test]
    fn an_operation_speaks_before_its_dialect() {
        let usual = form("decimal = \"comma\"\non = \"EIN\"\noff = \"AUS\"\nfield = 3\nseparator = \";\"");
        let own = form("suffix = \"V\"\nfield = 1").over(&usual);
        assert_eq!(own.number("1,5 V;0;0").unwrap(), "1.5");
        assert!(matches!(own.said("EIN"), Said::State(true)));
    }

    #[test]
    fn forms_that_cannot_be_are_refused() {
        for (text, key) in [
            ("field = 0", "field"),
            ("separator = \"\"", "separator"),
            ("field = 2\ndecimal = \"comma\"", "field"),
            ("on = \"A\"", "on"),
            ("on = \"A\"\noff = \"a\"", "on"),
            ("bit = 16", "bit"),
            ("prefix = \"\\u00b0\"", "prefix"),
        ] {
            assert_eq!(form(text).complaint().unwrap().0, key, "{text}");
        }
    }
}
