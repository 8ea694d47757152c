//! Two OFFs under way at once: one whose bytes never left is tried again as long as the other is at its first, so that a
//! port that comes free does not wait for an instrument that does not answer.

use std::time::Duration;

use crate::wire::actor::Pending;

/// Between the end of a try whose bytes did not leave and the next.
const PAUSE: Duration = Duration::from_millis(200);

/// An OFF that was not confirmed.
#[derive(Debug, Clone)]
pub(crate) struct NotOff {
    /// Why.
    pub why: String,
    /// Whether its bytes left. What heard it and does not obey is left in silence instead, for its watchdog's sake.
    pub left: bool,
}

/// What came of an OFF.
pub(crate) type Outcome = Result<(), NotOff>;

/// One output's OFF.
struct Attempt<'a> {
    begin: &'a dyn Fn() -> Pending<Outcome>,
    under_way: Option<Pending<Outcome>>,
    outcome: Outcome,
    is_first: bool,
}

impl<'a> Attempt<'a> {
    fn new(begin: &'a dyn Fn() -> Pending<Outcome>) -> Self {
        Attempt { begin, under_way: Some(begin()), outcome: Ok(()), is_first: true }
    }

    /// Takes the outcome if it is here; whether the first try is still under way.
    fn is_at_first(&mut self) -> bool {
        if let Some(pending) = self.under_way.take_if(|pending| pending.is_here()) {
            self.outcome = taken(pending);
            self.is_first = false;
        }
        self.is_first
    }

    /// Begins once more what never left.
    fn press(&mut self) {
        let never_left = self.outcome.as_ref().is_err_and(|not| !not.left);
        if self.under_way.is_none() && never_left {
            self.under_way = Some((self.begin)());
        }
    }

    fn waits(&self) {
        if let Some(pending) = &self.under_way {
            // It is looked at next whether it came or not.
            pending.comes_within(PAUSE);
        }
    }

    /// What is known now: a further try under way is not waited for, since what does not obey is to be cut upstream. Should
    /// it succeed, the guard hears it from the instrument's own thread.
    fn known(self) -> Outcome {
        self.under_way.filter(Pending::is_here).map_or(self.outcome, taken)
    }
}

fn taken(pending: Pending<Outcome>) -> Outcome {
    pending.wait().unwrap_or_else(|gone| Err(NotOff { why: gone.to_string(), left: true }))
}

/// Begins both and waits for the first try of both.
pub(crate) fn both(
    first: &dyn Fn() -> Pending<Outcome>,
    second: &dyn Fn() -> Pending<Outcome>,
) -> (Outcome, Outcome) {
    let (mut one, mut other) = (Attempt::new(first), Attempt::new(second));
    loop {
        match (one.is_at_first(), other.is_at_first()) {
            (false, false) => return (one.known(), other.known()),
            (true, true) => one.waits(),
            (true, false) => {
                one.waits();
                other.press();
            }
            (false, true) => {
                other.waits();
                one.press();
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;
    use std::sync::mpsc::channel;

    use super::*;
    use crate::WallClock;
    use crate::clock::Clock;
    use crate::wire::actor::Actor;

    const LONG: Duration = Duration::from_secs(20);

    fn not(left: bool) -> Outcome {
        Err(NotOff { why: "a reason".into(), left })
    }

    /// The project's own rule: a port that hangs delays nobody else's OFF, not even a second one.
    #[test]
    fn what_never_left_is_tried_again_while_the_other_is_under_way() {
        let clock: Arc<dyn Clock> = Arc::new(WallClock::default());
        let blocked = Actor::start(&clock, "blocked", 0).unwrap();
        let silent = Actor::start(&clock, "silent", ()).unwrap();
        let (free, freed) = channel();
        let freed = Arc::new(std::sync::Mutex::new(freed));
        let first = || {
            let free = free.clone();
            blocked.begin(move |tries: &mut u32| {
                *tries += 1;
                if *tries < 3 {
                    return not(false);
                }
                free.send(()).unwrap();
                Ok(())
            })
        };
        let second = || {
            let freed = Arc::clone(&freed);
            silent.begin(move |()| {
                freed.lock().unwrap().recv_timeout(LONG).unwrap();
                not(true)
            })
        };
        let (_just_then, second) = both(&first, &second);
        assert!(second.unwrap_err().left);
        assert_eq!(blocked.ask(|tries| *tries).unwrap(), 3);
    }

    /// A contactor must not wait for a further try of the other output.
    #[test]
    fn a_further_try_is_not_waited_for() {
        let clock: Arc<dyn Clock> = Arc::new(WallClock::default());
        let blocked = Actor::start(&clock, "blocked", 0).unwrap();
        let silent = Actor::start(&clock, "silent", ()).unwrap();
        let (begun, began) = channel();
        let began = Arc::new(std::sync::Mutex::new(began));
        let (release, released) = channel();
        let released = Arc::new(std::sync::Mutex::new(released));
        let first = || {
            let (begun, released) = (begun.clone(), Arc::clone(&released));
            blocked.begin(move |tries: &mut u32| {
                *tries += 1;
                if *tries == 2 {
                    begun.send(()).unwrap();
                    // Released only once both have been told: waited for, it would fail here.
                    released.lock().unwrap().recv_timeout(LONG).unwrap();
                }
                not(false)
            })
        };
        let second = || {
            let began = Arc::clone(&began);
            silent.begin(move |()| {
                began.lock().unwrap().recv_timeout(LONG).unwrap();
                not(true)
            })
        };
        let (first, second) = both(&first, &second);
        release.send(()).unwrap();
        assert!(first.is_err() && second.is_err());
        assert_eq!(blocked.ask(|tries| *tries).unwrap(), 2, "its second try ended as well");
    }

    /// A watchdog needs its silence, and two ports that are both blocked must come to an end.
    #[test]
    fn what_left_is_not_tried_again_and_both_come_to_an_end() {
        for left in [true, false] {
            let clock: Arc<dyn Clock> = Arc::new(WallClock::default());
            let [one, other] = ["one", "other"].map(|name| Actor::start(&clock, name, 0).unwrap());
            let tried = |actor: &Actor<u32>, after: Duration| {
                actor.begin(move |tries: &mut u32| {
                    std::thread::sleep(after);
                    *tries += 1;
                    not(left)
                })
            };
            let first = || tried(&one, Duration::ZERO);
            let second = || tried(&other, 3 * PAUSE);
            let (first, second) = both(&first, &second);
            assert!(first.is_err() && second.is_err());
            let tries = one.ask(|tries| *tries).unwrap();
            assert_eq!(tries == 1, left, "{tries} tries");
            assert_eq!(other.ask(|tries| *tries).unwrap(), 1);
        }
    }
}
