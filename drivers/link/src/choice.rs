//! Serial settings of which some are left open, as a bench file or a dialect writes them.

use serde::{Deserialize, Serialize};

use crate::{Flow, Parity, SerialSettings};

/// Serial settings; what is None is for somebody else to say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SerialChoice {
    /// Symbols per second.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub baud: Option<u32>,
    /// Data bits, 5 to 8.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub data_bits: Option<u8>,
    /// Parity bit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub parity: Option<Parity>,
    /// Stop bits, 1 or 2.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stop_bits: Option<u8>,
    /// Flow control.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub flow: Option<Flow>,
    /// Level to drive DTR to after opening.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dtr_at_open: Option<bool>,
    /// Level to drive RTS to after opening.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rts_at_open: Option<bool>,
}

impl SerialChoice {
    /// What is said here, and what `other` says where nothing is.
    #[must_use]
    pub fn or(&self, other: &SerialChoice) -> SerialChoice {
        SerialChoice {
            baud: self.baud.or(other.baud),
            data_bits: self.data_bits.or(other.data_bits),
            parity: self.parity.or(other.parity),
            stop_bits: self.stop_bits.or(other.stop_bits),
            flow: self.flow.or(other.flow),
            dtr_at_open: self.dtr_at_open.or(other.dtr_at_open),
            rts_at_open: self.rts_at_open.or(other.rts_at_open),
        }
    }

    /// The settings, with those of [`SerialSettings::default`] where nothing is said.
    #[must_use]
    pub fn settings(&self) -> SerialSettings {
        let usual = SerialSettings::default();
        SerialSettings {
            baud: self.baud.unwrap_or(usual.baud),
            data_bits: self.data_bits.unwrap_or(usual.data_bits),
            parity: self.parity.unwrap_or(usual.parity),
            stop_bits: self.stop_bits.unwrap_or(usual.stop_bits),
            flow: self.flow.unwrap_or(usual.flow),
            dtr_at_open: self.dtr_at_open,
            rts_at_open: self.rts_at_open,
        }
    }

    /// The setting that no port can take, by name, and what would be right.
    #[must_use]
    pub fn complaint(&self) -> Option<(&'static str, String)> {
        match *self {
            SerialChoice { baud: Some(0), .. } => {
                Some(("baud", "baud = 0: set the rate the instrument shows, such as 9600".to_string()))
            }
            SerialChoice { data_bits: Some(bits), .. } if !(5..=8).contains(&bits) => {
                Some(("data_bits", format!("data_bits = {bits}: set 5, 6, 7 or 8")))
            }
            SerialChoice { stop_bits: Some(bits), .. } if !(1..=2).contains(&bits) => {
                Some(("stop_bits", format!("stop_bits = {bits}: set 1 or 2")))
            }
            _ => None,
        }
    }
}

impl From<SerialSettings> for SerialChoice {
    fn from(all: SerialSettings) -> SerialChoice {
        SerialChoice {
            baud: Some(all.baud),
            data_bits: Some(all.data_bits),
            parity: Some(all.parity),
            stop_bits: Some(all.stop_bits),
            flow: Some(all.flow),
            dtr_at_open: all.dtr_at_open,
            rts_at_open: all.rts_at_open,
        }
    }
}
