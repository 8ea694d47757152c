//! Every role against a scripted instrument: the messages that leave, the values that come back, the failures.
//! Expected messages are those of the table in drivers/dialects/README.md (SCPI-1999 headers).

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod fake;

use std::io::{BufRead, BufReader, Write};
use std::net::TcpListener;
use std::sync::{Arc, Mutex, mpsc};
use std::time::Duration;

use fake::{Fake, Quirk};
use wattproof_instruments::{
    Acquisition, ByteOrder, ChannelRange, Connected, Dialect, Digitizer, Effect, Fault, Load, Role, SHIPPED,
    SampleFormat, Source, Supply, Thermometer, connect, connect_over, shipped,
};
use wattproof_link::{Address, Canceller, Link, LinkError};

#[test]
fn source() {
    let fake = Fake::new(&[("SOUR2:VOLT? MAX", "7.0")]);
    let mut source = Source::over(fake.link(), &shipped("scpi-source").unwrap(), "gen").unwrap();
    assert_eq!(source.instrument().identity().model, "Fake");
    assert_eq!(source.instrument().version(), Some("1999.0"));
    assert_eq!(fake.messages(), ["*IDN?", "*CLS", "SYST:VERS?"]);
    assert_eq!(source.set_hz(2, 1000.0).unwrap(), Some(1000.0));
    assert_eq!(source.set_vrms(2, 0.1 + 0.2).unwrap(), Some(0.3));
    source.set_on(2, true).unwrap();
    assert!(source.is_on(2).unwrap());
    assert_eq!(source.vrms_max(2).unwrap(), Some(7.0));
    assert_eq!((source.hz(2).unwrap(), source.vrms(2).unwrap()), (1000.0, 0.3));
    source.set_on(2, false).unwrap();
    let expected = [
        "SOUR2:FREQ 1000",
        "SOUR2:FREQ?",
        "SOUR2:VOLT 0.3",
        "SOUR2:VOLT?",
        "OUTP2 ON",
        "OUTP2?",
        "OUTP2?",
        "SOUR2:VOLT? MAX",
        "SOUR2:FREQ?",
        "SOUR2:VOLT?",
        "OUTP2 OFF",
        "OUTP2?",
    ];
    assert_eq!(fake.messages(), expected);
}

/// A setting of several messages ends where sending is forbidden; questions and OFF leave all the same. The rule is the
/// project's own (only OFF, questions and clears leave after a trip), no outside source.
#[test]
fn what_may_not_leave_any_more_does_not_in_the_middle_of_a_setting() {
    let fake = Fake::new(&[]);
    let mut source = Source::over(fake.link(), &shipped("scpi-source").unwrap(), "gen").unwrap();
    let left = Arc::new(Mutex::new(2));
    let (asked, of) = mpsc::channel();
    let counted = Arc::clone(&left);
    source.instrument_mut().session_mut().ask_before_sending(Box::new(move |effect| {
        asked.send(effect).unwrap();
        let mut left = counted.lock().unwrap();
        *left -= 1;
        *left >= 0
    }));
    fake.messages();
    let refused = source.set_burst(2, 20, 480, 0.05).unwrap_err();
    assert_eq!(refused.link(), Some(&LinkError::Refused));
    assert_eq!(
        fake.messages(),
        ["SOUR2:BURS:REST:VOLT 0.05", "SOUR2:BURS:REST:VOLT?", "SOUR2:BURS:NCYC 20", "SOUR2:BURS:NCYC?"]
    );
    assert_eq!(of.try_iter().collect::<Vec<_>>(), [Effect::Energises, Effect::Sets, Effect::Sets]);
    assert!(source.instrument().session().is_in_step());
    assert_eq!(source.set_on(1, true).unwrap_err().link(), Some(&LinkError::Refused));
    source.safe_off().unwrap();
    source.set_on(1, false).unwrap();
    assert!(!source.is_on(1).unwrap());
    assert!(fake.messages().iter().all(|message| !message.ends_with("ON")));
    assert_eq!(of.try_iter().collect::<Vec<_>>(), [Effect::Energises]);
}

