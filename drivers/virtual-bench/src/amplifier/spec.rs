use serde::Deserialize;
use thiserror::Error;

/// Channels an amplifier has at most.
pub const CHANNELS_MAX: usize = 8;

/// Why an amplifier description was refused.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum SpecError {
    /// The text is not the TOML expected; the parser's message names the line.
    #[error("amplifier description cannot be read: {message}; correct the TOML at the place named")]
    Syntax {
        /// Message of the TOML parser, with line and column.
        message: String,
    },
    /// A value lies outside what the model can represent.
    #[error(
        "amplifier `{amplifier}`: `{field}` is {value}, it must be {expected}; correct it in its TOML file"
    )]
    Value {
        /// Name in the description.
        amplifier: String,
        /// Dotted field name.
        field: String,
        /// Value found.
        value: String,
        /// Accepted range in words.
        expected: String,
    },
    /// No built-in amplifier has that name.
    #[error("no built-in amplifier is named `{name}`; use one of: {known}")]
    Unknown {
        /// Name asked for.
        name: String,
        /// Names that exist.
        known: String,
    },
}

/// A whole amplifier: who it claims to be, what it claims and how it behaves.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AmplifierSpec {
    /// Short name, also the catalogue key.
    pub name: String,
    /// Must be true: every amplifier of the virtual bench is invented, and says so.
    pub invented: bool,
    /// One or two sentences on what this amplifier shows.
    pub description: String,
    /// What is printed on its case.
    pub nameplate: Nameplate,
    /// How it behaves.
    pub physics: Physics,
}

impl AmplifierSpec {
    /// Channels it has.
    pub fn channels(&self) -> usize {
        self.nameplate.channels
    }
}

/// The claims printed on the case.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Nameplate {
    /// Invented maker.
    pub maker: String,
    /// Invented model.
    pub model: String,
    /// Channels it has, all on one supply.
    #[serde(default = "default_channels")]
    pub channels: usize,
    /// Whether it is a power amplifier or a stage before one.
    #[serde(default)]
    pub kind: PlateKind,
    /// Claims with their conditions.
    pub ratings: Vec<Rating>,
}

/// What kind of device it claims to be.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PlateKind {
    /// A power amplifier, rated in watts.
    #[default]
    Amplifier,
    /// A stage before one (preamplifier, line driver, equaliser, mixer), rated in volts.
    LineStage,
}

/// Which channels are driven for a claim.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RatingChannels {
    /// All channels driven together.
    All,
    /// Only the first channel driven.
    One,
    /// Channels 1 and 2, 3 and 4 and so on bridged, all pairs driven together.
    Bridged,
}

fn default_channels() -> usize {
    2
}

/// One claim: watts per channel or per bridge, or volts of a line stage, under named conditions.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rating {
    /// Claimed active power per driven channel or bridge, W; absent of a line stage.
    pub watts: Option<f64>,
    /// Claimed output voltage per driven channel, V rms; absent of a power amplifier.
    pub out_vrms: Option<f64>,
    /// Load per channel, or between the two outputs of a bridge, Ω.
    pub load_ohm: f64,
    /// Supply voltage at the amplifier's terminals, V dc.
    pub supply_v: f64,
    /// Channels driven.
    pub channels: RatingChannels,
    /// THD+N the claim is made at, %.
    pub thdn_pct: f64,
    /// Test tone, Hz.
    pub hz: f64,
}

impl Rating {
    /// What the load takes at the rating, W.
    pub fn load_w(&self) -> f64 {
        let by_volts = self.out_vrms.map(|out_vrms| out_vrms * out_vrms / self.load_ohm);
        self.watts.or(by_volts).unwrap_or_default()
    }
}

/// All physical parameters.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Physics {
    /// Small-signal gain, source to output EMF, dB.
    pub gain_db: f64,
    /// Deviation of each channel from `gain_db`, dB; empty for none. Far down it is a channel that is dead.
    #[serde(default)]
    pub gain_trim_db: Vec<f64>,
    /// From the supply terminals to the rails.
    pub supply: RailSupply,
    /// The output stage.
    pub output: Output,
    /// Shape of the static transfer at the limits.
    pub transfer: Transfer,
    /// Noise and hum at the output.
    pub noise: Noise,
    /// Switching residue; empty for a linear stage.
    #[serde(default)]
    pub residue: Vec<ResidueTone>,
    /// A level limiter ahead of the output stage, if any.
    pub limiter: Option<Limiter>,
    /// Heat.
    pub thermal: Thermal,
}

/// From supply terminals to symmetric rails: `rail = ratio·(v_supply − source_ohm·i_supply)`.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RailSupply {
    /// Rail voltage per volt at the converter's input.
    pub ratio: f64,
    /// Resistance of wiring and converter, referred to the supply terminals, Ω.
    pub source_ohm: f64,
    /// Time constant of the rails' first-order response to current, s.
    pub settle_s: f64,
    /// Regulation: the rails never exceed this, V. Absent: unregulated.
    pub rail_limit_v: Option<f64>,
    /// Efficiency of the converter, 0 to 1.
    pub converter_efficiency: f64,
    /// Supply current without signal, A.
    pub idle_a: f64,
    /// Below this supply voltage the amplifier is mute, V.
    pub minimum_v: f64,
}

