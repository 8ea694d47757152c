//! One port of the list, and what was found on it.

use std::fmt;

use serde::Serialize;
use wattproof_guardian::held_by;
use wattproof_instruments::{Heard, Sureness};
use wattproof_link::{Address, PortFound, PortKind, SerialChoice, UsbChoice};

use crate::failure::Failure;
use crate::machine::Machine;

/// A port.
#[derive(Debug, Serialize)]
pub struct Row {
    /// Its path today, or host:port.
    pub port: String,
    /// serial, usbtmc or tcp.
    pub kind: &'static str,
    /// The adapter's numbers.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub usb: Option<Usb>,
    /// Its name under /dev/serial/by-id.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by_id: Option<String>,
    /// Its name under /dev/serial/by-path.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by_path: Option<String>,
    /// How a bench file should name it.
    pub link: Address,
    /// Who holds it, as far as this user may see.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub held_by: Option<String>,
    /// Whether a person ordered it to be asked.
    pub asked: bool,
    /// Who answered.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub found: Option<Found>,
    /// Bytes that came, but told nobody's identity.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub heard: Option<String>,
    /// Why it could not be asked.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub error: Option<String>,
}

/// The numbers of a USB adapter.
#[derive(Debug, Serialize)]
pub struct Usb {
    vendor: String,
    product: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    serial: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    interface: Option<u8>,
    #[serde(skip_serializing_if = "Option::is_none")]
    text: Option<String>,
}

/// Who answered.
#[derive(Debug, Serialize)]
pub struct Found {
    /// What it answered.
    pub identity: String,
    /// To which question.
    pub question: String,
    /// At which rate; none where there is no line.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub baud: Option<u32>,
    /// What it may be, the likeliest first.
    pub proposals: Vec<Proposed>,
}

/// A role and a dialect that may fit.
#[derive(Debug, Clone, Serialize)]
pub struct Proposed {
    /// Word of the role.
    pub role: &'static str,
    /// The dialect, as a bench file names it.
    pub dialect: String,
    /// sure, likely or unsure.
    pub sureness: &'static str,
    /// Questions of the role that were answered.
    pub answered: usize,
    /// Questions that were asked.
    pub asked: usize,
}

impl Row {
    /// Takes over what was heard.
    pub fn take(&mut self, heard: Heard) {
        match heard {
            Heard::Nothing => {}
            Heard::Something(text) => self.heard = Some(text),
            Heard::Somebody(who) => {
                let proposed = |one: wattproof_instruments::Proposal| Proposed {
                    role: one.role.word(),
                    dialect: one.dialect,
                    sureness: one.sureness.word(),
                    answered: one.answered,
                    asked: one.asked,
                };
                self.found = Some(Found {
                    identity: who.identity,
                    question: who.question,
                    baud: (self.kind == "serial").then_some(who.line.baud),
                    proposals: who.proposals.into_iter().map(proposed).collect(),
                });
            }
        }
    }

    /// The likeliest role and dialect; none where nothing fits well enough to be written down.
    pub fn likeliest(&self) -> Option<&Proposed> {
        let best = self.found.as_ref()?.proposals.first()?;
        (best.sureness != Sureness::Unsure.word()).then_some(best)
    }

    /// Whether it was to be asked and was not.
    pub fn failed(&self) -> bool {
        self.asked && self.error.is_some()
    }

    fn of(port: &PortFound, all: &[PortFound]) -> Row {
        let usb = port.usb.as_ref().map(|usb| Usb {
            vendor: format!("{:04x}", usb.vid),
            product: format!("{:04x}", usb.pid),
            serial: usb.serial.clone(),
            interface: usb.interface,
            text: usb.product.clone(),
        });
        let kind = match port.kind {
            PortKind::Serial => "serial",
            PortKind::UsbTmc => "usbtmc",
        };
        Row {
            usb,
            kind,
            by_id: port.by_id.clone(),
            by_path: port.by_path.clone(),
            link: stable(port, all),
            ..Row::bare(port.path.clone(), kind, Address::UsbTmc { path: port.path.clone() })
        }
    }

    fn bare(port: String, kind: &'static str, link: Address) -> Row {
        Row {
            port,
            kind,
            usb: None,
            by_id: None,
            by_path: None,
            link,
            held_by: None,
            asked: false,
            found: None,
            heard: None,
            error: None,
        }
    }
}

/// The name that a port keeps under another number: its adapter's serial number, else its socket, else none.
fn stable(port: &PortFound, all: &[PortFound]) -> Address {
    let settings = SerialChoice::default();
    if let Some(usb) = port.usb.as_ref().filter(|usb| usb.serial.is_some()) {
        let mut choice =
            UsbChoice { vendor: usb.vid, product: usb.pid, serial: usb.serial.clone(), interface: None };
        let alone = |choice: &UsbChoice| all.iter().filter(|port| choice.fits(port)).count() == 1;
        if !alone(&choice) {
            choice.interface = usb.interface;
        }
        if alone(&choice) {
            return Address::Usb { usb: choice, settings };
        }
    }
    match port.kind {
        PortKind::UsbTmc => Address::UsbTmc { path: port.path.clone() },
        PortKind::Serial => {
            Address::Serial { path: port.by_path.as_ref().unwrap_or(&port.path).clone(), settings }
        }
    }
}