#[test]
fn source_bursts_and_second_tone() {
    let fake = Fake::new(&[]);
    let mut source = Source::over(fake.link(), &shipped("scpi-source").unwrap(), "gen").unwrap();
    assert!(source.can_burst() && source.can_two_tone());
    fake.messages();
    source.set_burst(2, 20, 480, 0.05).unwrap();
    source.set_burst_on(2, true).unwrap();
    source.restart_bursts().unwrap();
    source.set_second_hz(1, 7000.0).unwrap();
    source.set_second_vrms(1, 0.25).unwrap();
    source.set_second_on(1, true).unwrap();
    let expected = [
        "SOUR2:BURS:REST:VOLT 0.05",
        "SOUR2:BURS:REST:VOLT?",
        "SOUR2:BURS:NCYC 20",
        "SOUR2:BURS:NCYC?",
        "SOUR2:BURS:REST:NCYC 480",
        "SOUR2:BURS:REST:NCYC?",
        "SOUR2:BURS ON",
        "SOUR2:BURS?",
        "TRIG",
        "SOUR1:TWOT:FREQ 7000",
        "SOUR1:TWOT:FREQ?",
        "SOUR1:TWOT:VOLT 0.25",
        "SOUR1:TWOT:VOLT?",
        "SOUR1:TWOT ON",
        "SOUR1:TWOT?",
    ];
    assert_eq!(fake.messages(), expected);
    fake.with(|state| state.stuck.push("SOUR2:BURS".into()));
    assert!(matches!(*source.set_burst_on(2, false).unwrap_err().fault, Fault::NotTaken { .. }));
}

#[test]
fn load() {
    let fake = Fake::new(&[]);
    let mut load = Load::over(fake.link(), &shipped("scpi-load").unwrap(), "load").unwrap();
    fake.messages();
    assert_eq!(load.set_ohm(1, 4.0).unwrap(), Some(4.0));
    load.connect(1).unwrap();
    assert!(load.is_connected(1).unwrap());
    load.disconnect(1).unwrap();
    assert_eq!(load.ohm(1).unwrap(), 4.0);
    let expected = [
        "SOUR1:RES 4",
        "*OPC?",
        "SOUR1:RES?",
        "INP1 ON",
        "*OPC?",
        "INP1?",
        "INP1?",
        "INP1 OFF",
        "*OPC?",
        "INP1?",
        "SOUR1:RES?",
    ];
    assert_eq!(fake.messages(), expected);
}

#[test]
fn supply() {
    let fake = Fake::new(&[
        ("MEAS:VOLT", "14.398"),
        ("MEAS:CURR", "1.25E+1"),
        ("VOLT? MAX", "80"),
        ("CURR? MAX", "50"),
    ]);
    let mut supply = Supply::over(fake.link(), &shipped("scpi-supply").unwrap(), "psu").unwrap();
    fake.messages();
    supply.set_v(1, 14.4).unwrap();
    supply.set_limit_a(1, 20.0).unwrap();
    supply.set_protection_v(1, 16.0).unwrap();
    supply.set_on(1, true).unwrap();
    assert_eq!((supply.measure_v(1).unwrap(), supply.measure_a(1).unwrap()), (14.398, 12.5));
    assert_eq!((supply.v_max(1).unwrap(), supply.limit_a_max(1).unwrap()), (Some(80.0), Some(50.0)));
    assert_eq!(supply.protection_v(1).unwrap(), Some(16.0));
    assert_eq!((supply.v(1).unwrap(), supply.limit_a(1).unwrap()), (14.4, 20.0));
    assert!(supply.is_on(1).unwrap());
    let expected = [
        "VOLT 14.4",
        "VOLT?",
        "CURR 20",
        "CURR?",
        "VOLT:PROT 16",
        "VOLT:PROT?",
        "OUTP ON",
        "*OPC?",
        "OUTP?",
        "MEAS:VOLT?",
        "MEAS:CURR?",
        "VOLT? MAX",
        "CURR? MAX",
        "VOLT:PROT?",
        "VOLT?",
        "CURR?",
        "OUTP?",
    ];
    assert_eq!(fake.messages(), expected);
}

