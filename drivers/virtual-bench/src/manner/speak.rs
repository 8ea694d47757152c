use std::collections::VecDeque;

use super::file::Manner;
use super::line::{Line, Unknown};
use super::rule::{Heard, Rule};
use crate::instruments::Body;

/// Sent to the instrument in place of what it does not know: an undefined header, -113.
const UNDEFINED: &str = "UNKNOWN:HEADER";

/// A simulated instrument's manner at work: its own words and line on one side, SCPI on the other.
#[derive(Debug)]
pub(crate) struct Mannered {
    manner: Manner,
    line: Line,
    /// Parts of a line still to be obeyed.
    parts: VecDeque<String>,
    job: Option<Job>,
    /// An answer that is due when it is through with the message, s.
    later: Option<(f64, Vec<u8>)>,
}

/// A message under way.
#[derive(Debug)]
struct Job {
    left: VecDeque<String>,
    asked: bool,
    reply: Vec<u8>,
    replies: Vec<Vec<u8>>,
    then: Then,
}

/// What becomes of what the instrument says.
#[derive(Debug)]
enum Then {
    Nothing,
    /// It is said as it is.
    Pass,
    /// It is said in the rule's form.
    Answer(Rule, Heard),
    /// A record is written in the rule's form.
    Record(Rule, usize),
}

impl Mannered {
    pub fn new(manner: Manner) -> Self {
        let line = Line::new(manner.line.clone());
        Self { manner, line, parts: VecDeque::new(), job: None, later: None }
    }

    pub fn manner(&self) -> &Manner {
        &self.manner
    }

    /// Takes `bytes` that arrived at `now_s` and gives what the instrument says by then.
    pub fn handle(&mut self, bytes: &[u8], now_s: f64, body: &mut dyn Body) -> Vec<u8> {
        self.line.arrive(bytes, now_s);
        let mut out = std::mem::take(&mut self.line.said);
        // Its own time passes whether or not anything is asked.
        let mut fresh = body.handle(&[], now_s);
        loop {
            if let Some((due_s, answer)) = self.later.take_if(|(due_s, _)| *due_s <= now_s) {
                out.extend(answer);
                self.line.spoke(due_s);
            }
            if self.later.is_some() {
                break;
            }
            if let Some(mut job) = self.job.take() {
                if job.go_on(std::mem::take(&mut fresh), now_s, body) {
                    self.answer(&job, now_s);
                    continue;
                }
                self.job = Some(job);
                break;
            }
            if let Some(part) = self.parts.pop_front() {
                self.job = self.begin(&part);
                if self.job.is_none() && self.manner.line.unknown == Unknown::Asks {
                    self.reply(b"?".to_vec(), now_s);
                }
                continue;
            }
            let Some(message) = self.line.message(now_s) else { break };
            out.extend(std::mem::take(&mut self.line.said));
            self.parts = self.cut(&String::from_utf8_lossy(&message));
        }
        out.extend(std::mem::take(&mut self.line.said));
        out
    }

    /// Whether time passing may bring an answer.
    pub fn is_waiting(&self, now_s: f64) -> bool {
        self.job.is_some() || self.later.is_some() || self.line.is_begun() || self.line.is_busy(now_s)
    }

    /// Whether it has sent XOFF and no XON since.
    pub fn is_stopped(&self) -> bool {
        self.line.is_stopped()
    }

    /// Its mains were gone.
    pub fn restart(&mut self) {
        self.line.clear();
        self.parts.clear();
        (self.job, self.later) = (None, None);
    }

    /// The messages of a line.
    fn cut(&self, line: &str) -> VecDeque<String> {
        let line = line.trim_matches([' ', '\t', '\r', '\n']);
        if line.is_empty() {
            return VecDeque::new();
        }
        if !self.manner.line.chains || self.passes(line) {
            return VecDeque::from([line.to_owned()]);
        }
        line.split(';').map(|part| part.trim().to_owned()).filter(|part| !part.is_empty()).collect()
    }

    fn passes(&self, message: &str) -> bool {
        let message = message.to_ascii_uppercase();
        self.manner.passes.iter().any(|beginning| message.starts_with(&beginning.to_ascii_uppercase()))
    }

