//! What the end of a run says of the amplifier, and what of anything else.

use serde::{Deserialize, Serialize};

use crate::selfcheck::{Check, SelfCheck, Told};

/// How a run ended.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Ending {
    /// The script came to its end, everything off.
    Finished,
    /// A person stopped it.
    Stopped,
    /// The record has no end: it goes on, or was cut off.
    Open,
    /// A reading went beyond a limit of the bench file.
    Limit {
        /// Name of the limit.
        limit: String,
        /// The value met, in the limit's unit.
        value: f64,
        /// The limit.
        allowed: f64,
    },
    /// The self-check before the script refused to let it begin.
    SelfCheck,
    /// The script gave up, or is wrong.
    Script {
        /// What it says.
        message: String,
    },
    /// Bench, instruments, links, clock, record or request failed.
    Bench {
        /// What happened.
        what: String,
    },
}

/// What an end speaks of, in a sentence.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "of", content = "words", rename_all = "snake_case")]
pub enum Speaks {
    /// Of nothing: all checks were made.
    Nothing,
    /// The amplifier.
    Amplifier(String),
    /// Bench, script or person; what was measured before still holds.
    Elsewhere(String),
    /// Bench or instruments failed in a way that leaves no number to rely on.
    Unreliable(String),
}

/// Says what an end speaks of. Limits on the output at rest, on the current drawn and on heat are the amplifier's doing: the
/// script plays no more than the rating. Limits on output power and voltage are left out, since a bench file may be narrower
/// than the rating; so is every contradiction, in which no instrument can be relied on.
#[must_use]
pub fn speaks(ending: &Ending, selfcheck: Option<&SelfCheck>) -> Speaks {
    match ending {
        Ending::Finished => Speaks::Nothing,
        Ending::Stopped => Speaks::Elsewhere("A person stopped the check before its end.".into()),
        Ending::Open => {
            Speaks::Elsewhere("The check has not come to an end: it goes on, or was cut off.".into())
        }
        Ending::Limit { limit, value, allowed } => of_limit(limit, *value, *allowed),
        Ending::SelfCheck => selfcheck.map_or_else(
            || Speaks::Unreliable("The self-check of the bench did not let it begin.".into()),
            of_selfcheck,
        ),
        Ending::Script { message } => {
            Speaks::Elsewhere(format!("The script ended before its time: {}.", message.trim_end_matches('.')))
        }
        Ending::Bench { what } => Speaks::Unreliable(format!(
            "The bench failed, not the amplifier: {}.",
            what.trim_end_matches('.')
        )),
    }
}

fn of_limit(limit: &str, value: f64, allowed: f64) -> Speaks {
    let said = |what: &str, unit: &str| {
        Speaks::Amplifier(format!(
            "{what}: the bench tripped at {value:.4} {unit}, where it allows {allowed} {unit}."
        ))
    };
    match limit {
        "dc_v_max" => said("Direct voltage stands at an output", "V"),
        "idle_vrms_max" => {
            said("An output gives voltage while nothing is played: it oscillates or hums", "V rms")
        }
        "supply_a_max" => said("It draws too much current", "A"),
        "heatsink_c_max" => said("It gets too hot", "°C"),
        "heatsink_c_per_s_max" => said("It gets hot too fast", "°C/s"),
        other => Speaks::Unreliable(format!(
            "The bench tripped on its limit {other} (met {value:.4}, allowed {allowed}): see whether that limit leaves room for the rating."
        )),
    }
}

