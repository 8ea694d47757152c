//! Functions that set source, load, supply and digitizer, and wait.

use super::{Argument, By, Function, Gives, Key, Takes};

/// Longest wait, s.
const WAIT_S_MAX: f64 = 1e6;

/// How long is waited.
const SECONDS: Key = Key {
    name: "seconds",
    takes: Takes::Number(0.0, WAIT_S_MAX),
    needed: true,
    what: "how long, in seconds",
    also: &["s", "time_s", "duration_s"],
};

/// The functions.
pub const FUNCTIONS: &[Function] = &[
    Function {
        name: "source",
        arguments: &[Argument::Map(&[
            Key {
                name: "hz",
                takes: Takes::Setpoint,
                needed: false,
                what: "frequency of the tone",
                also: &["freq", "frequency", "f", "freq_hz", "frequency_hz"],
            },
            Key {
                name: "level_vrms",
                takes: Takes::Setpoint,
                needed: false,
                what: "level at the amplifier's input",
                also: &["volts", "voltage", "amplitude", "v", "vrms", "level", "level_v"],
            },
            Key {
                name: "level_dbv",
                takes: Takes::Setpoint,
                needed: false,
                what: "the same in dB re 1 V rms; one of both",
                also: &["db", "dbv", "level_db"],
            },
            Key {
                name: "driven",
                takes: Takes::Word(&["all", "one", "bridged"]),
                needed: false,
                what: "which channels are driven: all, the first alone, or all bridges, as the bench is wired; changed with the source off",
                also: &["channels"],
            },
            Key {
                name: "on",
                takes: Takes::Flag,
                needed: false,
                what: "switched on at a level set since it was last off, and raised to it in permitted steps; false switches off first",
                also: &["output", "enabled", "off"],
            },
        ])],
        gives: Gives::Nothing,
        what: "Sets the source: one continuous tone to every driven channel. What is left out stays as it is. A level above \
            the last one is risen to in permitted steps; before a level that the load stands for a time only, the source \
            waits off until the load is cool enough.",
        fails: "A level above the limits of the bench file or of the instrument, and one that the guard expects to exceed a \
            limit at the output, ends the run. Switching on without a level set since it was last off is refused.",
        example: r#"load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, limit_a: 20.0, on: true });
source(#{ hz: 2000.0, level_vrms: 0.05, on: true });
settle();
source(#{ level_dbv: -20.0 });
source(#{ on: false });
supply(#{ on: false });"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "load",
        arguments: &[Argument::Map(&[Key {
            name: "ohm",
            takes: Takes::Setpoint,
            needed: false,
            what: "resistance of every channel's load",
            also: &["r", "resistance", "ohms", "load_ohm", "impedance", "z"],
        }])],
        gives: Gives::Nothing,
        what: "Sets the load of every channel. Where the bench has taps or resistors only, the nearest within its tolerance, \
            which then counts in every record. Change it with the source off or quiet.",
        fails: "A resistance below the limit of the bench file, or further off every tap than its tolerance.",
        example: r#"load(#{ ohm: 8.0 });
settle();"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "supply",
        arguments: &[Argument::Map(&[
            Key {
                name: "volts_v",
                takes: Takes::Setpoint,
                needed: false,
                what: "supply voltage",
                also: &["volts", "v", "voltage", "volts_vdc", "supply_v"],
            },
            Key {
                name: "limit_a",
                takes: Takes::Setpoint,
                needed: false,
                what: "current limit; left out, what was set last, at first the limit of the bench file",
                also: &["limit", "amps", "current", "current_a", "amps_a"],
            },
            Key {
                name: "on",
                takes: Takes::Flag,
                needed: false,
                what: "switched on at the voltage set last, and raised to it in permitted steps; false switches off first",
                also: &["output", "enabled", "off"],
            },
        ])],
        gives: Gives::Nothing,
        what: "Sets the supply. What is left out stays as it is. Switch the source off before the supply.",
        fails: "A voltage or current above the limits of the bench file or of the instrument ends the run. Switching on \
            before a voltage was set is refused: it may hold any.",
        example: r#"supply(#{ volts_v: 14.4, limit_a: 20.0, on: true });
settle();
supply(#{ volts_v: 12.0 });
settle();
supply(#{ on: false });"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "digitizer",
        arguments: &[Argument::Map(&[Key {
            name: "samples",
            takes: Takes::Number(256.0, 4e6),
            needed: false,
            what: "samples of every channel in the captures that follow, rounded; their rate is the bench file's",
            also: &["count", "length", "n"],
        }])],
        gives: Gives::Nothing,
        what: "Sets how long captures are. More samples tell lower frequencies and less noise apart, and take longer.",
        fails: "More samples than the instrument can hold.",
        example: r#"digitizer(#{ samples: 4096 });"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "settle",
        arguments: &[],
        gives: Gives::Nothing,
        what: "Waits until everything that was set has settled, as long as the bench file says.",
        fails: "",
        example: r#"load(#{ ohm: 4.0 });
settle();"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "settle",
        arguments: &[Argument::Plain(SECONDS)],
        gives: Gives::Nothing,
        what: "Waits so long: for an amplifier that needs longer than the bench. Ends at once when the run is stopped.",
        fails: "",
        example: r#"settle(0.5);"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "sleep",
        arguments: &[Argument::Plain(SECONDS)],
        gives: Gives::Nothing,
        what: "Waits so long, as `settle(seconds)` does. What is on stays on, watched by the guard all the while.",
        fails: "",
        example: r#"sleep(1.0);"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "heatsink",
        arguments: &[],
        gives: Gives::Number("°C"),
        what: "The heatsink's temperature, read now.",
        fails: "A thermometer that does not answer ends the run.",
        example: r#"let began_c = heatsink();
record("heatsink_c", began_c);"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "rest_load",
        arguments: &[Argument::Map(&[
            Key {
                name: "level_vrms",
                takes: Takes::Number(0.0, 1e3),
                needed: true,
                what: "source level that is to be held",
                also: &["level", "volts", "level_v"],
            },
            Key {
                name: "seconds",
                takes: Takes::Number(0.0, WAIT_S_MAX),
                needed: true,
                what: "for how long",
                also: &["s", "time_s", "seconds_s", "duration_s"],
            },
        ])],
        gives: Gives::Number("for how many of the seconds the load can take it"),
        what: "Sees to it that the load can take a level for a time, with the source off meanwhile if it must (then on again, \
            quietly, if it was). Without figures of what the load stands in the bench file it can take all of them. \
            Searches, captures and `source(#{ level_vrms })` do so by themselves for what a capture takes.",
        fails: "",
        example: r#"load(#{ ohm: 4.0 });
let held_s = rest_load(#{ level_vrms: 0.1, seconds: 10.0 });
print(`${held_s} s`);"#,
        since: 1,
        by: By::Host,
    },
];
