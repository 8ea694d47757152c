//! A scripted instrument at the other end of an in-process link, with faults to order. It is written against the
//! table of messages, not with the crate under test, so that a shared mistake cannot hide.

#![allow(clippy::unwrap_used, reason = "a fake that fails must stop its test")]
#![allow(dead_code, reason = "each test file uses its part")]

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use wattproof_link::{CallLink, Link, VirtualClock};

/// What to do to the next answer of a question.
#[derive(Debug, Clone)]
pub enum Quirk {
    /// Give it this much later.
    Late(Duration),
    /// Give these bytes instead.
    Raw(Vec<u8>),
    /// Give nothing.
    Silent,
    /// Give it, and these bytes after it.
    Followed(Vec<u8>),
    /// Give it, and these bytes that much later.
    Then(Duration, Vec<u8>),
    /// Give it in pieces of this size, a millisecond apart.
    Dribble(usize),
}

#[derive(Default)]
pub struct State {
    /// Every message received.
    pub log: Vec<String>,
    /// All bytes received.
    pub bytes: Vec<u8>,
    /// Header → value.
    pub values: BTreeMap<String, String>,
    /// Headers whose setting is ignored.
    pub stuck: Vec<String>,
    /// Question → what to do to its next answers, in order.
    pub quirks: BTreeMap<String, VecDeque<Quirk>>,
    /// The error queue.
    pub errors: VecDeque<String>,
    /// Error entered when this message comes.
    pub refuses: BTreeMap<String, String>,
    /// Answers to come.
    pending: Vec<(Duration, Vec<u8>)>,
    line: Vec<u8>,
    ese: String,
    /// Counts the questions `COUNT?`.
    pub count: u32,
    /// Sends back what it gets.
    pub echo: bool,
    /// Answers nothing at all.
    pub dead: bool,
}

/// A handle to look at the instrument and to arrange faults.
#[derive(Clone)]
pub struct Fake(pub Arc<Mutex<State>>);

impl Fake {
    pub fn new(values: &[(&str, &str)]) -> Fake {
        let mut state = State { ese: "0".into(), ..State::default() };
        state.values = values.iter().map(|(k, v)| ((*k).to_string(), (*v).to_string())).collect();
        state.values.entry("*IDN".into()).or_insert_with(|| "Invented,Fake,7,1.0".into());
        state.values.entry("SYST:VERS".into()).or_insert_with(|| "1999.0".into());
        Fake(Arc::new(Mutex::new(state)))
    }

    pub fn link(&self) -> Box<dyn Link> {
        let state = self.0.clone();
        let responder = Box::new(move |bytes: &[u8], now: Duration| state.lock().unwrap().take(bytes, now));
        Box::new(CallLink::polled("fake port", VirtualClock::new(), Duration::from_millis(1), responder))
    }

    pub fn quirk(&self, question: &str, quirk: Quirk) {
        self.0.lock().unwrap().quirks.entry(question.into()).or_default().push_back(quirk);
    }

    pub fn with<T>(&self, act: impl FnOnce(&mut State) -> T) -> T {
        act(&mut self.0.lock().unwrap())
    }

    /// The messages since the last call, without those of status and resynchronising.
    pub fn messages(&self) -> Vec<String> {
        let log = std::mem::take(&mut self.0.lock().unwrap().log);
        let closers = ["SYST:ERR?", "", "\"", "'"];
        log.into_iter().filter(|m| !m.starts_with("*ESE") && !closers.contains(&m.as_str())).collect()
    }
}

impl State {
    fn take(&mut self, bytes: &[u8], now: Duration) -> Vec<u8> {
        self.bytes.extend_from_slice(bytes);
        if self.echo && !bytes.is_empty() {
            self.pending.push((now, bytes.to_vec()));
        }
        for byte in bytes {
            if *byte == b'\n' {
                let line = String::from_utf8(std::mem::take(&mut self.line)).unwrap();
                self.message(&line, now);
            } else {
                self.line.push(*byte);
            }
        }
        self.due(now)
    }

    /// Answers leave in the order asked, each not before its time.
    fn due(&mut self, now: Duration) -> Vec<u8> {
        let mut out = Vec::new();
        while self.pending.first().is_some_and(|(at, _)| *at <= now) {
            out.extend(self.pending.remove(0).1);
        }
        out
    }

    fn message(&mut self, line: &str, now: Duration) {
        self.log.push(line.to_string());
        if self.dead {
            return;
        }
        if let Some(error) = self.refuses.get(line) {
            self.errors.push_back(error.clone());
            return;
        }
        for unit in line.split(';').filter(|unit| !unit.is_empty()) {
            match unit.split_once('?') {
                Some((header, rest)) => self.question(unit, header, rest, now),
                None => self.setting(unit),
            }
        }
    }

    fn setting(&mut self, unit: &str) {
        let (header, value) = unit.split_once(' ').unwrap_or((unit, ""));
        let value = match value {
            "ON" => "1",
            "OFF" => "0",
            other => other,
        };
        if header == "*ESE" {
            self.ese = value.to_string();
        } else if !self.stuck.iter().any(|stuck| stuck == header) {
            self.values.insert(header.to_string(), value.to_string());
        }
    }

    fn question(&mut self, unit: &str, header: &str, rest: &str, now: Duration) {
        let answer = match unit {
            "*ESE?" => self.ese.clone(),
            "*OPC?" => "1".to_string(),
            "SYST:ERR?" => self.errors.pop_front().unwrap_or_else(|| "0,\"No error\"".into()),
            "COUNT?" => {
                self.count += 1;
                (1000 + self.count).to_string()
            }
            _ => {
                let known = self.values.get(unit).or_else(|| self.values.get(header));
                match known {
                    Some(value) => value.clone(),
                    None => {
                        self.errors.push_back(format!("-113,\"Undefined header;{header}?{rest}\""));
                        return;
                    }
                }
            }
        };
        let mut bytes = answer.into_bytes();
        bytes.push(b'\n');
        // A late answer holds the later ones back.
        let free = self.pending.last().map_or(now, |(at, _)| (*at).max(now));
        match self.quirks.get_mut(unit).and_then(VecDeque::pop_front) {
            None => self.pending.push((free, bytes)),
            Some(Quirk::Late(by)) => self.pending.push((free + by, bytes)),
            Some(Quirk::Raw(raw)) => self.pending.push((free, raw)),
            Some(Quirk::Silent) => {}
            Some(Quirk::Followed(more)) => {
                bytes.extend(more);
                self.pending.push((free, bytes));
            }
            Some(Quirk::Then(by, more)) => {
                self.pending.push((free, bytes));
                self.pending.push((free + by, more));
            }
            Some(Quirk::Dribble(size)) => {
                for (index, piece) in bytes.chunks(size).enumerate() {
                    let at = free + Duration::from_millis(u64::try_from(index).unwrap());
                    self.pending.push((at, piece.to_vec()));
                }
            }
        }
    }
}
