//! The bench that stands in for the real one: the bench file with its limits, settling times, scaling and wiring, but
//! with simulated instruments that keep to SCPI in place of its own.

use std::sync::Arc;

use wattproof_bench::{BenchFile, Measures};
use wattproof_link::{Address, SerialChoice};
use wattproof_runs::Nameplate;
use wattproof_virtual_bench::instruments::{Compute, Stand, bench, bench_with};
use wattproof_virtual_bench::{
    AmplifierSpec, BridgeInputs, FrontEnd, FrontEndChannel, Load, LoadError, PortInfo, Quantity, Role,
    ThieleSmall, VirtualInstrument, World,
};

use crate::RehearsalError;
use crate::amplifier::amplifier;
use crate::virtual_files::{VirtualLoad, VirtualPorts, bench_file, fixed_ohm};

/// Decides the little that is left to chance.
const SEED: u64 = 1;
/// Width of the converter that stands in for a real one, of which no bench file tells.
const BITS: u32 = 16;
/// Width of the virtual bench's converter, as it is served.
const VIRTUAL_BITS: u32 = 24;
/// What the simulated digitizer can do.
const RATE_HZ_MAX: f64 = 1e6;
const SAMPLES_MAX: usize = 1_000_000;
/// Dc resistance of the loudspeaker that an invented amplifier may have, ohm.
const SPEAKER_OHM: f64 = 3.4;
/// Bits per second where a link is no serial one.
const FAST_BAUD: u32 = 12_000_000;
/// And where neither bench file nor link say anything.
const USUAL_BAUD: u32 = 115_200;

/// A bench to rehearse on.
pub struct StandIn {
    /// What the run is told of it.
    pub file: BenchFile,
    /// The simulated amplifier with everything that hangs on it.
    pub stand: Arc<Stand>,
    /// The instruments, each with the speed of the line that it stands in for, bits per second.
    pub instruments: Vec<(VirtualInstrument, u32)>,
}

impl StandIn {
    /// For a bench and a nameplate.
    ///
    /// # Errors
    /// [`RehearsalError`] where one of them can't be simulated.
    pub fn of(real: &BenchFile, plate: &Nameplate) -> Result<Self, RehearsalError> {
        let sides = if real.is_bridged() { 2 } else { 1 };
        let channels = real.amplifier_channels() * sides;
        let spec = amplifier(plate, &real.limits, channels)?;
        let mut world = World::new(spec, SEED).coarse();
        if real.is_bridged() {
            let by_dividers = real.digitizer.bridge.iter().any(|bridge| bridge.negative.is_some());
            world =
                world.bridge(if by_dividers { BridgeInputs::Dividers } else { BridgeInputs::Differential });
        }
        let wrong = |what: String| RehearsalError::Bench(what);
        let front_end = front_end(real).map_err(wrong)?;
        let simulated =
            bench_with(world, front_end, SEED, Compute::Inline).map_err(|error| wrong(error.to_string()))?;
        let mut file = real.clone();
        take_over(&mut file, sides);
        if let Some(ohm) = real.load.fixed_ohm {
            let load = if real.load.loudspeaker { loudspeaker(ohm) } else { Load::resistive(ohm) };
            hang(&simulated.stand, channels, load)?;
        }
        let there =
            |instrument: &VirtualInstrument| instrument.role() != Role::Load || real.load.link.is_some();
        let with_speed = |instrument: VirtualInstrument| {
            let speed = baud(real, instrument.role());
            (instrument, speed)
        };
        let instruments = simulated.instruments.into_iter().filter(there).map(with_speed).collect();
        Ok(StandIn { file, stand: simulated.stand, instruments })
    }
}

impl StandIn {
    /// For an invented amplifier, as `wattproof virtual-bench` serves it, with all its physics.
    ///
    /// # Errors
    /// [`RehearsalError`], should this room be at fault.
    pub fn of_amplifier(
        spec: &AmplifierSpec,
        seed: u64,
        bridged: bool,
        speaker: bool,
    ) -> Result<Self, RehearsalError> {
        let wrong = |what: String| RehearsalError::Bench(what);
        let channels = spec.channels();
        if bridged && !channels.is_multiple_of(2) {
            return Err(wrong(format!("an amplifier of {channels} channels can't be bridged in pairs")));
        }
        let bridged = bridged.then_some(BridgeInputs::Dividers);
        let mut world = World::new(spec.clone(), seed);
        if let Some(inputs) = bridged {
            world = world.bridge(inputs);
        }
        let simulated =
            bench(world, seed, VIRTUAL_BITS, Compute::Inline).map_err(|error| wrong(error.to_string()))?;
        let port = |role: Role| PortInfo { role, path: role.name().into(), idn: String::new(), manner: None };
        let ports =
            VirtualPorts { ports: Role::ALL.map(port).to_vec(), front_end: simulated.front_end, bridged };
        let fixed_ohm = if speaker { Some(SPEAKER_OHM) } else { fixed_ohm(spec, None) };
        let file = bench_file(
            &ports,
            spec,
            FAST_BAUD,
            VirtualLoad { fixed_ohm, loudspeaker: speaker, stands: None },
        )?;
        if let Some(ohm) = fixed_ohm {
            let load = if speaker { loudspeaker(ohm) } else { Load::resistive(ohm) };
            hang(&simulated.stand, channels, load)?;
        }
        let there = |instrument: &VirtualInstrument| instrument.role() != Role::Load || fixed_ohm.is_none();
        let instruments =
            simulated.instruments.into_iter().filter(there).map(|one| (one, FAST_BAUD)).collect();
        Ok(StandIn { file, stand: simulated.stand, instruments })
    }
}

