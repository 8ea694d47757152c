//! What strikes from outside the links: the amplifier, the operator, the machine, and death.

use std::sync::Arc;
use std::time::Duration;

use wattproof_virtual_bench::{Drive, Load, Role};

use crate::fault::{Fault, Kind};
use crate::operator;
use crate::port::Port;
use crate::site::Site;

/// How often a lasting fault of the amplifier does its work.
const STEP: Duration = Duration::from_millis(50);
/// From the death of a daemon to its guardian's OFF: what the design allows on an idle machine.
const GUARDIAN_AFTER: Duration = Duration::from_millis(5);

/// Starts a thread for each fault outside the links.
///
/// # Errors
/// When the operating system gives no thread.
pub fn start(
    site: &Arc<Site>,
    ports: &[Arc<Port>],
    faults: &[Fault],
) -> std::io::Result<Vec<std::thread::JoinHandle<()>>> {
    let outside = faults.iter().filter(|fault| !fault.kind.on_a_port() && !fault.kind.on_the_disk());
    outside
        .map(|fault| {
            let (own, ports, fault) = (Arc::clone(site), ports.to_vec(), *fault);
            let body = move || {
                own.scheduler.wait(None, Some(fault.from.saturating_sub(own.scheduler.now())));
                strike(&own, &ports, &fault);
            };
            site.scheduler.start(&format!("{:?}", fault.kind), Box::new(body))
        })
        .collect()
}

fn strike(site: &Arc<Site>, ports: &[Arc<Port>], fault: &Fault) {
    let until = fault.until();
    let lasting = |work: &dyn Fn()| {
        site.struck(fault);
        while site.scheduler.now() < until && !site.is_over() {
            work();
            site.scheduler.wait(None, Some(STEP));
        }
    };
    match fault.kind {
        Kind::Short => {
            lasting(&|| {
                site.stand.change(site.scheduler.now_s(), |world| {
                    world.load_set(0, Load::Resistive { ohm: 0.05 }, true)
                })
            });
        }
        Kind::Runaway => lasting(&|| {
            site.stand.change(site.scheduler.now_s(), |world| {
                // Some 100 K/s: no heatsink is faster.
                let heatsink_c = (world.heatsink_c() + 5.0).min(250.0);
                world.heatsink_set(heatsink_c);
            });
        }),
        Kind::Oscillates => lasting(&|| {
            site.stand.change(site.scheduler.now_s(), |world| {
                world.source_set(0, Drive::Sine { vrms: 0.3, hz: 40_000.0 }, true);
            });
        }),
        Kind::FrontPanel => {
            site.struck(fault);
            let turned = site.random(|random| match fault.role {
                Role::Source => {
                    *random.pick(&["OUTP1 OFF", "SOUR1:VOLT 0.05", "SOUR2:FREQ 3000"]).unwrap_or(&"")
                }
                Role::Supply => *random.pick(&["OUTP OFF", "VOLT 9", "CURR 0.5"]).unwrap_or(&""),
                _ => *random.pick(&["INP1 OFF", "SOUR1:RES 8"]).unwrap_or(&""),
            });
            site.note(format!("by hand at the {}: {turned}", fault.role));
            if let Some(port) = ports.iter().find(|port| port.role == fault.role) {
                port.by_hand(site, turned);
            }
        }
        Kind::Suspend => {
            site.struck(fault);
            site.scheduler.jump(fault.length);
            site.checker().suspended(fault.length.as_secs_f64());
        }
        Kind::OperatorStop => {
            if let Some(bench) = site.bench() {
                site.struck(fault);
                site.checker().stops(site.scheduler.now_s());
                bench.stopper().stop("the operator");
            }
        }
        Kind::DoubleStart => {
            if let Some(bench) = site.bench() {
                site.struck(fault);
                let before = bench.state();
                if bench.arm().is_ok() && before != wattproof_guard::State::Safe {
                    let at_s = site.scheduler.now_s();
                    site.checker().broken(5, at_s, "double start", format!("armed in state {before:?}"));
                }
            }
        }
        Kind::ResetHasty | Kind::ResetReplayed => operator::resets_early(site, fault),
        // The run's end is waited for by the schedule itself.
        Kind::ResetProper => {}
        Kind::Death | Kind::DeathOfBoth => {
            // At the next message of the daemon, or at once.
            if site.random(|random| random.once_in(2)) {
                site.set_death_due(fault);
            } else {
                die(site, fault);
            }
        }
        _ => site.struck(fault),
    }
}

/// Dies at a message or a write, should that be due; true when it was.
pub fn die_if_due(site: &Arc<Site>) -> bool {
    let due = site.take_death_due();
    if let Some(fault) = &due {
        die(site, fault);
    }
    due.is_some()
}

/// The daemon dies; its guardian, if it lives, sends what it always sends.
fn die(site: &Arc<Site>, fault: &Fault) {
    if !site.kill(fault) || matches!(fault.kind, Kind::DeathOfBoth | Kind::PowerLoss) {
        return;
    }
    let own = Arc::clone(site);
    let guardian = move || {
        own.scheduler.wait(None, Some(GUARDIAN_AFTER));
        for port in own.ports() {
            let off: &[&[u8]] = match port.role {
                Role::Source => &[b"", b"OUTP1 OFF", b"OUTP2 OFF"],
                Role::Supply => &[b"", b"OUTP OFF"],
                _ => &[],
            };
            let now = own.scheduler.now();
            let carries = !port.wired().is_gone(now)
                && own.holds(Kind::OutputBlocked, port.role).is_none()
                && own.holds(Kind::HubReset, port.role).is_none();
            if carries {
                off.iter().for_each(|line| port.message(&own, line));
            }
        }
        own.guardian_done();
    };
    if let Err(error) = site.scheduler.start("guardian", Box::new(guardian)) {
        site.note(format!("no thread for the guardian: {error}"));
    }
}
