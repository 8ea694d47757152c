use super::{Allowed, Check};

/// A digitizer's noise is far below this share of its range; what exceeds it comes in from outside (common practice,
/// no source).
const NOISE_OF_RANGE: f64 = 1e-3;
/// Direct voltage that a sound amplifier leaves at its output, V (common practice, no source).
const OUTPUT_DC_V: f64 = 0.1;
/// What a supply's own meter may add to its setting's tolerance, relative (common practice, no source).
const SUPPLY_METER: f64 = 0.01;
/// Below this a supply's meter can't tell an amplifier that idles from none, A.
const IDLE_A_LEAST: f64 = 0.005;
/// Share of all rated power together that an amplifier takes at idle at most; class A is told as wrong and may be
/// (common practice, no source).
const IDLE_SHARE: f64 = 0.25;
/// Most that a line stage takes, A (common practice, no source).
const LINE_IDLE_A: f64 = 2.0;
/// What a heatsink may have before a run, °C: a cold garage to an amplifier that was just driven hard (common practice).
const HEATSINK_C: (f64, f64) = (0.0, 60.0);
/// What the air of a room people work in has, °C.
const ROOM_C: (f64, f64) = (0.0, 50.0);
/// Two sensors of general kind agree within so much, °C: a heatsink is never colder than its room (second law; the
/// figure is common practice).
const SENSORS_AGREE_C: f64 = 3.0;

/// What one digitizer channel shows while nothing is played.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Idle {
    /// Amplifier channel, from 1.
    pub channel: u32,
    /// Whether it looks at a current.
    pub is_current: bool,
    /// Mean, V or A.
    pub dc: f64,
    /// Rms without the mean, V or A.
    pub rms: f64,
    /// Half-width of the offset that the bench file allows, V or A.
    pub offset: f64,
    /// Full scale, V or A.
    pub full_scale: f64,
    /// The amplifier is powered: then what the guard takes for silence is allowed, V rms, into so many ohm.
    pub powered: Option<(f64, f64)>,
}

/// Noise and direct component of one digitizer channel at idle.
#[must_use]
pub fn judge_idle(idle: &Idle) -> [Check; 2] {
    let (unit, word) = if idle.is_current { ("A", "current") } else { ("V", "voltage") };
    let state = if idle.powered.is_some() { "supply on" } else { "all off" };
    let channel = Some(idle.channel);
    let own_noise = NOISE_OF_RANGE * idle.full_scale;
    let scaled = |volts: f64, ohm: f64| if idle.is_current { volts / ohm } else { volts };
    let noise = match idle.powered {
        None => Allowed::at_most(own_noise, "0.1 % of the range"),
        Some((vrms, ohm)) => {
            Allowed::at_most(own_noise.max(scaled(vrms, ohm)), "idle_vrms_max of the limits")
        }
    };
    let dc = match idle.powered {
        None => Allowed::between(-idle.offset, idle.offset, "offset tolerance of the bench file"),
        Some((_, ohm)) => {
            let most = idle.offset + scaled(OUTPUT_DC_V, ohm);
            Allowed::between(-most, most, "offset tolerance and 0.1 V of the amplifier's own")
        }
    };
    let noise =
        Check::number(&format!("{word} noise, {state}"), channel, idle.rms, &format!("{unit} rms"), noise)
            .or_else("look for an open input, a loop of earths, a lead beside a mains cable");
    let dc = Check::number(&format!("{word} offset, {state}"), channel, idle.dc, unit, dc);
    let next = if idle.powered.is_some() {
        "take the load off and measure the amplifier's output with a plain meter: direct voltage harms what hangs on it"
    } else {
        "let the digitizer warm up and zero the sensor, or `wattproof calibrate` this channel"
    };
    [noise, dc.or_else(next)]
}

