//! The bench file and the nameplate that go with a virtual bench.

use wattproof_bench::{
    BenchFile, BridgePlace, CalibratedChannel, DigitizerPlace, LoadPlace, Measures, SourcePlace, SupplyPlace,
    TemperaturePlace, ThermometerPlace, Watches,
};
use wattproof_guard::Limits;
use wattproof_link::{Address, SerialChoice, SerialSettings};
use wattproof_runs::{Driven, LimitBy, Nameplate, PlateKind, Rating};
use wattproof_virtual_bench::{
    AmplifierSpec, BridgeInputs, FrontEnd, FrontEndChannel, LoadStands, PortInfo, Quantity, RatingChannels,
    Role, VirtualBench,
};

use crate::RehearsalError;

/// What is particular about the loads of a virtual bench.
#[derive(Debug, Clone, Copy)]
pub struct VirtualLoad {
    /// Their resistance, ohm, where they are resistors that nobody sets.
    pub fixed_ohm: Option<f64>,
    /// Whether they are loudspeakers, of which that is the lowest impedance.
    pub loudspeaker: bool,
    /// What they stand, where that is not anything.
    pub stands: Option<LoadStands>,
}

/// Where the instruments of a virtual bench are, and what looks at the amplifier.
pub struct VirtualPorts {
    /// A port for each instrument.
    pub ports: Vec<PortInfo>,
    /// The digitizer's analogue front end.
    pub front_end: FrontEnd,
    /// What looks at the bridges, where channels are bridged.
    pub bridged: Option<BridgeInputs>,
}

impl From<&VirtualBench> for VirtualPorts {
    fn from(serving: &VirtualBench) -> Self {
        VirtualPorts {
            ports: serving.ports().to_vec(),
            front_end: serving.front_end().clone(),
            bridged: serving.bridged(),
        }
    }
}

impl VirtualPorts {
    fn port(&self, role: Role) -> Option<&PortInfo> {
        self.ports.iter().find(|port| port.role == role)
    }
}

/// The bench file of a virtual bench at `baud`.
///
/// # Errors
/// [`RehearsalError::Bench`] where an instrument is missing.
pub fn bench_file(
    serving: &VirtualPorts,
    amplifier: &AmplifierSpec,
    baud: u32,
    load: VirtualLoad,
) -> Result<BenchFile, RehearsalError> {
    let VirtualLoad { fixed_ohm, loudspeaker, stands } = load;
    let link = |role: Role| -> Result<Address, RehearsalError> {
        let port = serving.port(role);
        let port = port.ok_or_else(|| RehearsalError::Bench(format!("it has no {}", role.name())))?;
        // With a manner, the line is the dialect's to say.
        let settings = match port.manner {
            Some(_) => SerialChoice::default(),
            None => SerialSettings { baud, ..SerialSettings::default() }.into(),
        };
        Ok(Address::Serial { path: port.path.clone(), settings })
    };
    let dialect = |role: Role| {
        let manner = serving.port(role).and_then(|port| port.manner.clone());
        manner.unwrap_or_else(|| format!("scpi-{role}"))
    };
    let is_line = amplifier.nameplate.kind == wattproof_virtual_bench::PlateKind::LineStage;
    let rated_w = amplifier.nameplate.ratings.iter().map(|rating| rating.load_w()).fold(50.0, f64::max);
    let wiring = Wiring { channels: amplifier.channels(), bridged: serving.bridged };
    let adc = |channel: &FrontEndChannel| CalibratedChannel {
        adc: channel.channel,
        amplifier_channel: wiring.output_of(channel.output),
        measures: match channel.quantity {
            Quantity::Volts => Measures::Volts,
            Quantity::Amps => Measures::Amps,
        },
        gain: channel.per_volt,
        offset_v: 0.0,
        range_v: if is_line { 1.0 } else { 5.0 },
        tolerance_pct: channel.tolerance_pct,
        offset_tolerance_v: None,
        calibrated: None,
        calibration: None,
    };
    Ok(BenchFile {
        name: "virtual bench".into(),
        virtual_bench: true,
        mains_hz: 50.0,
        limits: if is_line { line_limits() } else { limits(rated_w) },
        source: SourcePlace {
            link: link(Role::Source)?,
            dialect: dialect(Role::Source),
            outputs: wiring.firsts(),
            settle_ms: 150,
        },
        load: LoadPlace {
            link: fixed_ohm.is_none().then(|| link(Role::Load)).transpose()?,
            dialect: fixed_ohm.is_none().then(|| dialect(Role::Load)),
            channels: fixed_ohm.map_or(wiring.firsts(), |_| Vec::new()),
            settle_ms: fixed_ohm.is_none().then_some(50),
            tolerance_pct: 0.05,
            fixed_ohm,
            loudspeaker,
            taps_ohm: Vec::new(),
            tap_tolerance_pct: None,
            watts_max: stands.map(|stands| stands.watts_max),
            watts_continuous: stands.map(|stands| stands.watts_continuous),
            seconds_at_max: stands.map(|stands| stands.seconds_at_max),
        },
        supply: SupplyPlace {
            link: link(Role::Supply)?,
            dialect: dialect(Role::Supply),
            settle_ms: 300,
            tolerance_pct: 0.05,
        },
        digitizer: DigitizerPlace {
            link: link(Role::Digitizer)?,
            dialect: dialect(Role::Digitizer),
            rate_hz: 192_000.0,
            samples: 19_200,
            skew_ns: None,
            gain_tolerance_pct: None,
            channel: serving
                .front_end
                .channels
                .iter()
                .filter(|one| wiring.uses(one) && !(is_line && one.quantity == Quantity::Amps))
                .map(adc)
                .collect(),
            bridge: wiring.bridges(&serving.front_end),
        },
        thermometer: ThermometerPlace {
            link: link(Role::Thermometer)?,
            dialect: dialect(Role::Thermometer),
            channel: 1,
            ambient_channel: None,
        },
        temperature: ambient(serving).into_iter().collect(),
        contactor: None,
        origin: wattproof_bench::Origin::default(),
    })
}

