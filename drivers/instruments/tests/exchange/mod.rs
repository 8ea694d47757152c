//! What is done with an instrument of each role, so that its exchanges can be recorded, replayed and compared.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]
#![allow(dead_code, reason = "each test file uses its part")]

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use wattproof_instruments::{Acquisition, ChannelRange, Connected, Dialect, Record, connect_over};
use wattproof_link::{CallLink, Canceller, Flow, Link, LinkError, VirtualClock};
use wattproof_virtual_bench::instruments::{Compute, bench};
use wattproof_virtual_bench::{World, catalogue, manner};

/// Numbers that were found on the way.
pub type Found = Vec<(String, f64)>;

/// Does everything that the dialect can with what is on the link. `energised` is called once source, load or supply
/// is on, before a record is taken.
pub fn drive(link: Box<dyn Link>, dialect: &Dialect) -> Found {
    let mut found = Found::new();
    let mut note = |name: &str, value: f64| found.push((name.to_string(), value));
    match connect_over(link, dialect.role, dialect, dialect.role.word()).unwrap() {
        Connected::Source(mut source) => {
            if let Some(vrms) = source.vrms_max(1).unwrap() {
                note("vrms_max", vrms);
            }
            source.set_hz(1, 1000.0).unwrap();
            note("hz", source.hz(1).unwrap());
            source.set_vrms(1, 0.25).unwrap();
            note("vrms", source.vrms(1).unwrap());
            source.set_on(1, true).unwrap();
            note("on", f64::from(source.is_on(1).unwrap()));
            if source.can_burst() {
                source.set_burst(1, 20, 480, 0.025).unwrap();
                source.set_burst_on(1, true).unwrap();
                source.restart_bursts().unwrap();
                source.set_burst_on(1, false).unwrap();
            }
            source.instrument_mut().set_watchdog_s(6.0).unwrap();
            source.instrument_mut().feed_watchdog().unwrap();
            source.safe_off().unwrap();
            note("off", f64::from(source.is_on(1).unwrap()));
        }
        Connected::Load(mut load) => {
            load.set_ohm(2, 4.0).unwrap();
            note("ohm", load.ohm(2).unwrap());
            load.connect(2).unwrap();
            note("connected", f64::from(load.is_connected(2).unwrap()));
            load.disconnect(2).unwrap();
            note("disconnected", f64::from(load.is_connected(2).unwrap()));
        }
        Connected::Supply(mut supply) => {
            for (name, value) in
                [("v_max", supply.v_max(1).unwrap()), ("limit_a_max", supply.limit_a_max(1).unwrap())]
            {
                value.into_iter().for_each(|value| note(name, value));
            }
            supply.set_v(1, 14.4).unwrap();
            note("v", supply.v(1).unwrap());
            supply.set_limit_a(1, 20.0).unwrap();
            note("limit_a", supply.limit_a(1).unwrap());
            supply.set_protection_v(1, 16.0).unwrap();
            note("protection_v", supply.protection_v(1).unwrap().unwrap());
            supply.set_on(1, true).unwrap();
            note("on", f64::from(supply.is_on(1).unwrap()));
            note("measured_v", supply.measure_v(1).unwrap());
            note("measured_a", supply.measure_a(1).unwrap());
            supply.safe_off().unwrap();
            note("off", f64::from(supply.is_on(1).unwrap()));
        }
        Connected::Digitizer(mut digitizer) => {
            let channels = [2, 4].map(|channel| ChannelRange { channel, range_v: 1.5 }).to_vec();
            let wanted = Acquisition { points: 16, interval_s: 1e-5, channels, format: None, order: None };
            let prepared = digitizer.configure(&wanted).unwrap();
            note("interval_s", prepared.interval_s);
            note("range_v", prepared.channels[1].range_v);
            let Record { channels_v, .. } = digitizer.acquire().unwrap();
            for (channel, samples) in channels_v.iter().enumerate() {
                assert_eq!(samples.len(), 16);
                samples.iter().for_each(|sample| note(&format!("sample of {channel}"), *sample));
            }
            digitizer.abort().unwrap();
        }
        Connected::Thermometer(mut thermometer) => {
            for sensor in 1..=thermometer.sensors().min(2) {
                note("c", thermometer.measure_c(sensor).unwrap());
            }
        }
    }
    found
}

/// The simulated instrument of a dialect, with its manner, in virtual time.
pub fn simulated(dialect: &Dialect) -> CallLink {
    let world = World::new(catalogue::amplifier("honest").unwrap(), 7);
    let all = bench(world, 7, 24, Compute::Inline).unwrap().instruments;
    let mine = |name: &str| name == dialect.role.word();
    let instrument = all.into_iter().find(|one| mine(one.role().name())).unwrap();
    let flows = dialect.serial.flow == Some(Flow::Software);
    let mut instrument = match dialect.name.strip_prefix("scpi-") {
        Some(_) => instrument,
        None => instrument.with_manner(manner::named(&dialect.name).unwrap()),
    };
    // What a terminal does with XOFF and XON: they go no further, and bytes wait between them.
    let (mut held, mut stopped) = (VecDeque::new(), false);
    let responder = Box::new(move |bytes: &[u8], at: Duration| {
        held.extend(bytes);
        let mut said = instrument.handle(&[], at.as_secs_f64());
        let mut came = Vec::new();
        loop {
            for byte in said.drain(..) {
                match byte {
                    0x13 if flows => stopped = true,
                    0x11 if flows => stopped = false,
                    other => came.push(other),
                }
            }
            if stopped {
                return came;
            }
            let Some(byte) = held.pop_front() else { return came };
            said = instrument.handle(&[byte], at.as_secs_f64());
        }
    });
    CallLink::polled("a port", VirtualClock::new(), Duration::from_millis(1), responder)
}

/// The recorded exchanges of a dialect.
pub fn file(dialect: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/exchanges").join(format!("{dialect}.txt"))
}

/// Bytes out and in, one line for each turn.
pub type Lines = Arc<Mutex<Vec<(char, Vec<u8>)>>>;

/// The lines as text: `>` is what was sent, `<` what came.
pub fn text(lines: &Lines) -> String {
    let lines = lines.lock().unwrap();
    lines.iter().map(|(way, bytes)| format!("{way} {}\n", bytes.escape_ascii())).collect()
}

/// A link that notes what passes.
pub struct Tap<L> {
    pub inner: L,
    pub lines: Lines,
}

impl<L> Tap<L> {
    fn note(&self, way: char, bytes: &[u8]) {
        let mut lines = self.lines.lock().unwrap();
        match lines.last_mut() {
            Some((last, held)) if *last == way => held.extend_from_slice(bytes),
            _ => lines.push((way, bytes.to_vec())),
        }
    }
}

impl<L: Link> Link for Tap<L> {
    fn label(&self) -> &str {
        self.inner.label()
    }
    fn now(&self) -> Duration {
        self.inner.now()
    }
    fn send(&mut self, bytes: &[u8], deadline: Duration) -> Result<(), LinkError> {
        self.note('>', bytes);
        self.inner.send(bytes, deadline)
    }
    fn receive(&mut self, buf: &mut [u8], deadline: Duration) -> Result<usize, LinkError> {
        let count = self.inner.receive(buf, deadline)?;
        self.note('<', &buf[..count]);
        Ok(count)
    }
    fn canceller(&self) -> Canceller {
        self.inner.canceller()
    }
}
