//! Every message of the shipped dialects is understood and does what its read-back says; errors and status
//! are those of IEEE 488.2 and SCPI-1999 (numbers and bits from memory).

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic, reason = "a test may stop at once")]

mod rig;

use rig::Rig;
use toml::Value;
use wattproof_virtual_bench::Role;

fn dialect(role: Role) -> toml::Table {
    let path = format!("{}/../dialects/scpi-{role}.toml", env!("CARGO_MANIFEST_DIR"));
    std::fs::read_to_string(path).expect("the dialect").parse().expect("TOML")
}

fn filled(message: &str, channel: u32) -> String {
    let values = [
        ("{channels}", "1:4"),
        ("{hz}", "997"),
        ("{cycles}", "7"),
        ("{ohm}", "6.2"),
        ("{amps}", "17.5"),
        ("{points}", "2048"),
        ("{interval_s}", "1.04166E-5"),
        ("{format}", "REAL,32"),
        ("{order}", "SWAP"),
        ("{volts}", "2.0"),
        ("{seconds}", "2.5"),
        ("{ratio}", "3.5"),
    ];
    let channel = channel.to_string();
    values.iter().fold(message.replace("{channel}", &channel), |m, (key, value)| m.replace(key, value))
}

fn messages(value: &Value) -> Vec<String> {
    match value {
        Value::Array(all) => all.iter().map(|m| m.as_str().expect("text").to_owned()).collect(),
        one => vec![one.as_str().expect("text").to_owned()],
    }
}

/// The number a set message carries, for comparing with the read-back.
fn asked(message: &str) -> f64 {
    message.rsplit(' ').next().expect("a parameter").parse().expect("a number")
}

fn drive(rig: &mut Rig, role: Role, name: &str, operation: &toml::Table, channel: u32) {
    if let Some(query) = operation.get("query") {
        if name == "fetch" {
            assert_eq!(rig.text(role, "INIT;*OPC?"), "1");
        }
        let message = filled(query.as_str().expect("text"), channel);
        let answer = rig.ask(role, &message);
        assert!(!answer.bytes().is_empty(), "{role} {message}");
    }
    let written = operation.get("write").map(messages).unwrap_or_default();
    let last = written.len().saturating_sub(1);
    for (index, message) in written.into_iter().enumerate() {
        let message = filled(&message, channel);
        rig.send(role, &message);
        let waits = operation.get("completion").and_then(Value::as_str) == Some("opc_query");
        if waits || name == "start" {
            assert_eq!(rig.text(role, "*OPC?"), "1");
        }
        // What an operation comes to is read back when all of it was sent.
        let verify = operation.get("verify").and_then(Value::as_table).filter(|_| index == last);
        let Some(verify) = verify else { continue };
        let query = filled(verify["query"].as_str().expect("text"), channel);
        if let Some(expect) = verify.get("expect") {
            assert_eq!(rig.text(role, &query), expect.as_str().expect("text"), "{role} {message}");
        } else {
            let bound = |key: &str| verify.get(key).and_then(Value::as_float).unwrap_or(0.0);
            let (want, got) = (asked(&message), rig.number(role, &query));
            let allowed = bound("within_pct") / 100.0 * want.abs() + bound("within_abs");
            assert!((got - want).abs() <= allowed, "{role} {message}: {got}");
        }
    }
}

#[test]
fn every_operation_of_every_dialect() {
    let mut rig = Rig::new("honest", 16);
    let mut driven = 0;
    for role in Role::ALL {
        let dialect = dialect(role);
        let channels = u32::try_from(dialect["channels"].as_integer().expect("a count")).expect("small");
        for (name, operation) in dialect["operations"].as_table().expect("a table") {
            for channel in 1..=channels {
                drive(&mut rig, role, name, operation.as_table().expect("a table"), channel);
                driven += 1;
            }
            assert_eq!(rig.error(role), 0, "{role} {name}");
        }
    }
    assert!(driven > 40, "{driven}");
}

#[test]
fn common_messages_of_every_role() {
    let mut rig = Rig::new("honest", 16);
    for role in Role::ALL {
        let idn = rig.text(role, "*IDN?");
        let fields: Vec<&str> = idn.split(',').collect();
        assert_eq!(fields.len(), 4, "{idn}");
        assert_eq!(fields[1], format!("virtual-{role}"));
        rig.send(role, "*CLS");
        assert_eq!(rig.text(role, "*ESE 37;*ESE?"), "37");
        assert_eq!(rig.text(role, "*OPC?"), "1");
        assert_eq!(rig.text(role, "SYST:VERS?"), "1999.0");
        assert_eq!(rig.text(role, "SYST:ERR?"), "0,\"No error\"");
        assert_eq!(rig.text(role, "*TST?"), "0");
    }
}

