//! Findings, clips, captures of outputs at rest, and the bench itself.

use super::Holds::{
    Flag, Map, Maps, MayMap, MayNumber, MayText, MayWhole, Number, Numbers, Text, Texts, Whole,
};
use super::{Shape, field};

/// A recorded finding.
pub const FINDING: Shape = Shape {
    name: "finding",
    what: "a result that is no rating",
    fields: &[
        field("finding", Whole, "which of the run, from 1"),
        field("at_s", Number, "the run's time"),
        field("name", Text, "what was found"),
        field("channel", MayWhole, "amplifier channel, or bridge, from 1"),
        field("value", Number, "the number"),
        field("unit", Text, "its unit"),
        field("expanded_u", MayNumber, "its expanded uncertainty (k = 2)"),
        field("at", Text, "the conditions, in words"),
        field("low", MayNumber, "the lowest that is right"),
        field("high", MayNumber, "the highest that is right"),
        field("verdict", MayText, "`meets`, `short` or `undecided`; `()` without `low` and `high`"),
        field("note", Text, "what to know beside it"),
    ],
};

/// A saved clip.
pub const CLIP: Shape = Shape {
    name: "clip",
    what: "a captured output as a sound file",
    fields: &[
        field("file", Text, "the file, in the run's folder"),
        field("step", Whole, "the step whose capture it is of"),
        field("channel", Whole, "amplifier channel, or bridge, from 1"),
        field("loudness_db", Number, "A-weighted level re a sine of full scale"),
        field("gain_per_v", Number, "full scale over volts, per V"),
        field("seconds", Number, "its length, s"),
        field("sha256", Text, "hash of the file"),
    ],
};

/// A capture of outputs that nobody drives.
pub const IDLE_STEP: Shape = Shape {
    name: "idle step",
    what: "a capture of outputs that nobody drives; it is in the journal, not in `steps.csv`",
    fields: &[
        field("at_s", Number, "the run's time at the end of the capture"),
        field("load_ohm", MayNumber, "load that is set"),
        field("supply_v_set", MayNumber, "supply voltage that is set, V"),
        field("supply_on", Flag, "whether the supply is on"),
        field("supply_v", MayNumber, "supply voltage measured"),
        field("supply_a", MayNumber, "supply current measured"),
        field("heatsink_c", MayNumber, "heatsink's temperature"),
        field("channels", Maps(&IDLE_CHANNEL), "every channel, the first first"),
    ],
};

const IDLE_CHANNEL: Shape = Shape {
    name: "idle channel",
    what: "one channel of a capture at rest",
    fields: &[
        field("channel", Whole, "amplifier channel, or bridge, from 1"),
        field("reading", Map(&IDLE_READING), "what the record tells"),
        field(
            "expanded_u",
            MayMap(&IDLE_U),
            "expanded uncertainties (k = 2), under the names of the quantities",
        ),
    ],
};

const IDLE_READING: Shape = Shape {
    name: "idle reading",
    what: "one output at rest",
    fields: &[
        field("dc_v", MayNumber, "mean voltage"),
        field("out_vrms", MayNumber, "true rms, full bandwidth, dc included"),
        field("noise_vrms", MayNumber, "noise and hum within the band, without dc"),
        field("noise_a_vrms", MayNumber, "the same through the A-weighting of IEC 61672-1"),
        field("noise_468_vrms", MayNumber, "the same through the curve of ITU-R BS.468-4, true rms"),
        field("hum_vrms", MayNumber, "at the mains frequency and its multiples"),
        field("residue_vrms", MayNumber, "above the band"),
        field("u", Map(&IDLE_SCATTER), "scatter that the record's own noise causes"),
        field("flags", Texts, "why numbers are `()`, or what to know about them"),
    ],
};

const IDLE_SCATTER: Shape = Shape {
    name: "idle scatter",
    what: "standard uncertainties by the record's own noise",
    fields: &[
        field("dc_v", MayNumber, "of the mean voltage"),
        field("noise_vrms", MayNumber, "of the noise"),
        field("noise_a_vrms", MayNumber, "of the A-weighted noise"),
        field("noise_468_vrms", MayNumber, "of the noise by BS.468-4"),
    ],
};

const IDLE_U: Shape = Shape {
    name: "idle uncertainty",
    what: "expanded uncertainties (k = 2) of an output at rest",
    fields: &[
        field("dc_v", MayNumber, "of the mean voltage"),
        field("noise_vrms", MayNumber, "of the noise"),
        field("noise_a_vrms", MayNumber, "of the A-weighted noise"),
        field("noise_468_vrms", MayNumber, "of the noise by BS.468-4"),
        field("gain_pct", MayNumber, "what all of them share: the gain of the voltage input"),
    ],
};

/// The bench.
pub const BENCH: Shape = Shape {
    name: "bench",
    what: "what the bench is, by its file",
    fields: &[
        field("name", Text, "its name"),
        field("channels", Whole, "outputs that it serves"),
        field("is_bridged", Flag, "whether each is a bridge of two channels"),
        field("measures_current", Flag, "whether the current into each load is measured"),
        field("mains_hz", Number, "mains frequency"),
        field("rate_hz", Number, "samples per second and channel"),
        field("record_s", Number, "length of the next captures"),
        field("source_vrms_max", Number, "highest source level that is allowed and that the source has"),
        field("supply_tolerance_pct", Number, "tolerance of the supply's voltage, as a half-width"),
        field("load", Map(&BENCH_LOAD), "the load"),
        field("limits", Map(&LIMITS), "the limits of the bench file, by their names there"),
    ],
};

const BENCH_LOAD: Shape = Shape {
    name: "bench load",
    what: "what the bench has for a load",
    fields: &[
        field("fixed_ohm", MayNumber, "resistance that nobody sets"),
        field("taps_ohm", Numbers, "the resistances that it has; empty where it is set to any"),
        field("loudspeaker", Flag, "whether a loudspeaker hangs there, whose impedance moves with frequency"),
        field("tolerance_pct", Number, "tolerance of the resistance, as a half-width"),
        field("watts_continuous", MayNumber, "power that each stands for ever, W"),
    ],
};

const LIMITS: Shape = Shape {
    name: "limits",
    what: "what no script can exceed",
    fields: &[
        field("out_vrms_max", Number, "of an output"),
        field("out_arms_max", Number, "of the current into a load"),
        field("out_w_max", Number, "power of an output"),
        field("dc_v_max", Number, "direct voltage of an output"),
        field("supply_v_max", Number, "supply voltage"),
        field("supply_a_max", Number, "supply current"),
        field("heatsink_c_max", Number, "heatsink's temperature"),
        field("source_vrms_max", Number, "source level"),
        field("source_step_db_max", Number, "rise of the source at once"),
        field("load_ohm_min", Number, "load"),
        field("power_s_max", Number, "time at power"),
        field("power_w_from", Number, "power from which that counts"),
        field("reading_age_s_max", Number, "age of a safety reading"),
        field("heatsink_c_per_s_max", MayNumber, "rise of the heatsink, °C per s"),
        field("idle_vrms_max", MayNumber, "of an output that nobody drives"),
        field("switch_on_per_min_max", MayNumber, "times that something is switched on in a minute"),
    ],
};
