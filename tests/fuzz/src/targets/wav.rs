//! WAV recordings.
//!
//! Holds: what [`super::recording`] says, and that integers stay within full scale.

use super::recording;
use crate::Target;

/// This target.
pub const TARGET: Target = Target {
    name: "wav",
    check,
    words: &[
        "RIFF",
        "WAVE",
        "fmt ",
        "data",
        "LIST",
        "fact",
        "\u{1}\0",
        "\u{3}\0",
        "\u{10}\0\0\0",
        "\u{12}\0\0\0",
        "(\0\0\0",
        "\u{8}\0",
        "\u{10}\0",
        "\u{18}\0",
        " \0",
        "\0\0\0\0",
        "RF64",
        "RIFX",
        "\u{7f}\u{7f}\u{7f}\u{7f}",
    ],
    shipped: &[],
};

/// Tries one input.
pub fn check(bytes: &[u8]) {
    if let Some(found) = recording::check(bytes)
        && found.relative
    {
        let integers = |limit: f64| limit < 1.0;
        for channel in found.channels.iter().filter(|channel| channel.limit.is_some_and(integers)) {
            assert!(channel.samples.iter().all(|sample| (-1.0..=1.0).contains(sample)), "beyond full scale");
        }
    }
}
