//! Fault 5: opening a serial port raises DTR, closing it drops DTR (HUPCL), and some instruments restart on either edge.
//! tty_ioctl(4) and termios(3) tell when lines move; a pseudo-terminal has none, so that the link here plays the edge:
//! the instrument behind it restarts when it is opened, hears nothing while it boots, and says something unasked.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod bench;

use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;

use bench::Served;
use wattproof_bench::{Bench, BenchError, BenchFile, Extras, Parts};
use wattproof_guard::State;
use wattproof_link::{Address, Canceller, Link, LinkError};

/// How long an instrument boots.
const BOOT: Duration = Duration::from_millis(400);

/// A port whose DTR rises when it is opened.
struct RisingLine {
    inner: Box<dyn Link>,
    banner: &'static [u8],
}

impl RisingLine {
    fn boots(&self) -> bool {
        self.inner.now() < BOOT
    }
}

impl Link for RisingLine {
    fn label(&self) -> &str {
        self.inner.label()
    }
    fn now(&self) -> Duration {
        self.inner.now()
    }
    fn send(&mut self, bytes: &[u8], deadline: Duration) -> Result<(), LinkError> {
        if self.boots() { Ok(()) } else { self.inner.send(bytes, deadline) }
    }
    fn receive(&mut self, buf: &mut [u8], deadline: Duration) -> Result<usize, LinkError> {
        if self.boots() {
            return self.inner.receive(buf, deadline.min(BOOT));
        }
        let banner = std::mem::take(&mut self.banner);
        if banner.is_empty() {
            return self.inner.receive(buf, deadline);
        }
        buf[..banner.len()].copy_from_slice(banner);
        Ok(banner.len())
    }
    fn canceller(&self) -> Canceller {
        self.inner.canceller()
    }
}

/// What the edge makes of an instrument that comes up as it was left, output on.
fn restart_live(port: &Path) {
    let mut port = std::fs::File::options().write(true).open(port).unwrap();
    port.write_all(b"\n*RST;:VOLT 12;:OUTP ON\n").unwrap();
}

fn opened(served: &Served) -> Result<Bench, BenchError> {
    let supply: PathBuf = served.port("supply");
    let opens = move |address: &Address| -> Result<Box<dyn Link>, LinkError> {
        let inner = wattproof_link::open(address)?;
        if !matches!(address, Address::Serial { path, .. } if Path::new(path) == supply) {
            return Ok(inner);
        }
        restart_live(&supply);
        Ok(Box::new(RisingLine { inner, banner: b"BOOT 1.0 READY\r\n" }))
    };
    let file = BenchFile::read(&served.bench()).unwrap();
    Bench::open_with(file, Extras::default(), Parts { opens: Box::new(opens), ..Parts::default() })
}

#[test]
fn fault_05_an_instrument_that_restarts_when_its_port_is_opened_is_off_and_set_anew() {
    let served = Served::start("honest");
    // The second time, closing dropped the line as well.
    for _ in 0..2 {
        let bench = opened(&served).unwrap();
        assert_eq!(bench.state(), State::Safe);
        let limits = bench.limits();
        bench.arm().unwrap();
        bench.set_supply(12.0).unwrap();
        bench.supply_on().unwrap();
        assert!(bench.finish().is_safe());
        drop(bench);
        assert_eq!(served.ask("supply", "OUTP?"), "0");
        let protection_v: f64 = served.ask("supply", "VOLT:PROT?").parse().unwrap();
        assert!((protection_v - limits.supply_v_max).abs() < 0.05, "{protection_v} V: the reset's default");
    }
}

/// One that restarts only after it was switched off and read back, as when a line moves late: nothing is energised.
#[test]
fn fault_05_a_restart_between_opening_and_arming_is_found_at_arming() {
    let served = Served::start_with_faults("honest", |_| {
        Some("[[fault]]\nport = \"supply\"\nwhat = \"reboot\"\nmessage = \"EDGE\"\ntimes = 1\n".into())
    });
    let bench = Bench::open(BenchFile::read(&served.bench()).unwrap()).unwrap();
    std::fs::File::options().write(true).open(served.port("supply")).unwrap().write_all(b"\nEDGE\n").unwrap();
    // Until the edge has come through.
    std::thread::sleep(Duration::from_millis(300));
    let told = bench.arm().unwrap_err().to_string();
    assert!(told.contains("the supply") && told.contains("restarted"), "{told}");
    assert!(!matches!(bench.state(), State::Armed | State::Running));
    drop(bench);
    assert_eq!(served.ask("supply", "OUTP?"), "0");
}
