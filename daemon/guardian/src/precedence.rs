//! Going ahead: real-time precedence (sched(7), SCHED_FIFO) for the few threads between a fault and OFF, where the
//! machine grants it. Only threads that wait nearly all the time may have it.
//!
//! A thread that never waits any more would keep everything else from its processor. Three things bound that: the kernel
//! ends a process whose real-time thread has run for [`RUNAWAY_MAX`] without waiting (RLIMIT_RTTIME, getrlimit(2)), and
//! the guardian then switches off; it leaves 5 % of each second to ordinary threads until then (sched(7),
//! sched_rt_runtime_us); and the guardian goes ahead of the daemon.

use std::time::Duration;

use rustix::process::{Resource, getrlimit, setrlimit};
use thread_priority::{
    Error, RealtimeThreadSchedulePolicy, ThreadPriority, ThreadSchedulePolicy,
    set_thread_priority_and_policy, thread_native_id, thread_schedule_policy,
};

/// How long a thread that goes ahead may run without once waiting for anything.
pub const RUNAWAY_MAX: Duration = Duration::from_secs(2);

/// Who goes ahead of whom. Both stay far below the kernel's own threads (50 and more), whom they wait for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Precedence {
    /// The daemon's safety threads.
    Daemon,
    /// The guardian, which must act when one of those runs away.
    Guardian,
}

impl Precedence {
    /// The real-time priority, from 1 to 99; what LimitRTPRIO must allow at least.
    pub fn level(self) -> u8 {
        match self {
            Precedence::Daemon => 10,
            Precedence::Guardian => 12,
        }
    }
}

/// The machine grants no real-time precedence.
#[derive(Debug, thiserror::Error)]
#[error("no real-time precedence: {0}")]
pub struct NoPrecedence(String);

/// Puts the calling thread, and those it starts, ahead of everything ordinary. One that has real-time precedence
/// already keeps what it was given.
///
/// # Errors
/// [`NoPrecedence`]: everything works as before, later on a busy machine.
pub fn go_ahead(precedence: Precedence) -> Result<(), NoPrecedence> {
    let refused = |error: Error| {
        NoPrecedence(match error {
            Error::OS(code) => std::io::Error::from_raw_os_error(code).to_string(),
            other => other.to_string(),
        })
    };
    if matches!(thread_schedule_policy().map_err(refused)?, ThreadSchedulePolicy::Realtime(_)) {
        return Ok(());
    }
    // Bounded first: without a bound nobody goes ahead.
    bound_runaway().map_err(|errno| NoPrecedence(format!("its bound can't be set ({errno})")))?;
    let level = precedence.level().try_into().map_err(NoPrecedence)?;
    let policy = ThreadSchedulePolicy::Realtime(RealtimeThreadSchedulePolicy::Fifo);
    set_thread_priority_and_policy(thread_native_id(), ThreadPriority::Crossplatform(level), policy)
        .map_err(refused)
}

/// Has the kernel end this process (SIGXCPU) when a real-time thread of it runs away. A tighter bound stays.
fn bound_runaway() -> rustix::io::Result<()> {
    let wanted = RUNAWAY_MAX.as_micros() as u64;
    let mut limit = getrlimit(Resource::Rttime);
    if limit.current.is_none_or(|most| most > wanted) {
        limit.current = Some(wanted);
        setrlimit(Resource::Rttime, limit)?;
    }
    Ok(())
}
