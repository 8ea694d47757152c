//! What a dialect can do, for the person who writes one.

use crate::dialect::Dialect;
use crate::operation::{Completion, Operation};
use crate::operations::operations;
use crate::settings::{ErrorCheck, Resync};

/// What a dialect can do, what it leaves out, and what to think of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DialectReport {
    /// Operations it has: name, and how it is said.
    pub has: Vec<(&'static str, String)>,
    /// Operations of its role it leaves out, each with what the bench does without it.
    pub lacks: Vec<(&'static str, &'static str)>,
    /// What is allowed but has a price.
    pub notes: Vec<String>,
}

impl Dialect {
    /// What it can do, for the person who writes it.
    pub fn report(&self) -> DialectReport {
        let mut report = DialectReport { has: Vec::new(), lacks: Vec::new(), notes: self.notes() };
        for spec in operations(self.role) {
            match self.operations.get(spec.name) {
                Some(operation) => report.has.push((spec.name, said(operation))),
                None => report.lacks.push((spec.name, without(spec.name))),
            }
        }
        report
    }

    fn notes(&self) -> Vec<String> {
        let mut notes = Vec::new();
        let session = &self.session;
        if session.resync == Resync::Drain {
            notes.push(
                "resync = \"drain\": an answer later than quiet_ms after a slip can be taken for the next one"
                    .to_string(),
            );
        }
        if session.error_check == ErrorCheck::Never {
            notes.push(
                "no error queue is read: only a read-back (verify) tells whether a setting took".into(),
            );
        }
        let unread: Vec<&str> = operations(self.role)
            .iter()
            .filter(|spec| spec.name.starts_with("set_") || spec.name.ends_with("connect"))
            .filter(|spec| self.operations.get(spec.name).is_some_and(|operation| operation.verify.is_none()))
            .map(|spec| spec.name)
            .filter(|name| !self.role_reads_back(name))
            .collect();
        if !unread.is_empty() {
            notes.push(format!(
                "not read back: {}; add verify where the instrument can tell",
                unread.join(", ")
            ));
        }
        if self.operations.contains_key("set_off") && (session.byte_ms > 0.0 || session.gap_ms > 0) {
            notes.push(
                "after a crash of the daemon its guardian sends OFF in one go, without byte_ms and gap_ms: see that \
                 this instrument takes it, or put a contactor ahead of the supply"
                    .to_string(),
            );
        }
        if self.can("watchdog_feed") != self.can("watchdog_s") {
            notes.push("watchdog_s and watchdog_feed are of use only together".to_string());
        }
        notes
    }

    /// What the digitizer reads back by operations of its own.
    fn role_reads_back(&self, name: &str) -> bool {
        ["set_points", "set_interval_s", "set_range_v", "set_format", "set_byte_order"].contains(&name)
            && self.operations.contains_key("fetch")
    }
}

/// How an operation is said, in one line.
fn said(operation: &Operation) -> String {
    let quoted = |messages: &[String]| {
        messages.iter().map(|message| format!("`{message}`")).collect::<Vec<_>>().join(", ")
    };
    let mut words = match &operation.query {
        Some(query) => format!("asks `{query}`"),
        None => format!("sends {}", quoted(operation.write.list())),
    };
    if let Some(unit) = &operation.unit {
        words += &format!(" in {unit}");
    }
    match (operation.min, operation.max) {
        (Some(min), Some(max)) => words += &format!(", {min} to {max}"),
        (Some(min), None) => words += &format!(", from {min}"),
        (None, Some(max)) => words += &format!(", up to {max}"),
        (None, None) => {}
    }
    if let Some(step) = operation.step {
        words += &format!(" in steps of {step}");
    }
    words += &match operation.completion {
        Completion::None => String::new(),
        Completion::OpcQuery => ", waits for *OPC?".to_string(),
        Completion::OpcPoll | Completion::OpcPollMs(_) => ", waits for *OPC in *ESR?".to_string(),
        Completion::DelayMs(ms) => format!(", waits {ms} ms"),
    };
    if let Some(ms) = operation.poll_ms {
        words += &format!(", every {ms} ms");
    }
    if let Some(verify) = &operation.verify {
        words += &format!(", reads back `{}`", verify.query);
    }
    words
}

/// What the bench does without an operation.
fn without(name: &str) -> &'static str {
    match name {
        "get_vrms_max" | "get_v_max" | "get_limit_a_max" => {
            "the bench file's limits are not compared with what it can do"
        }
        "set_protection_v" | "get_protection_v" => "its own over-voltage protection is left as it is",
        "clear_protection" => "a protection of its own that tripped is cleared by hand before a reset",
        "set_burst_cycles" | "set_rest_cycles" | "set_rest_vrms" | "set_burst_on" | "set_burst_off" => {
            "scripts that play bursts are refused"
        }
        "restart_bursts" => "bursts of several outputs do not begin together",
        "set_second_hz" | "set_second_vrms" | "set_second_on" | "set_second_off" => {
            "scripts that play two tones are refused"
        }
        "set_noise_white" | "set_noise_pink" | "set_noise_off" => "scripts that play such noise are refused",
        "set_crest" => {
            "scripts that ask for a crest factor of noise are refused; without one the guard counts with 4"
        }
        "measure_c" => "it tells no temperature of its own to a [[temperature]] of the bench file",
        "watchdog_s" | "watchdog_feed" => "nothing in it switches off when the daemon falls silent",
        "set_format" | "set_byte_order" => "samples come in the one form that [samples] names",
        "get_volts_per_code" => "a code's worth follows from the range, or is fixed in [samples]",
        "get_offset_v" => "code 0 is 0 V, or what [samples] says",
        _ => "nothing is lost",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dialect::{SHIPPED, TEMPLATE};

    #[test]
    fn every_operation_is_told_or_told_to_lack() {
        for (file, text) in SHIPPED.iter().chain([&TEMPLATE]) {
            let dialect = Dialect::parse(file, text).unwrap();
            let report = dialect.report();
            let all = operations(dialect.role);
            assert_eq!(report.has.len() + report.lacks.len(), all.len(), "{file}");
            assert!(
                all.iter().filter(|spec| !spec.required).all(|spec| without(spec.name) != "nothing is lost")
            );
            assert!(report.lacks.iter().all(|(name, _)| all.iter().any(|s| s.name == *name && !s.required)));
        }
    }

    #[test]
    fn what_has_a_price_is_noted() {
        let dialect = Dialect::parse(TEMPLATE.0, TEMPLATE.1).unwrap();
        assert!(dialect.report().notes.is_empty());
        let slow = TEMPLATE.1.replace("byte_ms = 0.0", "byte_ms = 1.0").replace("\"nonce\"", "\"drain\"");
        let slow = slow.replace("verify = { query = \"OUTP?\", expect = \"0\" }", "");
        let notes = Dialect::parse("slow.toml", &slow).unwrap().report().notes;
        for words in ["drain", "not read back: set_off", "guardian"] {
            assert!(notes.iter().any(|note| note.contains(words)), "{words}: {notes:?}");
        }
    }
}
