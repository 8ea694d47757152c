//! The invariants that time and the true state of the bench judge: containment, trip, latch, belief, freshness.

use wattproof_virtual_bench::Role;

use super::{Checker, Excuse, NOTICE_S, OFF_DEADLINE_S, POLLING_S, SEND_DEADLINE_S, Shown, Standing, Truth};

impl Checker {
    /// What the daemon shows, what is really so, and what faults excuse, after an event.
    pub fn look(&mut self, at_s: f64, standing: Standing, truth: &Truth, excuses: &dyn Fn(Role) -> Excuse) {
        if standing != self.standing {
            self.moved(at_s, standing, truth, excuses);
        }
        self.containment(at_s, truth, excuses);
        self.trip(at_s, excuses);
        self.freshness(at_s);
        self.resets.note(at_s, truth.heatsink_c > self.limits.heatsink_c_max + 1.0);
        self.poison(at_s);
        self.past.note(at_s, truth);
        self.unseen(at_s, truth, excuses);
    }

    /// Invariant 3, from the fault itself: what a safety reading can see is tripped on within the age of a reading.
    fn unseen(&mut self, at_s: f64, truth: &Truth, excuses: &dyn Fn(Role) -> Excuse) {
        let over = |role: Role, value: f64, limit: f64| value > limit && excuses(role) == Excuse::default();
        let beyond = over(Role::Thermometer, truth.heatsink_c, self.limits.heatsink_c_max + 1.0)
            || over(Role::Supply, truth.supply_a, self.limits.supply_a_max + 0.5);
        if !beyond || self.standing != Standing::Open(Shown::Running) {
            self.over_since_s = None;
            return;
        }
        let since_s = *self.over_since_s.get_or_insert(at_s);
        if at_s - since_s > self.limits.reading_age_s_max + NOTICE_S {
            let what = format!("running {:.3} s beyond a limit: {truth}", at_s - since_s);
            self.broken(3, at_s, "unseen", what);
        }
    }

    /// Invariant 15: without its record a run can't go on.
    fn poison(&mut self, at_s: f64) {
        let running = self.standing == Standing::Open(Shown::Running);
        if let Some(failed_s) = self.disk_failed_s
            && running
            && at_s > failed_s + SEND_DEADLINE_S
        {
            let what =
                format!("still running {:.3} s after its record could not be written", at_s - failed_s);
            self.broken(15, at_s, "trip", what);
        }
    }

    /// Invariants 5 and 9 where states change.
    fn moved(&mut self, at_s: f64, to: Standing, truth: &Truth, excuses: &dyn Fn(Role) -> Excuse) {
        let from = std::mem::replace(&mut self.standing, to);
        self.since_s = at_s;
        if let (
            Standing::Open(Shown::Tripped | Shown::Alarm),
            Standing::Open(Shown::Safe | Shown::Armed | Shown::Running),
        )
        | (Standing::Open(Shown::Alarm), Standing::Open(Shown::Tripping)) = (from, to)
            && !self.is_granted(at_s, from, to, truth, excuses)
        {
            self.broken(5, at_s, "latch", format!("{from:?} was left for {to:?} without a person's reset"));
        }
        if let Standing::Open(Shown::Tripping) = to {
            self.tripped_s = Some(at_s);
        }
        if let Standing::Open(Shown::Tripped | Shown::Alarm) = to
            && self.tripped_s.is_none()
        {
            self.tripped_s = Some(at_s);
        }
        if let Standing::Open(state @ (Shown::Safe | Shown::Tripped)) = to {
            for role in [Role::Source, Role::Supply] {
                if !self.wire(role).off_answered {
                    let what = format!(
                        "{state:?} is shown though the {role} was not read back off since its last energising message"
                    );
                    let about = if role == Role::Source { "source read back" } else { "supply read back" };
                    self.broken(9, at_s, about, what);
                }
            }
            let lied = [Role::Source, Role::Supply].into_iter().any(|role| excuses(role).lied);
            if truth.any_on() && !lied {
                self.broken(9, at_s, "truth", format!("{state:?} is shown, but: {truth}"));
            }
        }
    }