#[test]
fn limits_units_and_keywords() {
    let mut rig = Rig::new("honest", 16);
    let number = |rig: &mut Rig, role, message: &str| rig.number(role, message);
    assert_eq!(number(&mut rig, Role::Source, "SOUR2:FREQ 1.5KHZ;FREQ?"), 1500.0);
    assert_eq!(number(&mut rig, Role::Source, "SOUR1:VOLT 250MV;VOLT?"), 0.25);
    assert_eq!(number(&mut rig, Role::Source, "VOLT? MAX"), 5.0);
    assert_eq!(number(&mut rig, Role::Source, "SOUR:FREQ:CW? MIN"), 1.0);
    assert_eq!(
        number(&mut rig, Role::Source, "SOURCE1:VOLTAGE:LEVEL:IMMEDIATE:AMPLITUDE MAX;AMPLITUDE?"),
        5.0
    );
    assert_eq!(number(&mut rig, Role::Load, "SOUR1:RES 0.1KOHM;RES?"), 100.0);
    assert_eq!(number(&mut rig, Role::Load, "SOUR1:RES DEF;RES?"), 8.0);
    assert_eq!(number(&mut rig, Role::Supply, "VOLT? MAX"), 60.0);
    assert_eq!(number(&mut rig, Role::Supply, "CURR 2500MA;CURR?"), 2.5);
    assert_eq!(number(&mut rig, Role::Digitizer, "SENS:SWE:POIN? MAX"), 1.0e6);
    assert_eq!(number(&mut rig, Role::Digitizer, "SENS:SWE:TINT 2US;TINT?"), 2.0e-6);
    // The next range at or above what was asked.
    for (asked, range_v) in
        [("0.3", 1.0), ("1", 1.0), ("1.01", 2.0), ("4.9", 5.0), ("7V", 10.0), ("MIN", 1.0)]
    {
        assert_eq!(number(&mut rig, Role::Digitizer, &format!("SENS3:VOLT:RANG {asked};RANG?")), range_v);
    }
    for role in Role::ALL {
        assert_eq!(rig.error(role), 0, "{role}");
    }
}

#[test]
fn errors_by_their_standard_numbers() {
    let mut rig = Rig::new("honest", 16);
    let cases = [
        (Role::Source, "SOUR1:FERQ 100", -113),
        (Role::Source, "SOUR1:VOLT 5.1", -222),
        (Role::Source, "SOUR1:FREQ 0.5", -222),
        (Role::Source, "SOUR3:VOLT 1", -114),
        (Role::Source, "SOUR1:VOLT 1HZ", -131),
        (Role::Source, "SOUR1:VOLT", -109),
        (Role::Source, "SOUR1:VOLT 1,2", -108),
        (Role::Source, "OUTP1 MAYBE", -141),
        (Role::Source, "SOUR1:BURS:NCYC 0", -222),
        (Role::Source, "SOUR1:TWOT:VOLT 5.1", -222),
        (Role::Load, "SOUR1:RES 0.2", -222),
        (Role::Load, "SOUR1:RES NAN", -222),
        (Role::Supply, "VOLT 61", -222),
        (Role::Supply, "VOLT UP", -224),
        (Role::Digitizer, "SENS:SWE:POIN 1000001", -222),
        (Role::Digitizer, "SENS:SWE:TINT 1E-9", -222),
        (Role::Digitizer, "SENS1:VOLT:RANG 10.5", -222),
        (Role::Digitizer, "SENS:VOLT:RES:BITS 14", -222),
        (Role::Digitizer, "FORM INT,24", -224),
        (Role::Digitizer, "FETC? (@1)", -230),
        (Role::Digitizer, "FETC? (@5)", -222),
        (Role::Digitizer, "FETC? 1", -128),
        (Role::Digitizer, "SENS:SWE:POIN MAX;TINT MAX;:INIT", -221),
        (Role::Thermometer, "MEAS:TEMP? (@7)", -222),
    ];
    for (role, message, number) in cases {
        rig.send(role, message);
        assert_eq!(rig.error(role), number, "{role} {message}");
        assert_eq!(rig.error(role), 0, "{role} {message}: one error only");
    }
    // What was refused has changed nothing.
    assert_eq!(rig.number(Role::Source, "SOUR1:VOLT?"), 0.0);
    // Command error in bit 5, execution error in bit 4 (IEEE 488.2 11.5.1).
    rig.text(Role::Source, "*CLS;*OPC?");
    rig.send(Role::Source, "SOUR1:VOLT 99");
    assert_eq!(rig.number(Role::Source, "*ESR?"), 16.0);
    rig.send(Role::Source, "VOOLT 99");
    assert_eq!(rig.number(Role::Source, "*ESR?"), 32.0);
}

