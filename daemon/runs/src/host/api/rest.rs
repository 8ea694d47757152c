//! Functions about the bench itself, and outputs at rest.

use super::shapes::{BENCH, IDLE_STEP};
use super::{By, Function, Gives};

/// The functions.
pub const FUNCTIONS: &[Function] = &[
    Function {
        name: "bench",
        arguments: &[],
        gives: Gives::Map(&BENCH),
        what: "What the bench is: how many outputs it serves and how, what it has for a load, within which limits. A script \
            that needs something else says so by `throw` before it switches anything on.",
        fails: "",
        example: r#"let setup = bench();
if !setup.measures_current { throw "this needs the current, and the bench file has no current input"; }
print(`${setup.channels} channels, at most ${setup.limits.out_w_max} W each`);"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "capture_idle",
        arguments: &[],
        gives: Gives::Map(&IDLE_STEP),
        what: "Captures outputs that nobody drives, the source off, and records noise, A-weighted noise, hum and direct voltage \
            in the journal. The bench's own noise is what it tells with the supply off; take it off as power.",
        fails: "While the source is on.",
        example: r#"load(#{ ohm: 4.0 });
let own = capture_idle();
supply(#{ volts_v: 14.4, limit_a: 20.0, on: true });
settle();
let seen = capture_idle();
print(`${seen.supply_a} A at rest, ${seen.channels[0].reading.noise_vrms} V rms of noise`);
supply(#{ on: false });"#,
        since: 1,
        by: By::Host,
    },
];
