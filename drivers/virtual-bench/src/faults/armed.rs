use super::{Fault, What, spoil};

/// A fault that waits, strikes or is over.
#[derive(Debug, Clone)]
pub struct Armed {
    fault: Fault,
    /// Messages that it could have struck since its time has come.
    seen: u64,
    struck: u64,
    began_s: Option<f64>,
    /// An OFF was swallowed and nothing switched on since.
    swallowed: bool,
    /// A lasting fault holds at present.
    holds: bool,
}

impl Armed {
    /// A fault that waits.
    pub fn new(fault: Fault) -> Self {
        Armed { fault, seen: 0, struck: 0, began_s: None, swallowed: false, holds: false }
    }

    /// The fault.
    pub fn fault(&self) -> &Fault {
        &self.fault
    }

    /// Whether it strikes a message that comes at `now_s` after `queries` questions; each one struck counts.
    pub fn strikes(&mut self, line: &[u8], now_s: f64, queries: u64) -> bool {
        let fault = &self.fault;
        if fault.is_timed() || now_s < fault.at_s || queries < fault.after_queries || !self.concerns(line) {
            return false;
        }
        self.seen += 1;
        if self.seen < self.fault.nth.unwrap_or(1) {
            return false;
        }
        // Without a message to wait for, the time itself is its beginning.
        let waits = self.fault.message.is_some() || self.fault.after_queries > 0;
        let began_s = *self.began_s.get_or_insert(if waits { now_s } else { self.fault.at_s });
        let counted_out = self.fault.times.is_some_and(|times| self.struck >= times);
        if counted_out || self.fault.for_s.is_some_and(|for_s| now_s >= began_s + for_s) {
            return false;
        }
        if self.fault.what == What::OffLies && !self.lies(line) {
            return false;
        }
        self.struck += 1;
        true
    }

    /// A fault that comes with time alone, once its time has come; told once.
    pub fn comes(&mut self, now_s: f64) -> bool {
        let comes = self.fault.is_timed() && self.began_s.is_none() && now_s >= self.fault.at_s;
        if comes {
            self.began_s = Some(now_s);
            self.struck += 1;
        }
        comes
    }

    /// Marks a lasting fault as holding; whether it did not before.
    pub fn take_hold(&mut self) -> bool {
        !std::mem::replace(&mut self.holds, true)
    }

    /// A lasting fault whose time is over; told once.
    pub fn ends(&mut self, now_s: f64) -> bool {
        let until_s = self.began_s.zip(self.fault.for_s).map(|(began_s, for_s)| began_s + for_s);
        let ends = self.holds && until_s.is_some_and(|until_s| now_s >= until_s);
        self.holds &= !ends;
        ends
    }

    fn concerns(&self, line: &[u8]) -> bool {
        match &self.fault.message {
            // What is named is struck where the kind can do anything at all: OFF is still told apart.
            Some(beginning) if self.fault.what != What::OffLies => spoil::begins(line, beginning),
            _ => {
                let switches_on = spoil::begins(line, "OUTP") && !spoil::is_question(line);
                self.fault.what == What::OffLies && switches_on || spoil::concerns(&self.fault.what, line)
            }
        }
    }

    /// Whether an output that only says that it is off is concerned by a message: OFF itself, or the read-back after.
    fn lies(&mut self, line: &[u8]) -> bool {
        if spoil::is_question(line) {
            return self.swallowed;
        }
        self.swallowed = spoil::is_off(line);
        self.swallowed
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may stop at once")]

    use super::*;

    fn armed(text: &str) -> Armed {
        Armed::new(toml::from_str(text).unwrap())
    }

    #[test]
    fn the_nth_message_is_struck_so_many_times_and_no_more() {
        let mut fault =
            armed("port = \"supply\"\nwhat = \"silent\"\nmessage = \"meas:curr?\"\nnth = 2\ntimes = 2");
        let struck: Vec<bool> = (0..5).map(|_| fault.strikes(b"MEAS:CURR?\n", 0.0, 0)).collect();
        assert_eq!(struck, [false, true, true, false, false]);
        assert!(!fault.strikes(b"MEAS:VOLT?\n", 0.0, 0));
    }

    #[test]
    fn a_duration_counts_from_the_beginning() {
        let mut fault = armed("port = \"supply\"\nwhat = \"silent\"\nat_s = 1.0\nfor_s = 0.5");
        let struck = [0.9, 1.1, 1.4, 1.6].map(|now_s| fault.strikes(b"VOLT?\n", now_s, 0));
        assert_eq!(struck, [false, true, true, false]);
        let mut fault = armed("port = \"supply\"\nwhat = \"silent\"\nmessage = \"VOLT?\"\nfor_s = 0.5");
        let struck = [7.0, 7.4, 7.6].map(|now_s| fault.strikes(b"VOLT?\n", now_s, 0));
        assert_eq!(struck, [true, true, false]);
    }

    #[test]
    fn a_swallowed_off_is_read_back_as_off_until_switched_on() {
        let mut fault = armed("port = \"supply\"\nwhat = \"off_lies\"\nfor_s = 9.0");
        let lines = [&b"OUTP?"[..], b"OUTP ON", b"OUTP?", b"OUTP OFF", b"OUTP?", b"OUTP ON", b"OUTP?"];
        let struck = lines.map(|line| fault.strikes(line, 1.0, 0));
        assert_eq!(struck, [false, false, false, true, true, false, false]);
    }

    #[test]
    fn a_lasting_fault_comes_and_goes_once() {
        let mut fault = armed("port = \"source\"\nwhat = \"blocked\"\nat_s = 1.0\nfor_s = 1.0");
        assert!(!fault.comes(0.5) && fault.comes(1.0) && !fault.comes(1.1));
        assert!(fault.take_hold() && !fault.take_hold());
        assert!(!fault.ends(1.5) && fault.ends(2.0) && !fault.ends(2.5));
    }
}
