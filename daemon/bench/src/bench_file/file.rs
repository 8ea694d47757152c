//! The bench file: which instruments in which roles on which links, channel scaling, calibration, limits.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use wattproof_guard::Limits;
use wattproof_instruments::Role;
use wattproof_link::Address;

use crate::bench_file::place::{Origin, toml_place};
use crate::bench_file::unfilled::{Unfilled, unfilled};
use crate::bench_file::{bridge_place, temperature_place};
use crate::wire::links::fit;
use crate::{BridgePlace, CalibratedChannel, ContactorPlace, LoadPlace, Measures, TemperaturePlace};

/// A bench, as its owner wrote it down.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BenchFile {
    /// The bench's name.
    pub name: String,
    /// Whether instruments and amplifier are simulated: no script is rehearsed for it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub virtual_bench: bool,
    /// The database of several benches to which its runs are published; a password stands elsewhere.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub catalogue: Option<String>,
    /// Mains frequency at the bench, Hz (for hum).
    #[serde(default = "mains_hz")]
    pub mains_hz: f64,
    /// Limits that no script can exceed.
    pub limits: Limits,
    /// Signal source.
    pub source: SourcePlace,
    /// Load: one that can be set, or resistors.
    pub load: LoadPlace,
    /// Bench supply.
    pub supply: SupplyPlace,
    /// Digitizer.
    pub digitizer: DigitizerPlace,
    /// Thermometer on the heatsink.
    pub thermometer: ThermometerPlace,
    /// Further temperatures.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub temperature: Vec<TemperaturePlace>,
    /// The contactor ahead of the supply, if a serial port's line holds one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub contactor: Option<ContactorPlace>,
    /// Where it was read, for messages.
    #[serde(skip)]
    pub origin: Origin,
}

fn mains_hz() -> f64 {
    50.0
}

/// The signal source's place.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SourcePlace {
    /// Where it is.
    pub link: Address,
    /// Its dialect: a shipped name or a path to a TOML file.
    pub dialect: String,
    /// Source output that drives each amplifier channel, in order.
    pub outputs: Vec<u32>,
    /// Time that output and amplifier need after a change, ms.
    pub settle_ms: u64,
}

/// The supply's place.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SupplyPlace {
    /// Where it is.
    pub link: Address,
    /// Its dialect.
    pub dialect: String,
    /// Time it needs after a change, ms.
    pub settle_ms: u64,
    /// Tolerance of its voltage as a half-width, %.
    pub tolerance_pct: f64,
}

/// The digitizer's place.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DigitizerPlace {
    /// Where it is.
    pub link: Address,
    /// Its dialect.
    pub dialect: String,
    /// Samples per second and channel.
    pub rate_hz: f64,
    /// Samples per channel in one capture.
    pub samples: usize,
    /// Time by which one channel may be sampled late against another, as a half-width, ns; absent counts as a tenth
    /// of the sample interval (channels sampled together; common practice, no source).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub skew_ns: Option<f64>,
    /// Tolerance of what all channels share, as the converter's reference, as a half-width, %; absent counts as 0:
    /// each channel's `tolerance_pct` then holds it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gain_tolerance_pct: Option<f64>,
    /// Its channels.
    pub channel: Vec<CalibratedChannel>,
    /// Which outputs are bridges; empty where each is one channel of the amplifier.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub bridge: Vec<BridgePlace>,
}

impl DigitizerPlace {
    /// Half-width of the skew between channels, s.
    pub fn skew_s(&self) -> f64 {
        self.skew_ns.map_or(0.1 / self.rate_hz, |ns| ns * 1e-9)
    }
}

/// The thermometer's place.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ThermometerPlace {
    /// Where it is.
    pub link: Address,
    /// Its dialect.
    pub dialect: String,
    /// Its input on the heatsink.
    pub channel: u32,
    /// Its input in the air of the room, as records of old have it; a bench file says that by a `[[temperature]]`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ambient_channel: Option<u32>,
}

