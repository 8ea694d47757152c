//! How one operation is said, and what may be wrong with it.

use serde::Deserialize;

use crate::form::AnswerForm;
use crate::operations::OperationSpec;
use crate::settings::SessionSettings;
use crate::template::placeholders;

/// What is wrong: the key to point at, and the words.
pub(crate) type Complaint = (&'static str, String);

/// How one operation is said.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Operation {
    #[serde(default)]
    pub(crate) write: Messages,
    pub(crate) query: Option<String>,
    pub(crate) unit: Option<String>,
    /// Number on the wire = our number × scale + offset.
    #[serde(default = "one")]
    pub(crate) scale: f64,
    #[serde(default)]
    pub(crate) offset: f64,
    /// Least value that is sent, in our unit.
    pub(crate) min: Option<f64>,
    /// Greatest.
    pub(crate) max: Option<f64>,
    /// Values that are sent are whole multiples of it, counted from `min` or from 0.
    pub(crate) step: Option<f64>,
    /// Digits after the point, always as many; without it as many as are needed.
    pub(crate) decimals: Option<usize>,
    #[serde(default)]
    pub(crate) answer: AnswerForm,
    /// Asks again so often until the state is on, ms.
    pub(crate) poll_ms: Option<u64>,
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
    /// `*OPC?` answers 1.
    OpcQuery,
    /// After `*OPC`, bit 0 of `*ESR?` rises; asked every 20 ms.
    OpcPoll,
    /// The same, asked so often, ms.
    OpcPollMs(u64),
    /// After so long, ms.
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
    /// Where the read-back's form differs from that of the operation.
    #[serde(default)]
    pub(crate) answer: AnswerForm,
}

impl Operation {
    /// Why a value is not sent, if it is beyond what the dialect allows; `unit` is ours.
    pub(crate) fn out_of_range(&self, name: &str, value: f64) -> Option<String> {
        let unit = self.unit.as_deref().map(|unit| format!(" {unit}")).unwrap_or_default();
        // A little room for values that were computed.
        let slack = 1e-9 * value.abs();
        if let Some(min) = self.min.filter(|min| !(value >= min - slack)) {
            return Some(format!(
                "{name}: {value}{unit} is below the least that its dialect allows, {min}{unit}"
            ));
        }
        if let Some(max) = self.max.filter(|max| !(value <= max + slack)) {
            return Some(format!(
                "{name}: {value}{unit} is above the most that its dialect allows, {max}{unit}"
            ));
        }
        let step = self.step?;
        let from = self.min.unwrap_or(0.0);
        let steps = (value - from) / step;
        let off = (steps - steps.round()).abs();
        if off <= 1e-6 {
            return None;
        }
        let near = |steps: f64| tidy(from + steps * step);
        Some(format!(
            "{name}: {value}{unit} is no whole step of {step}{unit}; next to it are {}{unit} and {}{unit}",
            near(steps.floor()),
            near(steps.ceil())
        ))
    }

    /// What is wrong, if anything.
    pub(crate) fn complaint(&self, spec: &OperationSpec, session: &SessionSettings) -> Option<Complaint> {
        self.shape_complaint(spec)
            .or_else(|| self.number_complaint(spec))
            .or_else(|| self.message_complaint(spec, session))
            .or_else(|| self.answer.complaint())
            .or_else(|| self.verify.as_ref().and_then(|verify| verify.complaint(spec, session)))
            .map(|(key, words)| {
                let named = words.starts_with(spec.name);
                (key, if named { words } else { format!("{}: {words}", spec.name) })
            })
    }

    fn shape_complaint(&self, spec: &OperationSpec) -> Option<Complaint> {
        let name = spec.name;
        let writes = !self.write.list().is_empty();
        match (spec.asks, &self.query, writes) {
            (true, None, _) => return Some(("write", format!("{name} asks: it needs `query`"))),
            (true, _, true) => return Some(("write", format!("{name} asks: it has no `write`"))),
            (false, Some(_), _) => {
                return Some(("query", format!("{name} tells: a read-back goes into `verify`, not `query`")));
            }
            (false, None, false) => return Some(("write", format!("{name} tells: it needs `write`"))),
            _ => {}
        }
        if spec.asks && self.completion != Completion::None {
            return Some((
                "completion",
                format!("{name} asks: its answer completes it, remove `completion`"),
            ));
        }
        if self.poll_ms.is_some() && !spec.polls {
            return Some(("poll_ms", format!("{name} is asked once: only `wait` can be polled")));
        }
        if self.poll_ms == Some(0) {
            return Some(("poll_ms", "poll_ms = 0: leave the line some time, such as 20".to_string()));
        }
        if matches!(self.completion, Completion::OpcPollMs(0)) {
            return Some((
                "opc_poll_ms",
                "opc_poll_ms = 0: leave the line some time, such as 20".to_string(),
            ));
        }
        (self.timeout_ms == Some(0))
            .then(|| ("timeout_ms", "timeout_ms = 0: an answer takes some time".to_string()))
    }

