//! Instruments that do not behave as SCPI has it: other line ends, echo, slow parsers, decimal commas, units, other
//! blocks. Each is a few lines of table at the other end of an in-process link, in virtual time, and shares no code
//! with what is tested. Forms of messages: common practice, no source; blocks and `*OPC` by IEEE 488.2 (from memory).

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

use std::sync::{Arc, Mutex};
use std::time::Duration;

use wattproof_instruments::{
    Acquisition, ChannelRange, Dialect, Digitizer, Fault, InstrumentError, Load, Source, Supply, Thermometer,
};
use wattproof_link::{CallLink, Link, VirtualClock};

/// What it was sent and when, and what it answers.
struct Device {
    end: u8,
    answer_end: &'static [u8],
    echo: bool,
    /// Bytes closer together than this are lost.
    byte_gap: Duration,
    /// Messages that begin sooner than this after the last byte are lost.
    gap: Duration,
    heard: Vec<String>,
    line: Vec<u8>,
    last: Option<Duration>,
    lost: usize,
    #[expect(clippy::type_complexity, reason = "a table of answers, written once")]
    answers: Box<dyn FnMut(&str) -> Option<Vec<u8>> + Send>,
}

/// Answers that depend on the question alone.
type Answers = fn(&str) -> Option<Vec<u8>>;

type Shared = Arc<Mutex<Device>>;

fn device(answers: impl FnMut(&str) -> Option<Vec<u8>> + Send + 'static) -> Device {
    Device {
        end: b'\n',
        answer_end: b"\n",
        echo: false,
        byte_gap: Duration::ZERO,
        gap: Duration::ZERO,
        heard: Vec::new(),
        line: Vec::new(),
        last: None,
        lost: 0,
        answers: Box::new(answers),
    }
}

impl Device {
    fn take(&mut self, bytes: &[u8], now: Duration) -> Vec<u8> {
        let mut said = Vec::new();
        for byte in bytes {
            let since = self.last.map(|last| now - last);
            let least = if self.line.is_empty() { self.gap } else { self.byte_gap };
            self.last = Some(now);
            if since.is_some_and(|since| since < least) {
                self.lost += 1;
                continue;
            }
            if self.echo {
                said.push(*byte);
            }
            if *byte != self.end {
                self.line.push(*byte);
                continue;
            }
            let line = String::from_utf8(std::mem::take(&mut self.line)).unwrap();
            if line.is_empty() {
                continue;
            }
            if let Some(answer) = (self.answers)(&line) {
                said.extend(answer);
                said.extend_from_slice(self.answer_end);
            }
            self.heard.push(line);
        }
        if !said.is_empty() {
            self.last = Some(now);
        }
        said
    }
}

fn wired(device: Device) -> (Shared, Box<dyn Link>) {
    let shared: Shared = Arc::new(Mutex::new(device));
    let state = shared.clone();
    let responder = Box::new(move |bytes: &[u8], now: Duration| state.lock().unwrap().take(bytes, now));
    (shared, Box::new(CallLink::polled("a port", VirtualClock::new(), Duration::from_millis(1), responder)))
}

fn heard(device: &Shared) -> Vec<String> {
    std::mem::take(&mut device.lock().unwrap().heard)
}

fn text(answer: &str) -> Option<Vec<u8>> {
    Some(answer.as_bytes().to_vec())
}

fn fault<T: std::fmt::Debug>(outcome: Result<T, InstrumentError>) -> Fault {
    *outcome.unwrap_err().fault
}

const SILENT: &str = "error_check = \"never\"\nresync = \"drain\"\nnext_error = \"\"\nclear = \"\"\nversion = \"\"\n\
                      events = \"\"\nidentify = \"ID?\"\nidentity = \"text\"\n";

