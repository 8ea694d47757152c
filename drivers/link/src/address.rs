//! Where an instrument is, as written in a bench file.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::{Flow, Link, LinkError, Parity, SerialLink, SerialSettings, TcpLink, Traced};

/// Where an instrument is: `{ serial = "/dev/ttyUSB0", baud = 115200 }` or `{ tcp = "host:port" }`.
///
/// Beside `serial` may stand `baud`, `data_bits`, `parity` (none, odd, even), `stop_bits`, `flow` (none,
/// software, hardware), `dtr_at_open` and `rts_at_open`; the defaults are those of [`SerialSettings`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "Written", into = "Written")]
pub enum Address {
    /// A serial port.
    Serial {
        /// Device path. One under `/dev/serial/by-id` survives replugging.
        path: String,
        /// Line settings.
        settings: SerialSettings,
    },
    /// A raw TCP socket.
    Tcp {
        /// `host:port`.
        host_port: String,
    },
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Address::Serial { path, settings } => write!(f, "{path} at {} baud", settings.baud),
            Address::Tcp { host_port } => write!(f, "tcp {host_port}"),
        }
    }
}

/// Opens the link, with its exchanges logged at trace level.
///
/// # Errors
/// Those of [`SerialLink::open`] and [`TcpLink::open`].
pub fn open(address: &Address) -> Result<Box<dyn Link>, LinkError> {
    Ok(match address {
        Address::Serial { path, settings } => Box::new(Traced::new(SerialLink::open(path, settings)?)),
        Address::Tcp { host_port } => Box::new(Traced::new(TcpLink::open(host_port)?)),
    })
}

/// The flat table as a person writes it. An untagged enum would answer every slip with the same
/// sentence.
#[derive(Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    serial: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    tcp: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    baud: Option<u32>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    data_bits: Option<u8>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    parity: Option<Parity>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    stop_bits: Option<u8>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    flow: Option<Flow>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    dtr_at_open: Option<bool>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    rts_at_open: Option<bool>,
}

impl TryFrom<Written> for Address {
    type Error = String;

    fn try_from(written: Written) -> Result<Address, String> {
        match (written.serial, written.tcp) {
            (Some(path), None) => {
                let usual = SerialSettings::default();
                let settings = SerialSettings {
                    baud: written.baud.unwrap_or(usual.baud),
                    data_bits: written.data_bits.unwrap_or(usual.data_bits),
                    parity: written.parity.unwrap_or(usual.parity),
                    stop_bits: written.stop_bits.unwrap_or(usual.stop_bits),
                    flow: written.flow.unwrap_or(usual.flow),
                    dtr_at_open: written.dtr_at_open,
                    rts_at_open: written.rts_at_open,
                };
                if settings.baud == 0 {
                    return Err("baud = 0: set the rate the instrument shows, such as 9600".to_string());
                }
                if !(5..=8).contains(&settings.data_bits) {
                    return Err(format!("data_bits = {}: set 5, 6, 7 or 8", settings.data_bits));
                }
                if !(1..=2).contains(&settings.stop_bits) {
                    return Err(format!("stop_bits = {}: set 1 or 2", settings.stop_bits));
                }
                Ok(Address::Serial { path, settings })
            }
            (None, Some(host_port)) => {
                let line_settings = written.baud.is_some()
                    || written.data_bits.is_some()
                    || written.parity.is_some()
                    || written.stop_bits.is_some()
                    || written.flow.is_some()
                    || written.dtr_at_open.is_some()
                    || written.rts_at_open.is_some();
                if line_settings {
                    return Err(
                        "baud, parity and the like belong to a serial port: remove them beside tcp".into()
                    );
                }
                if !host_port.contains(':') {
                    return Err(format!("tcp = \"{host_port}\" has no port number: write host:port"));
                }
                Ok(Address::Tcp { host_port })
            }
            (Some(_), Some(_)) => Err("both serial and tcp are given: keep one".to_string()),
            (None, None) => Err("neither serial nor tcp is given: write one of them".to_string()),
        }
    }
}

impl From<Address> for Written {
    fn from(address: Address) -> Written {
        match address {
            Address::Serial { path, settings } => Written {
                serial: Some(path),
                baud: Some(settings.baud),
                data_bits: Some(settings.data_bits),
                parity: Some(settings.parity),
                stop_bits: Some(settings.stop_bits),
                flow: Some(settings.flow),
                dtr_at_open: settings.dtr_at_open,
                rts_at_open: settings.rts_at_open,
                ..Written::default()
            },
            Address::Tcp { host_port } => Written { tcp: Some(host_port), ..Written::default() },
        }
    }
}
