//! Findings, clips, the bench, outputs at rest, and expanded uncertainties.

use super::Holds::{Flag, Map, Maps, MayNumber, MayText, MayWhole, Number, Numbers, Text, Texts, Whole};
use super::{Shape, field};

/// A recorded finding.
pub const FINDING: Shape = Shape {
    name: "finding",
    what: "a result that is no rating",
    fields: &[
        field("finding", Whole, "which of the run, from 1"),
        field("at_s", Number, "the run's time when it was stated"),
        field("name", Text, "what was found"),
        field("channel", MayWhole, "amplifier channel, or bridge, from 1"),
        field("value", Number, "the number, in `unit`"),
        field("unit", Text, "its unit; empty for a number without one"),
        field("expanded_u", MayNumber, "expanded uncertainty (k = 2), in `unit`"),
        field("at", Text, "the conditions"),
        field("low", MayNumber, "the lowest that is right, in `unit`"),
        field("high", MayNumber, "the highest that is right, in `unit`"),
        field("verdict", MayText, "`meets`, `short` or `undecided`; `()` without `low` and `high`"),
        field("note", Text, "what to know beside it"),
    ],
};

/// A clip.
pub const CLIP: Shape = Shape {
    name: "clip",
    what: "a WAV file of what was captured",
    fields: &[
        field("file", Text, "its name, in the run's folder"),
        field("step", Whole, "the step it is of"),
        field("channel", Whole, "amplifier channel, or bridge, from 1"),
        field("loudness_db", Number, "A-weighted level re a sine of full scale"),
        field("gain_per_v", Number, "full scale over volts"),
        field("seconds", Number, "its length in s"),
        field("sha256", Text, "SHA-256 of the file"),
    ],
};

/// The bench.
pub const BENCH: Shape = Shape {
    name: "bench",
    what: "what the bench is",
    fields: &[
        field("name", Text, "its name in the bench file"),
        field("channels", Whole, "outputs that it serves, a bridge as one"),
        field("is_bridged", Flag, "whether its outputs are bridges"),
        field("measures_current", Flag, "whether it has current inputs, so that powers can be told"),
        field("mains_hz", Number, "frequency of the mains"),
        field("rate_hz", Number, "samples per second and channel"),
        field("record_s", Number, "length of the next captures"),
        field("source_vrms_max", Number, "highest level of the source"),
        field("supply_tolerance_pct", Number, "tolerance of the supply's voltage, a half-width"),
        field("load", Map(&BENCH_LOAD), "the load"),
        field("limits", Map(&LIMITS), "the limits in force"),
    ],
};

const BENCH_LOAD: Shape = Shape {
    name: "load of the bench",
    what: "what the bench has for a load",
    fields: &[
        field(
            "fixed_ohm",
            MayNumber,
            "resistance where nobody sets it; of a loudspeaker its lowest impedance",
        ),
        field("loudspeaker", Flag, "whether a loudspeaker hangs there"),
        field("taps_ohm", Numbers, "the resistances there are; empty where any can be set"),
        field("tolerance_pct", Number, "tolerance of the resistance, a half-width"),
        field("watts_continuous", MayNumber, "W that it stands for ever, where the bench file says so"),
    ],
};

const LIMITS: Shape = Shape {
    name: "limits",
    what: "`[limits]` of the bench file, which no script can exceed",
    fields: &[
        field("out_vrms_max", Number, "output voltage"),
        field("out_arms_max", Number, "output current"),
        field("out_w_max", Number, "output power of a channel"),
        field("dc_v_max", Number, "direct voltage at an output"),
        field("supply_v_max", Number, "supply voltage"),
        field("supply_a_max", Number, "supply current"),
        field("heatsink_c_max", Number, "heatsink's temperature"),
        field("source_vrms_max", Number, "source level"),
        field("source_step_db_max", Number, "step of the source level"),
        field("load_ohm_min", Number, "lowest load"),
        field("power_s_max", Number, "longest time at power"),
        field("power_w_from", Number, "what counts as power"),
        field("reading_age_s_max", Number, "age of a reading"),
        field("heatsink_c_per_s_max", MayNumber, "rise of the heatsink, °C/s"),
        field("idle_vrms_max", MayNumber, "output voltage while nothing is played"),
        field("switch_on_per_min_max", MayNumber, "how often a minute an output is switched on"),
    ],
};

/// A capture of outputs at rest.
pub const IDLE_STEP: Shape = Shape {
    name: "capture at rest",
    what: "a capture of outputs that nobody drives; it is in the journal, not in `steps.csv`",
    fields: &[
        field("at_s", Number, "the run's time at the end of the capture"),
        field("load_ohm", MayNumber, "load that is set"),
        field("supply_v_set", MayNumber, "supply voltage that is set, V"),
        field("supply_on", Flag, "whether the supply is on"),
        field("supply_v", MayNumber, "supply voltage measured"),
        field("supply_a", MayNumber, "supply current measured"),
        field("heatsink_c", MayNumber, "heatsink's temperature"),
        field("channels", Maps(&IDLE_CHANNEL), "every channel, or every bridge, the first first"),
    ],
};

