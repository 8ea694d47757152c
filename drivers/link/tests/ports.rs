//! Finding ports by what their adapters say of themselves.
//!
//! The tree below each root is laid out as sysfs lays it out (kernel documentation, sysfs-bus-usb and
//! sysfs-class-tty; by-id and by-path as udev's 60-serial.rules makes them); all adapters are invented.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

use std::fs;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};

use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use wattproof_link::{Address, PortKind, ports_below};

struct Machine(tempfile::TempDir);

impl Machine {
    fn new() -> Machine {
        Machine(tempfile::tempdir().unwrap())
    }

    fn path(&self, path: &str) -> PathBuf {
        self.0.path().join(path)
    }

    fn write(&self, path: &str, text: &str) {
        let path = self.path(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, format!("{text}\n")).unwrap();
    }

    fn link(&self, path: &str, to: impl AsRef<Path>) {
        let path = self.path(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        symlink(to, path).unwrap();
    }

    /// An adapter in a socket of the first bus, with the interfaces and port names it has there.
    fn adapter(&self, socket: &str, vendor: &str, product: &str, serial: Option<&str>, names: &[(u8, &str)]) {
        let whole = format!("sys/devices/pci0/usb1/{socket}");
        self.write(&format!("{whole}/idVendor"), vendor);
        self.write(&format!("{whole}/idProduct"), product);
        if let Some(serial) = serial {
            self.write(&format!("{whole}/serial"), serial);
        }
        for (interface, name) in names {
            let part = format!("{whole}/{socket}:1.{interface}");
            self.write(&format!("{part}/bInterfaceNumber"), &format!("{interface:02x}"));
            let (class, device) = if name.starts_with("usbtmc") {
                (format!("{part}/usbmisc/{name}"), part)
            } else {
                (format!("{part}/{name}/tty/{name}"), format!("{part}/{name}"))
            };
            fs::create_dir_all(self.path(&class)).unwrap();
            symlink(self.path(&device), self.path(&class).join("device")).unwrap();
            let kind = if name.starts_with("usbtmc") { "usbmisc" } else { "tty" };
            self.link(&format!("sys/class/{kind}/{name}"), self.path(&class));
            self.write(&format!("dev/{name}"), "");
            if let Some(serial) = serial {
                let id = format!("dev/serial/by-id/usb-Invented_{serial}-if{interface:02}");
                self.link(&id, format!("../../{name}"));
            }
            self.link(&format!("dev/serial/by-path/pci-usb-{socket}:1.{interface}"), format!("../../{name}"));
        }
    }

    fn resolved(&self, link: &str) -> Result<String, String> {
        #[derive(serde::Deserialize)]
        struct File {
            link: Address,
        }
        let file: File = toml::from_str(&format!("link = {link}")).unwrap();
        let found = file.link.resolved(&ports_below(self.0.path())).map_err(|error| error.to_string())?;
        let place = found.place();
        Ok(place.strip_prefix(self.0.path().join("dev/").to_str().unwrap()).unwrap_or(&place).to_string())
    }
}

#[test]
fn ports_are_listed_with_their_adapters_and_stable_names() {
    let machine = Machine::new();
    machine.adapter("1-1", "1209", "0001", Some("A1"), &[(0, "ttyUSB10")]);
    machine.adapter("1-2", "1209", "0001", Some("B2"), &[(0, "ttyUSB2"), (1, "ttyUSB3")]);
    machine.adapter("1-3", "1209", "0002", Some("T"), &[(0, "usbtmc0")]);
    // A uart that the kernel lists though no chip is there, one that is there, and a console.
    for (name, kind) in [("ttyS0", "0"), ("ttyS1", "4")] {
        machine.write(&format!("sys/devices/pnp0/{name}/type"), kind);
        fs::create_dir_all(machine.path("sys/devices/pnp0/chip")).unwrap();
        machine.link(&format!("sys/devices/pnp0/{name}/device"), machine.path("sys/devices/pnp0/chip"));
        machine.link(&format!("sys/class/tty/{name}"), machine.path(&format!("sys/devices/pnp0/{name}")));
        machine.write(&format!("dev/{name}"), "");
    }
    machine.write("sys/class/tty/tty0/dev", "4:0");
    let ports = ports_below(machine.0.path());
    let names: Vec<&str> = ports.iter().map(|port| port.path.rsplit('/').next().unwrap()).collect();
    assert_eq!(names, ["ttyS1", "ttyUSB2", "ttyUSB3", "ttyUSB10", "usbtmc0"]);
    let usb = ports[2].usb.as_ref().unwrap();
    assert_eq!((usb.vid, usb.pid, usb.interface), (0x1209, 1, Some(1)));
    assert_eq!(usb.serial.as_deref(), Some("B2"));
    assert!(ports[2].by_id.as_ref().unwrap().ends_with("usb-Invented_B2-if01"), "{:?}", ports[2]);
    assert!(ports[2].by_path.as_ref().unwrap().ends_with("pci-usb-1-2:1.1"));
    assert_eq!((ports[0].usb.clone(), ports[0].by_id.clone()), (None, None));
    assert_eq!((ports[4].kind, ports[0].kind), (PortKind::UsbTmc, PortKind::Serial));
    assert!(ports[2].to_string().contains("1209:0001, serial B2, interface 1"), "{}", ports[2]);
}

#[test]
fn an_adapter_is_found_under_whatever_number_it_has() {
    let link = "{ usb = { vendor = \"1209\", product = \"0001\", serial = \"A1\" }, baud = 9600 }";
    let before = Machine::new();
    before.adapter("1-1", "1209", "0001", Some("A1"), &[(0, "ttyUSB0")]);
    before.adapter("1-2", "1209", "0001", Some("B2"), &[(0, "ttyUSB1")]);
    assert_eq!(before.resolved(link).unwrap(), "ttyUSB0");
    let after = Machine::new();
    after.adapter("1-1", "1209", "0001", Some("B2"), &[(0, "ttyUSB0")]);
    after.adapter("1-7", "1209", "0001", Some("A1"), &[(0, "ttyUSB4")]);
    assert_eq!(after.resolved(link).unwrap(), "ttyUSB4");
    after.adapter("1-8", "1209", "0009", Some("T"), &[(0, "usbtmc3")]);
    assert_eq!(after.resolved("{ usb = { vendor = \"0x1209\", product = \"9\" } }").unwrap(), "usbtmc3");
}

/// The adapter's cable ends in a pseudo-terminal, under another number each time; the link is the same.
#[test]
fn a_replugged_cable_is_opened_again_by_the_same_link() {
    let link = "{ usb = { vendor = \"1209\", product = \"0001\", serial = \"A1\" } }";
    for (name, message) in [("ttyUSB0", &b"first\n"[..]), ("ttyUSB3", &b"again\n"[..])] {
        let machine = Machine::new();
        machine.adapter("1-1", "1209", "0001", Some("A1"), &[(0, name)]);
        let far = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&far).unwrap();
        unlockpt(&far).unwrap();
        let near = ptsname(&far, Vec::new()).unwrap().into_string().unwrap();
        fs::remove_file(machine.path(&format!("dev/{name}"))).unwrap();
        machine.link(&format!("dev/{name}"), near);
        assert_eq!(machine.resolved(link).unwrap(), name);
        let address = Address::Serial {
            path: machine.path(&format!("dev/{name}")).to_str().unwrap().into(),
            settings: wattproof_link::SerialChoice::default(),
        };
        let mut open = wattproof_link::open(&address).unwrap();
        open.send(message, std::time::Duration::from_secs(20)).unwrap();
        let mut heard = [0u8; 64];
        let count = rustix::io::read(&far, &mut heard).unwrap();
        assert_eq!(&heard[..count], message);
    }
}