fn thermometer(session: &str, rest: &str) -> Dialect {
    let text = format!(
        "name = \"t\"\nrole = \"thermometer\"\nsummary = \"\"\nchannels = 1\n[session]\n{SILENT}{session}\n{rest}"
    );
    Dialect::parse("t.toml", &text).unwrap()
}

#[test]
fn a_thermometer_in_kelvin_with_carriage_returns() {
    let mut kelvin = device(|line| match line {
        "ID?" => text("an invented thermometer"),
        "T1?" => text("T1=+296.15K"),
        _ => None,
    });
    (kelvin.end, kelvin.answer_end) = (b'\r', b"\r");
    let (_, link) = wired(kelvin);
    let dialect = thermometer(
        "terminator = \"cr\"\nanswer_end = \"cr\"",
        "[operations.measure_c]\nquery = \"T{channel}?\"\noffset = 273.15\nanswer = { prefix = \"T1=\", suffix = \"K\" }",
    );
    let mut thermometer = Thermometer::over(link, &dialect, "t").unwrap();
    assert_eq!(thermometer.instrument().identity().model, "an invented thermometer");
    // 0 °C is 273.15 K (SI brochure, 2.3.1).
    assert!((thermometer.measure_c(1).unwrap() - 23.0).abs() < 1e-9);
    assert_eq!(thermometer.instrument_mut().event_status().unwrap(), 0);
}

#[test]
fn an_answer_in_another_form_is_told_whole() {
    let (_, link) = wired(device(|line| match line {
        "ID?" => text("x"),
        "T1?" => text("T2=+296.15K"),
        _ => None,
    }));
    let dialect = thermometer("", "[operations.measure_c]\nquery = \"T1?\"\nanswer = { prefix = \"T1=\" }");
    let mut thermometer = Thermometer::over(link, &dialect, "t").unwrap();
    let told = thermometer.measure_c(1).unwrap_err().to_string();
    assert!(told.contains("\"T2=+296.15K\" where `T1=` before the value was expected"), "{told}");
}

/// A load that echoes, parses a byte each 2 ms, wants 10 ms of peace between messages, and has words for its relay.
fn slow_load(byte_ms: &str, gap_ms: &str, echo: &str) -> (Shared, Result<Load, InstrumentError>) {
    let mut closed = false;
    let mut ohm = String::from("8");
    let mut slow = device(move |line| match line {
        "ID?" => text("x"),
        "RELAY 1 CLOSE" => {
            closed = true;
            None
        }
        "RELAY 1 OPEN" => {
            closed = false;
            None
        }
        "RELAY? 1" => text(if closed { "CLOSED" } else { "OPEN" }),
        "OHM? 1" => text(&format!("{ohm} OHM")),
        other => {
            if let Some(value) = other.strip_prefix("OHM 1 ") {
                ohm = value.to_string();
            }
            None
        }
    });
    slow.echo = true;
    slow.answer_end = b"\r\n";
    slow.byte_gap = Duration::from_millis(2);
    slow.gap = Duration::from_millis(10);
    let (shared, link) = wired(slow);
    let text = format!(
        "name = \"l\"\nrole = \"load\"\nsummary = \"\"\nchannels = 1\n[session]\n{SILENT}\
         echo = \"{echo}\"\nbyte_ms = {byte_ms}\ngap_ms = {gap_ms}\nanswer_end = \"crlf\"\n\
         [answer]\non = \"CLOSED\"\noff = \"OPEN\"\n\
         [operations]\n\
         set_ohm = {{ write = \"OHM {{channel}} {{ohm}}\", unit = \"ohm\", decimals = 2, min = 1.0, max = 99.99, \
         step = 0.01, answer = {{ suffix = \"OHM\" }}, verify = {{ query = \"OHM? {{channel}}\", within_abs = 0.001 }} }}\n\
         get_ohm = {{ query = \"OHM? {{channel}}\", answer = {{ suffix = \"OHM\" }} }}\n\
         connect = {{ write = \"RELAY {{channel}} CLOSE\", verify = {{ query = \"RELAY? {{channel}}\", expect = \"1\" }} }}\n\
         disconnect = {{ write = \"RELAY {{channel}} OPEN\", verify = {{ query = \"RELAY? {{channel}}\", expect = \"OPEN\" }} }}\n\
         get_connected = {{ query = \"RELAY? {{channel}}\" }}\n"
    );
    let dialect = Dialect::parse("l.toml", &text).unwrap();
    (shared, Load::over(link, &dialect, "l"))
}

