/// Why pairs make no calibration.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Refused {
    /// Too few.
    #[error("{have} points are too few: a line and what it leaves over need {need}")]
    TooFew {
        /// How many there are.
        have: usize,
        /// How many it takes.
        need: usize,
    },
    /// All at one place.
    #[error(
        "the points lie too close together to tell a gain: spread them over the range that is used, the largest at least twice the smallest"
    )]
    TooClose,
    /// A number that is none.
    #[error("point {point} holds no number")]
    NoNumber {
        /// Which, from 1.
        point: usize,
    },
    /// The converter's side goes down where the meter's goes up.
    #[error(
        "the input goes down where the meter goes up: it is reversed; exchange its leads, or turn the sensor round"
    )]
    Reversed,
    /// No line at all.
    #[error(
        "meter and input do not follow each other (correlation {correlation:.5}): they look at different things, or a lead is loose"
    )]
    Unrelated {
        /// Correlation of both.
        correlation: f64,
    },
    /// One point that none of the others bears out.
    #[error(
        "point {point}: {reading} is {off:+.4} off the line of the others, where {allowed:.4} can be explained: a slip in typing, or the meter changed its range"
    )]
    Slip {
        /// Which, from 1.
        point: usize,
        /// What was typed.
        reading: f64,
        /// How far it is off, V or A.
        off: f64,
        /// How far it may be, V or A.
        allowed: f64,
    },
    /// A gain far from what the bench file says.
    #[error(
        "the gain comes to {ratio:.4} times what the bench file says: other units, another range, another lead? If it is so, put the right order of magnitude into the bench file first"
    )]
    FarFromFile {
        /// Found over stated.
        ratio: f64,
    },
}
