//! The bench in virtual time, spoken to over the wire.
#![allow(dead_code, reason = "each test file uses a part of it")]

use std::sync::Arc;
use std::time::Duration;

use wattproof_link::{CallLink, Link, VirtualClock};
use wattproof_scpi::reader::{Response, ResponseReader};
use wattproof_virtual_bench::instruments::{Compute, Stand, bench};
use wattproof_virtual_bench::{FrontEnd, Role, World, catalogue};

pub const SEED: u64 = 20_261;

pub struct Rig {
    pub clock: VirtualClock,
    pub front_end: FrontEnd,
    pub stand: Arc<Stand>,
    links: Vec<(Role, CallLink)>,
}

impl Rig {
    pub fn new(amplifier: &str, bits: u32) -> Self {
        let world = World::new(catalogue::amplifier(amplifier).expect("built in"), SEED);
        let bench = bench(world, SEED, bits, Compute::Inline).expect("a valid bench");
        let (front_end, stand, clock) =
            (bench.front_end.clone(), Arc::clone(&bench.stand), VirtualClock::new());
        let links = bench.links(&clock);
        Self { clock, front_end, stand, links }
    }

    pub fn link(&mut self, role: Role) -> &mut CallLink {
        &mut self.links.iter_mut().find(|(r, _)| *r == role).expect("every role").1
    }

    pub fn send(&mut self, role: Role, message: &str) {
        let link = self.link(role);
        let deadline = link.now() + Duration::from_secs(1);
        link.send(format!("{message}\n").as_bytes(), deadline).expect("sent");
    }

    pub fn ask(&mut self, role: Role, message: &str) -> Response {
        self.send(role, message);
        response(self.link(role), Duration::from_secs(20)).unwrap_or_else(|| panic!("no answer: {message}"))
    }

    pub fn text(&mut self, role: Role, message: &str) -> String {
        self.ask(role, message).text().into_owned()
    }

    pub fn number(&mut self, role: Role, message: &str) -> f64 {
        self.ask(role, message).number().expect("a number")
    }

    /// The oldest error's number; 0 for none.
    pub fn error(&mut self, role: Role) -> i16 {
        self.ask(role, "SYST:ERR?").error_entry().expect("an entry").0
    }

    pub fn wait(&self, seconds: f64) {
        self.clock.advance_to(self.clock.now() + Duration::from_secs_f64(seconds));
    }

    pub fn now_s(&self) -> f64 {
        self.clock.now().as_secs_f64()
    }

    /// Supply, 4 ohm loads and a 1 kHz tone on both channels.
    pub fn play(&mut self, source_vrms: f64) {
        self.text(Role::Supply, "CURR MAX;VOLT 14.4;OUTP ON;*OPC?");
        self.text(Role::Load, "SOUR1:RES 4;:SOUR2:RES 4;:INP1 ON;:INP2 ON;*OPC?");
        let source = format!("SOUR1:VOLT {source_vrms};:SOUR2:VOLT {source_vrms};:OUTP1 ON;:OUTP2 ON;*OPC?");
        self.text(Role::Source, &source);
        self.wait(0.5);
    }

    /// Takes a record at 200 kHz and fetches `channels` as volts at the converter, by INT,32.
    pub fn record(&mut self, points: usize, channels: &str) -> Vec<Vec<f64>> {
        self.send(Role::Digitizer, &format!("SENS:SWE:POIN {points};TINT 5US;:FORM INT,32;FORM:BORD NORM"));
        assert_eq!(self.text(Role::Digitizer, "INIT;*OPC?"), "1");
        let response = self.ask(Role::Digitizer, &format!("FETC? (@{channels})"));
        let codes = response.block().expect("a block");
        let values: Vec<f64> =
            codes.chunks_exact(4).map(|b| f64::from(i32::from_be_bytes(b.try_into().expect("4")))).collect();
        let ranges: Vec<f64> = wattproof_scpi::Param::parse(format!("(@{channels})").as_bytes())
            .expect("a list")
            .channels(1..=4)
            .expect("channels")
            .into_iter()
            .map(|ch| self.number(Role::Digitizer, &format!("SENS{ch}:VOLT:RANG?")))
            .collect();
        values
            .chunks_exact(points)
            .zip(ranges)
            .map(|(part, range_v)| part.iter().map(|code| code / 2f64.powi(31) * range_v).collect())
            .collect()
    }
}

/// One response, or none by the deadline.
pub fn response(link: &mut impl Link, within: Duration) -> Option<Response> {
    let deadline = link.now() + within;
    let mut reader = ResponseReader::new(64 << 20);
    let mut buf = vec![0; 1 << 16];
    loop {
        let count = link.receive(&mut buf, deadline).ok()?;
        let mut input = &buf[..count];
        if let Some(response) = reader.next(&mut input) {
            assert!(input.is_empty(), "more than one answer");
            return Some(response.expect("within the limit"));
        }
    }
}

pub fn rms(samples: &[f64]) -> f64 {
    (samples.iter().map(|v| v * v).sum::<f64>() / samples.len() as f64).sqrt()
}
