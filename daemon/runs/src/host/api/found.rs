//! Functions that keep what a script found: findings, values, clips.

use super::shapes::{CLIP, FINDING};
use super::{Argument, By, Function, Gives, Key, Takes};

/// What a finding says.
const STATED: &[Key] = &[
    Key {
        name: "name",
        takes: Takes::Text,
        needed: true,
        what: "what was found, in a word or a few",
        also: &["what"],
    },
    Key {
        name: "value",
        takes: Takes::Number(f64::MIN, f64::MAX),
        needed: true,
        what: "the number; what could not be told is no finding",
        also: &["number", "result"],
    },
    Key {
        name: "unit",
        takes: Takes::Text,
        needed: true,
        what: "its unit; \"\" for a number without one",
        also: &["units"],
    },
    Key {
        name: "u",
        takes: Takes::MayNumber,
        needed: false,
        what: "its expanded uncertainty (k = 2), in the same unit; left out or `()` where it can't be told",
        also: &["expanded_u", "uncertainty"],
    },
    Key {
        name: "channel",
        takes: Takes::MayNumber,
        needed: false,
        what: "amplifier channel, or bridge, from 1; left out where it is of none or of all",
        also: &[],
    },
    Key {
        name: "at",
        takes: Takes::Text,
        needed: false,
        what: "the conditions, in words",
        also: &["conditions", "where"],
    },
    Key {
        name: "low",
        takes: Takes::MayNumber,
        needed: false,
        what: "the lowest that is right; it is judged then",
        also: &["min", "minimum", "lowest"],
    },
    Key {
        name: "high",
        takes: Takes::MayNumber,
        needed: false,
        what: "the highest that is right; it is judged then",
        also: &["max", "maximum", "highest"],
    },
    Key {
        name: "note",
        takes: Takes::Text,
        needed: false,
        what: "what to know beside it",
        also: &["comment"],
    },
];

/// The functions.
pub const FUNCTIONS: &[Function] = &[
    Function {
        name: "finding",
        arguments: &[Argument::Map(STATED)],
        gives: Gives::Map(&FINDING),
        what: "Keeps one result that is no rating: a number with its uncertainty and its conditions. It is in the journal, \
            in `findings.csv`, in the table at the end, in the report and on the page. With `low` or `high` it is judged \
            as ratings are, with a guard band, for which `u` is needed: `meets`, `short` or `undecided`; one that is short makes the run's exit \
            code 10.",
        fails: "A name, unit or text of more than one line or too long ends the call.",
        example: r#"load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, limit_a: 20.0, on: true });
source(#{ hz: 1000.0, level_vrms: 0.05, on: true });
settle();
let channel = capture().channels[0];
if channel.gain_db != () {
    finding(#{ name: "gain", value: channel.gain_db, unit: "dB", u: channel.expanded_u.gain_db, channel: 1, at: "1 kHz, 4 ohm", low: 26.0, high: 34.0 });
}
source(#{ on: false });
supply(#{ on: false });"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "save_clip",
        arguments: &[Argument::Map(&[
            Key {
                name: "name",
                takes: Takes::Text,
                needed: true,
                what: "its name: letters, digits, `-`, `_` and `.`",
                also: &["file"],
            },
            Key {
                name: "channel",
                takes: Takes::Whole(1.0, 64.0),
                needed: false,
                what: "amplifier channel, or bridge; left out, the first",
                also: &[],
            },
            Key {
                name: "loudness_db",
                takes: Takes::Number(-80.0, 0.0),
                needed: false,
                what: "A-weighted level re a sine of full scale; left out, −20",
                also: &["level_db", "loudness"],
            },
        ])],
        gives: Gives::Map(&CLIP),
        what: "Saves the output of the last capture as `clip-NAME.wav` in the run's folder (48 kHz, 16 bit, 20 Hz to 20 kHz), made as \
            loud as said, so that clips of one loudness can be compared by ear.",
        fails: "Before any capture, of a name that is there already, of less than 0.2 s, or of a loudness at which its peaks would be cut.",
        example: r#"load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, limit_a: 20.0, on: true });
source(#{ hz: 1000.0, level_vrms: 0.05, on: true });
settle();
capture();
save_clip(#{ name: "quiet" });
source(#{ on: false });
supply(#{ on: false });"#,
        since: 1,
        by: By::Host,
    },
];
