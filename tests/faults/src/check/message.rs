//! What a message on the wire would do to an instrument, read from its text alone.

use wattproof_virtual_bench::Role;

/// One part of a message (parts are parted by semicolons).
#[derive(Debug, Clone, PartialEq)]
pub enum Part {
    /// Nothing, status registers, the error queue: no output moves.
    Housekeeping,
    /// Asks something.
    Question,
    /// An output off; its channel.
    Off(usize),
    /// An output on; its channel.
    On(usize),
    /// A protection that tripped is cleared, which can restore an output.
    Clear,
    /// Something else is set: which header, channel and value.
    Set(String, usize, String),
}

/// The parts of a message.
pub fn parts(role: Role, line: &[u8]) -> Vec<Part> {
    let text = String::from_utf8_lossy(line).to_ascii_uppercase();
    text.split(';').map(|part| part_of(role, part.trim().trim_start_matches(':'))).collect()
}

fn part_of(role: Role, text: &str) -> Part {
    // A quote alone closes a string that a flipped bit has opened.
    let nothing = matches!(text, "" | "\"" | "'");
    if nothing || text.starts_with('*') && !text.starts_with("*RST") && !text.contains('?') {
        return Part::Housekeeping;
    }
    if text.contains('?') {
        return Part::Question;
    }
    // Neither drives nor feeds anything.
    if matches!(role, Role::Digitizer | Role::Thermometer) {
        return Part::Housekeeping;
    }
    let (header, value) = text.split_once(' ').unwrap_or((text, ""));
    let digits = header.chars().find(char::is_ascii_digit).and_then(|digit| digit.to_digit(10));
    let channel = digits.map_or(1, |digit| digit as usize);
    let header: String = header.chars().filter(|c| !c.is_ascii_digit()).collect();
    match (header.as_str(), value.trim()) {
        ("OUTP", "OFF" | "0") => Part::Off(channel),
        ("OUTP", "ON" | "1") => Part::On(channel),
        ("VOLT:PROT:CLE", "") => Part::Clear,
        (header, value) => Part::Set(header.into(), channel, value.into()),
    }
}

impl Part {
    /// Whether it may leave while something is being switched off or is latched off.
    pub fn is_harmless(&self) -> bool {
        matches!(self, Part::Housekeeping | Part::Question | Part::Off(_))
    }

    /// Whether it switches on or sets a level or voltage above zero.
    pub fn energises(&self, role: Role) -> bool {
        match (self, role) {
            (Part::On(_), Role::Source | Role::Supply) => true,
            (Part::Set(header, _, value), Role::Source) => header.ends_with("VOLT") && !is_zero(value),
            (Part::Set(header, _, value), Role::Supply) => header == "VOLT" && !is_zero(value),
            _ => false,
        }
    }
}

fn is_zero(value: &str) -> bool {
    value.parse::<f64>().is_ok_and(|value| value == 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_moves_an_output_is_told_from_what_does_not() {
        assert_eq!(parts(Role::Source, b"OUTP2 OFF"), [Part::Off(2)]);
        assert_eq!(parts(Role::Supply, b"OUTP ON"), [Part::On(1)]);
        assert_eq!(parts(Role::Supply, b"OUTP?"), [Part::Question]);
        assert_eq!(parts(Role::Supply, b"VOLT:PROT:CLE"), [Part::Clear]);
        assert!(!Part::Clear.is_harmless());
        assert_eq!(parts(Role::Source, b"*ESE 98;*ESE?"), [Part::Housekeeping, Part::Question]);
        assert_eq!(parts(Role::Source, b""), [Part::Housekeeping]);
        assert_eq!(parts(Role::Supply, b"\""), [Part::Housekeeping]);
        assert!(!parts(Role::Source, b"*RST")[0].is_harmless());
        let set = &parts(Role::Source, b"SOUR2:TWOT:VOLT 0.25")[0];
        assert_eq!(*set, Part::Set("SOUR:TWOT:VOLT".into(), 2, "0.25".into()));
        assert!(set.energises(Role::Source) && !set.is_harmless());
        assert!(!parts(Role::Supply, b"VOLT:PROT 16")[0].energises(Role::Supply));
        assert!(!parts(Role::Source, b"SOUR1:VOLT 0")[0].energises(Role::Source));
    }
}
