//! Functions that state what a script found out.

use super::shapes::{CLIP, FINDING};
use super::{Argument, By, Function, Gives, Key, Takes};

/// Of a finding.
const FINDING_KEYS: &[Key] = &[
    Key {
        name: "name",
        takes: Takes::Text,
        needed: true,
        what: "what was found, in a word or two, as \"output resistance\"",
        also: &["what", "title"],
    },
    Key {
        name: "value",
        takes: Takes::Number(f64::MIN, f64::MAX),
        needed: true,
        what: "the number; what could not be told is no finding, `print` it",
        also: &["number", "result"],
    },
    Key {
        name: "unit",
        takes: Takes::Text,
        needed: true,
        what: "its unit; \"\" for a number that has none",
        also: &[],
    },
    Key {
        name: "u",
        takes: Takes::MayNumber,
        needed: false,
        what: "its expanded uncertainty (k = 2), in the same unit; `()` or left out where it can't be told",
        also: &["uncertainty", "expanded_u", "u95"],
    },
    Key {
        name: "channel",
        takes: Takes::Whole(1.0, 64.0),
        needed: false,
        what: "the amplifier channel, or bridge, from 1; left out where it is of none or of all",
        also: &[],
    },
    Key {
        name: "at",
        takes: Takes::Text,
        needed: false,
        what: "its conditions, in words",
        also: &["conditions", "where"],
    },
    Key {
        name: "low",
        takes: Takes::MayNumber,
        needed: false,
        what: "the lowest that is right; then there is a verdict",
        also: &["min", "lowest"],
    },
    Key {
        name: "high",
        takes: Takes::MayNumber,
        needed: false,
        what: "the highest that is right; likewise",
        also: &["max", "highest"],
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
        arguments: &[Argument::Map(FINDING_KEYS)],
        gives: Gives::Map(&FINDING),
        what: "States a result that is no rating: a number with its unit, its expanded uncertainty where that can be told, and \
            its conditions. It goes into the journal, `findings.csv`, the report, the page and the table that ends the run. \
            With `low` or `high` it has a verdict: `meets` if it lies within them by its whole uncertainty, `short` if it \
            lies outside one of them by that, else `undecided`, as without `u`; a short one makes exit code 10, an undecided one \
            11, as ratings do. It is shown as it comes: no need to print it.",
        fails: "A text of several lines, more than 10,000 findings.",
        example: r#"let balance = finding(#{ name: "balance", value: 0.12, unit: "dB", u: 0.02, at: "1000 Hz, 4 ohm", high: 0.5 });
if balance.verdict != "meets" { print("the channels differ too much"); }"#,
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
                what: "letters, digits, `-`, `_` and `.`: the file is `clip-NAME.wav`",
                also: &["file"],
            },
            Key {
                name: "channel",
                takes: Takes::Whole(1.0, 64.0),
                needed: false,
                what: "the amplifier channel, or bridge; left out, 1",
                also: &[],
            },
            Key {
                name: "loudness_db",
                takes: Takes::Number(-100.0, 0.0),
                needed: false,
                what: "A-weighted level re a sine of full scale; left out, -20",
                also: &["level_db"],
            },
        ])],
        gives: Gives::Map(&CLIP),
        what: "Saves the capture of the last step as a WAV file in the run's folder: one channel, 48 kHz, 16 bit, 20 Hz to \
            20 kHz, faded in and out. Clips of one loudness are equally loud, however distorted.",
        fails: "Less than 0.2 s of samples (set more with `digitizer`), silence, and peaks beyond full scale.",
        example: r#"load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, limit_a: 20.0, on: true });
source(#{ hz: 1000.0, level_vrms: 0.05, on: true });
digitizer(#{ samples: (0.3 * bench().rate_hz).to_int() });
settle();
capture("clip");
let saved = save_clip(#{ name: "clean", channel: 1, loudness_db: -20.0 });
print(`${saved.file} holds ${saved.seconds} s`);
source(#{ on: false });
supply(#{ on: false });"#,
        since: 1,
        by: By::Host,
    },
];