/// A bench file that can't be used.
#[derive(Debug, thiserror::Error)]
pub enum BenchFileError {
    /// It can't be read.
    #[error("bench file {path}: {source}; give the path of a bench file with --bench")]
    Read {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// It isn't a bench file.
    #[error("bench file {place}: {message}")]
    Parse {
        /// file:line:col.
        place: String,
        /// What is wrong.
        message: String,
    },
    /// Values are not filled in yet.
    #[error("bench file {path}: {}", open_words(.places))]
    Unfilled {
        /// The file.
        path: PathBuf,
        /// Which.
        places: Vec<Unfilled>,
    },
    /// It contradicts itself.
    #[error("bench file {place}: {what}; mend the file and try again")]
    Sense {
        /// file:line, with its column where that is known.
        place: String,
        /// What is wrong.
        what: String,
    },
}

fn open_words(places: &[Unfilled]) -> String {
    let each: Vec<String> =
        places.iter().map(|one| format!("\n  {}: {} is not filled in", one.place, one.key)).collect();
    let count = if each.len() == 1 { "1 value is".to_string() } else { format!("{} values are", each.len()) };
    format!(
        "{count} still \"?\"; nothing is guessed: write each from the instruments, the amplifier and the wiring, and \
         try again{}",
        each.concat()
    )
}

impl BenchFile {
    /// Reads and checks a bench file.
    ///
    /// # Errors
    /// [`BenchFileError`], naming file, line and column where it can.
    pub fn read(path: &Path) -> Result<Self, BenchFileError> {
        let text = wattproof_texts::read_text(path)
            .map_err(|source| BenchFileError::Read { path: path.into(), source })?;
        Self::parse(path, &text)
    }

    /// Parses and checks the text of a bench file; `path` is for messages only.
    ///
    /// # Errors
    /// As [`BenchFile::read`].
    pub fn parse(path: &Path, text: &str) -> Result<Self, BenchFileError> {
        let places = unfilled(path, text);
        if !places.is_empty() {
            return Err(BenchFileError::Unfilled { path: path.into(), places });
        }
        let mut file: BenchFile = toml::from_str(text).map_err(|error| BenchFileError::Parse {
            place: toml_place(path, text, error.span()),
            message: error.message().to_string(),
        })?;
        if let Some((span, what)) = temperature_place::of_old(text) {
            return Err(BenchFileError::Sense { place: toml_place(path, text, span), what });
        }
        file.origin = Origin::new(path, text);
        file.check().map_err(|(section, key, what)| BenchFileError::Sense {
            place: file.origin.place(section, key),
            what,
        })?;
        Ok(file)
    }

    /// How many outputs the bench serves: amplifier channels, or bridges of two.
    pub fn amplifier_channels(&self) -> usize {
        self.source.outputs.len()
    }

    /// Whether its outputs are bridges; else each is one channel of the amplifier.
    pub fn is_bridged(&self) -> bool {
        !self.digitizer.bridge.is_empty()
    }

    /// The inputs that look at this of an output, from 1: one, or both sides of a bridge, the positive one first.
    pub fn inputs(&self, number: u32, measures: Measures) -> Vec<&CalibratedChannel> {
        let own = |c: &&CalibratedChannel| c.amplifier_channel == number && c.measures == measures;
        let mut found: Vec<&CalibratedChannel> = self.digitizer.channel.iter().filter(own).collect();
        let bridge = self.digitizer.bridge.iter().find(|bridge| bridge.amplifier_channel == number);
        if let Some(bridge) = bridge.filter(|_| measures == Measures::Volts) {
            found.sort_by_key(|input| input.adc != bridge.positive);
        }
        found
    }

    /// Which side of a bridge an input's divider goes to ground from, 0 for the positive one; `None` where it is no side.
    pub fn side_of(&self, input: &CalibratedChannel) -> Option<usize> {
        let sides = self.inputs(input.amplifier_channel, input.measures);
        sides.iter().position(|side| side.adc == input.adc).filter(|_| sides.len() > 1)
    }

    /// Whether the current into the load of every amplifier channel is measured; else that of none is.
    pub fn measures_current(&self) -> bool {
        self.digitizer.channel.iter().any(|input| input.measures == Measures::Amps)
    }