#[test]
fn a_slow_parser_with_echo_is_waited_for() {
    let (device, load) = slow_load("2.0", "10", "bytes");
    let mut load = load.unwrap();
    assert_eq!(load.set_ohm(1, 4.0).unwrap(), Some(4.0));
    load.connect(1).unwrap();
    assert!(load.is_connected(1).unwrap());
    load.disconnect(1).unwrap();
    assert!(!load.is_connected(1).unwrap());
    assert_eq!(heard(&device)[1], "OHM 1 4.00");
    assert_eq!((device.lock().unwrap().lost, load.instrument().session().steps_lost()), (0, 0));
}

#[test]
fn what_a_dialect_gets_wrong_about_pace_or_echo_is_noticed() {
    for (byte_ms, gap_ms, echo) in [("0.0", "10", "bytes"), ("2.0", "10", "none"), ("2.0", "0", "bytes")] {
        let (_, load) = slow_load(byte_ms, gap_ms, echo);
        let told = load.and_then(|mut load| load.set_ohm(1, 4.0));
        assert!(told.is_err(), "byte_ms {byte_ms}, gap_ms {gap_ms}, echo {echo}: {told:?}");
    }
}

#[test]
fn a_value_out_of_range_is_never_sent() {
    let (device, load) = slow_load("2.0", "10", "bytes");
    let mut load = load.unwrap();
    heard(&device);
    for ohm in [0.99, 100.0, 4.005, f64::NAN] {
        assert!(matches!(fault(load.set_ohm(1, ohm)), Fault::OutOfRange(_)), "{ohm}");
    }
    assert!(heard(&device).is_empty());
    let told = load.set_ohm(1, 0.5).unwrap_err().to_string();
    assert!(told.contains("set_ohm: 0.5 ohm is below the least that its dialect allows, 1 ohm"), "{told}");
    assert!(told.contains("min, max and step"), "{told}");
}

#[test]
fn a_supply_without_an_error_queue_with_commas_and_units() {
    let mut volts = String::from("0,00");
    let mut on = false;
    let (device, link) = wired(device(move |line| match line {
        "ID?" => text("x"),
        "U?" | "UMEAS?" => text(&format!("U={volts} V")),
        "I?" | "IMEAS?" => text("I=1,50 A"),
        "ON" => {
            on = true;
            None
        }
        "OFF" => {
            on = false;
            None
        }
        "STATE?" => text(if on { "U;ON" } else { "U;OFF" }),
        other => {
            if let Some(value) = other.strip_prefix("U ") {
                volts = value.to_string();
            }
            None
        }
    }));
    let text = format!(
        "name = \"s\"\nrole = \"supply\"\nsummary = \"\"\nchannels = 1\n[session]\n{SILENT}decimal = \"comma\"\n\
         [answer]\ndecimal = \"comma\"\non = \"ON\"\noff = \"OFF\"\n[operations]\n\
         set_v = {{ write = \"U {{volts}}\", decimals = 2, completion = {{ delay_ms = 80 }}, answer = {{ prefix = \"U=\", \
         suffix = \"V\" }}, verify = {{ query = \"U?\", within_abs = 0.01 }} }}\n\
         get_v = {{ query = \"U?\", answer = {{ prefix = \"U=\", suffix = \"V\" }} }}\n\
         set_limit_a = {{ write = \"I {{amps}}\" }}\nget_limit_a = {{ query = \"I?\", answer = {{ prefix = \"I=\", suffix = \"A\" }} }}\n\
         set_on = {{ write = \"ON\", verify = {{ query = \"STATE?\", expect = \"ON\", answer = {{ separator = \";\", field = 2 }} }} }}\n\
         set_off = {{ write = \"OFF\" }}\nget_on = {{ query = \"STATE?\", answer = {{ separator = \";\", field = 2 }} }}\n\
         measure_v = {{ query = \"UMEAS?\", answer = {{ prefix = \"U=\", suffix = \"V\" }} }}\n\
         measure_a = {{ query = \"IMEAS?\", answer = {{ prefix = \"I=\", suffix = \"A\" }} }}\n"
    );
    let mut supply = Supply::over(link, &Dialect::parse("s.toml", &text).unwrap(), "s").unwrap();
    let before = supply.instrument().session().now();
    assert_eq!(supply.set_v(1, 14.4).unwrap(), Some(14.4));
    assert!(supply.instrument().session().now() - before >= Duration::from_millis(80));
    assert_eq!(supply.measure_a(1).unwrap(), 1.5);
    supply.set_on(1, true).unwrap();
    assert!(supply.is_on(1).unwrap());
    supply.safe_off().unwrap();
    assert!(heard(&device).contains(&"U 14,40".to_string()));
    assert_eq!(supply.off_bytes().unwrap(), b"OFF\n");
}

