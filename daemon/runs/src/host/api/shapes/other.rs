//! Captures of two tones and of noise.

use super::Holds::{Flag, Map, Maps, MayNumber, Number, Text, Texts, Whole};
use super::{Shape, field};

/// A capture of two tones.
pub const TWO_TONE_STEP: Shape = Shape {
    name: "two-tone step",
    what: "a capture of two tones; it is in the journal, not in `steps.csv`",
    fields: &[
        field("at_s", Number, "the run's time at the end of the capture"),
        field("kind", Text, "`smpte` or `twin_tone`"),
        field("level_vrms", Number, "level of one tone with the same peak"),
        field("load_ohm", MayNumber, "load that is set"),
        field("supply_v_set", MayNumber, "supply voltage that is set, V"),
        field("supply_v", MayNumber, "supply voltage measured"),
        field("supply_a", MayNumber, "supply current measured"),
        field("heatsink_c", MayNumber, "heatsink's temperature"),
        field("channels", Maps(&TWO_TONE_CHANNEL), "every channel, the first first"),
    ],
};

const TWO_TONE_CHANNEL: Shape = Shape {
    name: "two-tone channel",
    what: "one channel of a capture of two tones",
    fields: &[
        field("channel", Whole, "amplifier channel, from 1"),
        field("driven", Flag, "whether its input was driven"),
        field("reading", Map(&TWO_TONE_READING), "everything computed from the capture"),
    ],
};

const TWO_TONE_READING: Shape = Shape {
    name: "two-tone reading",
    what: "intermodulation of one channel",
    fields: &[
        field("low_hz", MayNumber, "frequency of the lower tone"),
        field("high_hz", MayNumber, "frequency of the higher tone"),
        field("low_vrms", MayNumber, "rms of the lower tone"),
        field("high_vrms", MayNumber, "rms of the higher tone"),
        field("tone_ratio", MayNumber, "level of the lower over that of the higher"),
        field(
            "imd_pct",
            MayNumber,
            "intermodulation: amplitude modulation of the higher tone (`smpte`), or second and third order together (`twin_tone`)",
        ),
        field("second_order_pct", MayNumber, "products of second order"),
        field("third_order_pct", MayNumber, "products of third order"),
        field(
            "sidebands_rss_pct",
            MayNumber,
            "rms of all counted sidebands over the higher tone; `smpte` alone",
        ),
        field("products", Maps(&PRODUCT), "products in the band, the tones left out"),
        field("noise_vrms", MayNumber, "what is in the band and neither tone nor product"),
        field("u_product_vrms", MayNumber, "standard uncertainty of each product and tone"),
        field("u_imd_pct", MayNumber, "standard uncertainty of `imd_pct`"),
        field("flags", Texts, "why numbers are absent, or what to know"),
    ],
};

const PRODUCT: Shape = Shape {
    name: "product",
    what: "one product of intermodulation",
    fields: &[
        field("low_order", Whole, "multiple of the lower tone"),
        field("high_order", Whole, "multiple of the higher tone"),
        field("hz", Number, "frequency"),
        field("vrms", Number, "rms"),
    ],
};

/// A capture of noise.
pub const NOISE_STEP: Shape = Shape {
    name: "noise step",
    what: "a capture of noise; it is in the journal, not in `steps.csv`",
    fields: &[
        field("at_s", Number, "the run's time at the end of the capture"),
        field("drive", Map(&NOISE_DRIVE), "what was played"),
        field("load_ohm", MayNumber, "load that is set"),
        field("supply_v_set", MayNumber, "supply voltage that is set, V"),
        field("supply_v", MayNumber, "supply voltage measured"),
        field("supply_a", MayNumber, "supply current measured"),
        field("heatsink_c", MayNumber, "heatsink's temperature"),
        field("channels", Maps(&NOISE_CHANNEL), "every channel, the first first"),
    ],
};

const NOISE_DRIVE: Shape = Shape {
    name: "noise drive",
    what: "noise as it was set",
    fields: &[
        field("kind", Text, "`white` or `pink`"),
        field("level_vrms", Number, "source level"),
        field("crest", MayNumber, "peak over rms; `()` where the source was left to choose"),
    ],
};

const NOISE_CHANNEL: Shape = Shape {
    name: "noise channel",
    what: "one channel of a capture of noise",
    fields: &[
        field("channel", Whole, "amplifier channel, from 1"),
        field("driven", Flag, "whether its input was driven"),
        field("reading", Map(&NOISE_READING), "everything computed from the capture"),
    ],
};

const NOISE_READING: Shape = Shape {
    name: "noise reading",
    what: "levels and powers of one channel over the record",
    fields: &[
        field("out_vrms", MayNumber, "true rms voltage, dc included"),
        field("out_irms", MayNumber, "true rms current in A"),
        field("out_vpk", MayNumber, "largest magnitude of the voltage"),
        field("dc_v", MayNumber, "mean voltage"),
        field("active_w", MayNumber, "power: mean of volts times amperes"),
        field("apparent_va", MayNumber, "rms voltage times rms current"),
        field("power_factor", MayNumber, "active over apparent power"),
        field("crest_factor", MayNumber, "peak over rms of the voltage"),
        field("flags", Texts, "what to know; always `no_distortion`"),
    ],
};
