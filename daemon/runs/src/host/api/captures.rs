//! Functions that capture the tone.

use super::shapes::STEP;
use super::{Argument, By, Function, Gives, Key, Takes};

/// Why a step is taken.
const PURPOSE: Key = Key {
    name: "purpose",
    takes: Takes::Text,
    needed: false,
    what: "why the step is taken, in a word, for the column of that name in `steps.csv`; left out, `capture`",
    also: &["name", "label", "why"],
};

/// The functions.
pub const FUNCTIONS: &[Function] = &[
    Function {
        name: "capture",
        arguments: &[],
        gives: Gives::Map(&STEP),
        what: "Captures volts and amperes of every channel at once, computes every quantity, records the step (journal, \
            samples, `steps.csv`) and gives it. Load, supply and source must have been set; let them settle first. \
            Quantities that could not be told are `()`, and `flags` says why.",
        fails: "A capture that contradicts what was set (another load, no gain, another frequency) ends the call; one that \
            exceeds a limit ends the run with everything off.",
        example: r#"load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, limit_a: 20.0, on: true });
source(#{ hz: 2000.0, level_vrms: 0.05, on: true });
settle();
let step = capture();
for channel in step.channels {
    let reading = channel.reading;
    if reading.thdn_pct == () { print(`channel ${channel.channel}: ${reading.flags}`); continue; }
    print(`channel ${channel.channel}: ${reading.active_w} W, THD+N ${reading.thdn_pct} %`);
}
source(#{ on: false });
supply(#{ on: false });"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "capture",
        arguments: &[Argument::Plain(Key {
            needed: true,
            what: "why the step is taken, in a word, for the column of that name in `steps.csv`",
            ..PURPOSE
        })],
        gives: Gives::Map(&STEP),
        what: "The same, with its purpose.",
        fails: "As `capture()`.",
        example: r#"load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, limit_a: 20.0, on: true });
source(#{ hz: 2000.0, level_vrms: 0.05, on: true });
settle();
capture("warm");
source(#{ on: false });
supply(#{ on: false });"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "capture_at",
        arguments: &[Argument::Map(&[
            Key {
                name: "levels_vrms",
                takes: Takes::Setpoints,
                needed: true,
                what: "source levels, in the order in which they are set",
                also: &["levels", "levels_v", "level_vrms", "volts"],
            },
            PURPOSE,
        ])],
        gives: Gives::Maps(&STEP, "one for each level"),
        what: "One step at each level of a list: set, settled, captured, recorded. A level no louder than the one before it, \
            or than one captured before under the same load, supply, frequency and channels, is set while the samples of \
            the last step still travel: so go from quiet to loud and back down, and a sweep takes little more than its \
            captures.",
        fails: "As `capture()` and `source(#{ level_vrms })`.",
        example: r#"load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, limit_a: 20.0, on: true });
source(#{ hz: 2000.0, level_vrms: 0.02, on: true });
settle();
for step in capture_at(#{ levels_vrms: [0.02, 0.05, 0.1], purpose: "curve" }) {
    let reading = step.channels[0].reading;
    print(`${step.level_vrms} V rms gives ${reading.out_vrms} V rms`);
}
source(#{ on: false });
supply(#{ on: false });"#,
        since: 1,
        by: By::Host,
    },
];