    /// None for a message that changes nothing at the instrument.
    fn begin(&self, message: &str) -> Option<Job> {
        let refused = message.contains(';') && !self.manner.line.chains;
        if !refused && self.passes(message) {
            return Some(Job::new([message.to_owned()], Then::Pass));
        }
        let found =
            self.manner.rules.iter().find_map(|rule| Some((rule, rule.hear(message)?))).filter(|_| !refused);
        let Some((rule, heard)) = found else {
            let queued = self.manner.line.unknown == Unknown::Queued;
            return queued.then(|| Job::new([UNDEFINED.to_owned()], Then::Nothing));
        };
        if rule.record.is_none() {
            let then = match rule.answers {
                Some(_) => Then::Answer(rule.clone(), heard.clone()),
                None => Then::Nothing,
            };
            return Some(Job::new(rule.scpi(&heard), then));
        }
        let wanted = if heard.channels.is_empty() { heard.channel } else { heard.channels };
        let channels: Vec<&str> = wanted.split(',').collect();
        let mut messages: Vec<String> =
            channels.iter().map(|channel| format!("SENS{channel}:VOLT:RANG?")).collect();
        messages.push("FORM REAL,64;:FORM:BORD NORM".to_owned());
        messages.push(format!("FETC? (@{wanted})"));
        Some(Job::new(messages, Then::Record(rule.clone(), channels.len())))
    }

    fn answer(&mut self, job: &Job, now_s: f64) {
        let text = |reply: &Vec<u8>| String::from_utf8_lossy(reply).trim().to_owned();
        let answer = match &job.then {
            Then::Nothing => None,
            Then::Pass => job.replies.last().cloned(),
            Then::Answer(rule, heard) => {
                job.replies.last().and_then(|reply| rule.say(heard, &text(reply))).map(String::into_bytes)
            }
            Then::Record(rule, channels) => written(rule, *channels, &job.replies),
        };
        if let Some(answer) = answer {
            self.reply(answer, now_s);
        }
    }

    fn reply(&mut self, mut answer: Vec<u8>, now_s: f64) {
        answer.extend_from_slice(self.manner.line.answers_end.bytes());
        self.later = Some((self.line.through_s().max(now_s), answer));
    }
}

impl Job {
    fn new(messages: impl IntoIterator<Item = String>, then: Then) -> Self {
        Self {
            left: messages.into_iter().collect(),
            asked: false,
            reply: Vec::new(),
            replies: Vec::new(),
            then,
        }
    }

    /// Goes on as far as the instrument lets it; whether that was all. A question that is not answered ends it.
    fn go_on(&mut self, fresh: Vec<u8>, now_s: f64, body: &mut dyn Body) -> bool {
        self.reply.extend(fresh);
        loop {
            if self.asked {
                if let Some(length) = complete(&self.reply) {
                    let mut reply = std::mem::take(&mut self.reply);
                    reply.truncate(length);
                    self.replies.push(reply);
                    self.asked = false;
                } else if body.is_waiting() || !self.reply.is_empty() {
                    return false;
                } else {
                    self.replies.clear();
                    return true;
                }
            }
            let Some(message) = self.left.pop_front() else { return true };
            self.asked = message.contains('?');
            self.reply = body.handle(format!("{message}\n").as_bytes(), now_s);
        }
    }
}

/// Length of a whole answer at the start of `reply`, without its end.
fn complete(reply: &[u8]) -> Option<usize> {
    let length = match block(reply) {
        Some((_, end)) => end,
        None => reply.iter().position(|byte| *byte == b'\n')?,
    };
    (reply.get(length) == Some(&b'\n')).then_some(length)
}

/// Where the payload of a definite block lies.
fn block(reply: &[u8]) -> Option<(usize, usize)> {
    let [b'#', digits @ b'1'..=b'9', rest @ ..] = reply else { return None };
    let digits = usize::from(digits - b'0');
    let length: usize = std::str::from_utf8(rest.get(..digits)?).ok()?.parse().ok()?;
    Some((2 + digits, 2 + digits + length))
}

/// The record of the last reply, with the ranges before it, as the rule writes it.
fn written(rule: &Rule, channels: usize, replies: &[Vec<u8>]) -> Option<Vec<u8>> {
    let record = rule.record.as_ref()?;
    let (last, ranges) = replies.split_last()?;
    let range = |reply: &Vec<u8>| std::str::from_utf8(reply).ok()?.trim().parse::<f64>().ok();
    let ranges_v: Vec<f64> = ranges.iter().filter_map(range).collect();
    let (first, end) = block(last)?;
    let (samples, _) = last.get(first..end)?.as_chunks::<8>();
    let volts: Vec<f64> = samples.iter().map(|bytes| f64::from_be_bytes(*bytes)).collect();
    let points = volts.len() / channels.max(1);
    let lists: Vec<Vec<f64>> = volts.chunks(points.max(1)).map(<[f64]>::to_vec).collect();
    (ranges_v.len() == channels && lists.len() == channels).then(|| record.written(&lists, &ranges_v))
}
