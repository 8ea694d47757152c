//! Where an instrument is, as written in a bench file.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::{
    Flow, Link, LinkError, Parity, SerialChoice, SerialLink, TcpLink, Traced, UsbChoice, UsbTmcLink, ports,
};

/// Where an instrument is. A bench file writes one of
///
/// ```toml
/// link = { serial = "/dev/serial/by-id/…", baud = 115200 }
/// link = { usb = { vendor = "1a86", product = "7523", serial = "ABC" } }
/// link = { identity = "maker,model,serial", ask = ["/dev/ttyUSB*"] }
/// link = { usbtmc = "/dev/usbtmc0" }
/// link = { tcp = "host:port" }
/// ```
///
/// Beside all but the last two may stand `baud`, `data_bits`, `parity` (none, odd, even), `stop_bits`, `flow` (none,
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
    /// The port behind a USB adapter, under whatever number it has when it is opened.
    Usb {
        /// Which adapter.
        usb: UsbChoice,
        /// Line settings, as far as they are given.
        settings: SerialChoice,
    },
    /// The serial port whose instrument says that it is this one. Found by asking, so only ports that the owner of
    /// the bench names are asked.
    Asked {
        /// What it answers to the question who it is, or a part of that.
        identity: String,
        /// Paths that may be asked; `*` in a file name stands for anything.
        ask: Vec<String>,
        /// Ports behind these adapters may be asked as well.
        usb: Option<UsbChoice>,
        /// Line settings, as far as they are given.
        settings: SerialChoice,
    },
    /// A USB test-and-measurement device behind the kernel's driver.
    UsbTmc {
        /// Device path, such as `/dev/usbtmc0`.
        path: String,
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
        let mut address = self.clone();
        match &mut address {
            Address::Serial { settings, .. }
            | Address::Usb { settings, .. }
            | Address::Asked { settings, .. } => *settings = settings.or(usual),
            Address::UsbTmc { .. } | Address::Tcp { .. } => {}
        }
        address
    }

    /// What a person calls the place, without line settings.
    pub fn place(&self) -> String {
        match self {
            Address::Serial { path, .. } | Address::UsbTmc { path } => path.clone(),
            Address::Usb { usb, .. } => usb.to_string(),
            Address::Asked { identity, .. } => format!("whoever is \"{identity}\""),
            Address::Tcp { host_port } => host_port.clone(),
        }
    }

    /// Line settings of a serial port, as far as they are given.
    pub fn settings(&self) -> Option<&SerialChoice> {
        match self {
            Address::Serial { settings, .. }
            | Address::Usb { settings, .. }
            | Address::Asked { settings, .. } => Some(settings),
            Address::UsbTmc { .. } | Address::Tcp { .. } => None,
        }
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (self, self.settings()) {
            (Address::Tcp { host_port }, _) => write!(f, "tcp {host_port}"),
            (_, Some(settings)) => write!(f, "{} at {} baud", self.place(), settings.settings().baud),
            (_, None) => f.write_str(&self.place()),
        }
    }
}

