use serde::Deserialize;

use super::record::RecordSpec;

/// One thing an instrument understands, in its own words.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Rule {
    /// The message, in any case: `{channel}` is a whole number, `{n}` a number, `{channels}` a list with commas.
    pub hears: String,
    /// The same in SCPI, in order; only the last may ask.
    #[serde(default)]
    pub does: Vec<String>,
    /// Number in SCPI = its own number × factor + addend.
    #[serde(default = "one")]
    pub factor: f64,
    #[serde(default)]
    pub addend: f64,
    /// Its own number is a place in this list, from 1; the number in SCPI is what stands there. Another place is not
    /// understood.
    #[serde(default)]
    pub places: Vec<f64>,
    /// Its answer: `{n}` is the number, `{state}` the word for on or off, `{text}` what SCPI says, `{channel}` as heard.
    pub answers: Option<String>,
    /// Digits after the point of `{n}`, none of its own without; with `exponent`, in the mantissa.
    #[serde(default)]
    pub decimals: usize,
    #[serde(default)]
    pub exponent: bool,
    /// A comma stands before the decimals, in what it hears and says.
    #[serde(default)]
    pub comma: bool,
    #[serde(default)]
    pub on: String,
    #[serde(default)]
    pub off: String,
    /// `{state}` is this bit of the number, from 0.
    pub bit: Option<u32>,
    /// It answers with a record of `{channels}` or `{channel}`.
    pub record: Option<RecordSpec>,
}

fn one() -> f64 {
    1.0
}

/// What a message holds in the places of a rule.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Heard {
    pub channel: String,
    pub channels: String,
    pub n: Option<f64>,
}

impl Rule {
    pub fn complaint(&self) -> Option<String> {
        if !(self.factor.is_finite() && self.factor != 0.0 && self.addend.is_finite()) {
            return Some("`factor` and `addend` must be numbers, the factor not 0".into());
        }
        if !self.places.iter().all(|place| place.is_finite()) {
            return Some("`places` must be numbers".into());
        }
        let asks = self.does.last().is_some_and(|last| last.contains('?'));
        match (&self.answers, &self.record) {
            (Some(_), None) if !asks => Some("`answers` needs a question in `does`".into()),
            (Some(_), Some(_)) => Some("either `answers` or `record`".into()),
            (None, None) if asks => Some("a question in `does` needs `answers`".into()),
            (None, None) if self.does.is_empty() => Some("a rule needs `does` or `record`".into()),
            (_, Some(record)) => record.complaint(),
            _ => None,
        }
    }

    /// What the message holds, if it is this rule's.
    pub fn hear(&self, message: &str) -> Option<Heard> {
        let mut heard = Heard::default();
        let mut rest = message.trim();
        let mut pattern = self.hears.as_str();
        while let Some((literal, after)) = pattern.split_once('{') {
            let (name, after) = after.split_once('}')?;
            rest = strip(rest, literal)?;
            let next = after.split('{').next().unwrap_or_default();
            // A place reaches to the text that follows it, or to the end.
            let at = if next.is_empty() { rest.len() } else { find(rest, next)? };
            let (value, tail) = rest.split_at_checked(at)?;
            match name {
                "channel" => {
                    value.parse::<u32>().ok()?;
                    value.clone_into(&mut heard.channel);
                }
                "channels" => {
                    value.split(',').all(|one| one.parse::<u32>().is_ok()).then_some(())?;
                    value.clone_into(&mut heard.channels);
                }
                "n" => {
                    let n = self.number(value)?;
                    self.meant(n)?;
                    heard.n = Some(n);
                }
                _ => return None,
            }
            (rest, pattern) = (tail, after);
        }
        rest.eq_ignore_ascii_case(pattern).then_some(heard)
    }

    fn number(&self, text: &str) -> Option<f64> {
        let text = text.trim();
        let fits =
            |c: char| c.is_ascii_digit() || "+-eE".contains(c) || c == if self.comma { ',' } else { '.' };
        text.chars().all(fits).then_some(())?;
        let number: f64 = text.replacen(',', ".", 1).parse().ok()?;
        number.is_finite().then_some(number)
    }

    /// The number in SCPI for one of its own; None for a place that is not in its list.
    fn meant(&self, n: f64) -> Option<f64> {
        if self.places.is_empty() {
            return Some(n * self.factor + self.addend);
        }
        (1u32..).zip(&self.places).find(|(place, _)| f64::from(*place) == n).map(|(_, value)| *value)
    }

    /// Its own number for one in SCPI; None for what is not in its list, within a hundredth of the value.
    fn own(&self, scpi: f64) -> Option<f64> {
        if self.places.is_empty() {
            return Some((scpi - self.addend) / self.factor);
        }
        let near = |value: f64| (scpi - value).abs() <= 0.01 * value.abs();
        (1u32..).zip(&self.places).find(|(_, value)| near(**value)).map(|(place, _)| f64::from(place))
    }

    /// The same in SCPI.
    pub fn scpi(&self, heard: &Heard) -> Vec<String> {
        let n = heard.n.and_then(|n| self.meant(n)).map(|n| format!("{n:.11e}")).unwrap_or_default();
        let fill = |message: &String| {
            message
                .replace("{channel}", &heard.channel)
                .replace("{channels}", &heard.channels)
                .replace("{n}", &n)
        };
        self.does.iter().map(fill).collect()
    }

