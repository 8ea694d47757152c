//! Slow behaviour, the built-in amplifiers, and capture against truth.

mod bench;

use bench::{band_rms, ideal, playing, thd_pct, tone};
use wattproof_virtual_bench::amplifier::Limiter;
use wattproof_virtual_bench::{
    AmplifierSpec, Drive, Load, OutputState, PlateKind, SpecError, TruthCause, TruthError, TruthQuery, World,
    catalogue, truth, truth_at,
};

const FS_HZ: f64 = 192_000.0;
/// A channel of it is dead: no level of it is clean, so that it has no ceiling.
const DEAD: &str = "dead";

/// Those with a ceiling.
fn playing_names() -> impl Iterator<Item = &'static str> {
    catalogue::names().filter(|name| *name != DEAD)
}

/// Two independent ways to the same number: the sample-level path and the steady-state solution.
#[test]
fn capture_agrees_with_truth_at_the_ceiling_of_every_amplifier() {
    for name in playing_names() {
        let spec = catalogue::amplifier(name).unwrap();
        let cold = truth(&spec, &TruthQuery::default()).unwrap();
        let mut world = playing(spec.clone(), 14.4, 4.0, cold.source_vrms, 1_000.0, 4.0);
        assert!(!world.tripped(), "{name} tripped at its ceiling");
        let query = TruthQuery { heatsink_c: world.heatsink_c(), ..TruthQuery::default() };
        let raw = world.capture(world.now_s(), FS_HZ, 19_200);
        let level = truth_at(&spec, &query, cold.source_vrms).unwrap();
        for ch in 0..2 {
            let rms = band_rms(&raw.volts[ch], FS_HZ);
            assert!(
                (rms / level.out_vrms[ch] - 1.0).abs() < 5.0e-4,
                "{name} {ch}: {rms} {:?}",
                level.out_vrms
            );
            let (thd, _) = thd_pct(&raw.volts[ch], FS_HZ, 1_000.0);
            // Below 0.05 % the record's own noise decides.
            let close =
                (thd / level.thd_pct[ch] - 1.0).abs() < 0.01 || (thd < 0.05 && level.thd_pct[ch] < 0.05);
            assert!(close, "{name} {ch}: THD {thd} for {:?}", level.thd_pct);
        }
        let meter = world.supply_a();
        assert!((meter / level.supply_a - 1.0).abs() < 2.0e-3, "{name}: {meter} A for {} A", level.supply_a);
    }
}

#[test]
fn every_amplifier_file_is_built_in_and_consistent() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/amplifiers");
    let mut files: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|f| f.unwrap().file_name().into_string().unwrap())
        .filter_map(|f| f.strip_suffix(".toml").map(str::to_owned))
        .collect();
    files.sort();
    assert_eq!(files, catalogue::names().collect::<Vec<_>>());
    for name in catalogue::names() {
        let spec = catalogue::amplifier(name).unwrap();
        assert_eq!(spec.name, name);
        assert_eq!(spec.nameplate.ratings.len(), 3, "{name}");
        for (k, r) in spec.nameplate.ratings.iter().enumerate() {
            let answer = truth(&spec, &TruthQuery::of(&spec, r));
            if name == DEAD {
                assert!(matches!(answer, Err(TruthError::NoCeiling { .. })), "{k}: {answer:?}");
                continue;
            }
            let t = answer.unwrap();
            if spec.nameplate.kind == PlateKind::LineStage {
                let ratio = t.out_vrms / r.out_vrms.unwrap();
                assert!(t.thdn_pct <= r.thdn_pct && (ratio - 1.0).abs() > 0.03, "{name} {k}: {t:?}");
                continue;
            }
            assert!(t.thdn_pct <= r.thdn_pct && t.power_w > 1.0 && t.power_w < 500.0, "{name} {k}: {t:?}");
            assert!(t.burst_power_w > 0.999 * t.power_w, "{name} {k}: {t:?}");
            assert!(t.efficiency > 0.2 && t.efficiency < 0.95, "{name} {k}: {t:?}");
            let ratio = t.power_w / r.watts.unwrap();
            match name {
                "honest" => assert!(ratio > 1.03, "{k}: {ratio}"),
                "short" => assert!((0.5..=0.7).contains(&ratio), "{k}: {ratio}"),
                _ => assert!((ratio - 1.0).abs() > 0.03, "{name} {k}: too close to call, {ratio}"),
            }
        }
    }
}