/// A channel that shows neither voltage nor current where others play, or none at all with the supply as it should be: that
/// is what a dead amplifier looks like to the self-check. Everything else that refuses is of the bench or its wiring.
fn of_selfcheck(found: &SelfCheck) -> Speaks {
    let silent = |check: &Check| check.check == "gain" && check.value.is_none();
    let channels = |what: &dyn Fn(&Check) -> bool| -> Vec<u32> {
        found.refusing().filter(|check| what(check)).filter_map(|check| check.channel).collect()
    };
    let dead = channels(&silent);
    // A current without a voltage is told as a short: then a lead is off, not the amplifier.
    let others: Vec<String> = found.refusing().filter(|check| !silent(check)).map(Check::line).collect();
    if dead.is_empty() || !others.is_empty() {
        let mut wrong: Vec<String> = found.refusing().map(Check::line).collect();
        wrong.dedup();
        return Speaks::Unreliable(format!(
            "The self-check found the bench wrong, not the amplifier: {}.",
            wrong.join("; ").trim_end_matches('.')
        ));
    }
    let takes_nothing =
        found.checks.iter().any(|check| check.check == "idle current" && check.result == Told::NotTold);
    let named = match dead.as_slice() {
        [one] => format!("Channel {one} gives"),
        many => {
            format!("Channels {} give", many.iter().map(u32::to_string).collect::<Vec<_>>().join(" and "))
        }
    };
    let and = if takes_nothing { ", and the amplifier takes no current" } else { "" };
    Speaks::Amplifier(format!(
        "{named} neither voltage nor current at a small tone{and}: dead. Before it is written off exchange source and output leads once, to see that the silence stays with the amplifier."
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::selfcheck::Allowed;

    fn gain(channel: u32, value: Option<f64>) -> Check {
        let allowed = Allowed::between(10.0, 50.0, "test");
        match value {
            Some(value) => Check::number("gain", Some(channel), value, "dB", allowed).refusing(),
            None => Check { allowed, ..Check::not_told("gain", Some(channel), "", "") }
                .wrong("nothing comes")
                .refusing(),
        }
    }

    fn selfcheck(checks: Vec<Check>) -> SelfCheck {
        SelfCheck { out_w_max: None, checks }
    }

    /// Project definition: what condemns an amplifier, and what does not.
    #[test]
    fn only_what_speaks_of_the_amplifier_condemns_it() {
        let limit = |limit: &str| Ending::Limit { limit: limit.into(), value: 2.0, allowed: 1.0 };
        for name in ["dc_v_max", "idle_vrms_max", "supply_a_max", "heatsink_c_max", "heatsink_c_per_s_max"] {
            assert!(matches!(speaks(&limit(name), None), Speaks::Amplifier(_)), "{name}");
        }
        for name in ["out_w_max", "out_vrms_max", "power_s_max", "source_vrms_max"] {
            assert!(matches!(speaks(&limit(name), None), Speaks::Unreliable(_)), "{name}");
        }
        let script = Ending::Script { message: "there is no variable x".into() };
        assert!(matches!(speaks(&script, None), Speaks::Elsewhere(_)));
        assert!(matches!(speaks(&Ending::Stopped, None), Speaks::Elsewhere(_)));
        let bench = Ending::Bench { what: "the source does not answer".into() };
        assert!(matches!(speaks(&bench, None), Speaks::Unreliable(_)));
        assert!(matches!(speaks(&Ending::SelfCheck, None), Speaks::Unreliable(_)));
    }

    #[test]
    fn a_silent_channel_is_dead_and_a_wrong_load_is_the_bench() {
        let dead = selfcheck(vec![gain(1, Some(30.0)), gain(2, None)]);
        let Speaks::Amplifier(words) = speaks(&Ending::SelfCheck, Some(&dead)) else { panic!("{dead:?}") };
        assert!(words.starts_with("Channel 2 gives neither") && words.contains("exchange"), "{words}");
        let both = selfcheck(vec![gain(1, None), gain(2, None)]);
        let Speaks::Amplifier(words) = speaks(&Ending::SelfCheck, Some(&both)) else { panic!("{both:?}") };
        assert!(words.starts_with("Channels 1 and 2 give"), "{words}");
        // A divider lead that is off leaves a current, which the load check calls a short.
        let short =
            Check::not_told("load of 4 ohm", Some(2), "", "").wrong("1 A and no voltage: short").refusing();
        let lead = selfcheck(vec![gain(2, None), short]);
        assert!(matches!(speaks(&Ending::SelfCheck, Some(&lead)), Speaks::Unreliable(_)));
        // A gain that is seen and out of range may be the divider's or the level control's.
        let far = selfcheck(vec![gain(1, Some(70.0))]);
        assert!(matches!(speaks(&Ending::SelfCheck, Some(&far)), Speaks::Unreliable(_)));
    }
}