/// A loudspeaker of a dc resistance: one resonance, and a voice coil's inductance.
fn loudspeaker(re_ohm: f64) -> Result<Load, LoadError> {
    Load::loudspeaker(ThieleSmall { re_ohm, le_h: 0.0005, qes: 0.5, qms: 4.0, fs_hz: 45.0 })
}

/// Hangs the same load on every output, for good.
fn hang(stand: &Stand, channels: usize, load: Result<Load, LoadError>) -> Result<(), RehearsalError> {
    let load = load.map_err(|error| RehearsalError::Bench(error.to_string()))?;
    stand.change(0.0, |world| (0..channels).for_each(|output| world.load_set(output, load, true)));
    Ok(())
}

/// Puts simulated instruments into the places of the real ones, on lines of the same speed: how long an answer may take
/// follows from that.
fn take_over(file: &mut BenchFile, sides: usize) {
    let firsts: Vec<u32> = (1..).step_by(sides).take(file.amplifier_channels()).collect();
    let link = |role: Role| link(role, baud(file, role));
    let [source, load, supply, digitizer, thermometer] = Role::ALL.map(link);
    (file.source.link, file.source.dialect) = (source, dialect(Role::Source));
    file.source.outputs.clone_from(&firsts);
    if file.load.link.is_some() {
        (file.load.link, file.load.dialect) = (Some(load), Some(dialect(Role::Load)));
        file.load.channels = firsts;
    }
    (file.supply.link, file.supply.dialect) = (supply, dialect(Role::Supply));
    (file.digitizer.link, file.digitizer.dialect) = (digitizer, dialect(Role::Digitizer));
    (file.thermometer.link, file.thermometer.dialect) = (thermometer, dialect(Role::Thermometer));
    (file.thermometer.channel, file.thermometer.ambient_channel) = (1, None);
    // Their limits are of places that are not simulated; nor is what cuts upstream.
    file.temperature.clear();
    file.contactor = None;
    file.digitizer.rate_hz = file.digitizer.rate_hz.min(RATE_HZ_MAX);
    file.digitizer.samples = file.digitizer.samples.min(SAMPLES_MAX);
    let numbers: Vec<(u32, u32)> = file.digitizer.channel.iter().map(|one| one.adc).zip(1..).collect();
    let renumbered = |adc: u32| numbers.iter().find(|(old, _)| *old == adc).map_or(adc, |(_, new)| *new);
    for bridge in &mut file.digitizer.bridge {
        bridge.positive = renumbered(bridge.positive);
        bridge.negative = bridge.negative.map(renumbered);
    }
    for (input, number) in file.digitizer.channel.iter_mut().zip(1..) {
        (input.adc, input.offset_v) = (number, 0.0);
    }
}

/// Inputs with the gains and ranges of the real ones, numbered from 1.
fn front_end(real: &BenchFile) -> Result<FrontEnd, String> {
    let sides = if real.is_bridged() { 2 } else { 1 };
    let channel = |(number, input): (u32, &wattproof_bench::CalibratedChannel)| {
        let quantity = match input.measures {
            Measures::Volts => Quantity::Volts,
            Measures::Amps => Quantity::Amps,
        };
        let negative = real.side_of(input) == Some(1);
        let output = (input.amplifier_channel - 1) * sides + 1 + u32::from(negative);
        FrontEndChannel::exact(number, quantity, output, input.gain)
    };
    let channels = (1..).zip(&real.digitizer.channel).map(channel).collect();
    let mut ranges_v: Vec<f64> = real.digitizer.channel.iter().map(|input| input.range_v).collect();
    ranges_v.sort_by(f64::total_cmp);
    ranges_v.dedup();
    FrontEnd::of(channels, ranges_v, BITS).map_err(|error| error.to_string())
}

fn link(role: Role, baud: u32) -> Address {
    let settings = SerialChoice { baud: Some(baud), ..SerialChoice::default() };
    Address::Serial { path: role.name().into(), settings }
}

fn dialect(role: Role) -> String {
    format!("scpi-{role}")
}

/// Speed of the line that a role's instrument is really on, bits per second.
fn baud(real: &BenchFile, role: Role) -> u32 {
    let of = |address: &Address| match address {
        Address::Serial { settings, .. }
        | Address::Usb { settings, .. }
        | Address::Asked { settings, .. } => settings.baud.unwrap_or(USUAL_BAUD),
        Address::UsbTmc { .. } | Address::Tcp { .. } => FAST_BAUD,
    };
    let places = real.places();
    let own = places.iter().find(|(place, _)| place.word() == role.name());
    own.map_or(USUAL_BAUD, |(_, address)| of(address))
}
