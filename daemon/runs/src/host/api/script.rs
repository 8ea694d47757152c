//! Functions about the script itself: parameters, record, what is shown, plain arithmetic.

use super::{Argument, By, Function, Gives, Key, Takes};

/// The functions.
pub const FUNCTIONS: &[Function] = &[
    Function {
        name: "param",
        arguments: &[
            Argument::Plain(Key {
                name: "name",
                takes: Takes::Text,
                needed: true,
                what: "small letters, digits and underlines; the last word is the unit, as in `level_vrms`",
                also: &[],
            }),
            Argument::Map(PARAM),
        ],
        gives: Gives::Value("what was set of the parameter, or its default"),
        what: "Declares a parameter of the script and gives its value. Whoever starts the run can set it: \
            `wattproof run --set low_v=11`, `set` of a job over HTTP, or the form of the page; lists as `0.1,0.5,1`. \
            `wattproof check` lists the parameters of a script. What kind of thing it is is decided by the default: a number \
            or a list of numbers (min and max must be given, and hold for each), a word (choices must be given), a text of \
            one's own (letters_max must be given), true or false. A number without a unit whose default, min and max are whole stays whole; every other is a float, so \
            that `low_v / 2` has its fraction. The values belong to the run: its record keeps them, and `resume` and \
            `recompute` use them.",
        fails: "A value outside the limits, or a name that the script does not have, is refused before anything is switched \
            on. So is a parameter that comes after a function which asks for bench, nameplate or record.",
        example: r#"let low_v = param("low_v", #{ value: 12.0, unit: "V", min: 10.0, max: 15.0, what: "lowest supply voltage" });
let levels_vrms = param("levels_vrms", #{ value: [0.01, 0.02], min: 0.001, max: 0.1, what: "source levels" });
let repeats = param("repeats", #{ value: 2, min: 1, max: 10, what: "captures at each level" });
let colour = param("colour", #{ value: "pink", choices: ["white", "pink"] });
let thorough = param("thorough", #{ value: false });
let remark = param("remark", #{ value: "", letters_max: 80 });
print(`${low_v} V, ${levels_vrms} V rms, ${repeats} times, ${colour}, ${thorough}, ${remark}`);"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "plan_steps",
        arguments: &[Argument::Plain(Key {
            name: "count",
            takes: Takes::Whole(0.0, 1e9),
            needed: true,
            what: "how many steps the whole script will take",
            also: &[],
        })],
        gives: Gives::Nothing,
        what: "Says how many steps are to come, for the progress display and the time left. A guess is good enough; say it \
            again when you know better.",
        fails: "",
        example: r#"let levels_vrms = [0.01, 0.02, 0.05];
plan_steps(levels_vrms.len());"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "record",
        arguments: &[
            Argument::Plain(Key {
                name: "name",
                takes: Takes::Text,
                needed: true,
                what: "a name of your own",
                also: &[],
            }),
            Argument::Plain(Key {
                name: "value",
                takes: Takes::Anything,
                needed: true,
                what: "what is to be kept",
                also: &[],
            }),
        ],
        gives: Gives::Nothing,
        what: "Keeps any value in the journal under a name: what was computed, what was observed, what was decided.",
        fails: "A number that is not finite, and lists nested more than 64 deep, can't be kept.",
        example: r#"record("room", #{ ambient_c: 22.5, note: "window open" });"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "bench_time_s",
        arguments: &[],
        gives: Gives::Number("seconds, from an arbitrary zero"),
        what: "The run's own time: the bench's clock when something was last recorded, gaps of a resumed run left out. There \
            is no other clock in a script, so that a resumed run sees what it saw before.",
        fails: "",
        example: r#"let began_s = bench_time_s();
sleep(0.5);
print(`${bench_time_s() - began_s} s`);"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "random",
        arguments: &[],
        gives: Gives::Number("from 0 to below 1"),
        what: "A random number, the same ones again when the run is resumed or computed again.",
        fails: "",
        example: r#"let order = [4.0, 8.0];
if random() < 0.5 { order.reverse(); }
print(order);"#,
        since: 1,
        by: By::Host,
    },
    Function {
        name: "db_to_ratio",
        arguments: &[Argument::Plain(Key {
            name: "db",
            takes: Takes::Number(-1000.0, 1000.0),
            needed: true,
            what: "decibels of an amplitude",
            also: &[],
        })],
        gives: Gives::Number("10^(db/20)"),
        what: "The ratio of two amplitudes that are so many decibels apart: −6 dB is 0.501.",
        fails: "",
        example: r#"let loud_vrms = 0.5;
let quiet_vrms = loud_vrms * db_to_ratio(-20.0);
print(`${quiet_vrms} V rms`);"#,
        since: 1,
        by: By::Script,
    },
    Function {
        name: "print",
        arguments: &[Argument::Plain(Key {
            name: "text",
            takes: Takes::Anything,
            needed: true,
            what: "what is shown",
            also: &[],
        })],
        gives: Gives::Nothing,
        what: "Shows a line to whoever watches, on the terminal and on the page. It is in no record: `record` is.",
        fails: "More than 1 MiB of text in a run ends the run.",
        example: r#"let load_ohm = 4.0;
print(`now ${load_ohm} ohm`);"#,
        since: 1,
        by: By::Script,
    },
];

/// What a parameter's declaration says.
const PARAM: &[Key] = &[
    Key {
        name: "value",
        takes: Takes::Anything,
        needed: true,
        what: "the default: a number, a list of numbers, a word, true or false",
        also: &["default", "preset"],
    },
    Key {
        name: "unit",
        takes: Takes::Text,
        needed: false,
        what: "the unit, which the name carries too; left out, what the name says",
        also: &[],
    },
    Key {
        name: "min",
        takes: Takes::Number(f64::MIN, f64::MAX),
        needed: false,
        what: "lowest value; needed of numbers",
        also: &["low", "lowest", "minimum"],
    },
    Key {
        name: "max",
        takes: Takes::Number(f64::MIN, f64::MAX),
        needed: false,
        what: "highest value; needed of numbers",
        also: &["high", "highest", "maximum"],
    },
    Key {
        name: "choices",
        takes: Takes::Texts,
        needed: false,
        what: "the words there are; needed of words",
        also: &["options", "words"],
    },
    Key {
        name: "letters_max",
        takes: Takes::Whole(1.0, 1000.0),
        needed: false,
        what: "most characters of a text of one's own; needed of a text without choices",
        also: &["max_length", "length_max", "chars_max"],
    },
    Key {
        name: "what",
        takes: Takes::Text,
        needed: false,
        what: "what it is, in a few words, for the form and the list",
        also: &["description", "doc", "help"],
    },
];