#[test]
fn thermometer() {
    let fake = Fake::new(&[("MEAS:TEMP? (@1)", "41.5")]);
    let mut thermometer =
        Thermometer::over(fake.link(), &shipped("scpi-thermometer").unwrap(), "heat").unwrap();
    assert_eq!(thermometer.measure_c(1).unwrap(), 41.5);
    fake.quirk("MEAS:TEMP? (@1)", Quirk::Raw(b"9.91E+37\n".to_vec()));
    assert!(matches!(*thermometer.measure_c(1).unwrap_err().fault, Fault::NotANumber(_)));
    assert!(matches!(*thermometer.measure_c(3).unwrap_err().fault, Fault::BadRequest(_)));
}

fn wanted(format: Option<SampleFormat>, order: Option<ByteOrder>) -> Acquisition {
    let channels = vec![ChannelRange { channel: 1, range_v: 8.0 }, ChannelRange { channel: 2, range_v: 1.0 }];
    Acquisition { points: 3, interval_s: 5e-6, channels, format, order }
}

/// A digitizer whose block is given by hand.
fn digitizer(block: &[u8]) -> (Fake, Digitizer) {
    let fake = Fake::new(&[("FETC", "")]);
    let digitizer = Digitizer::over(fake.link(), &shipped("scpi-digitizer").unwrap(), "adc").unwrap();
    fake.messages();
    let mut answer = block.to_vec();
    answer.push(b'\n');
    fake.quirk("FETC? (@1:2)", Quirk::Raw(answer));
    (fake, digitizer)
}

#[test]
fn digitizer_codes_become_volts() {
    // Two's complement codes, most significant byte first: half scale, negative full scale, 1; then 10 (a line
    // feed byte), 0, −1.
    let block = b"#224\x40\0\0\0\x80\0\0\0\0\0\0\x01\0\0\0\x0a\0\0\0\0\xff\xff\xff\xff";
    let (fake, mut digitizer) = digitizer(block);
    let prepared = digitizer.configure(&wanted(None, None)).unwrap();
    assert_eq!((prepared.points, prepared.interval_s), (3, 5e-6));
    let record = digitizer.acquire().unwrap();
    let code = 1.0 / 2_147_483_648.0;
    assert_eq!(record.channels_v, [vec![4.0, -8.0, 8.0 * code], vec![10.0 * code, 0.0, -code]]);
    assert_eq!((record.full_scale_v, record.interval_s), (vec![8.0, 1.0], 5e-6));
    let expected = [
        "FORM INT,32",
        "FORM:BORD NORM",
        "SENS:SWE:POIN 3",
        "SENS:SWE:POIN?",
        "SENS:SWE:POIN?",
        "SENS:SWE:TINT 5E-6",
        "SENS:SWE:TINT?",
        "SENS:SWE:TINT?",
        "SENS1:VOLT:RANG 8",
        "SENS1:VOLT:RANG?",
        "SENS2:VOLT:RANG 1",
        "SENS2:VOLT:RANG?",
        "INIT",
        "*OPC?",
        "FETC? (@1:2)",
    ];
    assert_eq!(fake.messages(), expected);
}

