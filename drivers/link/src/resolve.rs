//! From the name that a bench file gives a link to the port behind it today.

use std::path::Path;

use crate::ports::sentence;
use crate::{Address, LinkError, PortFound, PortKind, UsbChoice};

impl Address {
    /// The same with the port's own path in place of a USB adapter's numbers. What is no such name stays as it is;
    /// what is found by asking stays too, for whoever knows messages.
    ///
    /// # Errors
    /// `Open` when no port, or more than one, is behind such an adapter; it lists what was found and what to write.
    pub fn resolved(&self, ports: &[PortFound]) -> Result<Address, LinkError> {
        let Address::Usb { usb, settings } = self else { return Ok(self.clone()) };
        let fitting: Vec<&PortFound> = ports.iter().filter(|port| usb.fits(port)).collect();
        match fitting.as_slice() {
            [] => Err(none(usb, ports)),
            [one] => match one.kind {
                PortKind::Serial => Ok(Address::Serial { path: one.path.clone(), settings: *settings }),
                PortKind::UsbTmc => Ok(Address::UsbTmc { path: one.path.clone() }),
            },
            several => Err(ambiguous(usb, several)),
        }
    }

    /// The ports that may be asked for an identity, in order: those named, `*` in a file name standing for anything,
    /// and those behind the adapters named. Empty for an address that is not found by asking.
    pub fn may_ask(&self, ports: &[PortFound]) -> Vec<String> {
        let Address::Asked { ask, usb, .. } = self else { return Vec::new() };
        let mut paths: Vec<String> = ask.iter().flat_map(|pattern| expanded(pattern)).collect();
        // A message class that keeps a question waiting is not asked unnamed.
        let serial = ports.iter().filter(|port| port.kind == PortKind::Serial);
        let fitting = serial.filter(|port| usb.as_ref().is_some_and(|usb| usb.fits(port)));
        paths.extend(fitting.map(|port| port.path.clone()));
        let mut once: Vec<String> = Vec::new();
        for path in paths {
            if !once.contains(&path) {
                once.push(path);
            }
        }
        once
    }
}

fn none(usb: &UsbChoice, ports: &[PortFound]) -> LinkError {
    LinkError::Open {
        port: usb.to_string(),
        reason: "no port is behind such an adapter".into(),
        remedy: format!(
            "{}; plug it in, or write what `wattproof instruments` shows for it",
            sentence(ports)
        ),
    }
}

fn ambiguous(usb: &UsbChoice, several: &[&PortFound]) -> LinkError {
    let serials: Vec<_> =
        several.iter().map(|port| port.usb.as_ref().and_then(|usb| usb.serial.clone())).collect();
    let interfaces: Vec<_> =
        several.iter().map(|port| port.usb.as_ref().and_then(|usb| usb.interface)).collect();
    let remedy = if differ(&serials) {
        "add serial = \"…\" to usb"
    } else if differ(&interfaces) {
        "add interface = N to usb"
    } else {
        "they can't be told apart by their adapters: name the socket by serial = \"/dev/serial/by-path/…\", or add \
         identity = \"…\" beside usb, so that each is asked who it is"
    };
    let found: Vec<String> = several.iter().map(ToString::to_string).collect();
    LinkError::Open {
        port: usb.to_string(),
        reason: format!("{} ports are behind such adapters: {}", several.len(), found.join(", ")),
        remedy: remedy.into(),
    }
}

/// Whether every value is there and no two are the same.
fn differ<T: PartialEq>(values: &[Option<T>]) -> bool {
    values
        .iter()
        .enumerate()
        .all(|(index, value)| value.is_some() && values.iter().skip(index + 1).all(|other| other != value))
}

/// Paths that a pattern stands for, sorted; a path without `*` stands for itself.
fn expanded(pattern: &str) -> Vec<String> {
    let path = Path::new(pattern);
    let (Some(folder), Some(name)) = (path.parent(), path.file_name().and_then(|name| name.to_str())) else {
        return vec![pattern.to_string()];
    };
    if !name.contains('*') {
        return vec![pattern.to_string()];
    }
    let entries = std::fs::read_dir(folder).into_iter().flatten().filter_map(Result::ok);
    let mut found: Vec<String> = entries
        .filter(|entry| entry.file_name().to_str().is_some_and(|file| matches(name, file)))
        .filter_map(|entry| entry.path().to_str().map(str::to_string))
        .collect();
    found.sort();
    found
}

/// Whether a name fits a pattern in which `*` stands for any number of characters.
fn matches(pattern: &str, name: &str) -> bool {
    let mut pieces = pattern.split('*');
    let Some(mut rest) = pieces.next().and_then(|first| name.strip_prefix(first)) else { return false };
    let pieces: Vec<&str> = pieces.collect();
    let Some((last, middle)) = pieces.split_last() else { return rest.is_empty() };
    for piece in middle {
        match rest.find(piece) {
            Some(at) => rest = rest.get(at + piece.len()..).unwrap_or_default(),
            None => return false,
        }
    }
    rest.ends_with(last)
}

#[cfg(test)]
mod tests {
    use super::matches;

    #[test]
    fn a_star_stands_for_anything() {
        // Common practice of shells.
        for (pattern, name, fits) in [
            ("ttyUSB*", "ttyUSB10", true),
            ("ttyUSB*", "ttyACM0", false),
            ("*-if00", "usb-x-if00", true),
            ("a*b*c", "a-b-b-c", true),
            ("a*b*c", "a-c-b", false),
            ("ab*ba", "aba", false),
            ("plain", "plain", true),
            ("plain", "plainer", false),
        ] {
            assert_eq!(matches(pattern, name), fits, "{pattern} {name}");
        }
    }
}
