//! Which operations a role has, and which placeholders their messages take.

use crate::role::Role;

/// What the messages of an operation can do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Effect {
    /// Asks.
    Asks,
    /// Switches an output off.
    SwitchesOff,
    /// Changes a setting that can neither energise nor raise anything.
    Sets,
    /// Can energise, or raise what is live.
    Energises,
    /// Feeds a watchdog.
    Feeds,
    /// Clears a protection that tripped, which can restore an output on some instruments.
    Clears,
}

/// One operation of a role.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OperationSpec {
    /// Its name in a dialect file.
    pub name: &'static str,
    /// Whether every dialect of the role must have it.
    pub required: bool,
    /// Whether it asks (has `query`) or tells (has `write`).
    pub asks: bool,
    /// Whether its messages may name `{channel}`.
    pub channel: bool,
    /// The value its messages must carry, if any.
    pub value: Option<&'static str>,
    /// Whether `{channel}` may take the place of that value: the operation is then carried out for each channel.
    pub or_channel: bool,
    /// Whether it may be asked again and again until it says yes.
    pub polls: bool,
    /// What its messages can do.
    pub effect: Effect,
}

impl OperationSpec {
    /// Whether its value is a number that limits can be set to.
    pub(crate) fn sets_a_number(&self) -> bool {
        !self.asks && self.value.is_some_and(|value| value != "format" && value != "order")
    }

    /// Which placeholders it takes, for people.
    pub(crate) fn known_names(&self) -> String {
        match (self.channel || self.or_channel, self.value) {
            (true, Some(value)) if self.or_channel => format!("use {{{value}}} or {{channel}}"),
            (true, Some("ohm")) => "use {channel} and {ohm}, or {tap} for the number of a tap".to_string(),
            (true, Some(value)) => format!("use {{channel}} and {{{value}}}"),
            (true, None) => "use {channel}".to_string(),
            (false, Some(value)) => format!("use {{{value}}}"),
            (false, None) => "it takes none".to_string(),
        }
    }
}

const fn tell(name: &'static str, channel: bool, value: Option<&'static str>) -> OperationSpec {
    let (or_channel, polls, effect) = (false, false, Effect::Sets);
    OperationSpec { name, required: true, asks: false, channel, value, or_channel, polls, effect }
}

const fn ask(name: &'static str, channel: bool) -> OperationSpec {
    OperationSpec { asks: true, effect: Effect::Asks, ..tell(name, channel, None) }
}

const fn does(mut spec: OperationSpec, effect: Effect) -> OperationSpec {
    spec.effect = effect;
    spec
}

const fn may(mut spec: OperationSpec) -> OperationSpec {
    spec.required = false;
    spec
}

/// Sets the delay after which an instrument that was not fed switches its outputs off, s; 0 is never.
const WATCHDOG_S: OperationSpec = may(tell("watchdog_s", false, Some("seconds")));
/// Tells a temperature of its own, of one of its inputs, °C.
const MEASURE_C: OperationSpec = may(ask("measure_c", true));
/// Feeds that watchdog.
const WATCHDOG_FEED: OperationSpec = may(does(tell("watchdog_feed", false, None), Effect::Feeds));

const SOURCE: &[OperationSpec] = &[
    tell("set_hz", true, Some("hz")),
    ask("get_hz", true),
    does(tell("set_vrms", true, Some("volts")), Effect::Energises),
    ask("get_vrms", true),
    may(ask("get_vrms_max", true)),
    does(tell("set_on", true, None), Effect::Energises),
    does(tell("set_off", true, None), Effect::SwitchesOff),
    ask("get_on", true),
    may(tell("set_burst_cycles", true, Some("cycles"))),
    may(tell("set_rest_cycles", true, Some("cycles"))),
    may(does(tell("set_rest_vrms", true, Some("volts")), Effect::Energises)),
    may(does(tell("set_burst_on", true, None), Effect::Energises)),
    may(tell("set_burst_off", true, None)),
    may(does(tell("restart_bursts", false, None), Effect::Energises)),
    may(tell("set_second_hz", true, Some("hz"))),
    may(tell("set_crest", true, Some("ratio"))),
    may(does(tell("set_noise_white", true, None), Effect::Energises)),
    may(does(tell("set_noise_pink", true, None), Effect::Energises)),
    may(tell("set_noise_off", true, None)),
    may(does(tell("set_second_vrms", true, Some("volts")), Effect::Energises)),
    may(does(tell("set_second_on", true, None), Effect::Energises)),
    may(tell("set_second_off", true, None)),
    MEASURE_C,
    WATCHDOG_S,
    WATCHDOG_FEED,
];

const LOAD: &[OperationSpec] = &[
    tell("set_ohm", true, Some("ohm")),
    ask("get_ohm", true),
    tell("connect", true, None),
    tell("disconnect", true, None),
    ask("get_connected", true),
    MEASURE_C,
];

const SUPPLY: &[OperationSpec] = &[
    does(tell("set_v", true, Some("volts")), Effect::Energises),
    ask("get_v", true),
    may(ask("get_v_max", true)),
    tell("set_limit_a", true, Some("amps")),
    ask("get_limit_a", true),
    may(ask("get_limit_a_max", true)),
    may(tell("set_protection_v", true, Some("volts"))),
    may(ask("get_protection_v", true)),
    may(does(tell("clear_protection", true, None), Effect::Clears)),
    does(tell("set_on", true, None), Effect::Energises),
    does(tell("set_off", true, None), Effect::SwitchesOff),
    ask("get_on", true),
    ask("measure_v", true),
    ask("measure_a", true),
    MEASURE_C,
    WATCHDOG_S,
    WATCHDOG_FEED,
];

const DIGITIZER: &[OperationSpec] = &[
    tell("set_points", false, Some("points")),
    ask("get_points", false),
    tell("set_interval_s", false, Some("interval_s")),
    ask("get_interval_s", false),
    tell("set_range_v", true, Some("volts")),
    ask("get_range_v", true),
    may(tell("set_format", false, Some("format"))),
    may(tell("set_byte_order", false, Some("order"))),
    tell("start", false, None),
    OperationSpec { polls: true, ..ask("wait", false) },
    may(ask("get_volts_per_code", true)),
    may(ask("get_offset_v", true)),
    OperationSpec { value: Some("channels"), or_channel: true, ..ask("fetch", false) },
    tell("abort", false, None),
    MEASURE_C,
];

const THERMOMETER: &[OperationSpec] = &[ask("measure_c", true)];

/// The operations of a role.
pub fn operations(role: Role) -> &'static [OperationSpec] {
    match role {
        Role::Source => SOURCE,
        Role::Load => LOAD,
        Role::Supply => SUPPLY,
        Role::Digitizer => DIGITIZER,
        Role::Thermometer => THERMOMETER,
    }
}

/// What the messages of an operation can do; one that no role has counts as energising.
pub(crate) fn effect(role: Role, name: &str) -> Effect {
    operations(role).iter().find(|spec| spec.name == name).map_or(Effect::Energises, |spec| spec.effect)
}