#[test]
fn digitizer_reals_are_volts_and_must_be_numbers() {
    // IEEE 754 single precision, least significant byte first: 1, −2, 0.5; 1, 1, 1.
    let ones = b"\0\0\x80\x3f\0\0\x80\x3f\0\0\x80\x3f";
    let good = [b"#224\0\0\x80\x3f\0\0\0\xc0\0\0\0\x3f".as_slice(), ones].concat();
    let real = wanted(Some(SampleFormat::Real32), Some(ByteOrder::Little));
    let (fake, mut one) = digitizer(&good);
    one.configure(&real).unwrap();
    assert_eq!(one.acquire().unwrap().channels_v, [vec![1.0, -2.0, 0.5], vec![1.0; 3]]);
    assert!(fake.messages().starts_with(&["FORM REAL,32".to_string(), "FORM:BORD SWAP".to_string()]));
    let bad = [b"#224\0\0\x80\x3f\0\0\xc0\x7f\0\0\0\x3f".as_slice(), ones].concat();
    let (_fake, mut other) = digitizer(&bad);
    other.configure(&real).unwrap();
    assert!(matches!(*other.acquire().unwrap_err().fault, Fault::NotANumber(_)));
}

#[test]
fn digitizer_refuses_what_it_cannot_do_and_what_it_did_not_get() {
    let (fake, mut one) = digitizer(b"#220\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0");
    assert!(matches!(*one.start().unwrap_err().fault, Fault::BadRequest(_)));
    let mut twice = wanted(None, None);
    twice.channels[1].channel = 1;
    let mut none = wanted(None, None);
    none.points = 0;
    let mut wild = wanted(None, None);
    wild.interval_s = f64::NAN;
    for bad in [twice, none, wild, wanted(Some(SampleFormat::Real64), None)] {
        assert!(matches!(*one.configure(&bad).unwrap_err().fault, Fault::BadRequest(_)), "{bad:?}");
    }
    assert!(fake.messages().is_empty());
    one.configure(&wanted(None, None)).unwrap();
    let short = *one.acquire().unwrap_err().fault;
    assert_eq!(short, Fault::BlockSize { expected_bytes: 24, found_bytes: 20 });
    fake.with(|state| {
        state.stuck.push("SENS1:VOLT:RANG".into());
        state.values.insert("SENS1:VOLT:RANG".into(), "4".into());
    });
    let small = one.configure(&wanted(None, None)).unwrap_err();
    assert!(matches!(*small.fault, Fault::NotTaken { .. }), "{small}");
    one.abort().unwrap();
}

#[test]
fn waiting_for_a_record_allows_its_length() {
    let (fake, mut one) = digitizer(b"");
    let mut slow = wanted(None, None);
    slow.interval_s = 2.0;
    one.configure(&slow).unwrap();
    one.start().unwrap();
    // The record takes 6 s and the session allows 2 s on top.
    fake.quirk("*OPC?", Quirk::Late(Duration::from_secs(7)));
    one.wait().unwrap();
    fake.quirk("*OPC?", Quirk::Late(Duration::from_secs(9)));
    assert_eq!(one.wait().unwrap_err().link(), Some(&LinkError::TimedOut));
}

#[test]
fn a_setting_that_does_not_take_is_an_error() {
    let fake = Fake::new(&[("VOLT", "5"), ("OUTP", "0")]);
    let mut supply = Supply::over(fake.link(), &shipped("scpi-supply").unwrap(), "psu").unwrap();
    fake.with(|state| state.stuck = vec!["VOLT".into(), "OUTP".into()]);
    let error = supply.set_v(1, 14.4).unwrap_err();
    assert_eq!(*error.fault, Fault::NotTaken { wanted: "14.4".into(), found: "5".into() });
    assert!(matches!(*supply.set_on(1, true).unwrap_err().fault, Fault::NotTaken { .. }));
}

#[test]
fn values_that_are_no_numbers_never_leave() {
    let fake = Fake::new(&[]);
    let mut supply = Supply::over(fake.link(), &shipped("scpi-supply").unwrap(), "psu").unwrap();
    fake.messages();
    for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        assert!(matches!(*supply.set_v(1, value).unwrap_err().fault, Fault::BadRequest(_)));
    }
    assert!(fake.messages().is_empty());
}