/// Every port that the machine lists. Nothing is opened.
pub fn rows(machine: &Machine) -> Vec<Row> {
    let ports = machine.ports();
    let mut rows: Vec<Row> = ports.iter().map(|port| Row::of(port, &ports)).collect();
    for (row, port) in rows.iter_mut().zip(&ports) {
        row.held_by = holder(machine, &port.path);
    }
    rows
}

/// Who holds a port: what a program of this kind says of itself goes before its bare name.
fn holder(machine: &Machine, path: &str) -> Option<String> {
    let there = machine.path(path);
    let real = std::fs::canonicalize(&there).unwrap_or(there);
    held_by(&real).or_else(|| machine.holder(&real))
}

/// Orders a port to be asked; one that the machine does not list, such as a pseudo-terminal, gets a row of its own.
pub fn mark(machine: &Machine, rows: &mut Vec<Row>, address: Address) -> Result<(), Failure> {
    let address = address.resolved(&machine.ports()).map_err(|error| Failure::Said(error.to_string()))?;
    let place = address.place();
    let device = std::fs::canonicalize(&place).ok();
    let same = |row: &&mut Row| {
        row.port == place || device.is_some() && std::fs::canonicalize(&row.port).ok() == device
    };
    if let Some(row) = rows.iter_mut().find(same) {
        row.asked = true;
        return Ok(());
    }
    let kind = match address {
        Address::Serial { .. } => "serial",
        Address::UsbTmc { .. } => "usbtmc",
        Address::Tcp { .. } => "tcp",
        Address::Usb { .. } | Address::Asked { .. } => {
            return Err(Failure::Said(format!("{place}: name a port to ask on, not who is to be found")));
        }
    };
    let held_by = holder(machine, &place);
    rows.push(Row { asked: true, held_by, ..Row::bare(place, kind, address) });
    Ok(())
}

impl fmt::Display for Row {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.port)?;
        if let Some(usb) = &self.usb {
            write!(f, "  USB {}:{}", usb.vendor, usb.product)?;
            if let Some(text) = &usb.text {
                write!(f, " \"{text}\"")?;
            }
            match &usb.serial {
                Some(serial) => write!(f, ", serial {serial}")?,
                None => write!(f, ", no serial number")?,
            }
            if let Some(interface) = usb.interface {
                write!(f, ", interface {interface}")?;
            }
        }
        for (what, path) in [("by-id", &self.by_id), ("by-path", &self.by_path)] {
            if let Some(path) = path {
                write!(f, "\n    {what}: {path}")?;
            }
        }
        if let Some(holder) = &self.held_by {
            write!(f, "\n    held by {holder}")?;
        }
        if let Some(error) = &self.error {
            return write!(f, "\n    not asked: {error}");
        }
        if let Some(found) = &self.found {
            write!(f, "\n    {} answers \"{}\"", found.question, found.identity)?;
            if let Some(baud) = found.baud {
                write!(f, " at {baud} baud")?;
            }
            for one in &found.proposals {
                write!(
                    f,
                    "\n    {}: {}, dialect {} ({} of {} questions answered)",
                    one.sureness, one.role, one.dialect, one.answered, one.asked
                )?;
            }
            if found.proposals.is_empty() {
                write!(
                    f,
                    "\n    no dialect fits: write one, `wattproof dialect template` prints one to start from"
                )?;
            }
        } else if let Some(text) = &self.heard {
            write!(f, "\n    something came that tells nobody's identity: \"{text}\"")?;
        } else if self.asked {
            write!(f, "\n    nobody answers: check power, cable, and the rate it shows (--baud)")?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::fake::Fake;

    #[test]
    fn a_port_is_named_so_that_it_is_found_again() {
        // Laid out as sysfs does (kernel documentation, sysfs-bus-usb); the adapters are invented.
        let mut files = Vec::new();
        for (socket, serial) in [("1-1", "A\n"), ("1-2", "B\n"), ("1-3", "")] {
            let whole = format!("/sys/devices/{socket}");
            files.push((format!("{whole}/idVendor"), "1209\n".to_string()));
            files.push((format!("{whole}/idProduct"), "0001\n".to_string()));
            files.push((format!("{whole}/serial"), serial.to_string()));
        }
        let ports =
            [("1-1", 0, "ttyUSB0"), ("1-1", 1, "ttyUSB1"), ("1-2", 0, "ttyUSB2"), ("1-3", 0, "ttyUSB3")];
        for (socket, number, name) in ports {
            files.push((
                format!("/sys/devices/{socket}/{socket}:1.{number}/bInterfaceNumber"),
                format!("{number:02}\n"),
            ));
            files.push((format!("/sys/class/tty/{name}/dev"), String::new()));
            files.push((format!("/dev/{name}"), String::new()));
        }
        let given: Vec<(&str, &str)> =
            files.iter().map(|(path, text)| (path.as_str(), text.as_str())).collect();
        let fake = Fake::with(&given);
        for (socket, number, name) in ports {
            let device = fake.machine.path(format!("/sys/devices/{socket}/{socket}:1.{number}"));
            fake.link(&format!("/sys/class/tty/{name}/device"), device);
        }
        fake.link("/dev/serial/by-path/socket-3", "../../ttyUSB3");
        let links: Vec<String> = rows(&fake.machine).iter().map(|row| row.link.place()).collect();
        assert_eq!(
            links,
            [
                "USB 1209:0001, serial A, interface 0",
                "USB 1209:0001, serial A, interface 1",
                "USB 1209:0001, serial B",
                "/dev/serial/by-path/socket-3"
            ]
        );
    }
}