#[test]
fn none_or_several_are_told_with_what_was_found_and_what_to_write() {
    let machine = Machine::new();
    machine.adapter("1-1", "1209", "0001", Some("A1"), &[(0, "ttyUSB0"), (1, "ttyUSB1")]);
    machine.adapter("1-2", "1209", "0001", Some("B2"), &[(0, "ttyUSB2")]);
    machine.adapter("1-3", "1209", "0007", None, &[(0, "ttyUSB3")]);
    machine.adapter("1-4", "1209", "0007", None, &[(0, "ttyUSB4")]);
    let told = |usb: &str, words: &[&str]| {
        let told = machine.resolved(&format!("{{ usb = {{ {usb} }} }}")).unwrap_err();
        words.iter().for_each(|word| assert!(told.contains(word), "no {word:?} in: {told}"));
    };
    told("vendor = \"1209\", product = \"0003\"", &["1209:0003", "no port", "ttyUSB2", "B2"]);
    told("vendor = \"1209\", product = \"0001\", serial = \"C3\"", &["serial C3", "no port"]);
    told("vendor = \"1209\", product = \"0001\", serial = \"A1\"", &["2 ports", "ttyUSB1", "add interface"]);
    told("vendor = \"1209\", product = \"0007\"", &["ttyUSB3", "ttyUSB4", "by-path", "identity"]);
    let one = "vendor = \"1209\", product = \"0001\", serial = \"A1\", interface = 1";
    assert_eq!(machine.resolved(&format!("{{ usb = {{ {one} }} }}")).unwrap(), "ttyUSB1");
    let empty = Machine::new();
    assert!(
        empty.resolved(&format!("{{ usb = {{ {one} }} }}")).unwrap_err().contains("lists no serial port")
    );
}