/// How the outputs of the amplifier are wired.
struct Wiring {
    channels: usize,
    bridged: Option<BridgeInputs>,
}

impl Wiring {
    /// The channels that source and load are at: all, or the first of every bridge.
    fn firsts(&self) -> Vec<u32> {
        (1_u32..).take(self.channels).step_by(if self.bridged.is_some() { 2 } else { 1 }).collect()
    }

    /// The bench's number for what an output of the amplifier belongs to.
    fn output_of(&self, output: u32) -> u32 {
        if self.bridged.is_some() { output.div_ceil(2) } else { output }
    }

    /// Whether an input of the digitizer is needed: one current is enough for a bridge, and one differential voltage.
    fn uses(&self, input: &FrontEndChannel) -> bool {
        let both = match self.bridged {
            None => true,
            Some(BridgeInputs::Dividers) => input.quantity == Quantity::Volts,
            Some(BridgeInputs::Differential) => false,
        };
        both || input.output % 2 == 1
    }

    fn bridges(&self, front_end: &FrontEnd) -> Vec<BridgePlace> {
        let adc_of = |output: u32| {
            let mut volts = front_end.channels.iter().filter(|one| one.quantity == Quantity::Volts);
            volts.find(|one| one.output == output).map(|one| one.channel)
        };
        let bridge = |first: u32| {
            let (amplifier_channel, positive) = (self.output_of(first), adc_of(first)?);
            let by_dividers = self.bridged == Some(BridgeInputs::Dividers);
            let negative = adc_of(first + 1).filter(|_| by_dividers);
            Some(BridgePlace { amplifier_channel, positive, negative })
        };
        if self.bridged.is_some() {
            self.firsts().into_iter().filter_map(bridge).collect()
        } else {
            Vec::new()
        }
    }
}

/// Where a thermometer keeps to SCPI, its second sensor is in the air; what a manner makes of it is the manner's to say.
fn ambient(serving: &VirtualPorts) -> Option<TemperaturePlace> {
    let plain = serving.port(Role::Thermometer).is_some_and(|port| port.manner.is_none());
    plain.then(|| TemperaturePlace {
        name: "room".into(),
        role: wattproof_instruments::Role::Thermometer,
        input: 2,
        watches: Watches::Ambient,
        limit_c: None,
    })
}

fn limits(rated_w: f64) -> Limits {
    Limits {
        out_vrms_max: 60.0,
        out_arms_max: 35.0,
        out_w_max: 2.5 * rated_w,
        dc_v_max: 3.0,
        supply_v_max: 16.5,
        supply_a_max: 150.0,
        heatsink_c_max: 95.0,
        source_vrms_max: 2.0,
        source_step_db_max: 6.0,
        load_ohm_min: 1.0,
        power_s_max: 60.0,
        power_w_from: 25.0,
        reading_age_s_max: 3.0,
        heatsink_c_per_s_max: None,
        idle_vrms_max: None,
        switch_on_per_min_max: None,
    }
}

/// Of a line stage: into resistors of some kilohm, from a supply that gives little.
fn line_limits() -> Limits {
    Limits {
        out_vrms_max: 12.0,
        out_arms_max: 1.0,
        out_w_max: 1.0,
        supply_a_max: 2.0,
        load_ohm_min: 100.0,
        power_w_from: 0.5,
        ..limits(0.0)
    }
}

/// The resistors that a virtual bench has: those asked for, and of a line stage those of its first rating, which no load
/// that can be set reaches.
pub fn fixed_ohm(amplifier: &AmplifierSpec, asked_ohm: Option<f64>) -> Option<f64> {
    let is_line = amplifier.nameplate.kind == wattproof_virtual_bench::PlateKind::LineStage;
    let rated_ohm = amplifier.nameplate.ratings.first().map(|rating| rating.load_ohm);
    asked_ohm.or(rated_ohm.filter(|_| is_line))
}

/// The nameplate of an invented amplifier or line stage.
pub fn nameplate(amplifier: &AmplifierSpec) -> Nameplate {
    let plate = &amplifier.nameplate;
    let rating = |rating: &wattproof_virtual_bench::Rating| Rating {
        watts: rating.watts,
        out_vrms: rating.out_vrms,
        out_dbv: None,
        out_dbu: None,
        load_ohm: rating.load_ohm,
        supply_v: rating.supply_v,
        driven: match rating.channels {
            RatingChannels::All => Driven::All,
            RatingChannels::One => Driven::One,
            RatingChannels::Bridged => Driven::Bridged,
        },
        limit_pct: rating.thdn_pct,
        limit_by: LimitBy::Thdn,
        hz: rating.hz,
    };
    Nameplate {
        maker: plate.maker.clone(),
        model: plate.model.clone(),
        serial: None,
        price: None,
        currency: None,
        golden: false,
        invented: true,
        kind: match plate.kind {
            wattproof_virtual_bench::PlateKind::Amplifier => PlateKind::Amplifier,
            wattproof_virtual_bench::PlateKind::LineStage => PlateKind::LineStage,
        },
        channels: u32::try_from(amplifier.channels()).unwrap_or(u32::MAX),
        rating: plate.ratings.iter().map(rating).collect(),
    }
}