/// A source in volts peak to peak that tells by `*ESR?` when it is done, one command a line.
fn source_device(slow: usize) -> Device {
    let (mut vpp, mut on, mut asked, mut events) = (String::from("0"), false, None::<usize>, 128_u8);
    device(move |line| match line {
        "*IDN?" => text("Invented,Source,1,1"),
        "*OPC" => {
            asked = Some(slow);
            None
        }
        "*ESR?" => {
            match asked.as_mut() {
                Some(0) => {
                    asked = None;
                    events |= 1;
                }
                Some(left) => *left -= 1,
                None => {}
            }
            text(&std::mem::take(&mut events).to_string())
        }
        "VPP 1?" => text(&vpp),
        "OUT 1?" => text(if on { "1" } else { "0" }),
        "OUT 1 ON" => {
            on = true;
            None
        }
        other => {
            if let Some(value) = other.strip_prefix("VPP 1 ") {
                vpp = value.to_string();
            }
            None
        }
    })
}

fn source_over(link: Box<dyn Link>) -> Source {
    let text = "name = \"s\"\nrole = \"source\"\nsummary = \"\"\nchannels = 1\n[session]\nerror_check = \"never\"\n\
         resync = \"drain\"\nnext_error = \"\"\nclear = \"\"\nversion = \"\"\nchaining = false\n[operations]\n\
         set_hz = { write = \"HZ {channel} {hz}\" }\nget_hz = { query = \"HZ {channel}?\" }\n\
         set_vrms = { write = \"VPP {channel} {volts}\", scale = 2.8284271247461903, completion = { opc_poll_ms = 5 }, \
         verify = { query = \"VPP {channel}?\", within_pct = 0.1 }, timeout_ms = 200 }\n\
         get_vrms = { query = \"VPP {channel}?\", scale = 2.8284271247461903 }\n\
         set_on = { write = \"OUT {channel} ON\", completion = \"opc_poll\" }\nset_off = { write = \"OUT {channel} OFF\" }\n\
         get_on = { query = \"OUT {channel}?\" }\n";
    Source::over(link, &Dialect::parse("s.toml", text).unwrap(), "s").unwrap()
}