#[test]
fn what_the_instrument_reports_names_number_and_message() {
    let fake = Fake::new(&[]);
    let mut supply = Supply::over(fake.link(), &shipped("scpi-supply").unwrap(), "psu").unwrap();
    fake.with(|state| state.refuses.insert("VOLT 999".into(), "-222,\"Data out of range\"".into()));
    let error = supply.set_v(1, 999.0).unwrap_err();
    assert_eq!((error.number(), error.message.as_str()), (Some(-222), "VOLT 999"));
    let text = error.to_string();
    for part in ["psu", "fake port", "VOLT 999", "-222", "Data out of range", "manual"] {
        assert!(text.contains(part), "{text}");
    }
}

#[test]
fn off_leaves_first_even_out_of_step_and_is_read_back() {
    let fake = Fake::new(&[("OUTP1", "1"), ("OUTP2", "1")]);
    let mut source = Source::over(fake.link(), &shipped("scpi-source").unwrap(), "gen").unwrap();
    fake.quirk("SOUR1:VOLT?", Quirk::Silent);
    source.vrms(1).unwrap_err();
    assert!(!source.instrument().session().is_in_step());
    fake.with(|state| state.bytes.clear());
    // What a process that holds a duplicate of the port would send is the same, but for the newline ahead.
    assert_eq!(source.off_bytes().unwrap(), b"OUTP1 OFF\nOUTP2 OFF\n");
    source.safe_off().unwrap();
    fake.with(|state| {
        assert!(state.bytes.starts_with(b"\nOUTP1 OFF\nOUTP2 OFF\n"), "{}", state.bytes.escape_ascii());
        assert_eq!((state.values["OUTP1"].as_str(), state.values["OUTP2"].as_str()), ("0", "0"));
    });
}

/// A link that tells what was handed over and when what the operating system still holds was flushed.
struct Told {
    inner: Box<dyn Link>,
    events: Arc<Mutex<Vec<String>>>,
}

impl Link for Told {
    fn label(&self) -> &str {
        self.inner.label()
    }
    fn now(&self) -> Duration {
        self.inner.now()
    }
    fn send(&mut self, bytes: &[u8], deadline: Duration) -> Result<(), LinkError> {
        self.events.lock().unwrap().push(bytes.escape_ascii().to_string());
        self.inner.send(bytes, deadline)
    }
    fn receive(&mut self, buf: &mut [u8], deadline: Duration) -> Result<usize, LinkError> {
        self.inner.receive(buf, deadline)
    }
    fn abandon(&mut self) -> Result<(), LinkError> {
        self.events.lock().unwrap().push("flush".into());
        self.inner.abandon()
    }
    fn canceller(&self) -> Canceller {
        self.inner.canceller()
    }
}

/// At 9600 baud an OFF lies in the operating system for 20 ms (tcflush(3) throws away what was written and not yet
/// transmitted): resynchronising for its read-back must not flush it.
#[test]
fn an_off_under_way_is_never_flushed_and_step_is_found_without_waiting_for_silence() {
    let fake = Fake::new(&[("OUTP1", "1"), ("OUTP2", "1"), ("SOUR1:VOLT", "0.1")]);
    let events = Arc::new(Mutex::new(Vec::new()));
    let link = Box::new(Told { inner: fake.link(), events: Arc::clone(&events) });
    let mut source = Source::over(link, &shipped("scpi-source").unwrap(), "gen").unwrap();
    fake.quirk("SOUR1:VOLT?", Quirk::Silent);
    source.vrms(1).unwrap_err();
    let off = |source: &mut Source| {
        events.lock().unwrap().clear();
        let before = source.instrument().session().now();
        source.safe_off().unwrap();
        let told = events.lock().unwrap().clone();
        let sent = told.iter().position(|event| event == r"\nOUTP1 OFF\nOUTP2 OFF\n").unwrap();
        assert!(!told[sent..].contains(&"flush".to_string()), "{told:?}");
        source.instrument().session().now() - before
    };
    let took = off(&mut source);
    assert!(took < Duration::from_millis(50), "no silence is waited for: {took:?}");
    // What the cancelled question left in the error queue is nobody else's failure.
    fake.with(|state| state.errors.push_back("-410,\"Query INTERRUPTED\"".into()));
    source.vrms(1).unwrap();
    // An instrument that can't give the nonce back at once is waited for as before.
    fake.quirk("SOUR1:VOLT?", Quirk::Silent);
    source.vrms(1).unwrap_err();
    fake.quirk("*ESE?", Quirk::Late(Duration::from_millis(400)));
    let took = off(&mut source);
    assert!(took > Duration::from_millis(250), "{took:?}");
    source.vrms(1).unwrap();
}