/// How the output stage turns rail power into output power.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum OutputKind {
    /// Push-pull linear stage: each half draws its current from its own rail.
    ClassAb,
    /// Switching stage with a fixed conversion efficiency.
    ClassD,
}

/// The output stage.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Output {
    /// Class of operation.
    pub kind: OutputKind,
    /// Efficiency of a class-D stage, 0 to 1; must be absent for class AB.
    pub efficiency: Option<f64>,
    /// Voltage the stage cannot swing towards either rail, V.
    pub drop_v: f64,
    /// What each channel cannot swing beyond `drop_v`, V; empty for nothing.
    #[serde(default)]
    pub drop_trim_v: Vec<f64>,
    /// Output resistance, a divider with the load, Ω.
    pub resistance_ohm: f64,
    /// Positive limit grows and negative limit shrinks by this fraction.
    #[serde(default)]
    pub asymmetry: f64,
    /// Half width of the crossover dead zone, referred to the output, V.
    #[serde(default)]
    pub dead_zone_v: f64,
    /// Share of the signal lost inside the dead zone, 0 (none) to 1 (all).
    #[serde(default)]
    pub dead_zone_depth: f64,
    /// Dc offset at the output, V.
    #[serde(default)]
    pub dc_offset_v: f64,
    /// Peak output current of the protection, A. Absent: no current limit.
    pub current_limit_apk: Option<f64>,
}

/// Static transfer `y = L·φ(x/L)`, L being the voltage limit of that polarity.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(tag = "shape", rename_all = "snake_case", deny_unknown_fields)]
pub enum Transfer {
    /// φ(u) = u up to 1, then 1.
    Hard,
    /// φ(u) = u/(1+uᵖ)^(1/p): smooth knee, sharper with growing p.
    Soft {
        /// p, 1.5 to 60.
        sharpness: f64,
    },
    /// φ(u) = u − (4/27)u³ up to 1.5, then 1.
    Cubic,
}

/// Noise and hum at the output terminals.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Noise {
    /// White noise within 20 kHz of bandwidth, V rms.
    pub noise_vrms: f64,
    /// Fundamental of the hum, Hz.
    pub hum_hz: f64,
    /// Hum at 1, 2, 3 … times `hum_hz`, V rms each.
    #[serde(default)]
    pub hum_vrms: Vec<f64>,
}

/// One tone of switching residue, its amplitude follows the output fundamental.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ResidueTone {
    /// Frequency, Hz.
    pub hz: f64,
    /// Level relative to the output fundamental, dB.
    pub level_db: f64,
}

/// A feed-forward limiter: gain moves first-order towards the gain that holds the threshold.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Limiter {
    /// Output peak above which gain is reduced, V peak.
    pub threshold_vpk: f64,
    /// Time constant while gain falls, s.
    pub attack_s: f64,
    /// Time constant while gain recovers, s.
    pub release_s: f64,
    /// Input dB per output dB above the threshold. Absent: infinite.
    pub ratio: Option<f64>,
}

/// Two thermal nodes in a chain: die on heatsink on ambient, each first-order.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Thermal {
    /// Ambient temperature, °C.
    pub ambient_c: f64,
    /// Heatsink time constant, s (minutes for a real one).
    pub heatsink_tau_s: f64,
    /// Heatsink to ambient, °C per W.
    pub heatsink_c_per_w: f64,
    /// Die time constant, s.
    pub die_tau_s: f64,
    /// Die of one channel to heatsink, °C per W.
    pub die_c_per_w: f64,
    /// Die temperature where gain and rails begin to fold back, °C. Absent: never.
    pub foldback_c: Option<f64>,
    /// Gain lost per °C above `foldback_c`, dB.
    #[serde(default)]
    pub foldback_db_per_c: f64,
    /// Rail share lost per °C above `foldback_c`, %.
    #[serde(default)]
    pub foldback_rail_pct_per_c: f64,
    /// Die temperature where protection mutes all outputs, °C. Absent: never.
    pub trip_c: Option<f64>,
    /// How far below `trip_c` the die must be before protection lets go, °C.
    #[serde(default = "default_hysteresis_c")]
    pub trip_hysteresis_c: f64,
    /// How long the input must have been quiet before protection lets go, s.
    #[serde(default = "default_recover_s")]
    pub trip_recover_s: f64,
}

fn default_hysteresis_c() -> f64 {
    20.0
}

fn default_recover_s() -> f64 {
    1.0
}

/// Measuring band, Hz.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Lower edge, Hz.
    pub low_hz: f64,
    /// Upper edge, Hz.
    pub high_hz: f64,
}

impl Default for Band {
    /// 20 Hz to 20 kHz (AES17, from memory).
    fn default() -> Self {
        Self { low_hz: 20.0, high_hz: 20_000.0 }
    }
}