/// What the supply shows with its output on and the source off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Supplied {
    /// Voltage set, V.
    pub set_v: f64,
    /// Voltage read, V.
    pub read_v: Option<f64>,
    /// Current read, A.
    pub read_a: Option<f64>,
    /// Tolerance of the voltage, relative.
    pub tolerance: f64,
    /// All rated power of the amplifier together, W; none of a line stage.
    pub rated_w: Option<f64>,
}

/// Supply voltage and idle current.
#[must_use]
pub fn judge_supply(supplied: &Supplied) -> Vec<Check> {
    let mut checks = Vec::new();
    let silent = |name: &str| Check::not_told(name, None, "the supply did not tell in time", "run it again");
    let within = supplied.set_v * (2.0 * supplied.tolerance + SUPPLY_METER);
    checks.push(supplied.read_v.map_or_else(
        || silent("supply voltage"),
        |read_v| {
            let reason = "setting and reading by the bench file's tolerance, and 1 % for the meter";
            let allowed = Allowed::between(supplied.set_v - within, supplied.set_v + within, reason);
            Check::number("supply voltage", None, read_v, "V", allowed).refusing().or_else(
                "look for a current limit that holds it down, sense leads, and the supply's setting by hand",
            )
        },
    ));
    checks.push(match supplied.read_a {
        None => silent("idle current"),
        Some(read_a) if read_a.abs() < IDLE_A_LEAST => Check::not_told(
            "idle current",
            None,
            format!("{read_a:.4} A: the amplifier takes nothing, or less than the meter shows"),
            "if nothing comes out of it: remote turn-on, fuse, supply leads",
        ),
        Some(read_a) => {
            let allowed = match supplied.rated_w {
                Some(rated_w) => {
                    let most = IDLE_SHARE * rated_w / supplied.set_v;
                    Allowed::between(0.0, most, "a quarter of all rated power (common practice)")
                }
                None => Allowed::between(0.0, LINE_IDLE_A, "more than line stages take (common practice)"),
            };
            Check::number("idle current", None, read_a, "A", allowed)
                .or_else("switch off and look for a short, an oscillation, a second consumer on the supply")
        }
    });
    checks
}

