//! Message templates: text with `{placeholders}`.

/// A value for a placeholder.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Value {
    /// A quantity, multiplied by the operation's scale before it is written.
    Number(f64),
    /// A count or an index, written as it is.
    Count(u32),
    /// A word of the dialect or a channel list.
    Word(String),
}

/// How numbers are put into a message.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct NumberForm {
    /// Number on the wire = our number × scale + offset.
    pub(crate) scale: f64,
    pub(crate) offset: f64,
    /// Digits after the point; None as many as are needed.
    pub(crate) decimals: Option<usize>,
    pub(crate) comma: bool,
}

impl NumberForm {
    /// The number on the wire.
    pub(crate) fn wire(&self, number: f64) -> f64 {
        number * self.scale + self.offset
    }

    /// Our number.
    pub(crate) fn ours(&self, wire: f64) -> f64 {
        (wire - self.offset) / self.scale
    }

    fn written(&self, number: f64) -> Result<String, String> {
        let text = match self.decimals {
            Some(decimals) if self.wire(number).is_finite() => format!("{:.decimals$}", self.wire(number)),
            _ => written(self.wire(number))?,
        };
        Ok(if self.comma { text.replacen('.', ",", 1) } else { text })
    }
}

/// The names in braces, in order, or what is wrong with the template.
pub(crate) fn placeholders(template: &str) -> Result<Vec<&str>, String> {
    let mut names = Vec::new();
    let mut rest = template;
    while let Some(open) = rest.find(['{', '}']) {
        let after = rest.get(open..).unwrap_or_default();
        let Some(inside) = after.strip_prefix('{') else {
            return Err(format!("`{template}`: a closing brace without an opening one"));
        };
        let Some((name, tail)) = inside.split_once('}') else {
            return Err(format!("`{template}`: an opening brace without a closing one"));
        };
        names.push(name);
        rest = tail;
    }
    Ok(names)
}

/// Fills the template in.
///
/// # Errors
/// A sentence, when a number is not finite or a placeholder has no value.
pub(crate) fn fill(template: &str, values: &[(&str, Value)], form: NumberForm) -> Result<String, String> {
    let mut message = String::with_capacity(template.len() + 16);
    let mut rest = template;
    while let Some((before, inside)) = rest.split_once('{') {
        message.push_str(before);
        let (name, tail) =
            inside.split_once('}').ok_or_else(|| format!("`{template}`: a brace is not closed"))?;
        let value = values.iter().find(|(known, _)| *known == name).map(|(_, value)| value);
        match value {
            Some(Value::Number(number)) => message.push_str(&form.written(*number)?),
            Some(Value::Count(count)) => message.push_str(&count.to_string()),
            Some(Value::Word(word)) => message.push_str(word),
            None => return Err(format!("`{template}`: nothing to put in place of {{{name}}}")),
        }
        rest = tail;
    }
    message.push_str(rest);
    Ok(message)
}

/// A number as decimal data with 12 significant digits: more than any instrument resolves, and without
/// the tail of binary rounding that some of them refuse.
fn written(number: f64) -> Result<String, String> {
    if !number.is_finite() {
        return Err(format!("{number} is not a finite number"));
    }
    let rounded: f64 = format!("{number:.11e}").parse().map_err(|_| format!("{number} cannot be written"))?;
    let size = rounded.abs();
    if rounded == 0.0 {
        Ok("0".to_string())
    } else if (1e-3..1e9).contains(&size) {
        Ok(format!("{rounded}"))
    } else {
        Ok(format!("{rounded:E}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_decimal_data_without_binary_tails() {
        assert_eq!(written(0.1 + 0.2).unwrap(), "0.3");
        assert_eq!(written(1000.0).unwrap(), "1000");
        assert_eq!(written(1.0 / 48_000.0).unwrap(), "2.08333333333E-5");
        assert_eq!(written(-0.0).unwrap(), "0");
        assert!(written(f64::NAN).is_err() && written(f64::INFINITY).is_err());
    }

    #[test]
    fn templates_are_filled_and_scaled() {
        let values = [("channel", Value::Count(2)), ("volts", Value::Number(1.5))];
        let plain = NumberForm { scale: 1.0, ..NumberForm::default() };
        let double = NumberForm { scale: 2.0, ..plain };
        assert_eq!(fill("SOUR{channel}:VOLT {volts}", &values, double).unwrap(), "SOUR2:VOLT 3");
        assert!(fill("RES {ohm}", &values, plain).unwrap_err().contains("{ohm}"));
        let odd = NumberForm { scale: 1.0, offset: 273.15, decimals: Some(3), comma: true };
        assert_eq!(fill("T {volts}", &values, odd).unwrap(), "T 274,650");
        assert!((odd.ours(odd.wire(1.5)) - 1.5).abs() < 1e-12);
        assert_eq!(placeholders("A{b}C{d}").unwrap(), ["b", "d"]);
        assert!(placeholders("A{b").is_err() && placeholders("A}b").is_err());
    }
}
