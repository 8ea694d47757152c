//! The site of a schedule: everything that is not the daemon, and everything that watches it.

use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError, Weak};
use std::time::Duration;

use wattproof_bench::Bench;
use wattproof_runs::Step;
use wattproof_virtual_bench::Role;
use wattproof_virtual_bench::instruments::Stand;

use crate::check::{Checker, Excuse, Recorded, Shown, Standing, Truth};
use crate::disk::Platters;
use crate::fault::{Fault, Kind};
use crate::fired::{Armed, Fired};
use crate::log::Log;
use crate::port::Port;
use wattproof_turns::Random;
use wattproof_turns::{Flag, Scheduler};

/// How long after a link's fault its messages and answers may still be late, s.
const AFTERMATH_S: f64 = 4.0;

/// The site of one schedule.
pub struct Site {
    /// Whose turn it is, and virtual time.
    pub scheduler: Arc<Scheduler>,
    /// The simulated amplifier with everything that hangs on it.
    pub stand: Arc<Stand>,
    /// Where runs are recorded.
    pub platters: Platters,
    log: Mutex<Log>,
    checker: Mutex<Checker>,
    armed: Mutex<Armed>,
    random: Mutex<Random>,
    bench: Mutex<Weak<Bench>>,
    /// Counts daemons; links of a dead one are dead.
    daemon: AtomicU64,
    dead: Mutex<Vec<u64>>,
    death_due: Mutex<Option<Fault>>,
    ports: OnceLock<Vec<Arc<Port>>>,
    over: Flag,
    told: Mutex<Vec<u64>>,
    /// Operators who hold the bench: it is not closed under their hands.
    pub operators: AtomicUsize,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Site {
    /// A site before anything happens.
    pub fn new(
        seed: u64,
        scheduler: Arc<Scheduler>,
        stand: Arc<Stand>,
        checker: Checker,
        faults: &[Fault],
    ) -> Arc<Site> {
        Arc::new(Site {
            scheduler,
            stand,
            platters: Platters::default(),
            log: Mutex::default(),
            checker: Mutex::new(checker),
            armed: Mutex::new(Armed::new(faults)),
            random: Mutex::new(Random::new(seed, 3)),
            bench: Mutex::default(),
            daemon: AtomicU64::new(0),
            dead: Mutex::default(),
            death_due: Mutex::default(),
            ports: OnceLock::new(),
            over: Flag::default(),
            told: Mutex::default(),
            operators: AtomicUsize::new(0),
        })
    }

    /// Writes down what happened, now.
    pub fn note(&self, text: String) {
        lock(&self.log).add(self.scheduler.now_ns(), text);
    }

    /// The log.
    pub fn log(&self) -> MutexGuard<'_, Log> {
        lock(&self.log)
    }