#[test]
fn each_amplifier_stops_for_its_own_cause() {
    let wanted = [
        ("honest", 0, TruthCause::Clipping),
        ("limiting", 0, TruthCause::Limiting),
        ("sagging", 0, TruthCause::Sag),
        ("crossover", 0, TruthCause::Clipping),
        ("hot", 0, TruthCause::Clipping),
        ("hot", 1, TruthCause::Protection),
        ("soft", 0, TruthCause::SoftClipping),
        ("starved", 0, TruthCause::DriveExhausted),
        ("folding", 1, TruthCause::Thermal),
    ];
    for (name, rating, cause) in wanted {
        let spec = catalogue::amplifier(name).unwrap();
        let t = truth(&spec, &TruthQuery::of(&spec, &spec.nameplate.ratings[rating])).unwrap();
        assert_eq!(t.cause, cause, "{name} rating {rating}: {t:?}");
    }
}

#[test]
fn crossover_and_noise_at_low_level_are_no_ceiling() {
    for (name, low_vrms) in [("crossover", 0.06), ("noisy", 0.01)] {
        let spec = catalogue::amplifier(name).unwrap();
        let q = TruthQuery::default();
        assert!(truth_at(&spec, &q, low_vrms).unwrap().thdn_pct[0] > 1.0, "{name}: no bump");
        let t = truth(&spec, &q).unwrap();
        assert!(
            truth_at(&spec, &q, t.source_vrms * 0.8).unwrap().thdn_pct[0] < 1.0,
            "{name}: not fine below"
        );
        assert!(t.source_vrms > 5.0 * low_vrms, "{name}: {t:?}");
    }
}

/// Time to 63 % of the gain drop is the attack time constant (definition of a first-order response).
#[test]
fn limiter_attack_takes_its_time_constant() {
    let mut spec = ideal("");
    spec.physics.limiter = Some(Limiter { threshold_vpk: 5.0, attack_s: 0.04, release_s: 0.3, ratio: None });
    let mut world = playing(spec, 40.0, 8.0, 0.1, 1_000.0, 0.1);
    for ch in 0..2 {
        world.source_set(ch, Drive::Sine { vrms: 1.0, hz: 1_000.0 }, true);
    }
    let raw = world.capture(world.now_s(), FS_HZ, 192 * 400);
    let envelope: Vec<f64> = raw.volts[0].chunks(192).map(|c| tone(c, FS_HZ, 1_000.0)).collect();
    let (first, last) = (10.0 * 2.0_f64.sqrt(), *envelope.last().unwrap());
    assert!((last - 5.0).abs() < 0.01, "settles at {last} V");
    let target = last + (first - last) * (-1.0_f64).exp();
    let k = envelope.iter().position(|v| *v < target).unwrap();
    let part = (envelope[k - 1] - target) / (envelope[k - 1] - envelope[k]);
    let attack_s = (k as f64 - 0.5 + part) * 1.0e-3;
    assert!((attack_s / 0.04 - 1.0).abs() < 0.02, "attack {attack_s} s");
}

#[test]
fn protection_trips_and_lets_go_after_a_quiet_second() {
    let spec = catalogue::amplifier("hot").unwrap();
    let t = truth(&spec, &TruthQuery { load_ohm: 2.0, ..TruthQuery::default() }).unwrap();
    let drive = |world: &mut World, vrms: f64, on: bool| {
        for ch in 0..2 {
            world.source_set(ch, Drive::Sine { vrms, hz: 1_000.0 }, on);
        }
    };
    let mut below = playing(spec.clone(), 14.4, 2.0, t.source_vrms * 0.97, 1_000.0, 5.0);
    assert!(!below.tripped(), "tripped below its ceiling");
    assert!(below.output(0).unwrap().out_vrms > 10.0);
    drive(&mut below, t.source_vrms * 1.05, true);
    below.advance(below.now_s() + 5.0);
    assert!(below.tripped());
    let raw = below.capture(below.now_s(), FS_HZ, 1_920);
    assert!(raw.volts[0].iter().all(|v| v.abs() < 1.0e-9), "muted output still sounds");
    assert_eq!(below.output(0).unwrap().state, OutputState::Tripped);
    below.advance(below.now_s() + 5.0);
    assert!(below.tripped(), "let go although still driven");
    drive(&mut below, 0.0, false);
    below.advance(below.now_s() + 0.9);
    assert!(below.tripped(), "let go too early");
    below.advance(below.now_s() + 2.0);
    assert!(!below.tripped(), "never let go");
}

