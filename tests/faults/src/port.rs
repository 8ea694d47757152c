//! One instrument's port, with the faults that strike there.

use std::collections::VecDeque;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use wattproof_virtual_bench::{Role, VirtualInstrument};

use crate::fault::Kind;
use crate::log::shown;
use crate::site::Site;
use crate::spoil;

/// Bytes of an answer that come one by one when it dribbles; the rest comes after them.
const DRIBBLED_BYTES: usize = 16;

/// One instrument's port.
pub struct Port {
    /// Which instrument.
    pub role: Role,
    state: Mutex<Wired>,
}

/// The port and what is on its way.
pub struct Wired {
    role: Role,
    instrument: VirtualInstrument,
    /// Bytes of a message that has not ended.
    begun: Vec<u8>,
    /// Questions whose answers the instrument still owes.
    owed: VecDeque<(Vec<u8>, Vec<Kind>)>,
    /// Pieces of answers on their way: when each arrives, and the whole answer it ends.
    pub coming: VecDeque<Piece>,
    /// What questions were answered before.
    before: Vec<(Vec<u8>, Vec<u8>)>,
    /// From when on the link is gone, and until when.
    pub gone: Option<(Duration, Duration)>,
}

/// A piece of an answer.
pub struct Piece {
    /// When it arrives.
    pub at: Duration,
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// Question and answer, at its last piece.
    pub ends: Option<(Vec<u8>, Vec<u8>)>,
}

impl Port {
    /// A port with nothing on its way.
    pub fn new(instrument: VirtualInstrument) -> Port {
        let state = Wired {
            role: instrument.role(),
            instrument,
            begun: Vec::new(),
            owed: VecDeque::new(),
            coming: VecDeque::new(),
            before: Vec::new(),
            gone: None,
        };
        Port { role: state.role, state: Mutex::new(state) }
    }

    /// The port's state. Never held while waiting.
    pub fn wired(&self) -> MutexGuard<'_, Wired> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Bytes come from a daemon.
    pub fn take(&self, site: &Site, bytes: &[u8]) {
        let lines = {
            let mut wired = self.wired();
            wired.begun.extend_from_slice(bytes);
            let mut lines = Vec::new();
            while let Some(end) = wired.begun.iter().position(|byte| *byte == b'\n') {
                let mut line: Vec<u8> = wired.begun.drain(..=end).collect();
                line.pop();
                lines.push(line);
            }
            lines
        };
        for line in lines {
            self.message(site, &line);
        }
    }

    /// One whole message.
    pub fn message(&self, site: &Site, line: &[u8]) {
        let at_s = site.scheduler.now_s();
        site.look();
        site.note(format!("{} <- {}", self.role, shown(line)));
        let struck = site.strike(self.role, &|kind| spoil::concerns(kind, line));
        site.checker().message(at_s, self.role, line, &|| site.intent_is_durable());
        let mut wired = self.wired();
        if struck.contains(&Kind::HangUp) {
            let until = site.holds(Kind::HangUp, self.role).unwrap_or_default();
            wired.hang_up(site.scheduler.now(), until);
            return;
        }
        if struck.contains(&Kind::Reboot) {
            wired.reboot(site);
            return;
        }
        let mut reaching = Some(line.to_vec());
        for kind in &struck {
            let spoiled =
                reaching.and_then(|line| site.random(|random| spoil::message(*kind, &line, random)));
            reaching = spoiled;
        }
        let mut said = Vec::new();
        if !wired.is_waiting() {
            // What was not answered by now never will be.
            wired.owed.clear();
        }
        if let Some(mut reaching) = reaching {
            if reaching != line {
                site.note(format!("{} gets {} instead", self.role, shown(&reaching)));
            }
            reaching.push(b'\n');
            said = wired.instrument.handle(&reaching, at_s);
        }
        if spoil::is_question(line) {
            wired.owed.push_back((line.to_vec(), struck));
        }
        wired.say(site, said);
    }

    /// What the instrument says as time passes.
    pub fn poll(&self, site: &Site) {
        let mut wired = self.wired();
        if wired.instrument.is_waiting() {
            let said = wired.instrument.handle(&[], site.scheduler.now_s());
            wired.say(site, said);
        }
    }

    /// Something is done at the instrument itself.
    pub fn by_hand(&self, site: &Site, line: &str) {
        site.checker().forgets(self.role);
        let mut wired = self.wired();
        let said = wired.instrument.handle(format!("{line}\n").as_bytes(), site.scheduler.now_s());
        drop(said);
    }
}

impl Wired {
    /// Whether the instrument will speak by itself when time passes.
    pub fn is_waiting(&self) -> bool {
        self.instrument.is_waiting()
    }

    /// The link is gone from now on, with everything on its way.
    pub fn hang_up(&mut self, from: Duration, until: Duration) {
        self.gone = Some((from, until));
        self.begun.clear();
        self.owed.clear();
        self.coming.clear();
    }

