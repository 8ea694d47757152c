//! Which ports this machine has: serial ports and USB test-and-measurement devices, as sysfs lists them.

use std::fmt;
use std::fs::{canonicalize, read_dir, read_to_string};
use std::path::{Path, PathBuf};

/// How a port is spoken to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PortKind {
    /// A serial port.
    Serial,
    /// A USB test-and-measurement device behind the kernel's driver.
    UsbTmc,
}

/// A port found on this machine.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PortFound {
    /// Device path, such as `/dev/ttyUSB0`.
    pub path: String,
    /// How it is spoken to.
    pub kind: PortKind,
    /// Identity of the USB adapter, when it is one. Survives renumbering of the path.
    pub usb: Option<UsbIdentity>,
    /// Its name under `/dev/serial/by-id`, if it has one: adapter and serial number.
    pub by_id: Option<String>,
    /// Its name under `/dev/serial/by-path`, if it has one: the socket it is plugged into.
    pub by_path: Option<String>,
}

/// What a USB adapter says of itself.
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
    /// Number of the interface, which tells the ports of one device apart.
    pub interface: Option<u8>,
}

impl fmt::Display for PortFound {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.path)?;
        if let Some(usb) = &self.usb {
            write!(f, " (USB {:04x}:{:04x}", usb.vid, usb.pid)?;
            if let Some(serial) = &usb.serial {
                write!(f, ", serial {serial}")?;
            }
            if let Some(interface) = usb.interface {
                write!(f, ", interface {interface}")?;
            }
            f.write_str(")")?;
        }
        Ok(())
    }
}

/// The ports of this machine, sorted by path. Empty when the system lists none.
pub fn ports() -> Vec<PortFound> {
    ports_below(Path::new("/"))
}

/// The ports of the machine whose file system stands below `root`; paths begin with it.
pub fn ports_below(root: &Path) -> Vec<PortFound> {
    let mut ports = Vec::new();
    for (class, kind) in [("tty", PortKind::Serial), ("usbmisc", PortKind::UsbTmc)] {
        // Where the kernel lists none, as in some containers, there are none.
        let Ok(entries) = read_dir(root.join("sys/class").join(class)) else { continue };
        let found = entries.filter_map(|entry| port(root, &entry.ok()?.path(), kind));
        ports.extend(found);
    }
    ports.sort_by_cached_key(|port| counted(&port.path));
    ports
}

/// One entry of a class; none for what is no port of a device.
fn port(root: &Path, entry: &Path, kind: PortKind) -> Option<PortFound> {
    let name = entry.file_name()?.to_str()?;
    // Terminals without a device are the machine's own consoles and pseudo-terminals.
    let device = canonicalize(entry.join("device")).ok()?;
    // The kernel lists sockets of serial chips that are not there: uart type 0 (serial_core.h).
    let absent = read_to_string(entry.join("type")).is_ok_and(|kind| kind.trim() == "0");
    if absent || (kind == PortKind::UsbTmc && !name.starts_with("usbtmc")) {
        return None;
    }
    let path = root.join("dev").join(name);
    path.exists().then_some(())?;
    Some(PortFound {
        kind,
        usb: usb(&device),
        by_id: link_to(root, "by-id", &path),
        by_path: link_to(root, "by-path", &path),
        path: path.to_str()?.to_string(),
    })
}

/// The USB device that a device of the tree belongs to, and the interface on the way.
fn usb(device: &Path) -> Option<UsbIdentity> {
    let text = |folder: &Path, name: &str| {
        let text = read_to_string(folder.join(name)).ok()?;
        Some(text.trim().to_string()).filter(|text| !text.is_empty())
    };
    let hex = |folder: &Path, name: &str| u16::from_str_radix(&text(folder, name)?, 16).ok();
    let whole = device.ancestors().find(|folder| folder.join("idVendor").is_file())?;
    let interface = device
        .ancestors()
        .take_while(|folder| *folder != whole)
        .find_map(|folder| hex(folder, "bInterfaceNumber").and_then(|number| u8::try_from(number).ok()));
    Some(UsbIdentity {
        vid: hex(whole, "idVendor")?,
        pid: hex(whole, "idProduct")?,
        serial: text(whole, "serial"),
        product: text(whole, "product"),
        interface,
    })
}

/// The link that leads to a port from a folder of stable names.
fn link_to(root: &Path, folder: &str, path: &Path) -> Option<String> {
    let port = canonicalize(path).ok()?;
    let mut links: Vec<PathBuf> = read_dir(root.join("dev/serial").join(folder))
        .ok()?
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|link| canonicalize(link).is_ok_and(|to| to == port))
        .collect();
    links.sort();
    links.first()?.to_str().map(str::to_string)
}

/// A path so that its number counts: ttyUSB2 before ttyUSB10.
fn counted(path: &str) -> (String, u64) {
    let name = path.trim_end_matches(|c: char| c.is_ascii_digit());
    let number = path.get(name.len()..).and_then(|digits| digits.parse().ok());
    (name.to_string(), number.unwrap_or(0))
}

/// One sentence naming the ports there are, for an error about one that is not.
pub(crate) fn ports_sentence() -> String {
    sentence(&ports())
}

/// The same for ports that were looked up already.
pub(crate) fn sentence(ports: &[PortFound]) -> String {
    let found: Vec<String> = ports.iter().map(ToString::to_string).collect();
    if found.is_empty() {
        "this machine lists no serial port: plug the adapter in".to_string()
    } else {
        format!("the ports there are: {}", found.join(", "))
    }
}
