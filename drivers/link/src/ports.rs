//! Which serial ports this machine has.

use std::fmt;
use std::path::Path;

use serialport::SerialPortType;

/// A serial port found on this machine.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PortFound {
    /// Device path, such as `/dev/ttyUSB0`.
    pub path: String,
    /// Identity of the USB adapter, when it is one. Survives renumbering of the path.
    pub usb: Option<UsbIdentity>,
}

/// What a USB serial adapter says of itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UsbIdentity {
    /// USB vendor number.
    pub vid: u16,
    /// USB product number.
    pub pid: u16,
    /// Serial number, when it has one.
    pub serial: Option<String>,
    /// Product text, when it has one.
    pub product: Option<String>,
}

impl fmt::Display for PortFound {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.path)?;
        if let Some(usb) = &self.usb {
            write!(f, " (USB {:04x}:{:04x}", usb.vid, usb.pid)?;
            if let Some(serial) = &usb.serial {
                write!(f, ", serial {serial}")?;
            }
            f.write_str(")")?;
        }
        Ok(())
    }
}

/// The serial ports of this machine, sorted by path. Empty when the system lists none.
pub fn ports() -> Vec<PortFound> {
    // The enumerator panics where the kernel lists no terminals, as in some containers.
    if !Path::new("/sys/class/tty").is_dir() {
        return Vec::new();
    }
    let found = match serialport::available_ports() {
        Ok(found) => found,
        Err(error) => {
            tracing::warn!(%error, "the serial ports could not be listed");
            Vec::new()
        }
    };
    let mut ports: Vec<PortFound> = found
        .into_iter()
        .map(|info| PortFound {
            path: info.port_name,
            usb: match info.port_type {
                SerialPortType::UsbPort(usb) => Some(UsbIdentity {
                    vid: usb.vid,
                    pid: usb.pid,
                    serial: usb.serial_number,
                    product: usb.product,
                }),
                _ => None,
            },
        })
        .collect();
    ports.sort_by(|a, b| a.path.cmp(&b.path));
    ports
}

/// One sentence naming the ports there are, for an error about one that is not.
pub(crate) fn ports_sentence() -> String {
    let found: Vec<String> = ports().iter().map(ToString::to_string).collect();
    if found.is_empty() {
        "this machine lists no serial port: plug the adapter in".to_string()
    } else {
        format!("the ports there are: {}", found.join(", "))
    }
}