#[test]
fn off_that_is_not_confirmed_is_an_error() {
    let fake = Fake::new(&[("OUTP", "1")]);
    let mut supply = Supply::over(fake.link(), &shipped("scpi-supply").unwrap(), "psu").unwrap();
    fake.with(|state| state.stuck.push("OUTP".into()));
    assert!(matches!(*supply.safe_off().unwrap_err().fault, Fault::NotTaken { .. }));
    fake.with(|state| state.dead = true);
    fake.messages();
    supply.safe_off().unwrap_err();
    // It left all the same.
    assert_eq!(fake.messages().first().map(String::as_str), Some("OUTP OFF"));
}

#[test]
fn scales_and_delays_of_a_dialect_apply() {
    // A level in V peak-to-peak: 2√2 of the rms value of a sine.
    let (_, text) = SHIPPED.iter().find(|(file, _)| *file == "scpi-source.toml").unwrap();
    let peak = "unit = \"V pp\"\nscale = 2.8284271247461903";
    let text = text
        .replace("unit = \"V rms\"", peak)
        .replace("[operations.set_vrms]", "[operations.set_vrms]\ncompletion = { delay_ms = 250 }");
    let dialect = Dialect::parse("peak.toml", &text).unwrap();
    assert_eq!(dialect.unit("set_vrms"), Some("V pp"));
    let fake = Fake::new(&[]);
    let mut source = Source::over(fake.link(), &dialect, "gen").unwrap();
    fake.messages();
    let before = source.instrument().session().now();
    let back = source.set_vrms(1, 1.0).unwrap().unwrap();
    assert!((back - 1.0).abs() < 1e-11, "{back}");
    assert_eq!(source.instrument().session().now() - before, Duration::from_millis(250));
    assert_eq!(fake.messages(), ["SOUR1:VOLT 2.82842712475", "SOUR1:VOLT?"]);
}

#[test]
fn the_power_on_bit_is_read() {
    let fake = Fake::new(&[("*ESR", "128")]);
    let mut source = Source::over(fake.link(), &shipped("scpi-source").unwrap(), "gen").unwrap();
    assert_eq!(source.instrument_mut().event_status().unwrap(), 128);
    fake.with(|state| state.values.insert("*ESR".into(), "256".into()));
    source.instrument_mut().event_status().unwrap_err();
}

#[test]
fn a_dialect_of_another_role_is_refused_before_a_byte_leaves() {
    let fake = Fake::new(&[]);
    let error = connect_over(fake.link(), Role::Supply, &shipped("scpi-load").unwrap(), "psu").unwrap_err();
    assert!(matches!(*error.fault, Fault::WrongRole { .. }), "{error}");
    assert!(fake.with(|state| state.bytes.is_empty()));
}