const IDLE_CHANNEL: Shape = Shape {
    name: "channel at rest",
    what: "one channel, or one bridge, at rest",
    fields: &[
        field("channel", Whole, "amplifier channel, or bridge, from 1"),
        field("reading", Map(&REST_READING), "what the record tells"),
        field("expanded_u", Map(&REST_EXPANDED), "expanded uncertainties (k = 2)"),
    ],
};

const REST_READING: Shape = Shape {
    name: "reading at rest",
    what: "noise, hum and direct voltage of one channel",
    fields: &[
        field("dc_v", MayNumber, "mean voltage"),
        field("out_vrms", MayNumber, "true rms voltage, full bandwidth, dc included"),
        field("noise_vrms", MayNumber, "noise and hum from 20 Hz to 20 kHz"),
        field(
            "noise_a_vrms",
            MayNumber,
            "the same through the A-weighting of IEC 61672-1; `()` of a record shorter than 50 ms",
        ),
        field("noise_468_vrms", MayNumber, "the same through the curve of ITU-R BS.468, true rms"),
        field(
            "hum_vrms",
            MayNumber,
            "at the mains frequency and its multiples; `()` of a record too short to tell them apart",
        ),
        field("residue_vrms", MayNumber, "above 20 kHz"),
        field("u", Map(&REST_U), "standard uncertainties by the record's own noise"),
        field("flags", Texts, "why numbers are absent, or what to know"),
    ],
};

const REST_U: Shape = Shape {
    name: "u at rest",
    what: "standard uncertainties of a reading at rest (type A), under the names of the quantities",
    fields: &[
        field("dc_v", MayNumber, "of `dc_v`"),
        field("noise_vrms", MayNumber, "of `noise_vrms`"),
        field("noise_a_vrms", MayNumber, "of `noise_a_vrms`"),
        field("noise_468_vrms", MayNumber, "of `noise_468_vrms`"),
    ],
};

const REST_EXPANDED: Shape = Shape {
    name: "expanded_u at rest",
    what: "expanded uncertainties (k = 2) of a reading at rest",
    fields: &[
        field("dc_v", MayNumber, "of `dc_v`, with the offset's tolerance"),
        field("noise_vrms", MayNumber, "of `noise_vrms`"),
        field("noise_a_vrms", MayNumber, "of `noise_a_vrms`"),
        field("noise_468_vrms", MayNumber, "of `noise_468_vrms`"),
        field("gain_pct", MayNumber, "of the voltage input's gain, which all of the channel's numbers share"),
    ],
};

/// Expanded uncertainties of a channel of a step.
pub const EXPANDED: Shape = Shape {
    name: "expanded_u",
    what: "expanded uncertainties (k = 2): calibration or tolerance of the inputs, skew between them, and the record's noise. \
        Of ratios within one channel the gains cancel, and the noise is left",
    fields: &[
        field("out_vrms", MayNumber, "of `out_vrms`"),
        field("band_vrms", MayNumber, "of `band_vrms`"),
        field("fundamental_vrms", MayNumber, "of `fundamental_vrms`"),
        field("dc_v", MayNumber, "of `dc_v`"),
        field("out_irms", MayNumber, "of `out_irms`, A"),
        field("active_w", MayNumber, "of `active_w`"),
        field("apparent_va", MayNumber, "of `apparent_va`"),
        field("load_ohm_measured", MayNumber, "of `load_ohm_measured`"),
        field("load_x_ohm", MayNumber, "of `load_x_ohm`"),
        field("phase_deg", MayNumber, "of `phase_deg`"),
        field("gain_db", MayNumber, "of `gain_db`, without the error of the source's own level"),
        field("thd_pct", MayNumber, "of `thd_pct`"),
        field("thdn_pct", MayNumber, "of `thdn_pct`"),
        field("noise_vrms", MayNumber, "of `noise_vrms`"),
        field("noise_a_vrms", MayNumber, "of `noise_a_vrms`"),
        field("noise_468_vrms", MayNumber, "of `noise_468_vrms`"),
        field("hum_pct", MayNumber, "of `hum_pct`"),
        field("residue_vrms", MayNumber, "of `residue_vrms`"),
    ],
};

/// Expanded uncertainties of a ceiling.
pub const CEILING_EXPANDED: Shape = Shape {
    name: "expanded_u of a ceiling",
    what: "expanded uncertainties (k = 2): calibration or tolerance of the inputs, and the search's interpolation",
    fields: &[
        field("power_w", MayNumber, "of `power_w`, at the load as it is; `()` without a current input"),
        field("out_vrms", MayNumber, "of `out_vrms`"),
    ],
};
