//! Arithmetic that scripts often need.

use super::{Argument, By, Function, Gives, Key, Takes};

/// The functions.
pub const FUNCTIONS: &[Function] = &[
    Function {
        name: "ratio_to_db",
        arguments: &[Argument::Plain(Key {
            name: "ratio",
            takes: Takes::Number(f64::MIN_POSITIVE, f64::MAX),
            needed: true,
            what: "a ratio of amplitudes",
            also: &[],
        })],
        gives: Gives::Number("20·lg(ratio), dB"),
        what: "How many decibels two amplitudes of this ratio are apart: 0.5 is −6.02 dB.",
        fails: "A ratio of 0 or less.",
        example: r#"print(`${ratio_to_db(0.5)} dB`);"#,
        since: 1,
        by: By::Script,
    },
    Function {
        name: "root_sum_square",
        arguments: &[Argument::Plain(Key {
            name: "parts",
            takes: Takes::Anything,
            needed: true,
            what: "a list of numbers",
            also: &[],
        })],
        gives: Gives::Number("the root of the sum of their squares"),
        what: "How independent uncertainties add up, and powers by their voltages.",
        fails: "What is no number.",
        example: r#"let u_db = root_sum_square([0.3, 0.4]);
print(`${u_db} dB`);"#,
        since: 1,
        by: By::Script,
    },
    Function {
        name: "significant",
        arguments: &[
            Argument::Plain(Key {
                name: "value",
                takes: Takes::Number(f64::MIN, f64::MAX),
                needed: true,
                what: "a number",
                also: &[],
            }),
            Argument::Plain(Key {
                name: "digits",
                takes: Takes::Whole(1.0, 15.0),
                needed: true,
                what: "how many significant digits",
                also: &[],
            }),
        ],
        gives: Gives::Value("the number as a text"),
        what: "A number as people read it, for `print` and `at`: without an exponent or needless zeros.",
        fails: "",
        example: r#"print(`${significant(6.3246787, 4)} V`);"#,
        since: 1,
        by: By::Script,
    },
];