#[test]
fn an_identity_has_four_fields() {
    let fake = Fake::new(&[("*IDN", "Invented,Fake")]);
    let error = connect_over(fake.link(), Role::Load, &shipped("scpi-load").unwrap(), "load").unwrap_err();
    assert!(matches!(*error.fault, Fault::Malformed { .. }), "{error}");
}

#[test]
fn connect_opens_an_address() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let host_port = listener.local_addr().unwrap().to_string();
    let server = std::thread::spawn(move || {
        let (stream, _) = listener.accept().unwrap();
        let mut out = stream.try_clone().unwrap();
        for line in BufReader::new(stream).lines() {
            let line = line.unwrap();
            let answer = match line.as_str() {
                "*IDN?" => "Invented,Thermo,0,0".to_string(),
                "SYST:VERS?" => "1999.0".to_string(),
                "SYST:ERR?" => "0,\"No error\"".to_string(),
                "MEAS:TEMP? (@1)" => "2.15E1".to_string(),
                other => match other.strip_prefix("*ESE ").and_then(|rest| rest.strip_suffix(";*ESE?")) {
                    Some(nonce) => nonce.to_string(),
                    None => continue,
                },
            };
            out.write_all(format!("{answer}\r\n").as_bytes()).unwrap();
        }
    });
    let address = Address::Tcp { host_port: host_port.clone() };
    let dialect = shipped("scpi-thermometer").unwrap();
    let connected = connect(Role::Thermometer, &address, &dialect, "heat").unwrap();
    assert_eq!(
        (connected.role(), connected.instrument().session().port()),
        (Role::Thermometer, host_port.as_str())
    );
    let Connected::Thermometer(mut thermometer) = connected else { panic!("another role") };
    assert_eq!(thermometer.measure_c(1).unwrap(), 21.5);
    drop(thermometer);
    server.join().unwrap();
    let gone = connect(Role::Thermometer, &address, &dialect, "heat").unwrap_err();
    assert!(gone.to_string().contains(&host_port), "{gone}");
}

#[test]
fn a_watchdog_is_set_and_fed_and_one_that_is_not_there_is_left_alone() {
    let fake = Fake::new(&[]);
    let mut supply = Supply::over(fake.link(), &shipped("scpi-supply").unwrap(), "psu").unwrap();
    fake.messages();
    assert!(supply.instrument().has_watchdog());
    supply.instrument_mut().set_watchdog_s(2.5).unwrap();
    supply.instrument_mut().feed_watchdog().unwrap();
    assert_eq!(fake.messages(), ["SYST:WATC:DEL 2.5", "SYST:WATC:DEL?", "SYST:WATC:FEED"]);
    // It takes the setting and does not keep it.
    fake.with(|state| state.stuck.push("SYST:WATC:DEL".into()));
    assert!(supply.instrument_mut().set_watchdog_s(4.0).is_err());

    let fake = Fake::new(&[]);
    let mut source = Source::over(fake.link(), &shipped("scpi-source").unwrap(), "gen").unwrap();
    fake.with(|state| {
        state.refuses.insert("SYST:WATC:DEL 2.5".into(), "-113,\"Undefined header\"".into());
    });
    fake.messages();
    source.instrument_mut().set_watchdog_s(2.5).unwrap();
    assert!(!source.instrument().has_watchdog());
    source.instrument_mut().feed_watchdog().unwrap();
    source.instrument_mut().set_watchdog_s(0.0).unwrap();
    assert_eq!(fake.messages(), ["SYST:WATC:DEL 2.5"]);

    // A role that has none: a load stays connected.
    let text = SHIPPED.iter().find(|(file, _)| *file == "scpi-load.toml").unwrap().1;
    let fake = Fake::new(&[]);
    let mut load = Load::over(fake.link(), &Dialect::parse("load", text).unwrap(), "load").unwrap();
    fake.messages();
    load.instrument_mut().set_watchdog_s(2.5).unwrap();
    load.instrument_mut().feed_watchdog().unwrap();
    assert!(fake.messages().is_empty());
}