    /// Invariant 2.
    fn containment(&mut self, at_s: f64, truth: &Truth, excuses: &dyn Fn(Role) -> Excuse) {
        let lied = [Role::Source, Role::Supply].into_iter().any(|role| excuses(role).lied);
        // An instrument that lies about its output can only be found out by what the amplifier does.
        let live = if lied { truth.amplifier_live() } else { truth.any_on() };
        let allowed = match self.standing {
            Standing::Closed => true,
            Standing::Opening => {
                at_s - self.opened_s <= OFF_DEADLINE_S + POLLING_S || self.unreachable(excuses)
            }
            Standing::Open(Shown::Running | Shown::Alarm) => true,
            Standing::Open(Shown::Tripping) => at_s - self.since_s <= OFF_DEADLINE_S + POLLING_S,
            Standing::Open(_) => false,
        };
        if !live {
            self.live_since_s = None;
            return;
        }
        let since_s = *self.live_since_s.get_or_insert(at_s);
        // A latched state that only measuring can contradict may take that long to do so.
        let patience_s = if lied { OFF_DEADLINE_S } else { 0.0 };
        let settled_s = since_s.max(self.since_s) + patience_s;
        if !allowed && at_s >= settled_s {
            let what = format!("in {:?}: {truth}", self.standing);
            self.broken(2, at_s, "live", what);
        }
    }

    fn unreachable(&self, excuses: &dyn Fn(Role) -> Excuse) -> bool {
        Role::ALL.into_iter().any(|role| excuses(role).link)
    }

    /// Invariants 3, 4 and 20: OFF goes to each link that takes it, whatever the others do, and what is not confirmed
    /// by the deadline is an alarm.
    fn trip(&mut self, at_s: f64, excuses: &dyn Fn(Role) -> Excuse) {
        let Some(tripped_s) = self.tripped_s else { return };
        let Standing::Open(state) = self.standing else { return };
        for role in [Role::Source, Role::Supply] {
            // A suspension that moved one of the two marks may have rounded it.
            let written =
                self.wire(role).off_written_s.is_some_and(|written_s| written_s >= tripped_s - 1e-9);
            if !written && at_s > tripped_s + SEND_DEADLINE_S && !excuses(role).link {
                let late_s = at_s - tripped_s;
                let about = if role == Role::Source { "source not told" } else { "supply not told" };
                self.broken(
                    3,
                    at_s,
                    about,
                    format!("{late_s:.3} s after the trip the {role} was not told OFF"),
                );
            }
        }
        if state == Shown::Tripping && at_s > tripped_s + OFF_DEADLINE_S + POLLING_S {
            let what = format!(
                "still tripping {:.3} s after the trip: neither tripped nor an alarm",
                at_s - tripped_s
            );
            self.broken(20, at_s, "alarm", what);
        }
    }

    /// Invariant 12. Stale is what stays stale: a machine that was suspended wakes up with old readings, and the daemon
    /// has to notice then.
    fn freshness(&mut self, at_s: f64) {
        let stale = (self.standing == Standing::Open(Shown::Running)).then(|| self.stalest(at_s)).flatten();
        let Some((role, age_s)) = stale else {
            self.stale_since_s = None;
            return;
        };
        if at_s - *self.stale_since_s.get_or_insert(at_s) > NOTICE_S {
            let what = format!("running with a reading of the {role} that is {age_s:.3} s old");
            self.broken(12, at_s, role.name(), what);
        }
    }

    /// The first instrument whose safety reading is older than allowed, and its age, s.
    fn stalest(&mut self, at_s: f64) -> Option<(Role, f64)> {
        [Role::Supply, Role::Thermometer].into_iter().find_map(|role| {
            let since_s = self.since_s;
            let fresh_s = self.wire(role).measured_s.map_or(since_s, |measured_s| measured_s.max(since_s));
            let age_s = at_s - fresh_s;
            (!(age_s <= self.limits.reading_age_s_max)).then_some((role, age_s))
        })
    }
}