#[test]
fn compound_messages_and_pipelined_queries() {
    let mut rig = Rig::new("honest", 16);
    assert_eq!(rig.text(Role::Supply, "VOLT 3;:CURR 2;VOLT:PROT 20;:OUTP?;:VOLT:PROT?"), "0;2.0E+1");
    // A line has no END that could interrupt a query: two in a row are answered in turn, without -410, and a
    // message without a query leaves nothing to be read, without -420 (IEEE 488.2 6.3.2 is about buses).
    rig.send(Role::Source, "*IDN?");
    rig.send(Role::Source, "SOUR1:FREQ?");
    rig.send(Role::Source, "SOUR1:FREQ 500");
    let deadline = std::time::Duration::from_secs(1);
    let mut buf = [0; 4096];
    use wattproof_link::Link;
    let count = rig.link(Role::Source).receive(&mut buf, deadline).expect("two answers");
    let text = String::from_utf8_lossy(&buf[..count]).into_owned();
    assert_eq!(text.lines().count(), 2, "{text}");
    assert_eq!(rig.error(Role::Source), 0);
}

#[test]
fn settling_shows_in_operation_and_opc_waits_for_it() {
    let mut rig = Rig::new("honest", 16);
    for (role, message, least_s) in [
        (Role::Source, "OUTP1 ON", 5.0e-3),
        (Role::Load, "INP1 ON", 15.0e-3),
        // 14.4 V at the supply's 200 V/s.
        (Role::Supply, "CURR MAX;VOLT 14.4;OUTP ON", 70.0e-3),
    ] {
        let from_s = rig.now_s();
        rig.send(role, message);
        assert_eq!(rig.number(role, "STAT:OPER:COND?"), 2.0, "{role} settles");
        assert_eq!(rig.text(role, "*OPC?"), "1");
        let took_s = rig.now_s() - from_s;
        assert!((least_s..least_s + 5.0e-3).contains(&took_s), "{role}: {took_s}");
        assert_eq!(rig.number(role, "STAT:OPER:COND?"), 0.0);
        assert_eq!(rig.number(role, "STAT:OPER?"), 2.0, "the event is latched");
        // *WAI holds the rest of the message back.
        let off = message.replace("ON", "OFF");
        let from_s = rig.now_s();
        rig.text(role, &format!("{off};*WAI;*ESE?"));
        assert!(rig.now_s() - from_s >= least_s, "{role}");
    }
    assert!(rig.number(Role::Supply, "MEAS:VOLT?") < 0.01);
}

#[test]
fn supply_limits_protects_and_measures() {
    let mut rig = Rig::new("honest", 16);
    rig.play(1.0);
    let amps = rig.number(Role::Supply, "MEAS:CURR?");
    assert!(amps > 5.0, "{amps}");
    assert!((rig.number(Role::Supply, "MEAS:VOLT?") - 14.4).abs() < 0.01);
    let watts = rig.number(Role::Supply, "MEAS:POW?");
    assert!((watts / (14.4 * amps) - 1.0).abs() < 0.01, "{watts}");
    rig.send(Role::Supply, &format!("CURR {}", amps * 0.9));
    rig.wait(0.2);
    assert_eq!(rig.number(Role::Supply, "STAT:QUES:COND?"), 3.0);
    assert!(rig.number(Role::Supply, "MEAS:VOLT?") < 14.3);
    // Waiting does not hang on a voltage that the limit does not allow.
    assert_eq!(rig.text(Role::Supply, "*OPC?"), "1");
    rig.send(Role::Supply, "CURR MAX;VOLT:PROT 15;:VOLT 16");
    rig.wait(0.2);
    assert_eq!(rig.text(Role::Supply, "OUTP?;:VOLT:PROT:TRIP?"), "0;1");
    assert_eq!(rig.number(Role::Supply, "STAT:QUES:COND?"), 1.0);
    rig.send(Role::Supply, "OUTP ON");
    assert_eq!(rig.error(Role::Supply), -221);
    // It would trip again at once before the output has come down.
    rig.wait(0.2);
    assert_eq!(rig.text(Role::Supply, "VOLT 14;VOLT:PROT:CLE;:OUTP ON;*OPC?;OUTP?"), "1;1");
}