#[test]
fn operations_complete_when_the_event_status_register_says_so() {
    let (device, link) = wired(source_device(3));
    let mut source = source_over(link);
    // A sine of 1 V rms is 2√2 V from peak to peak.
    assert!((source.set_vrms(1, 1.0).unwrap().unwrap() - 1.0).abs() < 1e-9);
    assert!((source.vrms(1).unwrap() - 1.0).abs() < 1e-9);
    let said = heard(&device);
    assert!(said.contains(&"VPP 1 2.82842712475".to_string()), "{said:?}");
    assert_eq!(said.iter().filter(|line| *line == "*ESR?").count(), 5);
    // Power-on was read on the way, and is still told to whoever asks.
    assert_eq!(source.instrument_mut().event_status().unwrap(), 128);
    source.set_on(1, true).unwrap();
    assert_eq!(source.instrument_mut().event_status().unwrap(), 0);
}

#[test]
fn an_operation_that_never_completes_is_told() {
    let (_, link) = wired(source_device(usize::MAX));
    let mut source = source_over(link);
    assert_eq!(fault(source.set_vrms(1, 1.0)), Fault::NotComplete { waited_ms: 200 });
}

/// Two channels of three samples: codes 1, 2, 3 and −1, −2, −3.
fn digitizer(samples: &str, further: &str, fetch: &str, answers: Answers) -> (Shared, Digitizer) {
    let mut polls = 0;
    let (shared, link) = wired(device(move |line| match line {
        "ID?" => text("x"),
        "N?" => text("3"),
        "DT?" => text("1E-5"),
        "RANGE? 1" => text("2"),
        "RANGE? 2" => text("4"),
        "BUSY?" => {
            polls += 1;
            text(if polls % 4 == 0 { "IDLE" } else { "BUSY" })
        }
        other => answers(other),
    }));
    let text = format!(
        "name = \"d\"\nrole = \"digitizer\"\nsummary = \"\"\nchannels = 2\n[session]\n{SILENT}\n[samples]\n{samples}\n\
         [operations]\nset_points = {{ write = \"N {{points}}\" }}\nget_points = {{ query = \"N?\" }}\n\
         set_interval_s = {{ write = \"DT {{interval_s}}\" }}\nget_interval_s = {{ query = \"DT?\" }}\n\
         set_range_v = {{ write = \"RANGE {{channel}} {{volts}}\" }}\nget_range_v = {{ query = \"RANGE? {{channel}}\" }}\n\
         start = {{ write = \"GO\" }}\nabort = {{ write = \"STOP\" }}\n\
         wait = {{ query = \"BUSY?\", poll_ms = 10, answer = {{ on = \"IDLE\", off = \"BUSY\" }} }}\n\
         fetch = {{ query = \"{fetch}\" }}\n{further}"
    );
    let dialect = Dialect::parse("d.toml", &text).unwrap_or_else(|error| panic!("{error}"));
    (shared, Digitizer::over(link, &dialect, "d").unwrap())
}

fn record(digitizer: &mut Digitizer) -> Result<Vec<Vec<f64>>, InstrumentError> {
    let channels = [(1, 2.0), (2, 4.0)].map(|(channel, range_v)| ChannelRange { channel, range_v }).to_vec();
    digitizer.configure(&Acquisition { points: 3, interval_s: 1e-5, channels, format: None, order: None })?;
    Ok(digitizer.acquire()?.channels_v)
}

#[test]
fn little_words_come_interleaved_in_a_block_without_a_length() {
    // IEEE 488.2, 8.7.10: #0, the data, NL. The data hold 0x0A, which is no end here.
    let (device, mut digitizer) = digitizer(
        "default = \"int16\"\ndefault_order = \"little\"\nformats = { int16 = \"\" }\norders = { little = \"\" }\n\
         block = \"indefinite\"\nlayout = \"interleaved\"\nlist = \"commas\"",
        "get_volts_per_code = { query = \"LSB? {channel}\" }\nget_offset_v = { query = \"ZERO? {channel}\" }\n",
        "DATA? {channels}",
        |line| match line {
            "LSB? 1" => text("0.001"),
            "LSB? 2" => text("0.01"),
            "ZERO? 1" => text("0.5"),
            "ZERO? 2" => text("0"),
            "DATA? 1,2" => Some(b"#0\x01\x00\xff\xff\x0a\x00\xfe\xff\x03\x00\xfd\xff".to_vec()),
            _ => None,
        },
    );
    let found = record(&mut digitizer).unwrap();
    assert_eq!(found, [[0.501, 0.51, 0.503], [-0.01, -0.02, -0.03]]);
    assert_eq!(heard(&device).iter().filter(|line| *line == "BUSY?").count(), 4);
}

