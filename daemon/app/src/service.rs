//! What systemd is told, where it listens: ready, alive, stopping. Without it, nothing happens.

use std::time::Duration;

use sd_notify::NotifyState;
use wattproof_bench::SignsOfLife;

/// The bench is open: every instrument identified, every output off. From now on the watchdog is fed, by nothing but
/// new turns of the bench's safety loop.
pub fn ready(signs: SignsOfLife) {
    tell(&[NotifyState::Ready]);
    let Some(limit) = sd_notify::watchdog_enabled() else { return };
    let fed = std::thread::Builder::new().name("watchdog".into()).spawn(move || feed(&signs, limit / 4));
    if let Err(error) = fed {
        tracing::error!("the watchdog can't be fed, so systemd will end this run: {error}");
    }
}

/// The daemon answers; each of its runs is a process of its own and watched by its guardian.
pub fn tell_ready() {
    tell(&[NotifyState::Ready]);
}

/// The run is over.
pub fn stopping() {
    tell(&[NotifyState::Stopping]);
}

fn feed(signs: &SignsOfLife, pause: Duration) {
    let mut seen = 0;
    while let Some(turns) = signs.turns() {
        if turns != seen {
            seen = turns;
            tell(&[NotifyState::Watchdog]);
        }
        std::thread::sleep(pause);
    }
}

fn tell(state: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(state) {
        tracing::warn!("systemd was not told: {error}");
    }
}
