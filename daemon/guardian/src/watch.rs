//! When to fire: pure, time is an argument.

use std::time::Duration;

/// Oversleeping by this much tells that the whole machine was held up, not the daemon alone.
const HELD_UP: Duration = Duration::from_millis(10);
/// What the daemon is allowed on top then, once between two heartbeats.
const EXCUSE_MAX: Duration = Duration::from_millis(50);

/// Why the guardian fired.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reason {
    /// The daemon's end of the socket is closed: it has ended or was killed.
    DaemonGone,
    /// Its heartbeats stopped: it hangs, or its safety loop does.
    DaemonSilent,
}

impl std::fmt::Display for Reason {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Reason::DaemonGone => "the daemon was gone",
            Reason::DaemonSilent => "the daemon's safety loop gave no sign of life",
        })
    }
}

/// Judges heartbeats. Instants are lengths of time since any fixed moment.
#[derive(Debug, Clone)]
pub struct Watch {
    silence_max: Duration,
    last_beat: Duration,
    silent: bool,
    excused: bool,
}

impl Watch {
    /// A watch that takes `now` as the first heartbeat.
    pub fn new(silence_max: Duration, now: Duration) -> Self {
        Watch { silence_max, last_beat: now, silent: false, excused: false }
    }

    /// A heartbeat came.
    pub fn beat(&mut self, now: Duration) {
        self.last_beat = now;
        self.silent = false;
        self.excused = false;
    }

    /// How long nothing needs judging; none when only a heartbeat can change anything.
    pub fn patience(&self, now: Duration) -> Option<Duration> {
        (!self.silent).then(|| (self.last_beat + self.silence_max).saturating_sub(now))
    }

    /// Judges the silence after waking at `now` from a sleep meant to end at `meant`. True once per silence: fire.
    ///
    /// A guardian that itself overslept was held up by the machine, and so, probably, was the daemon: it gets as
    /// long again from now, at most 50 ms and once between two heartbeats.
    pub fn judge(&mut self, now: Duration, meant: Duration) -> bool {
        let late = now.saturating_sub(meant);
        if !self.excused && late > HELD_UP {
            self.excused = true;
            let deadline = now + late.min(EXCUSE_MAX);
            self.last_beat = self.last_beat.max(deadline.saturating_sub(self.silence_max));
        }
        if self.silent || now.saturating_sub(self.last_beat) < self.silence_max {
            return false;
        }
        self.silent = true;
        true
    }
}