#[test]
fn numbers_come_in_lists_channel_by_channel() {
    let (_, mut digitizer) = digitizer(
        "default = \"ascii\"\nformats = { ascii = \"\" }\nseparator = \";\"",
        "",
        "DATA? {channel}",
        |line| match line {
            "DATA? 1" => text("1E-1; 0.2;+0.3"),
            "DATA? 2" => text("-.1;-.2;-.3"),
            _ => None,
        },
    );
    assert_eq!(record(&mut digitizer).unwrap(), [[0.1, 0.2, 0.3], [-0.1, -0.2, -0.3]]);
}

#[test]
fn lists_that_are_short_or_hold_words_are_refused() {
    for (answer, words) in [("1;2", "2 numbers where 3"), ("1;x;3", "number 2 of a list")] {
        let answers: fn(&str) -> Option<Vec<u8>> = if answer == "1;2" {
            |line| line.starts_with("DATA?").then(|| b"1;2".to_vec())
        } else {
            |line| line.starts_with("DATA?").then(|| b"1;x;3".to_vec())
        };
        let samples = "default = \"ascii\"\nformats = { ascii = \"\" }\nseparator = \";\"";
        let (_, mut digitizer) = digitizer(samples, "", "DATA? {channel}", answers);
        let told = record(&mut digitizer).unwrap_err().to_string();
        assert!(told.contains(words), "{told}");
    }
}

#[test]
fn real_numbers_and_wide_integers_come_in_both_orders() {
    // Bytes by IEEE 754 and two's complement: 0.5, 0.25, -1 and 2^30, -2^30, 0.
    let cases: [(&str, &str, Answers, [f64; 3]); 4] = [
        ("real32", "big", |l| hex(l, "#212 3f000000 3e800000 bf800000"), [0.5, 0.25, -1.0]),
        (
            "real64",
            "little",
            |l| hex(l, "#224 000000000000e03f 000000000000d03f 000000000000f0bf"),
            [0.5, 0.25, -1.0],
        ),
        (
            "real64",
            "big",
            |l| hex(l, "#224 3fe0000000000000 3fd0000000000000 bff0000000000000"),
            [0.5, 0.25, -1.0],
        ),
        ("int32", "little", |l| hex(l, "#212 00000040 000000c0 00000000"), [0.5, -0.5, 0.0]),
    ];
    for (format, order, answers, expected) in cases {
        let samples = format!(
            "default = \"{format}\"\ndefault_order = \"{order}\"\nformats = {{ {format} = \"\" }}\norders = {{ {order} = \"\" }}"
        );
        let (_, mut digitizer) = digitizer(&samples, "", "DATA? {channel}", answers);
        let found = record(&mut digitizer).unwrap();
        let range = if format == "int32" { [2.0, 4.0] } else { [1.0, 1.0] };
        for (channel, range) in found.iter().zip(range) {
            assert_eq!(*channel, expected.map(|value| value * range), "{format} {order}");
        }
    }
}

fn hex(line: &str, told: &str) -> Option<Vec<u8>> {
    let (head, bytes) = told.split_once(' ')?;
    let digits: String = bytes.split(' ').collect();
    let payload =
        (0..digits.len() / 2).map(|at| u8::from_str_radix(&digits[2 * at..2 * at + 2], 16).unwrap());
    line.starts_with("DATA?").then(|| head.bytes().chain(payload).collect())
}
