//! A step, as a capture gives it.

use super::Holds::{Flag, Map, Maps, MayMap, MayNumber, MayPair, MayWhole, Number, Text, Whole};
use super::found::EXPANDED;
use super::{READING, Shape, field};

/// A step.
pub const STEP: Shape = Shape {
    name: "step",
    what: "one operating point that was captured",
    fields: &[
        field("step", Whole, "number within the run, from 1"),
        field("at_s", Number, "the run's time at the end of the capture"),
        field("purpose", Text, "why it was taken"),
        field("rating", MayWhole, "the rating it serves, from 1"),
        field("level_vrms", Number, "source level"),
        field("hz", Number, "source frequency"),
        field("load_ohm", Number, "load that is set"),
        field("supply_v_set", Number, "supply voltage that is set, V"),
        field("supply_v", MayNumber, "supply voltage measured"),
        field("supply_a", MayNumber, "supply current measured"),
        field("supply_w", MayNumber, "supply power"),
        field("efficiency_pct", MayNumber, "active power of all channels over supply power"),
        field("heatsink_c", MayNumber, "heatsink's temperature"),
        field("temperatures", Maps(&TEMPERATURE), "the other temperatures of the bench file"),
        field("channels", Maps(&CHANNEL), "every channel, or every bridge, the first first"),
    ],
};

const TEMPERATURE: Shape = Shape {
    name: "temperature",
    what: "a temperature of the bench file",
    fields: &[
        field("name", Text, "its name there"),
        field("watches", Text, "`heatsink`, `load`, `supply` or `ambient`"),
        field("c", MayNumber, "°C"),
    ],
};

const CHANNEL: Shape = Shape {
    name: "channel",
    what: "one channel, or one bridge, of a step",
    fields: &[
        field("channel", Whole, "amplifier channel, or bridge, from 1"),
        field("driven", Flag, "whether its input was driven"),
        field(
            "gain_db",
            MayNumber,
            "fundamental of the output over the source level that is set; the source's own error is in it",
        ),
        field("reading", Map(&READING), "everything computed from the capture"),
        field(
            "expanded_u",
            MayMap(&EXPANDED),
            "expanded uncertainties (k = 2), under the names of the quantities",
        ),
        field("bridged", Flag, "whether it is a bridge of two channels"),
        field("sides_vrms", MayPair, "of a bridge with two dividers: its sides to ground without dc, V rms"),
    ],
};