    /// The link of each role; none of a load that is fixed.
    pub fn places(&self) -> Vec<(Role, &Address)> {
        let load = self.load.link.as_ref().map(|link| (Role::Load, link));
        let others = [
            (Role::Supply, &self.supply.link),
            (Role::Digitizer, &self.digitizer.link),
            (Role::Thermometer, &self.thermometer.link),
        ];
        std::iter::once((Role::Source, &self.source.link)).chain(load).chain(others).collect()
    }

    /// The dialect of a role; None of a load that is fixed.
    pub fn dialect_of(&self, role: Role) -> Option<&str> {
        match role {
            Role::Source => Some(&self.source.dialect),
            Role::Load => self.load.dialect.as_deref(),
            Role::Supply => Some(&self.supply.dialect),
            Role::Digitizer => Some(&self.digitizer.dialect),
            Role::Thermometer => Some(&self.thermometer.dialect),
        }
    }

    /// `file:line` of a role's link, however it is written.
    pub fn link_place(&self, role: Role) -> String {
        let (section, table) = (role.word(), format!("{role}.link"));
        let keys = ["serial", "identity", "usbtmc", "tcp", "usb", "ask", "baud"];
        let places: Vec<(&str, &str)> =
            std::iter::once((section, "link")).chain(keys.map(|key| (table.as_str(), key))).collect();
        let usb = format!("{table}.usb");
        let place = self.origin.place_of(&[places.as_slice(), &[(usb.as_str(), "vendor")]].concat());
        // A bench file that a run recorded has no path.
        if place.is_empty() { "as recorded".into() } else { place }
    }

    fn check(&self) -> Result<(), Complaint> {
        self.check_catalogue()?;
        self.limits.check().map_err(|error| ("limits", error.name, error.to_string()))?;
        if let Some((key, what)) = self.load.complaint() {
            return Err(("load", key, what));
        }
        if let Some((key, what)) = temperature_place::complaint(&self.temperature, self.load.link.is_some()) {
            return Err(("temperature", key, what));
        }
        if let Some(ohm) = self.load.fixed_ohm.filter(|ohm| *ohm < self.limits.load_ohm_min) {
            let what = format!(
                "fixed_ohm = {ohm} is below load_ohm_min = {} of [limits]: use other resistors, or correct the one that is wrong",
                self.limits.load_ohm_min
            );
            return Err(("load", "fixed_ohm", what));
        }
        self.check_channels()?;
        if let Some((key, what)) = bridge_place::complaint(
            &self.digitizer.bridge,
            &self.digitizer.channel,
            self.amplifier_channels(),
        ) {
            return Err(("digitizer.bridge", key, what));
        }
        let positive = |section, key, value: f64| {
            let what =
                || (section, key, format!("{key} = {value} must be a finite number greater than zero"));
            (value.is_finite() && value > 0.0).then_some(()).ok_or_else(what)
        };
        positive("", "mains_hz", self.mains_hz)?;
        positive("load", "tolerance_pct", self.load.tolerance_pct)?;
        positive("supply", "tolerance_pct", self.supply.tolerance_pct)?;
        positive("digitizer", "rate_hz", self.digitizer.rate_hz)?;
        let not_negative = |section, key, value: Option<f64>| match value {
            Some(value) if !(value.is_finite() && value >= 0.0) => {
                Err((section, key, format!("{key} = {value} must be a finite number, 0 or more")))
            }
            _ => Ok(()),
        };
        not_negative("digitizer", "skew_ns", self.digitizer.skew_ns)?;
        not_negative("digitizer", "gain_tolerance_pct", self.digitizer.gain_tolerance_pct)?;
        for channel in &self.digitizer.channel {
            // A negative gain would hide swapped leads: swap the leads instead.
            positive("digitizer.channel", "gain", channel.gain)?;
            positive("digitizer.channel", "range_v", channel.range_v)?;
            positive("digitizer.channel", "tolerance_pct", channel.tolerance_pct)?;
            not_negative("digitizer.channel", "offset_tolerance_v", channel.offset_tolerance_v)?;
            if let Some(made) = &channel.calibration {
                made.check().map_err(|(key, what)| ("digitizer.channel.calibration", key, what))?;
            }
        }
        self.check_contactor()?;
        for (role, link) in self.places() {
            if let (Err(why), section) = (fit(role, link.clone()), role.word()) {
                return Err((section, "link", why));
            }
        }
        if !(256..=4_000_000).contains(&self.digitizer.samples) {
            let what = format!("samples = {} must be 256 to 4000000", self.digitizer.samples);
            return Err(("digitizer", "samples", what));
        }
        Ok(())
    }