    /// Its answer for what SCPI says; None for what does not suit the rule.
    pub fn say(&self, heard: &Heard, said: &str) -> Option<String> {
        let template = self.answers.as_deref()?;
        let mut answer = template.replace("{channel}", &heard.channel).replace("{text}", said);
        if answer.contains("{n}") {
            let scpi: f64 = said.trim().parse().ok()?;
            answer = answer.replace("{n}", &self.written(self.own(scpi)?));
        }
        if answer.contains("{state}") {
            let register: f64 = said.trim().parse().ok()?;
            let on = match self.bit {
                Some(bit) => (register / 2.0_f64.powi(bit.min(15) as i32)).floor() % 2.0 == 1.0,
                None => register == 1.0,
            };
            answer = answer.replace("{state}", if on { &self.on } else { &self.off });
        }
        Some(answer)
    }

    /// A number as it writes it.
    pub fn written(&self, value: f64) -> String {
        let decimals = self.decimals;
        let text = if self.exponent { format!("{value:.decimals$E}") } else { format!("{value:.decimals$}") };
        if self.comma { text.replacen('.', ",", 1) } else { text }
    }
}

/// What follows a beginning, in any case.
fn strip<'a>(text: &'a str, beginning: &str) -> Option<&'a str> {
    let (head, tail) = text.split_at_checked(beginning.len())?;
    head.eq_ignore_ascii_case(beginning).then_some(tail)
}

fn find(text: &str, piece: &str) -> Option<usize> {
    text.to_ascii_uppercase().find(&piece.to_ascii_uppercase())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may stop at once")]

    use super::*;

    fn rule(text: &str) -> Rule {
        toml::from_str(text).unwrap()
    }

    #[test]
    fn messages_are_heard_in_its_own_words() {
        let level = rule(
            "hears = \"LEVEL {channel},{n} VPP\"\ndoes = [\"SOUR{channel}:VOLT {n}\"]\nfactor = 0.5\ncomma = true",
        );
        let heard = level.hear("level 2,1,5 vpp").unwrap();
        assert_eq!((heard.channel.as_str(), heard.n), ("2", Some(1.5)));
        assert_eq!(level.scpi(&heard), ["SOUR2:VOLT 7.50000000000e-1"]);
        for other in [
            "LEVEL 2,1.5 VPP",
            "LEVEL x,1 VPP",
            "LEVEL 2,1",
            "LEVEL 2,1 VPP;LEVEL 1,1 VPP",
            "OHM 1,1 VPP",
            "",
        ] {
            assert_eq!(level.hear(other), None, "{other}");
        }
    }

    #[test]
    fn answers_are_said_in_its_own_form() {
        let heard = Heard { channel: "1".into(), ..Heard::default() };
        let kelvin = rule(
            "hears = \"T?\"\ndoes = [\"MEAS:TEMP?\"]\nanswers = \"T{channel}={n}K\"\naddend = -273.15\ndecimals = 2",
        );
        assert_eq!(kelvin.say(&heard, "23.00").unwrap(), "T1=296.15K");
        let busy = rule(
            "hears = \"B?\"\ndoes = [\"STAT:OPER:COND?\"]\nanswers = \"{state}\"\nbit = 4\non = \"BUSY\"\noff = \"IDLE\"",
        );
        assert_eq!(
            (busy.say(&heard, "16").unwrap(), busy.say(&heard, "2").unwrap()),
            ("BUSY".into(), "IDLE".into())
        );
        let comma = rule(
            "hears = \"U?\"\ndoes = [\"VOLT?\"]\nanswers = \"{n} V\"\ndecimals = 3\nexponent = true\ncomma = true",
        );
        assert_eq!(comma.say(&heard, "1.44E+1").unwrap(), "1,440E1 V");
    }

    #[test]
    fn places_of_a_list_stand_for_what_is_there() {
        // Project definition.
        let tap = rule(
            "hears = \"TAP {channel},{n}\"\ndoes = [\"SOUR{channel}:RES {n}\"]\nplaces = [1.98, 4.02, 8.01]",
        );
        assert_eq!(tap.scpi(&tap.hear("TAP 2,3").unwrap()), ["SOUR2:RES 8.01000000000e0"]);
        for none in ["TAP 1,0", "TAP 1,4", "TAP 1,1.5", "TAP 1,-1"] {
            assert_eq!(tap.hear(none), None, "{none}");
        }
        let asked = rule(
            "hears = \"TAP? {channel}\"\ndoes = [\"SOUR{channel}:RES?\"]\nanswers = \"{n}\"\nplaces = [1.98, 4.02, 8.01]",
        );
        let heard = Heard { channel: "1".into(), ..Heard::default() };
        assert_eq!(asked.say(&heard, "4.02E+0").unwrap(), "2");
        assert_eq!(asked.say(&heard, "5.0"), None);
    }

    #[test]
    fn rules_that_contradict_themselves_are_refused() {
        for text in [
            "hears = \"A\"",
            "hears = \"A\"\ndoes = [\"B?\"]",
            "hears = \"A\"\ndoes = [\"B\"]\nanswers = \"{n}\"",
            "hears = \"A\"\ndoes = [\"B\"]\nfactor = 0.0",
        ] {
            assert!(rule(text).complaint().is_some(), "{text}");
        }
    }
}
