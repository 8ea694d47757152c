//! How the samples of a digitizer travel, as a dialect names it.

use std::collections::BTreeMap;

use serde::Deserialize;
pub use wattproof_scpi::{ByteOrder, SampleFormat};

/// The `[samples]` table of a digitizer's dialect.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Samples {
    pub(crate) default: String,
    pub(crate) default_order: String,
    /// Our word for a format → the instrument's parameter.
    pub(crate) formats: BTreeMap<String, String>,
    /// Our word for a byte order → the instrument's parameter.
    pub(crate) orders: BTreeMap<String, String>,
}

/// The format of that name.
pub(crate) fn format_named(word: &str) -> Option<SampleFormat> {
    match word {
        "int16" => Some(SampleFormat::Int16),
        "int32" => Some(SampleFormat::Int32),
        "real32" => Some(SampleFormat::Real32),
        "real64" => Some(SampleFormat::Real64),
        _ => None,
    }
}

/// The name of a format.
pub(crate) fn format_word(format: SampleFormat) -> &'static str {
    match format {
        SampleFormat::Int16 => "int16",
        SampleFormat::Int32 => "int32",
        SampleFormat::Real32 => "real32",
        SampleFormat::Real64 => "real64",
    }
}

/// The byte order of that name.
pub(crate) fn order_named(word: &str) -> Option<ByteOrder> {
    match word {
        "big" => Some(ByteOrder::Big),
        "little" => Some(ByteOrder::Little),
        _ => None,
    }
}

/// The name of a byte order.
pub(crate) fn order_word(order: ByteOrder) -> &'static str {
    match order {
        ByteOrder::Big => "big",
        ByteOrder::Little => "little",
    }
}

/// Volts for one unit of what the block holds: a code's worth for integers (full scale 2^(bits−1) is the
/// range), 1 for reals, which are volts already.
pub(crate) fn volts_per_unit(format: SampleFormat, range_v: f64) -> f64 {
    match format {
        SampleFormat::Int16 => range_v / 32_768.0,
        SampleFormat::Int32 => range_v / 2_147_483_648.0,
        SampleFormat::Real32 | SampleFormat::Real64 => 1.0,
    }
}

impl Samples {
    /// What is wrong with the table, if anything.
    pub(crate) fn complaint(&self) -> Option<String> {
        if let Some(word) = self.formats.keys().find(|word| format_named(word).is_none()) {
            return Some(format!("no sample format is called `{word}`: use int16, int32, real32 or real64"));
        }
        if let Some(word) = self.orders.keys().find(|word| order_named(word).is_none()) {
            return Some(format!("no byte order is called `{word}`: use big or little"));
        }
        if !self.formats.contains_key(&self.default) {
            return Some(format!("default = \"{}\" is not among the formats", self.default));
        }
        if !self.orders.contains_key(&self.default_order) {
            return Some(format!("default_order = \"{}\" is not among the orders", self.default_order));
        }
        None
    }
}