    /// A line that holds the contactor must not carry an instrument's bytes as well.
    /// The bench file is recorded with every run, and a run may be given to anybody.
    fn check_catalogue(&self) -> Result<(), Complaint> {
        let Some(place) = &self.catalogue else { return Ok(()) };
        let wrong = |what: &str| Err(("", "catalogue", what.to_string()));
        let Some((_, rest)) =
            place.split_once("://").filter(|(scheme, _)| *scheme == "postgres" || *scheme == "postgresql")
        else {
            return wrong(
                "catalogue is the address of a PostgreSQL database, as postgres://user@host/database",
            );
        };
        let user = rest.split(['/', '?']).next().and_then(|before| before.rsplit_once('@'));
        if user.is_some_and(|(user, _)| user.contains(':')) || rest.contains("password=") {
            return wrong(
                "catalogue holds a password, which would be recorded with every run: leave it out here and give it by PGPASSFILE or PGPASSWORD",
            );
        }
        Ok(())
    }

    fn check_contactor(&self) -> Result<(), Complaint> {
        let Some(contactor) = &self.contactor else { return Ok(()) };
        let links = self.places();
        let shared = links
            .iter()
            .find(|(_, link)| matches!(link, Address::Serial { path, .. } if *path == contactor.port));
        match shared {
            Some((role, _)) => {
                let what = format!(
                    "port = \"{}\" is also the link of the {role}: give the contactor its own",
                    contactor.port
                );
                Err(("contactor", "port", what))
            }
            None => Ok(()),
        }
    }

    /// One source output, one load channel, one volts input for each output (one for each side of a bridge without a
    /// differential input), and one amps input for each output or for none: a line stage's current is too small to measure.
    fn check_channels(&self) -> Result<(), Complaint> {
        let channels = self.source.outputs.len();
        let load_channels = self.load.fixed_ohm.map_or(self.load.channels.len(), |_| channels);
        if channels == 0 || channels != load_channels {
            let what = format!(
                "[source] outputs has {channels} entries and [load] channels {load_channels}; both need one per amplifier channel"
            );
            return Err(("source", "outputs", what));
        }
        let sides = |number: u32| {
            let two = |bridge: &BridgePlace| bridge.amplifier_channel == number && bridge.negative.is_some();
            if self.digitizer.bridge.iter().any(two) { 2 } else { 1 }
        };
        let current = usize::from(self.measures_current());
        let wanted: Vec<_> = (1..)
            .take(channels)
            .flat_map(|number: u32| {
                [(number, Measures::Volts, "volts", sides(number)), (number, Measures::Amps, "amps", current)]
            })
            .collect();
        let inputs = &self.digitizer.channel;
        for (number, measures, word, count) in &wanted {
            let found = self.inputs(*number, *measures).len();
            if found != *count {
                let entries = if *count == 1 { "one entry" } else { "two entries (one for each side)" };
                let or_none = match measures {
                    Measures::Volts => "",
                    Measures::Amps => "; for a line stage, remove those of all channels",
                };
                let what = format!(
                    "[[digitizer.channel]] needs exactly {entries} with amplifier_channel = {number} and measures = \"{word}\", there are {found}{or_none}"
                );
                return Err(("digitizer.channel", "amplifier_channel", what));
            }
        }
        if inputs.len() != wanted.iter().map(|(.., count)| count).sum::<usize>() {
            let what = format!("[[digitizer.channel]] amplifier_channel must be 1 to {channels}");
            return Err(("digitizer.channel", "amplifier_channel", what));
        }
        Ok(())
    }
}

/// Section, key and what is wrong there.
type Complaint = (&'static str, &'static str, String);
