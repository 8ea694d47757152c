//! Amplifiers of other than two channels, and bridges.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test may stop at once")]

mod bench;

use bench::{band_rms, ideal, tone};
use wattproof_virtual_bench::{
    AmplifierSpec, BridgeInputs, Drive, Load, RatingChannels, Truth, TruthQuery, World, catalogue, truth,
    truth_at,
};

const FS_HZ: f64 = 192_000.0;

fn query(spec: &AmplifierSpec, channels: RatingChannels) -> TruthQuery {
    let rating = spec.nameplate.ratings.iter().find(|rating| rating.channels == channels).unwrap();
    TruthQuery::of(spec, rating)
}

fn of(spec: &AmplifierSpec, channels: RatingChannels) -> Truth {
    truth(spec, &query(spec, channels)).unwrap()
}

/// A powered world that plays on every channel into resistors, settled.
fn playing(world: World, ohm: f64, vrms: f64) -> World {
    let mut world = world;
    let channels = world.spec().channels();
    world.supply_set(14.4, 1.0e3, true);
    for channel in 0..channels {
        world.load_set(channel, Load::resistive(ohm).unwrap(), true);
    }
    world.advance(0.5);
    for channel in 0..channels {
        world.source_set(channel, Drive::Sine { vrms, hz: 1_000.0 }, true);
    }
    world.advance(4.0);
    world
}

/// Algebra, and common practice: across a bridge lies twice one side's voltage, each side sees half the load, so the
/// bridge gives twice what one channel gives into half of it, and four times what it gives into the same load while
/// nothing but the voltage bounds it.
#[test]
fn a_bridge_gives_twice_what_a_channel_gives_into_half_the_load() {
    let spec = ideal("");
    let at = |load_ohm: f64, bridged: bool| {
        let channels_driven = if bridged { 1 } else { 2 };
        truth(&spec, &TruthQuery { load_ohm, bridged, channels_driven, ..TruthQuery::default() }).unwrap()
    };
    let (bridged, half, same) = (at(4.0, true), at(2.0, false), at(4.0, false));
    assert!(
        (bridged.power_w / (2.0 * half.power_w) - 1.0).abs() < 1e-9,
        "{} {}",
        bridged.power_w,
        half.power_w
    );
    assert!(
        (bridged.power_w / (4.0 * same.power_w) - 1.0).abs() < 1e-9,
        "{} {}",
        bridged.power_w,
        same.power_w
    );
    assert!((bridged.source_vrms / half.source_vrms - 1.0).abs() < 1e-9);
    assert!((bridged.supply_a / half.supply_a - 1.0).abs() < 1e-9, "the supply can't tell the two apart");
}

/// One supply that sags: all channels together pull it down more than one.
#[test]
fn four_channels_share_one_supply() {
    let spec = catalogue::amplifier("quartet").unwrap();
    let (all, one) = (of(&spec, RatingChannels::All), of(&spec, RatingChannels::One));
    println!("all {:?}\none {:?}\nbridged {:?}", all, one, of(&spec, RatingChannels::Bridged));
    assert!(all.full_power_w < 0.95 * one.full_power_w, "{} {}", all.full_power_w, one.full_power_w);
    assert!(all.supply_a > 2.5 * one.supply_a);
    for (channels, words) in [(0, "0"), (5, "5")] {
        let wrong = TruthQuery { channels_driven: channels, ..TruthQuery::default() };
        assert!(truth(&spec, &wrong).unwrap_err().to_string().contains(words));
    }
}

