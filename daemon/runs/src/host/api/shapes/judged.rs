//! The nameplate, ceilings, judged ratings and bursts.

use super::Holds::{
    Flag, Map, Maps, MayFlag, MayMap, MayNumber, MayText, MayWhole, Number, Numbers, Sometimes, Text,
    TextElse, Texts, Untold, Whole,
};
use super::found::CEILING_EXPANDED;
use super::{Shape, field};

/// The nameplate.
pub const NAMEPLATE: Shape = Shape {
    name: "nameplate",
    what: "the amplifier under test",
    fields: &[
        field("maker", Text, "maker"),
        field("model", Text, "model"),
        field("serial", MayText, "serial number of this unit"),
        field("invented", Flag, "whether amplifier and claims are invented"),
        field("kind", TextElse("amplifier"), "`amplifier` or `line_stage`"),
        field("channels", Whole, "number of channels"),
        field("ratings", Maps(&RATING), "the claims that this bench is wired for"),
    ],
};

/// A claim.
pub const RATING: Shape = Shape {
    name: "rating",
    what: "one claim of the nameplate. `watts` of an amplifier, `out_vrms` of a line stage: ask `if \"watts\" in rating`",
    fields: &[
        field("number", Whole, "which, from 1"),
        field("watts", Sometimes, "W a channel, or a bridge; there only of an amplifier"),
        field("out_vrms", Sometimes, "output voltage a channel; there only of a line stage"),
        field("out_dbv", Sometimes, "the same in dBV, where the nameplate says it so"),
        field("out_dbu", Sometimes, "the same in dB re 0.7746 V rms, where the nameplate says it so"),
        field("load_ohm", Number, "load of a channel, or of a bridge"),
        field("supply_v", Number, "supply voltage"),
        field("driven", Text, "channels driven together: `all`, `one` or `bridged`"),
        field("limit_pct", Number, "distortion limit of the claim"),
        field("limit_by", Text, "what the limit applies to: `thdn` or `thd`"),
        field("hz", Number, "test frequency"),
    ],
};

/// The answer of a search.
pub const CEILING: Shape = Shape {
    name: "ceiling",
    what: "the highest output that keeps the limit, and why it stops there",
    fields: &[
        field("level_vrms", Number, "source level there"),
        field("level_dbv", Number, "the same in dBV"),
        field("out_vrms", Number, "fundamental at the output of the weakest channel"),
        field("power_w", Number, "lowest power of the driven channels (of a line stage V²/R)"),
        field("power_w_each", Numbers, "power of each driven channel, W"),
        field(
            "thdn_pct",
            Number,
            "the limited distortion figure of the worst channel: THD+N, or THD where that is limited",
        ),
        field("u_interpolation_w", Number, "standard uncertainty by interpolation and scatter alone"),
        field("u_level_db", Number, "standard error of the source level"),
        field("below", MayMap(&BRACKET), "nearest capture below that keeps the limit"),
        field("above", MayMap(&BRACKET), "nearest capture above that breaks it"),
        field(
            "cause",
            Text,
            "`clipping`, `soft_clipping`, `limiting`, `sag`, `protection`, `drive_exhausted`, `current_limit`, `thermal` or `undetermined`",
        ),
        field("evidence", Texts, "the facts behind the cause"),
        field("captures", Whole, "captures used"),
        field("expanded_u", MayMap(&CEILING_EXPANDED), "expanded uncertainties (k = 2)"),
        field("compression_db", Number, "loss of small-signal gain there"),
        field("low_level_bump", MayMap(&BUMP), "distortion above the limit at low level, if any was seen"),
        field("load_ohm_measured", MayNumber, "load measured nearest to it"),
        field("supply_v", MayNumber, "supply voltage nearest to it"),
        field("efficiency_pct", MayNumber, "output power over supply power nearest to it"),
    ],
};

const BRACKET: Shape = Shape {
    name: "bracket",
    what: "a capture beside the ceiling",
    fields: &[
        field("level_vrms", Number, "source level"),
        field("power_w", Number, "lowest power of the driven channels"),
        field("thdn_pct", Number, "the limited distortion figure of the worst channel"),
    ],
};

const BUMP: Shape = Shape {
    name: "bump",
    what: "distortion above the limit at low level",
    fields: &[
        field("level_vrms", Number, "source level of its worst capture"),
        field("power_w", Number, "lowest power there"),
        field("thdn_pct", Number, "distortion there"),
        field("noise_dominated", MayFlag, "whether noise accounts for it"),
    ],
};

