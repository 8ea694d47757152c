//! Bytes written by hand, so that a fault shared by both ends cannot hide. Byte layouts: IEEE 754 and two's
//! complement; response forms: IEEE 488.2 8 (memory).
#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper of a test may fail the test")]

mod rig;

use rig::{Rig, interpreter};
use wattproof_scpi::samples::{decode, encode};
use wattproof_scpi::{
    BuildError, ByteOrder, Element, MessageBuilder, Numeric, Param, Response, ResponseReader, SampleError,
    SampleFormat,
};

#[test]
fn sample_records_have_the_published_byte_layout() {
    for (format, order, bytes, value) in [
        (SampleFormat::Int16, ByteOrder::Big, &[0xFF, 0xFE][..], -2.0),
        (SampleFormat::Int16, ByteOrder::Little, &[0x01, 0x02], 513.0),
        (SampleFormat::Int32, ByteOrder::Big, &[0x80, 0, 0, 0], -2_147_483_648.0),
        (SampleFormat::Int32, ByteOrder::Little, &[0x04, 0x03, 0x02, 0x01], 16_909_060.0),
        (SampleFormat::Real32, ByteOrder::Big, &[0x3F, 0xC0, 0, 0], 1.5),
        (SampleFormat::Real32, ByteOrder::Little, &[0, 0, 0x20, 0xC1], -10.0),
        (
            SampleFormat::Real64,
            ByteOrder::Big,
            &[0x40, 0x09, 0x21, 0xFB, 0x54, 0x44, 0x2D, 0x18],
            std::f64::consts::PI,
        ),
        (SampleFormat::Real64, ByteOrder::Little, &[0, 0, 0, 0, 0, 0, 0xF0, 0x3F], 1.0),
    ] {
        assert_eq!(decode(bytes, format, order).unwrap(), [value]);
        let mut written = Vec::new();
        encode(&[value], format, order, &mut written).unwrap();
        assert_eq!(written, bytes);
    }
}

#[test]
fn samples_that_do_not_fit_are_refused() {
    let mut bytes = Vec::new();
    for (value, format) in [
        (32768.0, SampleFormat::Int16),
        (-2_147_483_649.0, SampleFormat::Int32),
        (f64::NAN, SampleFormat::Int16),
        (1e39, SampleFormat::Real32),
    ] {
        let error = encode(&[0.0, value], format, ByteOrder::Big, &mut bytes).unwrap_err();
        assert!(matches!(error, SampleError::Range { index: 1, .. }));
    }
    assert!(encode(&[f64::INFINITY, f64::NAN], SampleFormat::Real32, ByteOrder::Big, &mut bytes).is_ok());
    assert!(matches!(decode(&[0; 7], SampleFormat::Real32, ByteOrder::Big), Err(SampleError::Length { .. })));
}

#[test]
fn a_message_is_built_as_written() {
    let wire = MessageBuilder::new()
        .command("SOUR:VOLT")
        .number_with(1.5, "V")
        .command("*WAI")
        .query("MEAS:CURR")
        .command(":FUNC")
        .word("SIN")
        .string("a\"b")
        .block(b"x\ny")
        .channels(&[1, 3, 4, 5])
        .boolean(false)
        .integer(-7)
        .number(f64::NEG_INFINITY)
        .finish()
        .unwrap();
    let wanted = b"SOUR:VOLT 1.5E+0 V;*WAI;:MEAS:CURR?;:FUNC SIN,\"a\"\"b\",#13x\ny,(@1,3:5),OFF,-7,NINF\n";
    assert_eq!(wire, wanted);
}

#[test]
fn a_message_with_a_mistake_is_not_built() {
    let header = |text: &str| MessageBuilder::new().command(text).finish();
    for bad in ["", "VOLT 5", "VOLT;OUTP", "A::B", "1A", "*A:B", "ABCDEFGHIJKLM", "VOLT?", "A\n"] {
        assert!(matches!(header(bad), Err(BuildError::Header { .. })), "{bad:?}");
    }
    assert!(header("OUTP1:STAT").is_ok());
    assert!(matches!(MessageBuilder::new().number(1.0).finish(), Err(BuildError::NoHeader)));
    for bad in ["", "a b", "x\n", "ABCDEFGHIJKLM", "1"] {
        let message = MessageBuilder::new().command("A").word(bad).finish();
        assert!(matches!(message, Err(BuildError::Parameter { .. })), "{bad:?}");
    }
    assert!(MessageBuilder::new().command("A").string("é").finish().is_err());
    assert!(MessageBuilder::new().command("A").number_with(f64::NAN, "V").finish().is_err());
}

