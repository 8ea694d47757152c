use std::collections::VecDeque;

use serde::Deserialize;

/// XON and XOFF (ASCII DC1 and DC3).
const GO: u8 = 0x11;
const STOP: u8 = 0x13;
/// A line longer than this is given up.
const LINE_BYTES_MAX: usize = 4096;

/// How an instrument's line works.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct LineSpec {
    /// Its speed, baud: at any other, bytes are garbage. None takes every speed.
    pub baud: Option<u32>,
    /// Bytes take their time at that speed.
    pub paced: bool,
    pub ends: End,
    pub answers_end: End,
    pub echo: Echo,
    /// Takes `;` between messages.
    pub chains: bool,
    /// The parser takes a byte each so long, ms.
    pub byte_ms: f64,
    /// So many bytes may wait for the parser; further ones are lost.
    pub holds_bytes: usize,
    /// Sends XOFF when so many wait, and XON when they are down to `again_bytes`.
    pub stop_bytes: Option<usize>,
    pub again_bytes: usize,
    /// A message that begins sooner after the last byte, in either direction, is lost, ms.
    pub gap_ms: f64,
    /// Obeying takes so long, and the parser stands still meanwhile, ms.
    pub busy_ms: f64,
    /// What it does with a message that it does not know.
    pub unknown: Unknown,
}

