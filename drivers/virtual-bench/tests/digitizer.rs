//! Records through front end, converter and wire, against the world's own truth and closed forms.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic, reason = "a test may stop at once")]

mod rig;

use proptest::prelude::*;
use rig::{Rig, rms};
use wattproof_scpi::samples::decode;
use wattproof_scpi::{ByteOrder, SampleFormat};
use wattproof_virtual_bench::{Quantity, Role};

/// 100 cycles of 1 kHz at 200 kHz.
const POINTS: usize = 20_000;

#[test]
fn rms_is_the_worlds_own_within_the_stated_tolerance() {
    let mut rig = Rig::new("honest", 16);
    rig.play(0.3);
    rig.send(Role::Digitizer, "SENS1:VOLT:RANG 1;:SENS2:VOLT:RANG 1;:SENS3:VOLT:RANG 1;:SENS4:VOLT:RANG 1");
    let volts = rig.record(POINTS, "1:4");
    let now_s = rig.now_s();
    for channel in rig.front_end.channels.clone() {
        let got = rms(&volts[channel.channel as usize - 1]);
        let output = channel.output as usize - 1;
        let truth = rig.stand.look(now_s, |w| w.output(output).expect("an output").out_vrms);
        // Ohm's law at the 4 ohm load.
        let truth = if channel.quantity == Quantity::Volts { truth } else { truth / 4.0 };
        let nominal = got * channel.per_volt / truth - 1.0;
        assert!(nominal.abs() * 100.0 <= channel.tolerance_pct + 0.02, "{channel:?}: {nominal}");
        // With the front end's true gain only noise, quantisation and the world's own steps are left.
        let exact = got * channel.true_per_volt() / truth - 1.0;
        assert!(exact.abs() < 2.0e-4, "{channel:?}: {exact}");
    }
}

#[test]
fn front_end_errors_are_seeded_different_and_within_tolerance() {
    let rig = Rig::new("honest", 16);
    let errors: Vec<f64> =
        rig.front_end.channels.iter().map(|c| (c.true_per_volt() / c.per_volt - 1.0) * 100.0).collect();
    assert!(errors.iter().all(|e| e.abs() <= 0.1001 && e.abs() > 1.0e-6), "{errors:?}");
    assert!(errors.windows(2).all(|w| (w[0] - w[1]).abs() > 1.0e-6), "{errors:?}");
    assert_eq!(rig.front_end, Rig::new("honest", 16).front_end);
}

#[test]
fn every_format_and_order_gives_the_same_volts() {
    for bits in [12, 16, 24] {
        let mut rig = Rig::new("honest", 24);
        rig.play(0.3);
        rig.send(Role::Digitizer, &format!("SENS:VOLT:RES:BITS {bits};:SENS1:VOLT:RANG 2"));
        let reference = &rig.record(256, "1")[0];
        assert!(rms(reference) > 0.3);
        let step_v = 2.0 / 2f64.powi(bits - 1);
        // INTeger values are multiples of the converter's own step, whatever they are carried in.
        assert!(reference.iter().all(|v| (v / step_v).fract() == 0.0));
        let formats = [
            ("INT,16", SampleFormat::Int16, 2.0 / 2f64.powi(15)),
            ("INT,32", SampleFormat::Int32, 2.0 / 2f64.powi(31)),
            ("REAL,32", SampleFormat::Real32, 1.0),
            ("REAL,64", SampleFormat::Real64, 1.0),
        ];
        for (name, format, unit_v) in formats {
            for (word, order) in [("NORM", ByteOrder::Big), ("SWAP", ByteOrder::Little)] {
                assert_eq!(rig.text(Role::Digitizer, &format!("FORM {name};FORM?")), name);
                assert_eq!(rig.text(Role::Digitizer, &format!("FORM:BORD {word};BORD?")), word);
                let response = rig.ask(Role::Digitizer, "FETC? (@1)");
                let samples = decode(response.block().expect("a block"), format, order).expect("samples");
                assert_eq!(samples.len(), reference.len());
                // Half a step of 16 bits, or of a single's 24, of the 2 V range.
                let within_v = if format == SampleFormat::Int16 { 1.0 / 32_768.0 } else { 1.0e-7 };
                let worst =
                    samples.iter().zip(reference).map(|(s, r)| (s * unit_v - r).abs()).fold(0.0, f64::max);
                assert!(worst <= within_v, "{bits} bits, {name}, {word}: {worst}");
            }
        }
        let text = rig.ask(Role::Digitizer, "FORM ASC;:FETC? (@1)").numbers().expect("numbers");
        assert!(text.iter().zip(reference).all(|(t, r)| (t - r).abs() < 1.0e-12));
        assert_eq!(rig.error(Role::Digitizer), 0);
    }
}

#[test]
fn channels_come_in_the_order_asked() {
    let mut rig = Rig::new("honest", 16);
    rig.play(0.3);
    let all = rig.record(64, "1:4");
    let fetch = |rig: &mut Rig, list: &str| {
        let response = rig.ask(Role::Digitizer, &format!("FORM REAL,64;:FETC? (@{list})"));
        decode(response.block().expect("a block"), SampleFormat::Real64, ByteOrder::Big).expect("samples")
    };
    assert_eq!(fetch(&mut rig, "3,1"), [all[2].clone(), all[0].clone()].concat());
    assert_eq!(fetch(&mut rig, "1:4"), all.concat());
}