    fn number_complaint(&self, spec: &OperationSpec) -> Option<Complaint> {
        if !(self.scale.is_finite() && self.scale != 0.0) {
            return Some(("scale", format!("scale = {} is not a usable factor", self.scale)));
        }
        if !self.offset.is_finite() {
            return Some(("offset", format!("offset = {} is not a number", self.offset)));
        }
        let limits = [("min", self.min), ("max", self.max), ("step", self.step)];
        for (key, limit) in limits {
            let Some(limit) = limit else { continue };
            if !spec.sets_a_number() {
                return Some((key, format!("no number is set here: remove `{key}`")));
            }
            if !limit.is_finite() || (key == "step" && limit <= 0.0) {
                return Some((key, format!("{key} = {limit} is no usable limit")));
            }
        }
        if let (Some(min), Some(max)) = (self.min, self.max)
            && min > max
        {
            return Some(("min", format!("min = {min} is above max = {max}: exchange them")));
        }
        if self.decimals.is_some_and(|decimals| decimals > 15) {
            return Some(("decimals", "decimals: a double holds no more than 15".to_string()));
        }
        None
    }

    fn message_complaint(&self, spec: &OperationSpec, session: &SessionSettings) -> Option<Complaint> {
        let mut carries_value = false;
        for (key, message) in
            self.write.list().iter().map(|m| ("write", m)).chain(self.query.iter().map(|m| ("query", m)))
        {
            if let Some(words) = session.unfit(message) {
                return Some((key, words));
            }
            match placeholders(message) {
                Err(words) => return Some((key, words)),
                Ok(names) => {
                    for placeholder in names {
                        let tap = spec.value == Some("ohm") && placeholder == "tap";
                        if Some(placeholder) == spec.value
                            || tap
                            || spec.or_channel && placeholder == "channel"
                        {
                            carries_value = true;
                        } else if !(spec.channel && placeholder == "channel") {
                            let words =
                                format!("{{{placeholder}}} means nothing here; {}", spec.known_names());
                            return Some((key, words));
                        }
                    }
                }
            }
        }
        let value = spec.value.filter(|_| !carries_value)?;
        let key = if spec.asks { "query" } else { "write" };
        Some((key, format!("no message carries {{{value}}}")))
    }
}

impl Verify {
    fn complaint(&self, spec: &OperationSpec, session: &SessionSettings) -> Option<Complaint> {
        let wrong = |words: &str| Some(("verify", format!("verify: {words}")));
        if spec.asks {
            return Some(("verify", format!("{} asks: there is nothing to verify", spec.name)));
        }
        if let Some(words) = session.unfit(&self.query) {
            return wrong(&words);
        }
        match placeholders(&self.query) {
            Err(words) => return wrong(&words),
            Ok(names) => {
                if let Some(other) = names.iter().find(|n| !(spec.channel && **n == "channel")) {
                    return wrong(&format!("{{{other}}} means nothing in a read-back"));
                }
            }
        }
        let tolerances = [self.within_pct, self.within_abs];
        if tolerances.iter().flatten().any(|t| !(t.is_finite() && *t >= 0.0)) {
            return wrong("a tolerance is a number from 0 up");
        }
        let tolerant = tolerances.iter().any(Option::is_some);
        match (self.expect.is_some(), tolerant) {
            (true, true) => wrong("either `expect` or a tolerance"),
            (false, false) => wrong("give `expect`, `within_pct` or `within_abs`"),
            (false, true) if spec.value.is_none() => wrong("no number is set here, so give `expect`"),
            _ => self.answer.complaint(),
        }
    }
}

/// A computed value without the tail of binary rounding.
fn tidy(value: f64) -> f64 {
    format!("{value:.9e}").parse().unwrap_or(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn operation(text: &str) -> Operation {
        toml::from_str(text).unwrap()
    }

    #[test]
    fn values_beyond_their_limits_are_told_with_what_would_do() {
        let ohm = operation("write = \"R {ohm}\"\nunit = \"ohm\"\nmin = 1.0\nmax = 100.0\nstep = 0.5");
        for fits in [1.0, 4.0, 4.5, 99.5, 100.0, 0.1 + 0.9] {
            assert_eq!(ohm.out_of_range("set_ohm", fits), None, "{fits}");
        }
        let told = |value| ohm.out_of_range("set_ohm", value).unwrap();
        assert!(told(0.5).contains("below the least that its dialect allows, 1 ohm"), "{}", told(0.5));
        assert!(told(100.5).contains("above the most that its dialect allows, 100 ohm"));
        assert!(told(f64::NAN).contains("below"));
        assert_eq!(
            told(4.2),
            "set_ohm: 4.2 ohm is no whole step of 0.5 ohm; next to it are 4 ohm and 4.5 ohm"
        );
        // Without a least value, steps count from 0.
        let points = operation("write = \"P {points}\"\nstep = 2.0");
        assert_eq!(points.out_of_range("set_points", 19_200.0), None);
        assert!(points.out_of_range("set_points", 19_201.0).is_some());
    }
}