/// A rating that was judged.
pub const RATING_RESULT: Shape = Shape {
    name: "judged rating",
    what: "a rating that was judged",
    fields: &[
        field("rating", Whole, "which, from 1"),
        field("claim", Map(&RATING), "the claim, without its number"),
        field("load_ohm_set", MayNumber, "load that was set"),
        field(
            "measured_w",
            MayNumber,
            "measured power at the rated load, weakest channel; `()` where volts are rated",
        ),
        field("indicated_w", MayNumber, "the same before its correction to the rated load"),
        field("correction", Number, "measured over indicated"),
        field("expanded_u_w", MayNumber, "expanded uncertainty of `measured_w`"),
        field("coverage_pct", Number, "probability with which ± that holds the true value"),
        field("ratio", Number, "measured over rated"),
        field("ratio_db", MayNumber, "the same in dB"),
        field("verdict", Text, "`meets`, `short` or `undecided`"),
        field("verdict_words", Text, "the verdict in words, with its numbers"),
        field("probability_met", MayNumber, "probability that the rating is met"),
        field("notes", Texts, "what to know beside the numbers"),
        field("below_step", MayWhole, "number of the step below the ceiling"),
        field("above_step", MayWhole, "number of the step above it"),
        field("spent", Map(&SPENT), "what finding it out took"),
        field("ceiling", Map(&CEILING), "the ceiling it rests on"),
        field(
            "budget",
            Untold,
            "what the uncertainty is made of, as in `ratings.json`; `()` where volts are rated",
        ),
        field("volts", MayMap(&VOLTS), "of a rating in volts: what it came to; else `()`"),
        field("calibration", Text, "how the inputs' calibration stood: `valid`, `expired` or `missing`"),
    ],
};

const SPENT: Shape = Shape {
    name: "spent",
    what: "what a rating took of the amplifier",
    fields: &[
        field("seconds_at_power", Number, "time at an eighth of the rated power or more, s"),
        field("joules", Number, "energy into all loads, J"),
    ],
};

const VOLTS: Shape = Shape {
    name: "volts",
    what: "what a rating in volts came to",
    fields: &[
        field("rated_vrms", Number, "rated output voltage"),
        field("measured_vrms", Number, "measured output voltage"),
        field("standard_u_vrms", Number, "its standard uncertainty"),
        field("expanded_u_vrms", Number, "its expanded uncertainty"),
        field("indicated_vrms", Number, "before its correction to the rated load"),
        field("coverage_factor", Number, "expanded over standard uncertainty"),
        field("effective_degrees", MayNumber, "effective degrees of freedom; `()` when unbounded"),
        field("t_factor", Number, "Student's factor for them"),
        field("budget", Untold, "what the uncertainty is made of, as in `ratings.json`"),
    ],
};

/// What bursts came to on one channel.
pub const BURST_ANSWER: Shape = Shape {
    name: "burst answer",
    what: "what bursts came to on one channel",
    fields: &[
        field("channel", Whole, "amplifier channel, from 1"),
        field("level_vrms", Number, "source level under test"),
        field("on_s", Number, "length of the burst"),
        field("onset", Map(&BURST_POWER), "power right at the onset, by extrapolation"),
        field("burst", Map(&BURST_POWER), "mean power of the first 20 ms"),
        field(
            "sustained",
            MayMap(&SUSTAINED),
            "power kept up; `()` if it was still moving at the end of the longest burst",
        ),
        field("headroom_db", MayNumber, "first 20 ms over sustained"),
        field("expanded_u_headroom_db", MayNumber, "its expanded uncertainty, k = 2"),
        field("attack_s", MayNumber, "time to 63 % of the fall"),
        field("expanded_u_attack_s", MayNumber, "its expanded uncertainty, k = 2"),
        field("limiter", MayMap(&LIMITER), "the limiter, if the level is held down without clipping"),
    ],
};

const BURST_POWER: Shape = Shape {
    name: "burst power",
    what: "power that is given for a moment: never to be told as sustained",
    fields: &[
        field("burst_w", Number, "active power"),
        field("expanded_u_w", Number, "its expanded uncertainty, k = 2"),
    ],
};

const SUSTAINED: Shape = Shape {
    name: "sustained power",
    what: "power that is kept up",
    fields: &[
        field("sustained_w", Number, "active power"),
        field("expanded_u_w", Number, "its expanded uncertainty, k = 2"),
    ],
};

const LIMITER: Shape = Shape {
    name: "limiter",
    what: "a limiter's law",
    fields: &[
        field("slope", Number, "rise of the settled output per rise of the drive, dB per dB"),
        field("u_slope", Number, "its standard uncertainty"),
        field("ratio", MayNumber, "dB in per dB out; `()` where the slope can't be told from 0"),
        field("ratio_min", Number, "the ratio is at least this"),
        field("threshold_vrms", Number, "output at which it begins"),
        field("held_db", Number, "how far it holds the level down"),
    ],
};
