//! How the samples of a digitizer travel, as a dialect names it.

use std::collections::BTreeMap;

use serde::Deserialize;
pub use wattproof_scpi::{ByteOrder, SampleFormat};

use crate::operation::{Complaint, Operation};

/// The `[samples]` table of a digitizer's dialect.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Samples {
    /// Our word for the format taken when nobody asks for another.
    pub(crate) default: String,
    #[serde(default)]
    pub(crate) default_order: Option<String>,
    /// Our word for a format → the instrument's parameter.
    pub(crate) formats: BTreeMap<String, String>,
    /// Our word for a byte order → the instrument's parameter.
    #[serde(default)]
    pub(crate) orders: BTreeMap<String, String>,
    #[serde(default)]
    pub(crate) block: Block,
    #[serde(default)]
    pub(crate) layout: Layout,
    /// How channels are listed where `{channels}` stands.
    #[serde(default)]
    pub(crate) list: ChannelList,
    /// What stands between the numbers of a text record.
    #[serde(default = "comma")]
    pub(crate) separator: String,
    /// What the numbers of a text record are.
    #[serde(default)]
    pub(crate) text: TextNumbers,
    /// Volts of one code, the same on every channel and range; None where it follows from the range or is asked.
    pub(crate) volts_per_code: Option<f64>,
    /// Volts of code 0, the same on every channel and range.
    #[serde(default)]
    pub(crate) offset_v: f64,
}

fn comma() -> String {
    ",".to_string()
}

/// How a block says where it ends (IEEE 488.2, 8.7.9 and 8.7.10).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Block {
    /// `#`, a digit, the length.
    #[default]
    Definite,
    /// `#0`, and the end of the message.
    Indefinite,
}

/// In which order the samples of several channels come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Layout {
    /// All of the first, then all of the next.
    #[default]
    Blockwise,
    /// The first of each, then the second of each.
    Interleaved,
}

/// What the numbers of a text record are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum TextNumbers {
    /// Volts at the converter's input.
    #[default]
    Volts,
    /// Codes, as in a block of integers; needs volts_per_code or get_volts_per_code.
    Codes,
}

/// How channels are listed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum ChannelList {
    /// `1:4` for channels in a row, `1,3` for others (SCPI-1999 volume 1, 8.3.2, channel lists).
    #[default]
    Ranges,
    /// `1,2,3,4`.
    Commas,
}

impl ChannelList {
    /// The list.
    pub(crate) fn of(self, channels: &[u32]) -> String {
        let in_a_row = channels.windows(2).all(|pair| matches!(pair, [a, b] if a.checked_add(1) == Some(*b)));
        match (channels.first(), channels.last()) {
            (Some(first), Some(last)) if self == ChannelList::Ranges && in_a_row && first != last => {
                format!("{first}:{last}")
            }
            _ => channels.iter().map(u32::to_string).collect::<Vec<_>>().join(","),
        }
    }
}

/// How a record travels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Travel {
    /// In a block.
    Binary(SampleFormat, ByteOrder),
    /// As numbers in a list.
    Text,
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
    /// How a record travels in the format and order of these names.
    pub(crate) fn travel(&self, format: &str, order: Option<&str>) -> Option<Travel> {
        if !self.formats.contains_key(format) {
            return None;
        }
        if format == ASCII {
            return Some(Travel::Text);
        }
        let order = order.filter(|order| self.orders.contains_key(*order))?;
        Some(Travel::Binary(format_named(format)?, order_named(order)?))
    }

    /// What is wrong with the table, by name, if anything.
    pub(crate) fn complaint(&self, operations: &BTreeMap<String, Operation>) -> Option<Complaint> {
        let unknown = |word: &&String| *word != ASCII && format_named(word).is_none();
        if let Some(word) = self.formats.keys().find(unknown) {
            let words =
                format!("no sample format is called `{word}`: use ascii, int16, int32, real32 or real64");
            return Some(("formats", words));
        }
        if let Some(word) = self.orders.keys().find(|word| order_named(word).is_none()) {
            return Some(("orders", format!("no byte order is called `{word}`: use big or little")));
        }
        if !self.formats.contains_key(&self.default) {
            return Some(("default", format!("default = \"{}\" is not among the formats", self.default)));
        }
        let binary = self.formats.keys().any(|word| word != ASCII);
        match &self.default_order {
            None if binary => {
                return Some(("formats", "binary formats need default_order and orders".to_string()));
            }
            Some(order) if !self.orders.contains_key(order) => {
                let words = format!("default_order = \"{order}\" is not among the orders");
                return Some(("default_order", words));
            }
            _ => {}
        }
        if self.formats.len() > 1 && !operations.contains_key("set_format") {
            return Some((
                "formats",
                "several formats need [operations.set_format] to choose one".to_string(),
            ));
        }
        if self.orders.len() > 1 && !operations.contains_key("set_byte_order") {
            return Some(("orders", "two orders need [operations.set_byte_order] to choose one".to_string()));
        }
        if self.separator.trim().is_empty() {
            return Some(("separator", "separator is empty: write what stands between numbers".to_string()));
        }
        self.code_complaint(operations)
    }

    fn code_complaint(&self, operations: &BTreeMap<String, Operation>) -> Option<Complaint> {
        if self.volts_per_code.is_some_and(|volts| !(volts.is_finite() && volts != 0.0)) {
            return Some(("volts_per_code", "volts_per_code is not a usable factor".to_string()));
        }
        if !self.offset_v.is_finite() {
            return Some(("offset_v", "offset_v is not a number".to_string()));
        }
        let scaled = self.volts_per_code.is_some() || operations.contains_key("get_volts_per_code");
        if self.text == TextNumbers::Codes && !scaled {
            let words = "text = \"codes\" needs volts_per_code, or [operations.get_volts_per_code]";
            return Some(("text", words.to_string()));
        }
        if self.volts_per_code.is_some() && operations.contains_key("get_volts_per_code") {
            let words = "volts_per_code is fixed here and asked by get_volts_per_code: keep one";
            return Some(("volts_per_code", words.to_string()));
        }
        if self.offset_v != 0.0 && operations.contains_key("get_offset_v") {
            return Some((
                "offset_v",
                "offset_v is fixed here and asked by get_offset_v: keep one".to_string(),
            ));
        }
        None
    }
}

/// Our word for numbers in a list.
pub(crate) const ASCII: &str = "ascii";

/// Puts the numbers of a record in order: one list for each of `channels`, each of `points`.
pub(crate) fn part(layout: Layout, all: &[f64], channels: usize, points: usize) -> Vec<Vec<f64>> {
    match layout {
        Layout::Blockwise => all.chunks(points.max(1)).map(<[f64]>::to_vec).collect(),
        Layout::Interleaved => (0..channels)
            .map(|channel| all.iter().skip(channel).step_by(channels).copied().collect())
            .collect(),
    }
}
