//! Functions for what is no single continuous tone: bursts, two tones, noise.

use super::shapes::{BURST_ANSWER, NOISE_STEP, TWO_TONE_STEP};
use super::{Argument, By, Function, Gives, Key, Takes};

/// Level under test, where it must be given.
const LEVEL: Key = Key {
    name: "level_vrms",
    takes: Takes::Setpoint,
    needed: true,
    what: "source level",
    also: &["level", "volts", "level_v", "vrms", "amplitude"],
};

/// Most cycles of a burst and of the rest after it.
const CYCLES_MAX: f64 = 1e6;

/// The functions.
pub const FUNCTIONS: &[Function] = &[
    Function {
        name: "burst",
        arguments: &[Argument::Map(&[
            Key { what: "level of the burst", ..LEVEL },
            Key {
                name: "rest_vrms",
                takes: Takes::Setpoint,
                needed: false,
                what: "level between bursts; left out, 20 dB below the burst's",
                also: &["rest", "rest_v", "low_vrms"],
            },
            Key {
                name: "cycles",
                takes: Takes::Number(1.0, CYCLES_MAX),
                needed: false,
                what: "cycles of the burst, rounded; left out, as many as fit into 20 ms",
                also: &["on_cycles", "count"],
            },
            Key {
                name: "rest_cycles",
                takes: Takes::Number(1.0, CYCLES_MAX),
                needed: false,
                what: "cycles between bursts, rounded; left out, as many as fit into 480 ms",
                also: &["off_cycles"],
            },
        ])],
        gives: Gives::Nothing,
        what: "Plays bursts of the frequency set: `cycles` at `level_vrms`, then `rest_cycles` at `rest_vrms`, over and \
            over, until `source(#{ level_vrms })` sets a tone again.",
        fails: "Without a frequency set, and of a source whose dialect has no bursts.",
        example: r#"load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, limit_a: 20.0, on: true });
source(#{ hz: 2000.0, level_vrms: 0.02, on: true });
settle();
burst(#{ level_vrms: 0.1, cycles: 40, rest_cycles: 960 });
sleep(1.0);
source(#{ level_vrms: 0.02 });
source(#{ on: false });
supply(#{ on: false });"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "burst_and_sustained",
        arguments: &[Argument::Map(&[Key { what: "level that is kept up", ..LEVEL }])],
        gives: Gives::Maps(&BURST_ANSWER, "one for each driven channel"),
        what: "Plays bursts of the frequency set from −20 dB up to the level, long enough to settle, and tells what the \
            amplifier gives at first, for 20 ms, and for ever, and what its limiter does; a row a channel in `bursts.csv`. \
            It takes 250 Hz or more.",
        fails: "A level at which a burst can't be told from its rest, a frequency below 250 Hz, a source without bursts.",
        example: r#"let rating = nameplate().ratings[0];
load(#{ ohm: rating.load_ohm });
supply(#{ volts_v: rating.supply_v, on: true });
source(#{ hz: rating.hz, level_vrms: 0.02, on: true });
settle();
for channel in burst_and_sustained(#{ level_vrms: 0.1 }) {
    print(`channel ${channel.channel}: ${channel.burst.burst_w} W for 20 ms`);
}
source(#{ on: false });
supply(#{ on: false });"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "two_tone",
        arguments: &[Argument::Map(&[
            Key {
                name: "kind",
                takes: Takes::Word(&["smpte", "twin_tone"]),
                needed: true,
                what: "`smpte`: 60 Hz and 7 kHz, 4:1; `twin_tone`: 19 and 20 kHz, equal",
                also: &["method", "type"],
            },
            Key { what: "level of one tone that has the same peak", ..LEVEL },
        ])],
        gives: Gives::Nothing,
        what: "Plays two tones at once until `source(#{ level_vrms })` sets one tone again.",
        fails: "Of a source whose dialect has no two tones.",
        example: r#"load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, limit_a: 20.0, on: true });
source(#{ hz: 2000.0, level_vrms: 0.02, on: true });
two_tone(#{ kind: "twin_tone", level_vrms: 0.05 });
settle();
source(#{ level_vrms: 0.02 });
source(#{ on: false });
supply(#{ on: false });"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "capture_two_tone",
        arguments: &[],
        gives: Gives::Map(&TWO_TONE_STEP),
        what: "Captures the two tones that play and records their intermodulation in the journal.",
        fails: "While no two tones play.",
        example: r#"load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, limit_a: 20.0, on: true });
source(#{ hz: 2000.0, level_vrms: 0.02, on: true });
digitizer(#{ samples: 16384 });
two_tone(#{ kind: "smpte", level_vrms: 0.05 });
settle();
let seen = capture_two_tone();
print(`intermodulation ${seen.channels[0].reading.imd_pct} %`);
source(#{ level_vrms: 0.02 });
source(#{ on: false });
supply(#{ on: false });"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "noise",
        arguments: &[Argument::Map(&[
            Key {
                name: "kind",
                takes: Takes::Word(&["white", "pink"]),
                needed: true,
                what: "its spectrum",
                also: &["colour", "color", "type"],
            },
            LEVEL,
            Key {
                name: "crest",
                takes: Takes::Number(1.2, 10.0),
                needed: false,
                what: "its peak over its rms; 2 is what programme of IEC 60268-1 has (from memory); left out, what the source has, counted as 4",
                also: &["crest_factor", "crest_db"],
            },
        ])],
        gives: Gives::Nothing,
        what: "Plays noise from 20 Hz to 20 kHz in place of the tone until `source(#{ level_vrms })` sets a tone again. The \
            source's limits and the load's warmth count a sine of its peaks, those of the output the loudest 10 ms of a \
            record.",
        fails: "Of a source whose dialect has no noise.",
        example: r#"load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, limit_a: 20.0, on: true });
source(#{ hz: 2000.0, level_vrms: 0.02, on: true });
noise(#{ kind: "pink", level_vrms: 0.02 });
settle();
source(#{ level_vrms: 0.02 });
source(#{ on: false });
supply(#{ on: false });"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "capture_noise",
        arguments: &[],
        gives: Gives::Map(&NOISE_STEP),
        what: "Captures the noise that plays and records levels and active power over the record in the journal. Noise has \
            no fundamental, so no distortion is told.",
        fails: "While no noise plays.",
        example: r#"load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, limit_a: 20.0, on: true });
source(#{ hz: 2000.0, level_vrms: 0.02, on: true });
noise(#{ kind: "pink", level_vrms: 0.02 });
settle();
let seen = capture_noise();
print(`${seen.channels[0].reading.active_w} W of noise`);
source(#{ level_vrms: 0.02 });
source(#{ on: false });
supply(#{ on: false });"#,
        since: 1,
        by: By::Host,
    },
];