impl Default for LineSpec {
    fn default() -> Self {
        Self {
            baud: None,
            paced: false,
            ends: End::Lf,
            answers_end: End::Lf,
            echo: Echo::None,
            chains: true,
            byte_ms: 0.0,
            holds_bytes: 4096,
            stop_bytes: None,
            again_bytes: 0,
            gap_ms: 0.0,
            busy_ms: 0.0,
            unknown: Unknown::Queued,
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum End {
    Lf,
    Cr,
    Crlf,
}

impl End {
    pub fn bytes(self) -> &'static [u8] {
        match self {
            End::Lf => b"\n",
            End::Cr => b"\r",
            End::Crlf => b"\r\n",
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Echo {
    None,
    Bytes,
    Line,
}

/// What becomes of a message that is not understood.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Unknown {
    /// It counts as an undefined header: -113 in the error queue.
    Queued,
    /// Nothing happens.
    Silent,
    /// It answers `?`.
    Asks,
}

impl LineSpec {
    pub fn complaint(&self) -> Option<String> {
        let times = [("byte_ms", self.byte_ms), ("gap_ms", self.gap_ms), ("busy_ms", self.busy_ms)];
        if let Some((name, ms)) = times.iter().find(|(_, ms)| !ms.is_finite() || *ms < 0.0) {
            return Some(format!("`{name}` = {ms} must be a time, 0 or more"));
        }
        if self.paced && self.baud.unwrap_or(0) == 0 {
            return Some("`paced` needs a `baud` above 0".into());
        }
        if self.holds_bytes == 0 {
            return Some("`holds_bytes` must be at least 1".into());
        }
        let stop = self.stop_bytes.unwrap_or(usize::MAX);
        (self.again_bytes >= stop).then(|| "`again_bytes` must be below `stop_bytes`".into())
    }

    /// Whether its behaviour depends on when bytes come.
    pub fn is_timed(&self) -> bool {
        self.byte_ms > 0.0 || self.gap_ms > 0.0 || self.stop_bytes.is_some()
    }
}

/// The receiving end of a line: what of the bytes that come becomes messages, and when.
#[derive(Debug)]
pub(crate) struct Line {
    spec: LineSpec,
    /// Waiting for the parser, with the time of their arrival, s.
    waiting: VecDeque<(u8, f64)>,
    /// When the parser is free, s.
    free_s: f64,
    /// Taken by the parser, not ended yet.
    message: Vec<u8>,
    /// The message under way came too soon and is lost to its end.
    deaf: bool,
    begun: bool,
    stopped: bool,
    looked_s: f64,
    last_byte_s: Option<f64>,
    /// What goes back at once: echo, XON, XOFF.
    pub said: Vec<u8>,
}

impl Line {
    pub fn new(spec: LineSpec) -> Self {
        Self {
            spec,
            waiting: VecDeque::new(),
            free_s: 0.0,
            message: Vec::new(),
            deaf: false,
            begun: false,
            stopped: false,
            looked_s: 0.0,
            last_byte_s: None,
            said: Vec::new(),
        }
    }

    /// Takes what arrived since it last looked. Whoever serves it may look late: bytes count as spread over that time,
    /// so that none is lost for the server's lateness.
    pub fn arrive(&mut self, bytes: &[u8], now_s: f64) {
        let since_s = self.looked_s.min(now_s);
        let count = bytes.len() as f64;
        for (index, byte) in bytes.iter().enumerate() {
            let at_s = since_s + (now_s - since_s) * (index as f64 + 1.0) / count;
            self.one(*byte, at_s, (since_s, now_s));
        }
        self.looked_s = now_s;
    }

    fn one(&mut self, byte: u8, at_s: f64, (since_s, now_s): (f64, f64)) {
        // A terminal that heeds XON and XOFF sends them too; this one never has so much to say that it would matter.
        if self.spec.stop_bytes.is_some() && matches!(byte, GO | STOP) {
            return;
        }
        if !self.begun {
            self.begun = true;
            let soon = |last_s: f64| now_s - last_s < self.spec.gap_ms / 1000.0 - 1.0e-6;
            self.deaf = self.last_byte_s.is_some_and(soon);
        }
        // As early as may be, so that the next message is not lost for a late look at this one.
        self.last_byte_s = Some(since_s);
        let ended = self.spec.ends.bytes().last() == Some(&byte);
        if self.deaf {
            if ended {
                (self.deaf, self.begun) = (false, false);
            }
            return;
        }
        if ended {
            self.begun = false;
        }
        if self.spec.echo == Echo::Bytes {
            self.said.push(byte);
        }
        if self.backlog(at_s) >= self.spec.holds_bytes {
            return;
        }
        self.waiting.push_back((byte, at_s));
        if self.spec.stop_bytes.is_some_and(|stop| self.backlog(at_s) >= stop) && !self.stopped {
            self.stopped = true;
            self.said.push(STOP);
        }
    }

    /// How many bytes wait for the parser at that time, s.
    fn backlog(&self, at_s: f64) -> usize {
        let byte_s = self.spec.byte_ms / 1000.0;
        if byte_s == 0.0 {
            let taken = if at_s >= self.free_s { self.waiting.len() } else { 0 };
            return self.waiting.len() - taken.min(self.waiting.len());
        }
        let mut free_s = self.free_s;
        let mut taken = 0;
        for (_, came_s) in &self.waiting {
            free_s = free_s.max(*came_s) + byte_s;
            if free_s > at_s {
                break;
            }
            taken += 1;
        }
        self.waiting.len() - taken
    }

    /// The next message that the parser has got through by then.
    pub fn message(&mut self, now_s: f64) -> Option<Vec<u8>> {
        let byte_s = self.spec.byte_ms / 1000.0;
        let end = self.spec.ends.bytes();
        while let Some((byte, came_s)) = self.waiting.front().copied() {
            let done_s = self.free_s.max(came_s) + byte_s;
            if done_s > now_s + 1.0e-9 {
                break;
            }
            self.waiting.pop_front();
            self.free_s = done_s;
            self.message.push(byte);
            if self.message.ends_with(end) {
                let mut message = std::mem::take(&mut self.message);
                message.truncate(message.len() - end.len());
                self.free_s += self.spec.busy_ms / 1000.0;
                if self.spec.echo == Echo::Line {
                    self.said.extend_from_slice(&message);
                    self.said.extend_from_slice(self.spec.answers_end.bytes());
                }
                self.go(now_s);
                return Some(message);
            }
            if self.message.len() > LINE_BYTES_MAX {
                self.message.clear();
            }
        }
        self.go(now_s);
        None
    }

    fn go(&mut self, now_s: f64) {
        if self.stopped && self.backlog(now_s) <= self.spec.again_bytes {
            self.stopped = false;
            self.said.push(GO);
        }
    }

    /// It has spoken itself.
    pub fn spoke(&mut self, now_s: f64) {
        self.last_byte_s = Some(now_s);
    }

    /// Whether it has sent XOFF and no XON since.
    pub fn is_stopped(&self) -> bool {
        self.stopped
    }

    /// When it is through with the message before, s.
    pub fn through_s(&self) -> f64 {
        self.free_s
    }

    /// Whether it is busy with the message before: its answer comes when it is through.
    pub fn is_busy(&self, now_s: f64) -> bool {
        now_s < self.free_s
    }

    pub fn is_begun(&self) -> bool {
        self.stopped || !self.waiting.is_empty()
    }

    pub fn clear(&mut self) {
        self.waiting.clear();
        self.message.clear();
        self.said.clear();
        (self.deaf, self.begun, self.stopped) = (false, false, false);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn messages(line: &mut Line, now_s: f64) -> Vec<String> {
        std::iter::from_fn(|| line.message(now_s)).map(|m| String::from_utf8_lossy(&m).into_owned()).collect()
    }

    #[test]
    fn a_slow_parser_loses_what_comes_too_fast_and_nothing_else() {
        // Common practice, no source: a byte each 2 ms, eight may wait.
        let spec = LineSpec { byte_ms: 2.0, holds_bytes: 8, ..LineSpec::default() };
        let mut slow = Line::new(spec.clone());
        for (index, byte) in b"RELAY 1 CLOSE\n".iter().enumerate() {
            slow.arrive(&[], index as f64 * 2.0e-3 - 1.0e-6);
            slow.arrive(&[*byte], index as f64 * 2.0e-3);
        }
        assert_eq!(messages(&mut slow, 1.0), ["RELAY 1 CLOSE"]);
        let mut fast = Line::new(spec.clone());
        fast.arrive(&[], 0.999_999);
        fast.arrive(b"RELAY 1 CLOSE\n", 1.0);
        assert_eq!(messages(&mut fast, 2.0), [""; 0]);
        // Looked at late, the same bytes may have come one by one.
        let mut late = Line::new(spec);
        late.arrive(b"RELAY 1 CLOSE\n", 1.0);
        assert_eq!(messages(&mut late, 2.0), ["RELAY 1 CLOSE"]);
    }

    #[test]
    fn what_begins_too_soon_is_lost_whole() {
        let mut line = Line::new(LineSpec { gap_ms: 20.0, ..LineSpec::default() });
        line.arrive(&[], 0.9999);
        line.arrive(b"A\n", 1.0);
        line.arrive(&[], 1.0099);
        line.arrive(b"B\n", 1.01);
        line.arrive(&[], 1.0399);
        line.arrive(b"C\n", 1.04);
        assert_eq!(messages(&mut line, 2.0), ["A", "C"]);
    }

    #[test]
    fn a_full_line_is_stopped_and_let_go_again() {
        // ASCII: DC3 stops, DC1 starts (ECMA-48 and common practice).
        let spec = LineSpec {
            byte_ms: 1.0,
            stop_bytes: Some(4),
            again_bytes: 1,
            holds_bytes: 8,
            ..LineSpec::default()
        };
        let mut line = Line::new(spec);
        line.arrive(&[], 0.999_999);
        line.arrive(b"ABCDEF\n", 1.0);
        assert_eq!(std::mem::take(&mut line.said), [STOP]);
        assert_eq!(messages(&mut line, 1.0045), [""; 0]);
        assert_eq!(line.said, b"");
        assert_eq!(messages(&mut line, 1.1), ["ABCDEF"]);
        assert_eq!(std::mem::take(&mut line.said), [GO]);
        // Whoever does not stop loses bytes.
        line.arrive(&[], 1.999_999);
        line.arrive(b"ABCDEFGHIJ\n", 2.0);
        assert_eq!(messages(&mut line, 3.0), [""; 0]);
    }
}
