//! Where an instrument is, as written in a bench file.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::{Flow, Link, LinkError, Parity, SerialChoice, SerialLink, TcpLink, Traced};

/// Where an instrument is: `{ serial = "/dev/ttyUSB0", baud = 115200 }` or `{ tcp = "host:port" }`.
///
/// Beside `serial` may stand `baud`, `data_bits`, `parity` (none, odd, even), `stop_bits`, `flow` (none,
/// software, hardware), `dtr_at_open` and `rts_at_open`; what is left out is for the instrument's dialect to say,
/// and after it for [`SerialSettings::default`](crate::SerialSettings).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "Written", into = "Written")]
pub enum Address {
    /// A serial port.
    Serial {
        /// Device path. One under `/dev/serial/by-id` survives replugging.
        path: String,
        /// Line settings, as far as they are given.
        settings: SerialChoice,
    },
    /// A raw TCP socket.
    Tcp {
        /// `host:port`.
        host_port: String,
    },
}

impl Address {
    /// The same with `usual` line settings where none are given.
    #[must_use]
    pub fn with_usual(&self, usual: &SerialChoice) -> Address {
        match self {
            Address::Serial { path, settings } => {
                Address::Serial { path: path.clone(), settings: settings.or(usual) }
            }
            Address::Tcp { .. } => self.clone(),
        }
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Address::Serial { path, settings } => write!(f, "{path} at {} baud", settings.settings().baud),
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
        Address::Serial { path, settings } => {
            Box::new(Traced::new(SerialLink::open(path, &settings.settings())?))
        }
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
        let settings = SerialChoice {
            baud: written.baud,
            data_bits: written.data_bits,
            parity: written.parity,
            stop_bits: written.stop_bits,
            flow: written.flow,
            dtr_at_open: written.dtr_at_open,
            rts_at_open: written.rts_at_open,
        };
        match (written.serial, written.tcp) {
            (Some(path), None) => match settings.complaint() {
                Some((_, words)) => Err(words),
                None => Ok(Address::Serial { path, settings }),
            },
            (None, Some(host_port)) => {
                if settings != SerialChoice::default() {
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
                tcp: None,
                baud: settings.baud,
                data_bits: settings.data_bits,
                parity: settings.parity,
                stop_bits: settings.stop_bits,
                flow: settings.flow,
                dtr_at_open: settings.dtr_at_open,
                rts_at_open: settings.rts_at_open,
            },
            Address::Tcp { host_port } => Written { tcp: Some(host_port), ..Written::default() },
        }
    }
}
