//! The gate: a command's value against the limits. Written as "beyond unless value <= limit", since every
//! comparison with NaN is false.

use crate::{Command, Limits, TripCause};

/// What the gate must know of the past.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Playing {
    /// Whether the source is on.
    pub source_on: bool,
    /// The loudest level set since the source was last off, V rms; until then the instrument may hold any.
    pub level_vrms: Option<f64>,
}

/// The limit that a command is beyond, if any.
pub(crate) fn beyond(limits: &Limits, playing: &Playing, command: &Command) -> Option<TripCause> {
    let l = limits;
    match *command {
        Command::SourceLevel { level_vrms } => too_loud(l, playing, [level_vrms, 0.0], level_vrms),
        // Both are looked at before the louder is picked: `max` would hide a NaN.
        Command::SourceBurst { level_vrms, rest_vrms } => {
            too_loud(l, playing, [level_vrms, rest_vrms], level_vrms.max(rest_vrms))
        }
        Command::SourceTwoTone { level_vrms, second_vrms, second_hz } => {
            too_loud(l, playing, [level_vrms, second_vrms], level_vrms + second_vrms)
                .or_else(|| below("source frequency", second_hz, f64::MIN_POSITIVE))
        }
        Command::SourceFrequency { hz } => below("source frequency", hz, f64::MIN_POSITIVE),
        Command::SupplyVolts { volts_v } => {
            above("supply_v_max", volts_v, l.supply_v_max).or_else(|| below("supply volts", volts_v, 0.0))
        }
        Command::SupplyAmps { amps_a } => {
            above("supply_a_max", amps_a, l.supply_a_max).or_else(|| below("supply amps", amps_a, 0.0))
        }
        Command::LoadOhm { load_ohm } => below("load_ohm_min", load_ohm, l.load_ohm_min),
        Command::SourceOn if !playing.source_on => unprepared(l, playing),
        Command::SourceOn | Command::SupplyOn => None,
    }
}

/// Switching on is a jump from nothing to the level set.
fn unprepared(limits: &Limits, playing: &Playing) -> Option<TripCause> {
    let Some(level_vrms) = playing.level_vrms else {
        let what = "the source was to be switched on before its level was set: it may hold any".into();
        return Some(TripCause::Run { what });
    };
    too_steep(limits, &Playing { source_on: true, level_vrms: None }, level_vrms)
}

/// Levels that make no sense, or together more than the source may give or than it may rise at once.
fn too_loud(limits: &Limits, playing: &Playing, levels: [f64; 2], loudest_vrms: f64) -> Option<TripCause> {
    let max = limits.source_vrms_max;
    let each = levels
        .into_iter()
        .find_map(|level| above("source_vrms_max", level, max).or_else(|| below("source level", level, 0.0)));
    each.or_else(|| above("source_vrms_max", loudest_vrms, max))
        .or_else(|| too_steep(limits, playing, loudest_vrms))
}

/// A quick jump upwards near full level catches an amplifier, and a load, unprepared.
fn too_steep(limits: &Limits, playing: &Playing, level_vrms: f64) -> Option<TripCause> {
    let allowed_vrms = limits.next_step_vrms(playing.level_vrms.unwrap_or(0.0));
    let step_db = limits.source_step_db_max + 20.0 * (level_vrms / allowed_vrms).log10();
    // Staying, going down, or to zero, gives no step, a negative or minus infinite one, and passes.
    above("source_step_db_max", step_db, limits.source_step_db_max + 1e-9).filter(|_| playing.source_on)
}

pub(crate) fn above(limit: &str, value: f64, allowed: f64) -> Option<TripCause> {
    let inside = value <= allowed;
    (!inside).then(|| TripCause::Asked { limit: limit.into(), value, allowed })
}

fn below(limit: &str, value: f64, allowed: f64) -> Option<TripCause> {
    let inside = value >= allowed && value.is_finite();
    (!inside).then(|| TripCause::Asked { limit: limit.into(), value, allowed })
}