#[test]
fn the_same_seed_gives_the_same_samples_and_another_does_not() {
    let run = |seed: u64| {
        let mut world = World::new(catalogue::amplifier("noisy").unwrap(), seed);
        world.supply_set(14.4, 50.0, true);
        world.source_set(0, Drive::Sine { vrms: 0.2, hz: 997.0 }, true);
        world.advance(0.3);
        world.capture(0.35, FS_HZ, 2_000)
    };
    assert_eq!(run(3), run(3));
    assert_ne!(run(3).volts, run(4).volts);
}

/// Noise in 20 kHz as specified: 20 mV plus hum at the terminals (definition).
#[test]
fn silence_has_the_specified_noise() {
    let spec = catalogue::amplifier("noisy").unwrap();
    let mut world = playing(spec, 14.4, 4.0, 0.0, 1_000.0, 0.1);
    let raw = world.capture(world.now_s(), FS_HZ, 192_000);
    let got = band_rms(&raw.volts[0], FS_HZ);
    let hum: f64 = [0.006_f64, 0.003, 0.002].iter().map(|v| (v * 4.0 / 4.04).powi(2)).sum();
    let wanted = (0.02_f64.powi(2) * 0.999 + hum).sqrt();
    assert!((got / wanted - 1.0).abs() < 0.01, "{got} for {wanted}");
}

#[test]
fn residue_follows_the_output_and_stays_below_nyquist() {
    let spec = catalogue::amplifier("switching").unwrap();
    let mut world = playing(spec, 14.4, 4.0, 0.3, 1_000.0, 0.5);
    let raw = world.capture(world.now_s(), FS_HZ, 19_200);
    let v1 = tone(&raw.volts[0], FS_HZ, 1_000.0);
    assert!((tone(&raw.volts[0], FS_HZ, 43_000.0) / v1 - 0.1).abs() < 1.0e-3);
    let slow = world.capture(world.now_s(), 48_000.0, 4_800);
    assert!(tone(&slow.volts[0], 48_000.0, 5_000.0) / v1 < 1.0e-4, "residue folded back");
}

#[test]
fn a_current_limited_supply_drops_its_voltage() {
    let mut world = playing(catalogue::amplifier("honest").unwrap(), 14.4, 2.0, 0.7, 1_000.0, 1.0);
    assert!((world.supply_v() - 14.4).abs() < 1.0e-6);
    world.supply_set(14.4, 46.0, true);
    world.advance(world.now_s() + 2.0);
    assert!(
        world.supply_in_current_limit() && world.supply_v() < 14.0,
        "{} V {} A",
        world.supply_v(),
        world.supply_a()
    );
    assert!((world.supply_a() - 46.0).abs() < 0.1, "{} A", world.supply_a());
}

#[test]
fn a_burst_is_gated_in_whole_cycles() {
    let mut world = playing(ideal(""), 40.0, 8.0, 0.0, 1_000.0, 0.1);
    let burst = Drive::Burst { vrms: 1.0, rest_vrms: 0.1, hz: 1_000.0, on_cycles: 3, off_cycles: 7 };
    world.source_set(0, burst, true);
    let raw = world.capture(world.now_s(), FS_HZ, 1_920 * 2);
    let levels: Vec<f64> = raw.volts[0].chunks(192).map(|c| tone(c, FS_HZ, 1_000.0)).collect();
    for (k, v) in levels.iter().enumerate() {
        let wanted = if k % 10 < 3 { 10.0 } else { 1.0 } * 2.0_f64.sqrt();
        assert!((v / wanted - 1.0).abs() < 0.02, "cycle {k}: {v}");
    }
}

