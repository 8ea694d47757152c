//! What happens, told to everybody who listens: numbered, kept for a while, so that who was away for a moment misses
//! nothing and who was away for longer is told so.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

use axum::body::Bytes;
use serde::Serialize;
use tokio::sync::broadcast::{Receiver, Sender, channel};

/// Events that are kept.
const KEPT: usize = 4096;

/// One event, written once for all listeners.
#[derive(Debug)]
pub struct Event {
    /// Its number since the daemon started, from 1.
    pub number: u64,
    /// The bench that it concerns; none for all.
    pub bench: Option<String>,
    /// As it goes over the wire.
    pub frame: Bytes,
}

/// An event as the HTML standard's stream has it: `data` is a line of JSON.
pub fn frame(id: Option<&str>, kind: &str, data: &str) -> Bytes {
    let id = id.map_or_else(String::new, |id| format!("id: {id}\n"));
    format!("{id}event: {kind}\ndata: {data}\n\n").into()
}

/// All events of one start of the daemon.
pub struct Events {
    boot: String,
    kept: Mutex<Kept>,
    live: Sender<Arc<Event>>,
}

struct Kept {
    last: u64,
    events: VecDeque<Arc<Event>>,
}

/// What a listener gets: what it missed, whether more than that is lost, and what comes.
pub struct Heard {
    /// Events after the one it had last.
    pub missed: Vec<Arc<Event>>,
    /// Whether events in between are no longer known.
    pub gap: bool,
    /// Events from now on.
    pub live: Receiver<Arc<Event>>,
}

impl Events {
    /// Of a start with a name that no other start has.
    pub fn new(boot: String) -> Self {
        let kept = Mutex::new(Kept { last: 0, events: VecDeque::with_capacity(KEPT) });
        Events { boot, kept, live: channel(KEPT).0 }
    }

    /// The name of this start.
    pub fn boot(&self) -> &str {
        &self.boot
    }

    /// The identity of the event of a number.
    pub fn id(&self, number: u64) -> String {
        format!("{}-{number}", self.boot)
    }

    /// The identity of the last event.
    pub fn last_id(&self) -> String {
        self.id(self.kept().last)
    }

    /// Tells everybody: `bench`, `job`, `removed`, `step`, `rating` or `log`.
    pub fn tell(&self, kind: &'static str, bench: Option<&str>, data: &impl Serialize) {
        let data = match serde_json::to_string(data) {
            Ok(data) => data,
            Err(error) => return tracing::error!(kind, %error, "an event could not be written as JSON"),
        };
        // Sent under the lock: who joins gets every event once, either as missed or as it comes.
        let mut kept = self.kept();
        kept.last += 1;
        let frame = frame(Some(&self.id(kept.last)), kind, &data);
        let told = Arc::new(Event { number: kept.last, bench: bench.map(str::to_string), frame });
        if kept.events.len() == KEPT {
            kept.events.pop_front();
        }
        kept.events.push_back(Arc::clone(&told));
        // Nobody listens: nothing is lost, they are kept.
        drop(self.live.send(told));
    }

    /// Joins after the event of an identity; without one, from now on.
    pub fn join(&self, after: Option<&str>) -> Heard {
        let kept = self.kept();
        let live = self.live.subscribe();
        let Some(after) = after else { return Heard { missed: Vec::new(), gap: false, live } };
        let number = after.rsplit_once('-').filter(|(boot, _)| *boot == self.boot);
        let number = number.and_then(|(_, number)| number.parse::<u64>().ok()).filter(|n| *n <= kept.last);
        let first_kept = kept.events.front().map_or(kept.last + 1, |first| first.number);
        match number {
            Some(number) if number + 1 >= first_kept => {
                let missed = kept.events.iter().filter(|told| told.number > number).cloned().collect();
                Heard { missed, gap: false, live }
            }
            _ => Heard { missed: Vec::new(), gap: true, live },
        }
    }

    /// How many listen.
    pub fn listeners(&self) -> usize {
        self.live.receiver_count()
    }

    fn kept(&self) -> std::sync::MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use super::*;

    fn numbers(heard: &Heard) -> Vec<u64> {
        heard.missed.iter().map(|told| told.number).collect()
    }

    /// As the HTML standard's server-sent events have it: a client sends the identity of the last event it had.
    #[test]
    fn who_was_away_gets_what_it_missed_or_is_told_of_a_gap() {
        let events = Events::new("k3x9".into());
        (0..5).for_each(|n| events.tell("log", None, &n));
        assert_eq!(events.last_id(), "k3x9-5");
        let heard = events.join(Some("k3x9-3"));
        assert_eq!((numbers(&heard), heard.gap), (vec![4, 5], false));
        assert_eq!(numbers(&events.join(Some("k3x9-5"))), Vec::<u64>::new());
        assert!(!events.join(None).gap);
        for other in ["q1-3", "k3x9-99", "nonsense", "", "k3x9-", "-3"] {
            assert!(events.join(Some(other)).gap, "{other}");
        }
        (0..KEPT).for_each(|n| events.tell("log", None, &n));
        assert!(events.join(Some("k3x9-3")).gap, "what is no longer kept is a gap");
        assert_eq!(numbers(&events.join(Some("k3x9-5"))).len(), KEPT);
    }

    #[test]
    fn what_comes_is_heard_once() {
        let events = Events::new("a".into());
        events.tell("log", None, &1);
        let mut heard = events.join(Some("a-0"));
        events.tell("log", None, &2);
        assert_eq!(numbers(&heard), [1]);
        assert_eq!(heard.live.try_recv().unwrap().number, 2);
        assert!(heard.live.try_recv().is_err());
        assert_eq!(events.listeners(), 1);
    }
}
