//! How a run ended, so that a program can tell it: what the closing line of the journal says beside the words.

use wattproof_bench::BenchError;
use wattproof_guard::{Refusal, TripCause};
use wattproof_method::intake::Ending;

use crate::{Outcome, RunError};

/// From the outcome and what ended it.
pub(crate) fn ending(outcome: Outcome, error: Option<&RunError>) -> Ending {
    let failed = |error: &RunError| match error {
        RunError::Bench(bench) => of_bench(bench),
        RunError::SelfCheck(_) => Ending::SelfCheck,
        RunError::Script(fault) => Ending::Script { message: fault.message.clone() },
        other => Ending::Bench { what: other.to_string() },
    };
    match (outcome, error) {
        (Outcome::Finished, _) => Ending::Finished,
        (Outcome::Stopped, _) => Ending::Stopped,
        (Outcome::Failed, Some(error)) => failed(error),
        (Outcome::Failed, None) => {
            Ending::Bench { what: "the guard tripped while everything was being switched off".into() }
        }
    }
}

fn of_bench(error: &BenchError) -> Ending {
    let cause = match error {
        BenchError::Tripped(cause)
        | BenchError::Refused(Refusal::Tripped(cause) | Refusal::State { cause: Some(cause), .. }) => cause,
        // A trip of before is not this run's.
        other => return Ending::Bench { what: other.to_string() },
    };
    match cause {
        TripCause::Limit { limit, value, allowed } => {
            Ending::Limit { limit: limit.clone(), value: *value, allowed: *allowed }
        }
        TripCause::Stop { .. } => Ending::Stopped,
        other => Ending::Bench { what: other.to_string() },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Project definition.
    #[test]
    fn only_this_runs_own_limit_is_told_as_one() {
        let limit = || TripCause::Limit { limit: "dc_v_max".into(), value: 2.0, allowed: 1.0 };
        let told = |error: BenchError| ending(Outcome::Failed, Some(&RunError::Bench(error)));
        let expected = Ending::Limit { limit: "dc_v_max".into(), value: 2.0, allowed: 1.0 };
        assert_eq!(told(BenchError::Tripped(limit())), expected);
        let state = wattproof_guard::State::Tripped;
        assert_eq!(told(Refusal::State { state, cause: Some(limit()) }.into()), expected);
        assert!(matches!(told(BenchError::Latched { cause: limit() }), Ending::Bench { .. }));
        let asked = TripCause::Asked { limit: "out_w_max".into(), value: 2.0, allowed: 1.0 };
        assert!(matches!(told(Refusal::Tripped(asked).into()), Ending::Bench { .. }));
        assert_eq!(ending(Outcome::Finished, None), Ending::Finished);
    }
}