    /// The checker.
    pub fn checker(&self) -> MutexGuard<'_, Checker> {
        lock(&self.checker)
    }

    /// Random numbers of what surrounds the daemon.
    pub fn random<R>(&self, draw: impl FnOnce(&mut Random) -> R) -> R {
        draw(&mut lock(&self.random))
    }

    /// Where the daemon stands now.
    pub fn standing(&self) -> Standing {
        let bench = lock(&self.bench).upgrade();
        match bench {
            Some(bench) => Standing::Open(bench.state().into()),
            // Open shows only while there is a bench to ask.
            None => match self.checker().standing() {
                Standing::Opening => Standing::Opening,
                Standing::Closed | Standing::Open(_) => Standing::Closed,
            },
        }
    }

    /// A daemon starts; its number.
    pub fn boots(&self) -> u64 {
        self.checker().boots(self.scheduler.now_s());
        let daemon = self.daemon.fetch_add(1, Ordering::Relaxed) + 1;
        self.note(format!("daemon {daemon} starts"));
        daemon
    }

    /// The daemon's bench is open.
    pub fn opened(&self, bench: &Arc<Bench>) {
        *lock(&self.bench) = Arc::downgrade(bench);
        self.note("the bench is open".into());
    }

    /// The daemon's bench could not be opened, or was closed.
    pub fn closed(&self) {
        *lock(&self.bench) = Weak::new();
        let truth = self.truth();
        let at_s = self.scheduler.now_s();
        self.checker().look(at_s, Standing::Closed, &truth, &|role| self.excuse(role));
    }

    /// The open bench, if any.
    pub fn bench(&self) -> Option<Arc<Bench>> {
        lock(&self.bench).upgrade()
    }

    /// The running daemon dies at this instant; false when none runs.
    pub fn kill(&self, fault: &Fault) -> bool {
        let daemon = self.daemon.load(Ordering::Relaxed);
        if self.checker().standing() == Standing::Closed || self.is_dead(daemon) {
            return false;
        }
        self.struck(fault);
        lock(&self.dead).push(daemon);
        *lock(&self.bench) = Weak::new();
        self.note(format!("daemon {daemon} dies"));
        if fault.kind == Kind::PowerLoss {
            let left = self.random(|random| random.between(0.0, 1.0));
            self.platters.power_fails(left);
        }
        self.closed();
        true
    }

    /// The daemon will die at its next message.
    pub fn set_death_due(&self, fault: &Fault) {
        *lock(&self.death_due) = Some(*fault);
    }

    /// A death that is due, once.
    pub fn take_death_due(&self) -> Option<Fault> {
        lock(&self.death_due).take()
    }

    /// The guardian of a dead daemon has sent everything it ever sends.
    pub fn guardian_done(&self) {
        self.note("the guardian is done".into());
    }

    /// All ports; set once, before anything happens.
    pub fn wire(&self, ports: Vec<Arc<Port>>) {
        self.ports.get_or_init(|| ports);
    }

    /// All ports.
    pub fn ports(&self) -> &[Arc<Port>] {
        self.ports.get().map(Vec::as_slice).unwrap_or_default()
    }

    /// A person, and the script, were told of a step.
    pub fn told_step(&self, step: &Step) {
        lock(&self.told).push(step.step);
        self.look();
        let values = [
            Recorded {
                what: "supply voltage",
                value: step.supply_v,
                asked: Some("MEAS:VOLT?"),
                of: |truth| truth.supply_v,
                within: 0.01,
            },
            Recorded {
                what: "supply current",
                value: step.supply_a,
                asked: Some("MEAS:CURR?"),
                of: |truth| truth.supply_a,
                within: 0.05,
            },
            Recorded {
                what: "heatsink",
                value: step.heatsink_c,
                asked: Some("MEAS:TEMP?"),
                of: |truth| truth.heatsink_c,
                within: 0.1,
            },
            Recorded {
                what: "loudest output",
                value: step
                    .channels
                    .iter()
                    .filter_map(|channel| channel.reading.fundamental_vrms)
                    .reduce(f64::max),
                asked: None,
                of: |truth| truth.out_vrms,
                within: 0.3,
            },
        ];
        let excuses = Role::ALL.map(|role| self.excuse(role));
        // The clock of a run that was gone on with, and of a machine that was suspended, is not the schedule's.
        let jumped = self.daemon.load(Ordering::Relaxed) > 1
            || lock(&self.armed).fired.iter().any(|fired| fired.kind == Kind::Suspend);
        let lied = jumped || excuses.iter().any(|excuse| excuse.lied);
        self.checker().recorded(step.at_s, step.step, &values, Excuse { link: false, lied });
    }

    /// The steps told.
    pub fn told_steps(&self) -> Vec<u64> {
        lock(&self.told).clone()
    }

    /// The schedule comes to its end: lasting faults cease.
    pub fn end(&self) {
        self.over.set();
    }

    /// Whether the schedule comes to its end.
    pub fn is_over(&self) -> bool {
        self.over.is_set()
    }

    /// The number of the daemon that started last.
    pub fn present_daemon(&self) -> u64 {
        self.daemon.load(Ordering::Relaxed)
    }

    /// Whether a daemon is dead.
    pub fn is_dead(&self, daemon: u64) -> bool {
        lock(&self.dead).contains(&daemon)
    }

    /// What is really so now.
    pub fn truth(&self) -> Truth {
        self.stand.look(self.scheduler.now_s(), Truth::of)
    }

    /// Judges everything after an event.
    pub fn look(&self) {
        let standing = self.standing();
        let before = self.checker().standing();
        if standing != before {
            self.note(format!("{standing:?}"));
        }
        let truth = self.truth();
        self.checker().look(self.scheduler.now_s(), standing, &truth, &|role| self.excuse(role));
    }

    /// What faults excuse at an instrument now.
    pub fn excuse(&self, role: Role) -> Excuse {
        let now_s = self.scheduler.now_s();
        let armed = lock(&self.armed);
        let mut excuse = Excuse::default();
        for begun in armed.begun(role) {
            let kind = begun.fault.kind;
            let last_s = begun.last_s.max(begun.fault.until().as_secs_f64());
            let descriptor_lost = matches!(kind, Kind::UnplugMidReply | Kind::HangUp | Kind::HubReset);
            excuse.link |= descriptor_lost || kind.on_a_port() && now_s < last_s + AFTERMATH_S;
            excuse.lied |= kind.lies();
        }
        excuse
    }

    /// The faults of a kind of instrument that strike now, each counted once.
    pub fn strike(&self, role: Role, concerns: &dyn Fn(Kind) -> bool) -> Vec<Kind> {
        let struck = lock(&self.armed).strike(role, self.scheduler.now(), concerns);
        for (kind, _) in &struck {
            self.fired(*kind, Some(role));
        }
        struck.into_iter().map(|(kind, _)| kind).collect()
    }

    /// Whether a fault holds at an instrument now, and until when.
    pub fn holds(&self, kind: Kind, role: Role) -> Option<Duration> {
        lock(&self.armed).holds(kind, role, self.scheduler.now())
    }

    /// Whether a fault of the disk strikes now. One that kills is due at once.
    pub fn strikes_disk(&self, kind: Kind) -> bool {
        let struck = lock(&self.armed).strike_disk(kind, self.scheduler.now());
        if let Some(fault) = &struck {
            if kind.kills() {
                self.set_death_due(fault);
            } else {
                self.fired(kind, None);
            }
        }
        struck.is_some()
    }

    /// A fault outside the links has struck.
    pub fn struck(&self, fault: &Fault) {
        lock(&self.armed).note(fault, self.scheduler.now());
        let role = (fault.kind == Kind::FrontPanel).then_some(fault.role);
        self.fired(fault.kind, role);
    }

    fn fired(&self, kind: Kind, role: Option<Role>) {
        let standing = self.standing();
        if standing == Standing::Closed {
            return;
        }
        let at = role.map_or(String::new(), |role| format!(" at the {role}"));
        self.note(format!("FAULT [{}] {kind:?}{at}", kind.number()));
        let shown = match standing {
            Standing::Open(state) => state,
            Standing::Opening | Standing::Closed => Shown::Boot,
        };
        lock(&self.armed).fired.push(Fired { kind, role: role.map(Role::name), standing: shown });
    }

    /// What has fired.
    pub fn all_fired(&self) -> Vec<Fired> {
        lock(&self.armed).fired.clone()
    }

    /// Whether the newest durable record of the run is the intent of something that is under way.
    pub fn intent_is_durable(&self) -> bool {
        let line = self.platters.last_durable_line();
        line.and_then(|line| crate::durable::kind_of(&line))
            .is_some_and(|kind| matches!(kind.as_str(), "act" | "restoring"))
    }
}