/// Opens the link, with its exchanges logged at trace level.
///
/// # Errors
/// Those of [`SerialLink::open`], [`UsbTmcLink::open`], [`TcpLink::open`] and [`Address::resolved`]; `Open` for an
/// address that is found by asking, which needs somebody who knows messages.
pub fn open(address: &Address) -> Result<Box<dyn Link>, LinkError> {
    Ok(match address {
        Address::Serial { path, settings } => {
            Box::new(Traced::new(SerialLink::open(path, &settings.settings())?))
        }
        Address::Usb { .. } => return open(&address.resolved(&ports())?),
        Address::Asked { .. } => {
            return Err(LinkError::Open {
                port: address.place(),
                reason: "its port was not asked for yet".into(),
                remedy: "name the port itself, by serial or usb".into(),
            });
        }
        Address::UsbTmc { path } => Box::new(Traced::new(UsbTmcLink::open(path)?)),
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
    usbtmc: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    identity: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    ask: Option<Vec<String>>,
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
    // Last: it is written as a table.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    usb: Option<UsbChoice>,
}

impl Written {
    fn settings(&self) -> SerialChoice {
        SerialChoice {
            baud: self.baud,
            data_bits: self.data_bits,
            parity: self.parity,
            stop_bits: self.stop_bits,
            flow: self.flow,
            dtr_at_open: self.dtr_at_open,
            rts_at_open: self.rts_at_open,
        }
    }

    fn with(settings: SerialChoice) -> Written {
        Written {
            baud: settings.baud,
            data_bits: settings.data_bits,
            parity: settings.parity,
            stop_bits: settings.stop_bits,
            flow: settings.flow,
            dtr_at_open: settings.dtr_at_open,
            rts_at_open: settings.rts_at_open,
            ..Written::default()
        }
    }
}

impl TryFrom<Written> for Address {
    type Error = String;

    fn try_from(written: Written) -> Result<Address, String> {
        let settings = written.settings();
        let Written { serial, tcp, usbtmc, identity, ask, usb, .. } = written;
        // `usb` beside `identity` says which ports may be asked.
        let by_usb = usb.is_some() && identity.is_none();
        let given = [
            ("serial", serial.is_some()),
            ("usb", by_usb),
            ("identity", identity.is_some()),
            ("usbtmc", usbtmc.is_some()),
            ("tcp", tcp.is_some()),
        ];
        let given: Vec<&str> = given.into_iter().filter(|(_, is)| *is).map(|(name, _)| name).collect();
        match given.as_slice() {
            [_] => {}
            [] => {
                return Err(
                    "neither serial, usb, identity, usbtmc nor tcp is given: write one of them".into()
                );
            }
            several => return Err(format!("{} are given: keep one", several.join(" and "))),
        }
        if ask.is_some() && identity.is_none() {
            return Err("ask names ports to be asked for an identity: add identity, or remove it".into());
        }
        if tcp.is_none()
            && usbtmc.is_none()
            && let Some((_, words)) = settings.complaint()
        {
            return Err(words);
        }
        if (tcp.is_some() || usbtmc.is_some()) && settings != SerialChoice::default() {
            let beside = if tcp.is_some() { "tcp" } else { "usbtmc" };
            return Err(format!(
                "baud, parity and the like belong to a serial port: remove them beside {beside}"
            ));
        }
        if let Some(path) = serial {
            return Ok(Address::Serial { path, settings });
        }
        if let Some(identity) = identity {
            return asked(identity, ask.unwrap_or_default(), usb, settings);
        }
        if let Some(usb) = usb {
            return Ok(Address::Usb { usb, settings });
        }
        if let Some(path) = usbtmc {
            return Ok(Address::UsbTmc { path });
        }
        let host_port = tcp.unwrap_or_default();
        if !host_port.contains(':') {
            return Err(format!("tcp = \"{host_port}\" has no port number: write host:port"));
        }
        Ok(Address::Tcp { host_port })
    }
}

/// An identity must be some text, and somebody must have said who may be asked.
fn asked(
    identity: String,
    ask: Vec<String>,
    usb: Option<UsbChoice>,
    settings: SerialChoice,
) -> Result<Address, String> {
    if identity.replace(',', "").trim().is_empty() {
        return Err("identity is empty: write what the instrument answers to *IDN?, or a part of it".into());
    }
    if ask.is_empty() && usb.is_none() {
        return Err("identity is found by asking, which can disturb a device: name the ports that may be asked, as in \
                    ask = [\"/dev/ttyUSB*\"], or their adapters by usb"
            .into());
    }
    Ok(Address::Asked { identity, ask, usb, settings })
}

impl From<Address> for Written {
    fn from(address: Address) -> Written {
        match address {
            Address::Serial { path, settings } => Written { serial: Some(path), ..Written::with(settings) },
            Address::Usb { usb, settings } => Written { usb: Some(usb), ..Written::with(settings) },
            Address::Asked { identity, ask, usb, settings } => Written {
                identity: Some(identity),
                ask: (!ask.is_empty()).then_some(ask),
                usb,
                ..Written::with(settings)
            },
            Address::UsbTmc { path } => Written { usbtmc: Some(path), ..Written::default() },
            Address::Tcp { host_port } => Written { tcp: Some(host_port), ..Written::default() },
        }
    }
}
