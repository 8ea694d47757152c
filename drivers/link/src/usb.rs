//! Naming a USB adapter by what it says of itself, so that its port is found under whatever number it has today.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::PortFound;

/// Which USB adapter: `{ vendor = "1a86", product = "7523", serial = "ABC", interface = 0 }`.
///
/// Vendor and product are the four hexadecimal digits that `wattproof instruments` shows; `serial` and `interface`
/// (where one device has several ports) may be left out where nothing else fits.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "Written", into = "Written")]
pub struct UsbChoice {
    /// USB vendor number.
    pub vendor: u16,
    /// USB product number.
    pub product: u16,
    /// Serial number, letter for letter. None takes any.
    pub serial: Option<String>,
    /// Number of the interface, for a device with several ports. None takes any.
    pub interface: Option<u8>,
}

impl UsbChoice {
    /// Whether a port is behind such an adapter.
    pub fn fits(&self, port: &PortFound) -> bool {
        port.usb.as_ref().is_some_and(|usb| {
            (usb.vid, usb.pid) == (self.vendor, self.product)
                && self.serial.as_ref().is_none_or(|serial| usb.serial.as_ref() == Some(serial))
                && self.interface.is_none_or(|interface| usb.interface == Some(interface))
        })
    }
}

impl fmt::Display for UsbChoice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "USB {:04x}:{:04x}", self.vendor, self.product)?;
        if let Some(serial) = &self.serial {
            write!(f, ", serial {serial}")?;
        }
        if let Some(interface) = self.interface {
            write!(f, ", interface {interface}")?;
        }
        Ok(())
    }
}

/// As a person writes it.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    vendor: String,
    product: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    serial: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    interface: Option<u8>,
}

impl TryFrom<Written> for UsbChoice {
    type Error = String;

    fn try_from(written: Written) -> Result<UsbChoice, String> {
        let number = |name: &str, text: &str| {
            let digits = text.strip_prefix("0x").unwrap_or(text);
            let fits = (1..=4).contains(&digits.len()) && digits.bytes().all(|b| b.is_ascii_hexdigit());
            let number = u16::from_str_radix(digits, 16).ok().filter(|_| fits);
            number.ok_or_else(|| {
                format!("{name} = \"{text}\": write the four hexadecimal digits that `wattproof instruments` shows")
            })
        };
        let (vendor, product) = (number("vendor", &written.vendor)?, number("product", &written.product)?);
        Ok(UsbChoice { vendor, product, serial: written.serial, interface: written.interface })
    }
}

impl From<UsbChoice> for Written {
    fn from(choice: UsbChoice) -> Written {
        Written {
            vendor: format!("{:04x}", choice.vendor),
            product: format!("{:04x}", choice.product),
            serial: choice.serial,
            interface: choice.interface,
        }
    }
}
