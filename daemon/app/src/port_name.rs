//! A port as a person types it: a path, host:port, or a link as in a bench file.

use std::path::Path;

use serde::Deserialize;
use wattproof_link::{Address, SerialChoice};

use crate::failure::Failure;

/// The link that a typed port means.
pub fn port_named(text: &str) -> Result<Address, Failure> {
    #[derive(Deserialize)]
    struct Written {
        link: Address,
    }
    if text.trim_start().starts_with('{') {
        let written: Written = toml::from_str(&format!("link = {text}")).map_err(|error| {
            Failure::Said(format!("{text}: {}; write it as in a bench file", error.message()))
        })?;
        return Ok(written.link);
    }
    let in_dev = Path::new("/dev").join(text);
    let path = match text {
        text if text.starts_with('/') || Path::new(text).exists() => text.to_string(),
        _ if in_dev.exists() => in_dev.display().to_string(),
        text if text.contains(':') => return Ok(Address::Tcp { host_port: text.into() }),
        _ => {
            return Err(Failure::Said(format!(
                "{text}: no such port; `wattproof instruments` lists those there are, and host:port names one on the \
                 network"
            )));
        }
    };
    let name = Path::new(&path).file_name().and_then(|name| name.to_str()).unwrap_or_default();
    Ok(if name.starts_with("usbtmc") {
        Address::UsbTmc { path }
    } else {
        Address::Serial { path, settings: SerialChoice::default() }
    })
}

/// The same at a baud rate, where one is asked for.
pub fn at_baud(mut address: Address, baud: Option<u32>) -> Address {
    if let (
        Some(_),
        Address::Serial { settings, .. } | Address::Usb { settings, .. } | Address::Asked { settings, .. },
    ) = (baud, &mut address)
    {
        settings.baud = baud;
    }
    address
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ports_are_named_by_path_host_or_link() {
        // Project definition.
        let named = |text: &str| port_named(text).unwrap().to_string();
        assert_eq!(named("/dev/ttyUSB9"), "/dev/ttyUSB9 at 115200 baud");
        assert_eq!(named("null"), "/dev/null at 115200 baud");
        assert_eq!(named("bench:5025"), "tcp bench:5025");
        assert_eq!(named("/dev/usbtmc0"), "/dev/usbtmc0");
        let usb = "{ usb = { vendor = \"1209\", product = \"0001\" }, baud = 9600 }";
        assert_eq!(at_baud(port_named(usb).unwrap(), Some(2400)).to_string(), "USB 1209:0001 at 2400 baud");
        let told = port_named("ttyNOSUCH").unwrap_err().to_string();
        assert!(told.contains("wattproof instruments"), "{told}");
        assert!(port_named("{ usb = 1 }").is_err());
    }
}
