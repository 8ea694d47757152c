//! Why a search ends without a ceiling.

/// Why a search ended without a ceiling.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Failure {
    /// Readings were refused several times in a row.
    #[error(
        "ceiling search: {refusals} readings in a row were refused at {level_vrms:.5} V rms; check wiring, range and capture length"
    )]
    Refused {
        /// How many.
        refusals: usize,
        /// Source level of the last, V rms.
        level_vrms: f64,
    },
    /// The amplifier tripped before any capture kept the limit.
    #[error(
        "ceiling search: protection tripped at {level_vrms:.5} V rms before any good capture; check load and supply"
    )]
    TrippedAtOnce {
        /// Source level of the trip, V rms.
        level_vrms: f64,
    },
    /// No level kept the limit.
    #[error(
        "ceiling search: distortion never fell to {limit_pct} % (lowest {lowest_pct:.3} %); check noise, range and the rating's band"
    )]
    NeverBelowLimit {
        /// The limit, percent.
        limit_pct: f64,
        /// Lowest figure seen, percent.
        lowest_pct: f64,
    },
    /// The capture budget ran out before the ceiling was bracketed.
    #[error(
        "ceiling search: {captures} captures used without reaching the ceiling; raise captures_max or the start level"
    )]
    CapturesExhausted {
        /// Captures used.
        captures: usize,
    },
    /// Observations don't belong together.
    #[error("ceiling search: the number of driven channels changed during the search; keep them the same")]
    ChannelsChanged,
    /// The next safe level can't be told.
    #[error("ceiling search: no safe next level can be computed; check the gain and load readings")]
    NoLevel,
}
