use std::collections::{HashMap, VecDeque};

use super::{Armed, Fault, What, spoil};

/// Something that is done to the port, the instrument or the amplifier rather than to bytes.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Event {
    /// It begins, or happens.
    Begin(What),
    /// It is over.
    End(What),
}

/// What becomes of one message.
#[derive(Debug, Default)]
pub(crate) struct Passing {
    /// Whether the instrument gets it.
    pub lost: bool,
    /// What happens before the instrument executes it.
    pub events: Vec<Event>,
}

/// The faults of one port, and the answers that they hold back.
#[derive(Debug)]
pub(crate) struct PortFaults {
    armed: Vec<Armed>,
    queries: u64,
    /// Questions whose answers the instrument still owes, each with what struck it.
    owed: VecDeque<(Vec<u8>, Vec<What>)>,
    /// Bytes on their way and when they arrive, s; nothing overtakes.
    coming: VecDeque<(f64, Vec<u8>)>,
    /// What each question was answered last when readings were not frozen.
    before: HashMap<Vec<u8>, Vec<u8>>,
    /// The cable comes off when all that is coming has arrived.
    unplugged: Option<What>,
}

impl PortFaults {
    pub fn new(faults: impl IntoIterator<Item = Fault>) -> Self {
        PortFaults {
            armed: faults.into_iter().map(Armed::new).collect(),
            queries: 0,
            owed: VecDeque::new(),
            coming: VecDeque::new(),
            before: HashMap::new(),
            unplugged: None,
        }
    }

    /// Whether nothing ever goes wrong here.
    pub fn is_empty(&self) -> bool {
        self.armed.is_empty()
    }

    /// What happens by time alone until `now_s`.
    pub fn events(&mut self, now_s: f64) -> Vec<Event> {
        let mut events = Vec::new();
        for armed in &mut self.armed {
            if armed.ends(now_s) {
                events.push(Event::End(armed.fault().what.clone()));
            }
            if armed.comes(now_s) {
                if armed.fault().what.lasts() {
                    armed.take_hold();
                }
                events.push(Event::Begin(armed.fault().what.clone()));
            }
        }
        if self.coming.is_empty()
            && let Some(what) = self.unplugged.take()
        {
            events.push(Event::Begin(what));
        }
        events
    }

    /// A whole message comes in.
    pub fn message(&mut self, line: &[u8], now_s: f64) -> Passing {
        let (mut passing, mut struck) = (Passing::default(), Vec::new());
        for armed in &mut self.armed {
            if !armed.strikes(line, now_s, self.queries) {
                continue;
            }
            let what = armed.fault().what.clone();
            passing.lost |= spoil::is_lost(&what, line);
            match &what {
                What::Echo => self.coming.push_back((now_s, line.to_vec())),
                What::HangUp { after_bytes: Some(_), .. } if spoil::is_question(line) => struck.push(what),
                _ if what.needs_no_message() => {
                    if !what.lasts() || armed.take_hold() {
                        passing.events.push(Event::Begin(what));
                    }
                }
                _ => struck.push(what),
            }
        }
        if spoil::is_question(line) {
            self.queries += 1;
            if !passing.lost {
                self.owed.push_back((line.to_vec(), struck));
            }
        }
        passing
    }

    /// The instrument says something.
    pub fn say(&mut self, said: Vec<u8>, now_s: f64) {
        if said.is_empty() {
            return;
        }
        let (question, struck) = self.owed.pop_front().unwrap_or_default();
        let before = self.before.get(&question).cloned();
        if !struck.contains(&What::Frozen) || before.is_none() {
            self.before.insert(question, said.clone());
        }
        let mut answer = said;
        let (mut late_s, mut gap_s) = (0.0, None);
        for what in struck {
            answer = spoil::answer(&what, answer, before.as_deref());
            match what {
                What::Late { by_ms } => late_s += by_ms / 1000.0,
                What::Dribble { gap_ms } => gap_s = Some(gap_ms / 1000.0),
                What::HangUp { .. } => self.unplugged = Some(what),
                _ => {}
            }
        }
        let last_s = self.coming.back().map_or(now_s, |(at_s, _)| at_s.max(now_s));
        let at_s = last_s.max(now_s + late_s);
        match gap_s {
            None => self.coming.push_back((at_s, answer)),
            Some(gap_s) => {
                let bytes = (0..).zip(answer).map(|(k, byte)| (at_s + gap_s * f64::from(k), vec![byte]));
                self.coming.extend(bytes);
            }
        }
    }

    /// Bytes that have arrived by `now_s`.
    pub fn arrived(&mut self, now_s: f64) -> Vec<u8> {
        let mut bytes = Vec::new();
        while self.coming.front().is_some_and(|(at_s, _)| *at_s <= now_s) {
            bytes.extend(self.coming.pop_front().unwrap_or_default().1);
        }
        bytes
    }

    /// Everything on its way, and every answer still owed, is lost.
    pub fn forget_answers(&mut self) {
        self.owed.clear();
        self.coming.clear();
        self.unplugged = None;
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may stop at once")]

    use super::*;

    fn faults(text: &str) -> PortFaults {
        PortFaults::new([toml::from_str::<Fault>(text).unwrap()])
    }

    #[test]
    fn late_answers_hold_up_those_behind_them() {
        let mut port = faults("port = \"supply\"\nwhat.late.by_ms = 500\ntimes = 1");
        for at_s in [1.0, 1.1] {
            assert!(!port.message(b"VOLT?\n", at_s).lost);
            port.say(format!("{at_s}\n").into_bytes(), at_s);
        }
        assert_eq!(port.arrived(1.4), b"");
        assert_eq!(port.arrived(1.5), b"1\n1.1\n");
    }

    #[test]
    fn frozen_readings_stay_what_they_were() {
        let mut port = faults("port = \"supply\"\nwhat = \"frozen\"\nnth = 2\ntimes = 2");
        let mut heard = Vec::new();
        for n in 0..4 {
            port.message(b"MEAS:CURR?\n", 0.0);
            port.say(format!("{n}\n").into_bytes(), 0.0);
            heard.extend(port.arrived(0.0));
        }
        assert_eq!(heard, b"0\n0\n0\n3\n");
    }

    #[test]
    fn a_cable_comes_off_behind_half_an_answer() {
        let mut port =
            faults("port = \"supply\"\nwhat.hang_up = { after_bytes = 2 }\nmessage = \"VOLT?\"\ntimes = 1");
        port.message(b"VOLT?\n", 0.0);
        assert!(port.events(0.0).is_empty());
        port.say(b"12.5\n".to_vec(), 0.0);
        assert!(port.events(0.0).is_empty());
        assert_eq!(port.arrived(0.0), b"12");
        assert!(matches!(port.events(0.0).as_slice(), [Event::Begin(What::HangUp { .. })]));
    }
}