/// Samples and model are two ways to the same output: every channel, and every bridge with both of its sides.
#[test]
fn samples_agree_with_the_model_channel_by_channel_and_across_bridges() {
    let spec = catalogue::amplifier("quartet").unwrap();
    for channels in [RatingChannels::All, RatingChannels::Bridged] {
        let bridged = channels == RatingChannels::Bridged;
        let query = query(&spec, channels);
        let source_vrms = truth(&spec, &query).unwrap().source_vrms;
        let world = World::new(spec.clone(), 7);
        let world = if bridged { world.bridge(BridgeInputs::Dividers) } else { world };
        let mut world = playing(world, query.load_ohm, source_vrms);
        let level =
            truth_at(&spec, &TruthQuery { heatsink_c: world.heatsink_c(), ..query }, source_vrms).unwrap();
        let raw = world.capture(world.now_s(), FS_HZ, 19_200);
        assert_eq!((raw.volts.len(), raw.amps.len()), (4, 4));
        let outputs: Vec<Vec<f64>> = if bridged {
            let pairs = raw.volts.chunks(2);
            pairs.map(|pair| pair[0].iter().zip(&pair[1]).map(|(p, n)| p - n).collect()).collect()
        } else {
            raw.volts.clone()
        };
        assert_eq!(outputs.len(), level.out_vrms.len());
        for (index, (volts, model_vrms)) in outputs.iter().zip(&level.out_vrms).enumerate() {
            let vrms = band_rms(volts, FS_HZ);
            assert!((vrms / model_vrms - 1.0).abs() < 5e-4, "{index}: {vrms} {model_vrms}");
            let amps = &raw.amps[if bridged { 2 * index } else { index }];
            // Ohm's law at every sample.
            let off = volts.iter().zip(amps).map(|(v, a)| (v - a * query.load_ohm).abs()).fold(0.0, f64::max);
            assert!(off < 1e-9, "{index}: {off} V off");
        }
        if bridged {
            let back: f64 =
                raw.amps[0].iter().zip(&raw.amps[1]).map(|(a, b)| (a + b).abs()).fold(0.0, f64::max);
            assert!(back < 1e-9, "what leaves one side comes back by the other: {back} A");
        }
    }
}

/// The fault of a bridge: both sides alike, next to nothing between them, no current.
#[test]
fn sides_in_phase_leave_nothing_between_them() {
    let spec = catalogue::amplifier("quartet").unwrap();
    let mut world = playing(World::new(spec, 7).bridge(BridgeInputs::Dividers), 4.0, 0.1);
    let between = |world: &mut World| {
        let raw = world.capture(world.now_s(), FS_HZ, 1_920);
        let difference: Vec<f64> = raw.volts[0].iter().zip(&raw.volts[1]).map(|(p, n)| p - n).collect();
        let of = |record: &[f64]| tone(record, FS_HZ, 1_000.0);
        (of(&difference), of(&raw.volts[0]), of(&raw.amps[0]))
    };
    let (whole_v, side_v, load_a) = between(&mut world);
    assert!((whole_v / (2.0 * side_v) - 1.0).abs() < 0.01 && (whole_v / load_a / 4.0 - 1.0).abs() < 1e-6);
    world.ail(|ailments| ailments.bridge_in_phase = true);
    world.advance(world.now_s() + 0.5);
    let (whole_v, side_v, load_a) = between(&mut world);
    assert!(side_v > 3.0 && whole_v < 0.02 * side_v && load_a < 1e-3, "{whole_v} {side_v} {load_a}");
}

#[test]
fn a_description_that_does_not_fit_its_channels_is_refused() {
    let text = catalogue::text("quartet").unwrap();
    let refused =
        |from: &str, to: &str| AmplifierSpec::from_toml(&text.replacen(from, to, 1)).unwrap_err().to_string();
    assert!(refused("channels = 4", "channels = 0").contains("nameplate.channels"));
    assert!(refused("channels = 4", "channels = 9").contains("nameplate.channels"));
    assert!(refused("channels = 4", "channels = 2").contains("physics.gain_trim_db"));
    let three = text.replace("[0.0, -0.04, 0.03, -0.02]", "[]").replace("[0.0, 0.12, -0.05, 0.2]", "[]");
    let odd = AmplifierSpec::from_toml(&three.replacen("channels = 4", "channels = 3", 1)).unwrap_err();
    assert!(odd.to_string().contains("even where a rating is for bridges"), "{odd}");
    for channels in [2, 6, 8] {
        let text = three.replacen("channels = 4", &format!("channels = {channels}"), 1);
        let spec = AmplifierSpec::from_toml(&text).unwrap();
        assert_eq!(
            (spec.channels(), World::new(spec, 1).capture(0.0, 96_000.0, 16).volts.len()),
            (channels, channels)
        );
    }
}