#[test]
fn two_tones_pass_at_their_own_levels() {
    let mut world = playing(ideal(""), 40.0, 8.0, 0.0, 1_000.0, 0.1);
    let drive = Drive::TwoTone { vrms_1: 0.4, hz_1: 60.0, vrms_2: 0.1, hz_2: 7_000.0 };
    world.source_set(0, drive, true);
    let raw = world.capture(world.now_s() + 0.1, FS_HZ, 19_200);
    for (hz, vrms) in [(60.0, 4.0), (7_000.0, 1.0)] {
        let got = tone(&raw.volts[0], FS_HZ, hz);
        assert!((got / (vrms * 2.0_f64.sqrt()) - 1.0).abs() < 1.0e-5, "{hz} Hz: {got}");
    }
}

/// A tone keeps its phase from one record to the next, so records can be joined.
#[test]
fn consecutive_captures_join() {
    let mut world = playing(ideal(""), 40.0, 8.0, 1.0, 1_234.5, 0.1);
    let a = world.capture(world.now_s(), FS_HZ, 1_000);
    let b = world.capture(world.now_s(), FS_HZ, 1_000);
    let joined: Vec<f64> = a.volts[0].iter().chain(&b.volts[0]).copied().collect();
    let w = std::f64::consts::TAU * 1_234.5 / FS_HZ;
    for k in 990..1_010 {
        // A sine satisfies x[k+1] + x[k−1] = 2 cos(w) x[k] exactly.
        let gap = joined[k + 1] + joined[k - 1] - 2.0 * w.cos() * joined[k];
        assert!(gap.abs() < 1.0e-5, "sample {k}: {gap}");
    }
}

#[test]
fn a_minute_of_testing_moves_the_truth_less_than_three_parts_in_a_thousand() {
    for name in playing_names() {
        let spec = catalogue::amplifier(name).unwrap();
        let q = TruthQuery { load_ohm: 2.0, ..TruthQuery::default() };
        let before = truth(&spec, &q).unwrap();
        let mut world = playing(spec.clone(), 14.4, 2.0, 0.0, 1_000.0, 0.0);
        // Thirty percent of the minute at 0.97 of the ceiling: more than any ceiling search takes.
        for _ in 0..12 {
            for (vrms, seconds) in [(0.97 * before.source_vrms, 1.5), (0.0, 3.5)] {
                for ch in 0..2 {
                    world.source_set(ch, Drive::Sine { vrms, hz: 1_000.0 }, true);
                }
                world.advance(world.now_s() + seconds);
            }
        }
        let after = truth(&spec, &TruthQuery { heatsink_c: world.heatsink_c(), ..q }).unwrap();
        let moved = (after.power_w / before.power_w - 1.0).abs();
        assert!(moved < 3.0e-3, "{name}: {moved} after {} °C", world.heatsink_c());
    }
}

#[test]
fn faulty_descriptions_are_refused_with_the_field_named() {
    let good = catalogue::text("honest").unwrap();
    let unknown = good.replace("gain_db =", "gain_of_it =");
    assert!(matches!(AmplifierSpec::from_toml(&unknown), Err(SpecError::Syntax { .. })));
    for (from, to, field) in [
        ("invented = true", "invented = false", "invented"),
        ("converter_efficiency = 0.86", "converter_efficiency = 1.5", "physics.supply.converter_efficiency"),
        ("kind = \"class_ab\"", "kind = \"class_d\"", "physics.output.efficiency"),
        ("gain_db = 30.0", "gain_db = nan", "physics.gain_db"),
    ] {
        assert!(good.contains(from), "{from}");
        match AmplifierSpec::from_toml(&good.replace(from, to)) {
            Err(SpecError::Value { field: named, .. }) => assert_eq!(named, field),
            other => panic!("{from} -> {to}: {other:?}"),
        }
    }
    assert!(matches!(catalogue::amplifier("nobody"), Err(SpecError::Unknown { .. })));
    assert!(Load::resistive(0.0).is_err());
}