#[test]
fn thermometer_reads_heatsink_and_room() {
    let mut rig = Rig::new("honest", 16);
    rig.stand.change(0.0, |w| w.heatsink_set(61.5));
    assert!((rig.number(Role::Thermometer, "MEAS:TEMP? (@1)") - 61.5).abs() < 0.1);
    assert!((rig.number(Role::Thermometer, "MEAS:TEMP?") - 61.5).abs() < 0.1);
    let both = rig.ask(Role::Thermometer, "MEAS:TEMP? (@1:2)").numbers().expect("two");
    assert!(both.len() == 2 && both[1] < 40.0, "{both:?}");
    assert_eq!(rig.number(Role::Thermometer, "STAT:QUES:COND?"), 0.0);
    rig.stand.change(0.0, |w| w.heatsink_set(180.0));
    rig.send(Role::Thermometer, "*CLS");
    assert_eq!(rig.number(Role::Thermometer, "STAT:QUES:COND?"), 16.0);
}

#[test]
fn reset_switches_everything_off() {
    let mut rig = Rig::new("honest", 16);
    rig.play(0.3);
    for role in [Role::Source, Role::Supply, Role::Load] {
        rig.text(role, "*RST;*OPC?");
    }
    assert_eq!(rig.text(Role::Source, "OUTP1?;OUTP2?;:SOUR1:VOLT?"), "0;0;0.0E+0");
    assert_eq!(rig.text(Role::Load, "INP1?;INP2?"), "0;0");
    assert_eq!(rig.text(Role::Supply, "OUTP?"), "0");
    rig.wait(1.0);
    assert!(rig.stand.look(rig.now_s(), |w| w.supply_v()) < 1.0e-6);
}

#[test]
fn an_unfinished_message_is_forgotten_after_a_while() {
    use wattproof_link::Link;
    let mut rig = Rig::new("honest", 16);
    let deadline = std::time::Duration::from_secs(1);
    // The block announced would swallow the next gigabyte.
    rig.link(Role::Source).send(b"DATA #9999999999", deadline).expect("sent");
    rig.wait(6.0);
    assert_eq!(rig.text(Role::Source, "*OPC?"), "1");
}

/// The share of a record in which the output is loud, and how often it becomes loud.
fn loud(volts: &[f64], from_v: f64, cycle: usize) -> (f64, usize) {
    let blocks: Vec<bool> = volts.chunks_exact(cycle).map(|block| rig::rms(block) > from_v).collect();
    let share = blocks.iter().filter(|loud| **loud).count() as f64 / blocks.len() as f64;
    (share, blocks.windows(2).filter(|pair| !pair[0] && pair[1]).count())
}

/// Bursts by message reach the amplifier: their duty and number within a record are those asked for, and a
/// restart moves them. Source: arithmetic of the setting itself.
#[test]
fn bursts_and_second_tone_reach_the_amplifier() {
    let mut rig = Rig::new("honest", 24);
    rig.play(0.2);
    let quiet_vrms = rig::rms(&rig.record(20_000, "1")[0]);
    for channel in [1, 2] {
        rig.send(
            Role::Source,
            &format!("SOUR{channel}:BURS:NCYC 10;REST:NCYC 30;VOLT 0.02;:SOUR{channel}:BURS ON"),
        );
    }
    assert_eq!(rig.number(Role::Source, "SOUR2:BURS:REST:NCYC?"), 30.0);
    // 200 ms at 1 kHz and 200 kHz: five periods of 40 cycles, a quarter of them loud.
    let (share, onsets) = loud(&rig.record(40_000, "1")[0], 0.5 * quiet_vrms, 200);
    assert!((share - 0.25).abs() < 0.04 && (4..=5).contains(&onsets), "{share} {onsets}");
    rig.send(Role::Source, "TRIG");
    let (share, _) = loud(&rig.record(1_000, "1")[0], 0.5 * quiet_vrms, 200);
    assert_eq!(share, 1.0, "a restarted burst begins loud");
    rig.send(Role::Source, "SOUR1:TWOT:FREQ 7000;VOLT 0.05;:SOUR1:TWOT ON");
    assert_eq!(rig.text(Role::Source, "SOUR1:BURS?"), "0");
    let both_vrms = rig::rms(&rig.record(40_000, "1")[0]);
    assert!((both_vrms / quiet_vrms - 1.0625f64.sqrt()).abs() < 1e-3, "{both_vrms} {quiet_vrms}");
    rig.send(Role::Source, "*RST");
    assert_eq!(rig.text(Role::Source, "SOUR1:TWOT?"), "0");
    assert_eq!(rig.error(Role::Source), 0);
}
