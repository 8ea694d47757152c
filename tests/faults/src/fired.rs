//! The faults of a schedule as they strike.

use std::time::Duration;

use wattproof_virtual_bench::Role;

use crate::check::Shown;
use crate::fault::{Fault, Kind};

/// A fault that struck, with the guard's state at that moment.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Fired {
    /// What.
    pub kind: Kind,
    /// Where, if at an instrument.
    pub role: Option<&'static str>,
    /// The guard's state.
    pub standing: Shown,
}

/// A fault that struck at least once.
#[derive(Debug, Clone, Copy)]
pub struct Begun {
    /// Which.
    pub fault: Fault,
    /// When it struck last, s.
    pub last_s: f64,
}

/// The faults of a schedule, and how much of each is left.
#[derive(Debug)]
pub struct Armed {
    faults: Vec<(Fault, u32)>,
    begun: Vec<Begun>,
    /// Everything that struck.
    pub fired: Vec<Fired>,
}

impl Armed {
    /// All of them still to come.
    pub fn new(faults: &[Fault]) -> Armed {
        Armed {
            faults: faults.iter().map(|fault| (*fault, fault.times)).collect(),
            begun: Vec::new(),
            fired: Vec::new(),
        }
    }

    /// Those that strike an instrument now; each strike is counted.
    pub fn strike(
        &mut self,
        role: Role,
        now: Duration,
        concerns: &dyn Fn(Kind) -> bool,
    ) -> Vec<(Kind, Duration)> {
        let mut struck = Vec::new();
        for index in 0..self.faults.len() {
            let Some((fault, left)) = self.faults.get_mut(index) else { continue };
            let here = fault.role == role && fault.kind.on_a_port() && *left > 0;
            if here && fault.from <= now && now < fault.until() && concerns(fault.kind) {
                *left -= 1;
                struck.push((fault.kind, fault.until()));
                let fault = *fault;
                self.note(&fault, now);
            }
        }
        struck
    }

    /// Whether a fault of the disk strikes now; the strike is counted.
    pub fn strike_disk(&mut self, kind: Kind, now: Duration) -> Option<Fault> {
        let due = |(fault, left): &&mut (Fault, u32)| {
            fault.kind == kind && *left > 0 && fault.from <= now && (kind.kills() || now < fault.until())
        };
        let (fault, left) = self.faults.iter_mut().find(due)?;
        *left -= 1;
        let fault = *fault;
        self.note(&fault, now);
        Some(fault)
    }

    /// Until when a fault holds at an instrument that is within its time now.
    pub fn holds(&self, kind: Kind, role: Role, now: Duration) -> Option<Duration> {
        let within = |fault: &Fault| fault.kind == kind && fault.from <= now && now < fault.until();
        let here = |fault: &Fault| fault.role == role || kind == Kind::HubReset;
        self.faults
            .iter()
            .map(|(fault, _)| fault)
            .find(|fault| within(fault) && here(fault))
            .map(Fault::until)
    }

    /// A fault has struck.
    pub fn note(&mut self, fault: &Fault, now: Duration) {
        let last_s = now.as_secs_f64();
        match self.begun.iter_mut().find(|begun| begun.fault == *fault) {
            Some(begun) => begun.last_s = last_s,
            None => self.begun.push(Begun { fault: *fault, last_s }),
        }
    }

    /// Those that struck an instrument, or all of them at once.
    pub fn begun(&self, role: Role) -> impl Iterator<Item = &Begun> {
        self.begun.iter().filter(move |begun| begun.fault.role == role || !begun.fault.kind.on_a_port())
    }
}