    /// Whether the link is gone.
    pub fn is_gone(&self, now: Duration) -> bool {
        self.gone.is_some_and(|(from, until)| from <= now && now < until)
    }

    fn reboot(&mut self, site: &Site) {
        let (at_s, role) = (site.scheduler.now_s(), self.role);
        self.instrument.handle(b"\n*RST\n*CLS\n", at_s);
        self.owed.clear();
        self.coming.clear();
        site.checker().forgets(role);
    }

    /// Puts an answer on its way, spoiled by what struck its question.
    fn say(&mut self, site: &Site, said: Vec<u8>) {
        if said.is_empty() {
            return;
        }
        let (question, struck) = self.owed.pop_front().unwrap_or_default();
        let frozen = self.before.iter().find(|(asked, _)| *asked == question).map(|(_, said)| said.clone());
        if frozen.is_none() {
            self.before.push((question.clone(), said.clone()));
        }
        let mut answer = said.clone();
        for kind in &struck {
            answer = site.random(|random| spoil::answer(*kind, &question, answer, frozen.as_deref(), random));
        }
        if !struck.contains(&Kind::Frozen)
            && let Some((_, kept)) = self.before.iter_mut().find(|(asked, _)| *asked == question)
        {
            *kept = said;
        }
        let now = site.scheduler.now();
        let late_s = site.random(|random| {
            let usual_s = random.between(0.2e-3, 2e-3);
            let late = struck.contains(&Kind::LateReply) || struck.contains(&Kind::OpcLate);
            if late { usual_s + random.between(0.5, 4.0) } else { usual_s }
        });
        // Answers do not overtake each other.
        let last = self.coming.back().map_or(now, |piece| piece.at.max(now));
        let at = last + Duration::from_secs_f64(late_s);
        let ends = Some((question, answer.clone()));
        if struck.contains(&Kind::UnplugMidReply) {
            let half = answer.len() / 2;
            answer.truncate(half);
            self.coming.push_back(Piece { at, bytes: answer, ends: None });
            let until = site.holds(Kind::UnplugMidReply, self.role).unwrap_or(at);
            self.gone = Some((at + Duration::from_nanos(1), until.max(at)));
        } else if struck.contains(&Kind::Dribble) {
            let gap = Duration::from_secs_f64(site.random(|random| random.between(0.05, 0.4)));
            self.coming.extend(dribbled(answer, at, gap, ends));
        } else {
            self.coming.push_back(Piece { at, bytes: answer, ends });
        }
    }
}

/// An answer that comes byte by byte. It has come whole with the byte that ends it, whatever follows.
fn dribbled(
    mut answer: Vec<u8>,
    mut at: Duration,
    gap: Duration,
    ends: Option<(Vec<u8>, Vec<u8>)>,
) -> Vec<Piece> {
    let rest = answer.split_off(answer.len().min(DRIBBLED_BYTES));
    let mut pieces = Vec::new();
    for byte in answer {
        pieces.push(Piece { at, bytes: vec![byte], ends: None });
        at += gap;
    }
    if !rest.is_empty() {
        pieces.push(Piece { at, bytes: rest, ends: None });
    }
    let whole =
        pieces.iter().position(|piece| piece.bytes == b"\n").unwrap_or(pieces.len().saturating_sub(1));
    if let Some(last) = pieces.get_mut(whole) {
        last.ends = ends.map(|(question, answer)| {
            let line = answer.iter().position(|byte| *byte == b'\n').map_or(answer.len(), |end| end + 1);
            // Only a line that ended among the single bytes is all there is.
            let line = if line <= DRIBBLED_BYTES { line } else { answer.len() };
            (question, answer.get(..line).unwrap_or_default().to_vec())
        });
    }
    pieces
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEEE 488.2, 8.5: a response message ends with its terminator, so nothing after it belongs to it.
    #[test]
    fn a_dribbled_answer_has_come_whole_with_its_terminator() {
        let gap = Duration::from_millis(100);
        let dribble = |answer: &[u8]| {
            let ends = Some((b"OUTP1?".to_vec(), answer.to_vec()));
            let pieces = dribbled(answer.to_vec(), Duration::from_secs(1), gap, ends);
            assert!(pieces.iter().all(|piece| !piece.bytes.is_empty()));
            let all: Vec<u8> = pieces.iter().flat_map(|piece| piece.bytes.clone()).collect();
            assert_eq!(all, answer);
            let mut ended = pieces.into_iter().filter_map(|piece| Some((piece.at, piece.ends?.1)));
            let first = ended.next();
            assert!(ended.next().is_none());
            first
        };
        assert_eq!(dribble(b"0\n"), Some((Duration::from_millis(1100), b"0\n".to_vec())));
        assert_eq!(dribble(b"0\n0\n"), Some((Duration::from_millis(1100), b"0\n".to_vec())));
        assert_eq!(dribble(b"0"), Some((Duration::from_secs(1), b"0".to_vec())));
        let long = b"Invented,Works,0,0.1\n";
        assert_eq!(dribble(long), Some((Duration::from_millis(2600), long.to_vec())));
    }
}