/// The thermometer: plausible, alive, in agreement with one in the room if there is one. `readings_c` in the order in
/// which they were taken.
#[must_use]
pub fn judge_thermometer(readings_c: &[f64], ambient_c: Option<f64>) -> Vec<Check> {
    let Some(first_c) = readings_c.first().copied() else {
        return vec![Check::not_told("heatsink", None, "it was not read", "run it again")];
    };
    let range = |(low, high)| Allowed::between(low, high, "a room, or an amplifier that was just driven");
    let mut checks = vec![
        Check::number("heatsink", None, first_c, "°C", range(HEATSINK_C))
            .refusing()
            .or_else("let the amplifier cool, or see whether the sensor has come off or reads another unit"),
    ];
    let moved = readings_c.windows(2).any(|pair| matches!(pair, [a, b] if a.to_bits() != b.to_bits()));
    checks.push(if moved {
        let (low, high) =
            readings_c.iter().fold((first_c, first_c), |(low, high), c| (low.min(*c), high.max(*c)));
        let mut check = Check::number(
            "heatsink moves",
            None,
            high - low,
            "°C",
            Allowed { reason: "not twice the same".into(), ..Allowed::default() },
        );
        check.found = format!("{low:.3} to {high:.3} °C in {} readings", readings_c.len());
        check
    } else {
        Check::not_told(
            "heatsink moves",
            None,
            format!("{first_c} °C {} times: at rest, or frozen", readings_c.len()),
            "warm the sensor with a finger; once there is heat to follow, the guard trips on a frozen one",
        )
    });
    if let Some(ambient_c) = ambient_c {
        let room = Allowed::between(ROOM_C.0, ROOM_C.1, "the air of a room");
        checks.push(
            Check::number("ambient", None, ambient_c, "°C", room)
                .refusing()
                .or_else("see whether the ambient sensor has come off"),
        );
        let over = Allowed {
            low: Some(-SENSORS_AGREE_C),
            high: None,
            reason: "no heatsink is colder than its room".into(),
        };
        checks.push(
            Check::number("heatsink over ambient", None, first_c - ambient_c, "°C", over)
                .refusing()
                .or_else("see which of both sensors has come off, or whether they are exchanged"),
        );
    }
    checks
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::selfcheck::Told;

    fn results(checks: &[Check]) -> Vec<Told> {
        checks.iter().map(|check| check.result).collect()
    }

    /// Figures of the checks themselves: project definition.
    #[test]
    fn idle_channels_are_judged_by_range_and_offset_tolerance() {
        let idle = Idle {
            channel: 1,
            is_current: false,
            dc: 0.05,
            rms: 0.002,
            offset: 0.1,
            full_scale: 100.0,
            powered: None,
        };
        assert_eq!(results(&judge_idle(&idle)), [Told::Ok, Told::Ok]);
        assert_eq!(results(&judge_idle(&Idle { dc: -0.11, rms: 0.11, ..idle })), [Told::Wrong, Told::Wrong]);
        // With the amplifier on, its own 0.1 V and what the guard takes for silence come on top.
        let on = Idle { powered: Some((1.0, 4.0)), ..idle };
        assert_eq!(results(&judge_idle(&Idle { dc: 0.19, rms: 0.9, ..on })), [Told::Ok, Told::Ok]);
        assert_eq!(results(&judge_idle(&Idle { dc: 0.21, rms: 1.1, ..on })), [Told::Wrong, Told::Wrong]);
        let amps = Idle { is_current: true, full_scale: 50.0, offset: 0.05, ..on };
        assert_eq!(results(&judge_idle(&Idle { dc: 0.07, rms: 0.2, ..amps })), [Told::Ok, Told::Ok]);
        assert_eq!(results(&judge_idle(&Idle { dc: 0.08, rms: 0.3, ..amps })), [Told::Wrong, Told::Wrong]);
    }

    #[test]
    fn the_supply_is_judged_by_its_tolerance_and_the_amplifier_by_its_thirst() {
        let good = Supplied {
            set_v: 14.4,
            read_v: Some(14.41),
            read_a: Some(1.2),
            tolerance: 0.0005,
            rated_w: Some(100.0),
        };
        assert_eq!(results(&judge_supply(&good)), [Told::Ok, Told::Ok]);
        let bad = Supplied { read_v: Some(13.9), read_a: Some(2.0), ..good };
        assert_eq!(results(&judge_supply(&bad)), [Told::Wrong, Told::Wrong]);
        let line = |read_a| judge_supply(&Supplied { rated_w: None, read_a: Some(read_a), ..good })[1].result;
        assert_eq!([line(0.05), line(3.0)], [Told::Ok, Told::Wrong]);
        let silent = Supplied { read_v: None, read_a: Some(0.0), ..good };
        assert_eq!(results(&judge_supply(&silent)), [Told::NotTold, Told::NotTold]);
    }

    #[test]
    fn a_thermometer_must_be_plausible_and_agree_with_the_room() {
        assert_eq!(results(&judge_thermometer(&[25.0, 25.01], None)), [Told::Ok, Told::Ok]);
        // At rest and frozen look alike.
        assert_eq!(results(&judge_thermometer(&[25.0, 25.0], None)), [Told::Ok, Told::NotTold]);
        // 85 °C is what a common digital sensor reads before its first conversion (data sheets, from memory).
        assert_eq!(results(&judge_thermometer(&[85.0, 85.0], None))[0], Told::Wrong);
        assert_eq!(results(&judge_thermometer(&[-1.0, 0.0], None))[0], Told::Wrong);
        let both = judge_thermometer(&[25.0, 25.01], Some(24.0));
        assert_eq!(results(&both), [Told::Ok; 4]);
        assert_eq!(results(&judge_thermometer(&[20.0, 20.1], Some(24.0)))[3], Told::Wrong);
        assert_eq!(results(&judge_thermometer(&[20.0, 20.1], Some(85.0)))[2], Told::Wrong);
    }
}