#[test]
fn responses_from_the_field_are_cut_right() {
    let mut reader = ResponseReader::new(1000);
    let wire = b"Bob's,\"Box\",it's 5,#H1F, +1.50000E+00 ;NORM;2026-05-01;#15a\n,;\"\n#0a,\"b;\n\r\n-113,\"Undefined header;X\"\r\n";
    let mut input = &wire[..];
    let first = reader.next(&mut input).unwrap().unwrap();
    let elements: Vec<_> = first.elements().collect::<Result<_, _>>().unwrap();
    assert_eq!(
        elements,
        vec![
            (0, Element::Other("Bob's".into())),
            (0, Element::Text("Box".into())),
            (0, Element::Other("it's 5".into())),
            (0, Element::Number(31.0)),
            (0, Element::Number(1.5)),
            (1, Element::Word("NORM")),
            (2, Element::Other("2026-05-01".into())),
            (3, Element::Block(b"a\n,;\"")),
        ]
    );
    let second = reader.next(&mut input).unwrap().unwrap();
    assert_eq!(second.block().unwrap(), b"a,\"b;");
    let empty = reader.next(&mut input).unwrap().unwrap();
    assert_eq!(empty.elements().count(), 0);
    assert!(empty.only().is_err());
    let entry = reader.next(&mut input).unwrap().unwrap();
    assert_eq!(entry.error_entry().unwrap(), (-113, "Undefined header;X".to_owned()));
    assert!(reader.next(&mut input).is_none() && !reader.begun());
}

#[test]
fn a_response_that_is_not_what_was_asked_is_an_error() {
    let response = |text: &str| Response::from_bytes(text.as_bytes().to_vec());
    assert!(response("1,2").number().is_err());
    assert!(response("ON").number().is_err());
    assert!(response("2").boolean().is_err());
    assert!(response("1").boolean().unwrap());
    assert!(response("1,x").numbers().is_err());
    assert_eq!(response("1,2.5,-3E-1\r").numbers().unwrap(), [1.0, 2.5, -0.3]);
    assert!(response("#15abc").block().is_err());
    assert!(response("\"abc").only().is_err());
    assert!(response("\"a\"b").only().is_err());
    assert!(response("1.5,\"x\"").error_entry().is_err());
    assert!(response("1E99999").number().is_err());
}

#[test]
fn a_response_beyond_the_limit_is_dropped_once_and_the_next_one_arrives() {
    let mut reader = ResponseReader::new(20);
    let mut wire = b"#3500".to_vec();
    wire.extend([b'\n'; 500]);
    wire.extend(b"\n42\n");
    let mut input = wire.as_slice();
    assert!(reader.next(&mut input).unwrap().unwrap_err().to_string().contains("20 bytes"));
    assert_eq!(reader.next(&mut input).unwrap().unwrap().number().unwrap(), 42.0);
}

#[test]
fn a_large_block_passes_through_both_ends() {
    let payload: Vec<u8> = (0..1_000_000u32).map(|i| u8::try_from(i % 251).unwrap()).collect();
    let mut rig = Rig { payload: payload.clone(), ..Rig::default() };
    let reply = interpreter().feed(&mut rig, b"TRAC?;*IDN?\n");
    assert_eq!(&reply[..9], b"#71000000");
    let mut reader = ResponseReader::new(2_000_000);
    let mut found = None;
    for mut piece in reply.chunks(4096) {
        found = reader.next(&mut piece).or(found);
    }
    let response = found.unwrap().unwrap();
    let elements: Vec<_> = response.elements().collect::<Result<_, _>>().unwrap();
    assert_eq!(elements[0], (0, Element::Block(&payload)));
    assert_eq!(elements.len(), 5);
}

#[test]
fn parameters_convert_only_to_what_they_are() {
    let param = |text: &'static str| Param::parse(text.as_bytes()).unwrap();
    assert_eq!(param("NORM").choice(&["SWAPped", "NORMal"]).unwrap(), 1);
    assert_eq!(param("NORMA").choice(&["SWAPped", "NORMal"]).unwrap_err().number, -224);
    assert_eq!(param("2.5").integer(0..=5).unwrap(), 3);
    assert_eq!(param("9.91E37").integer(i64::MIN..=i64::MAX).unwrap_err().number, -222);
    assert_eq!(param("(@1,3:5)").channels(1..=5).unwrap(), [1, 3, 4, 5]);
    assert_eq!(param("(@5:3)").channels(1..=5).unwrap(), [5, 4, 3]);
    assert_eq!(param("(@1:4000000000)").channels(1..=5).unwrap_err().number, -222);
    assert_eq!(param("(1+2)").channels(1..=5).unwrap_err().number, -171);
    assert_eq!(param("5").channels(1..=5).unwrap_err().number, -128);
    assert_eq!(param("NAN").numeric("V").unwrap().within(0.0..=1.0, 0.0).unwrap_err().number, -222);
    assert_eq!(Numeric::Up.within(0.0..=1.0, 0.0).unwrap_err().number, -224);
    assert_eq!(param("1E3").numeric("V").unwrap(), Numeric::Value(1000.0));
    // An exponent needs digits; without them the E starts a suffix.
    assert_eq!(param("1 EXV").number("V").unwrap(), 1e18);
}