#[test]
fn a_record_that_meets_the_range_is_clipped_and_questionable() {
    let mut rig = Rig::new("honest", 16);
    rig.play(0.6);
    rig.send(Role::Digitizer, "SENS1:VOLT:RANG 1;:SENS3:VOLT:RANG 5");
    let volts = rig.record(POINTS, "1,3");
    let top = |v: &[f64]| v.iter().copied().fold(f64::MIN, f64::max);
    assert_eq!(top(&volts[0]), 1.0 - 1.0 / 32_768.0);
    assert!(volts[0].iter().any(|v| *v == -1.0));
    assert!(top(&volts[1]) > 1.2 && top(&volts[1]) < 1.5, "{}", top(&volts[1]));
    assert_eq!(rig.number(Role::Digitizer, "STAT:QUES:COND?"), 1.0);
    rig.send(Role::Digitizer, "SENS1:VOLT:RANG 5");
    rig.record(64, "1");
    assert_eq!(rig.number(Role::Digitizer, "STAT:QUES:COND?"), 0.0);
}

#[test]
fn acquisition_takes_its_time_can_be_aborted_and_locks_the_settings() {
    let mut rig = Rig::new("honest", 16);
    rig.send(Role::Digitizer, "SENS:SWE:POIN 20000;TINT 5US;:INIT");
    assert_eq!(rig.number(Role::Digitizer, "STAT:OPER:COND?"), 16.0);
    for (message, number) in
        [("INIT", -213), ("SENS:SWE:POIN 100", -221), ("SENS1:VOLT:RANG 2", -221), ("FETC? (@1)", -230)]
    {
        rig.send(Role::Digitizer, message);
        assert_eq!(rig.error(Role::Digitizer), number, "{message}");
    }
    let from_s = rig.now_s();
    assert_eq!(rig.text(Role::Digitizer, "*OPC?"), "1");
    assert!((rig.now_s() - from_s - 0.1).abs() < 2.0e-3, "{}", rig.now_s() - from_s);
    rig.send(Role::Digitizer, "INIT;:ABOR");
    assert_eq!(rig.number(Role::Digitizer, "STAT:OPER:COND?"), 0.0);
    rig.send(Role::Digitizer, "FETC?");
    assert_eq!(rig.error(Role::Digitizer), -230);
}

#[test]
fn a_change_in_the_midst_of_a_record_shows_from_that_moment_on() {
    let mut rig = Rig::new("honest", 16);
    rig.play(0.3);
    rig.send(Role::Digitizer, "SENS:SWE:POIN 20000;TINT 5US;:FORM REAL,64;:INIT");
    rig.wait(0.04);
    // The others answer with the present meanwhile.
    assert!(rig.number(Role::Supply, "MEAS:CURR?") > 0.5);
    rig.send(Role::Source, "OUTP1 OFF");
    assert_eq!(rig.text(Role::Digitizer, "*OPC?"), "1");
    let response = rig.ask(Role::Digitizer, "FETC? (@1,3)");
    let samples =
        decode(response.block().expect("a block"), SampleFormat::Real64, ByteOrder::Big).expect("samples");
    let (one, two) = samples.split_at(20_000);
    assert!(rms(&one[..7_900]) > 0.4);
    assert!(rms(&one[8_100..]) < 1.0e-3, "{}", rms(&one[8_100..]));
    assert!(rms(&two[..7_900]) > 0.4 && rms(&two[8_100..]) > 0.4);
    assert!(rig.number(Role::Supply, "MEAS:CURR?") > 0.1);
}

#[test]
fn records_repeat_with_the_seed_but_not_one_another() {
    let take = |rig: &mut Rig| {
        rig.play(0.3);
        let first = rig.record(2_000, "1");
        rig.wait(0.1);
        (first, rig.record(2_000, "1"))
    };
    let (a, b) = (take(&mut Rig::new("honest", 24)), take(&mut Rig::new("honest", 24)));
    assert_eq!(a, b);
    // Both start in the same phase or not; their noise differs either way.
    let floor = |v: &[f64]| v.iter().zip(&v[200..]).map(|(x, y)| x - y).collect::<Vec<f64>>();
    let (first, second) = (floor(&a.0[0]), floor(&a.1[0]));
    let both = rms(&first) * rms(&second) * first.len() as f64;
    let correlation = first.iter().zip(&second).map(|(x, y)| x * y).sum::<f64>() / both;
    assert!(correlation.abs() < 0.2, "{correlation}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    /// Garbage in any split neither panics nor makes an instrument deaf for longer than its time-out.
    #[test]
    fn garbage_does_not_kill_it(bytes in proptest::collection::vec(any::<u8>(), 0..600), split in 1_usize..50) {
        use wattproof_link::Link;
        let mut rig = Rig::new("honest", 12);
        for role in Role::ALL {
            for part in bytes.chunks(split) {
                let deadline = rig.clock.now();
                prop_assert!(rig.link(role).send(part, deadline).is_ok());
            }
            rig.wait(6.0);
            let mut sink = [0; 1 << 16];
            let deadline = rig.clock.now();
            while rig.link(role).receive(&mut sink, deadline).is_ok() {}
            prop_assert!(rig.text(role, "*CLS;*IDN?").starts_with("Wattproof,virtual-"));
        }
    }
}