#[test]
fn only_ports_that_are_named_may_be_asked() {
    let machine = Machine::new();
    machine.adapter("1-1", "1209", "0001", None, &[(0, "ttyUSB0"), (1, "ttyUSB1")]);
    machine.adapter("1-2", "1209", "0002", Some("B2"), &[(0, "ttyUSB2")]);
    machine.adapter("1-3", "1209", "0001", None, &[(0, "usbtmc0")]);
    let ports = ports_below(machine.0.path());
    let asked = |ask: &[&str], usb: bool| {
        let usb = usb.then(|| toml::from_str("vendor = \"1209\"\nproduct = \"0001\"").unwrap());
        let ask = ask.iter().map(|name| machine.path(&format!("dev/{name}")).to_str().unwrap().into());
        let settings = wattproof_link::SerialChoice::default();
        let address = Address::Asked { identity: "x".into(), ask: ask.collect(), usb, settings };
        let paths = address.may_ask(&ports).into_iter();
        paths.map(|path| path.rsplit('/').next().unwrap().to_string()).collect::<Vec<_>>()
    };
    assert_eq!(asked(&["ttyUSB*"], false), ["ttyUSB0", "ttyUSB1", "ttyUSB2"]);
    assert_eq!(asked(&["ttyUSB2"], true), ["ttyUSB2", "ttyUSB0", "ttyUSB1"]);
    assert!(asked(&["ttyACM*"], false).is_empty());
}

#[test]
fn links_come_back_as_they_were_written() {
    #[derive(serde::Serialize, serde::Deserialize)]
    struct File {
        link: Address,
    }
    for link in [
        "{ serial = \"/dev/ttyUSB0\", baud = 9600 }",
        "{ baud = 9600, usb = { vendor = \"1a86\", product = \"7523\", serial = \"ABC\", interface = 2 } }",
        "{ identity = \"Invented,Load\", ask = [\"/dev/ttyUSB*\"], usb = { vendor = \"0001\", product = \"00ff\" } }",
        "{ usbtmc = \"/dev/usbtmc0\" }",
        "{ tcp = \"bench:5025\" }",
    ] {
        let file: File = toml::from_str(&format!("link = {link}")).unwrap();
        let again: File = toml::from_str(&toml::to_string(&file).unwrap()).unwrap();
        assert_eq!(again.link, file.link, "{link}");
    }
    for (link, word) in [
        ("{ identity = \"x\" }", "ask = ["),
        ("{ identity = \" , \", ask = [\"a\"] }", "identity is empty"),
        ("{ serial = \"a\", ask = [\"b\"] }", "ask names ports"),
        ("{ serial = \"a\", usb = { vendor = \"1\", product = \"2\" } }", "keep one"),
        ("{ usb = { vendor = \"12345\", product = \"2\" } }", "four hexadecimal digits"),
        ("{ usb = { vendor = \"+12\", product = \"2\" } }", "four hexadecimal digits"),
        ("{ usb = { vendor = \"1\" } }", "product"),
        ("{ usbtmc = \"/dev/usbtmc0\", baud = 9600 }", "usbtmc"),
        ("{ usb = { vendor = \"1\", product = \"2\" }, baud = 0 }", "baud"),
    ] {
        let told = toml::from_str::<File>(&format!("link = {link}")).err().unwrap().to_string();
        assert!(told.contains(word), "{link}: {told}");
    }
}
