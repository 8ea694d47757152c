//! Properties: what is written reads back; no split of the bytes matters; no bytes panic or grow memory.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper of a test may fail the test")]

mod rig;

use proptest::prelude::*;
use rig::{Rig, interpreter, small};
use wattproof_scpi::samples::{decode, encode};
use wattproof_scpi::{
    ByteOrder, Element, MessageBuilder, Param, Reply, Response, ResponseReader, SampleFormat, channel,
    message, number,
};

const FORMATS: [SampleFormat; 4] =
    [SampleFormat::Int16, SampleFormat::Int32, SampleFormat::Real32, SampleFormat::Real64];

fn read_all(reader: &mut ResponseReader, pieces: &[&[u8]]) -> Vec<Result<Response, String>> {
    let mut all = Vec::new();
    for piece in pieces {
        let mut input = *piece;
        while let Some(response) = reader.next(&mut input) {
            all.push(response.map_err(|e| e.to_string()));
        }
    }
    all
}

/// `bytes` cut at the places that `cuts` give.
fn cut<'a>(bytes: &'a [u8], cuts: &[prop::sample::Index]) -> Vec<&'a [u8]> {
    let mut places: Vec<usize> = cuts.iter().map(|c| c.index(bytes.len() + 1)).collect();
    places.extend([0, bytes.len()]);
    places.sort_unstable();
    places.windows(2).map(|w| &bytes[w[0]..w[1]]).collect()
}

/// Text with many of the bytes that mean something.
fn spiky() -> impl Strategy<Value = Vec<u8>> {
    let piece = prop_oneof![
        4 => prop::sample::select(vec![
            "VOLT 1", "VOLT?", "*IDN?", "INIT", "*WAI", "*OPC?", "OUTP2 ON", "DATA ", "DATA? ", "#13abc", "#205\n\n\n\n\n",
            "#0ab", "\"a\nb\"", "'it''s'", "(@1,3:5)", ",", ";", ":", "\n", "\n", "\r\n", "1.5E3", "#HFF", "\"", "'", "#", "#9",
            "TRAC?", "LAST?", "(", "1 mV", "SYST:ERR?",
        ]).prop_map(|s| s.as_bytes().to_vec()),
        1 => prop::collection::vec(any::<u8>(), 0..5),
    ];
    prop::collection::vec(piece, 0..40).prop_map(|pieces| pieces.concat())
}

proptest! {
    #[test]
    fn numbers_read_back(value in any::<f64>().prop_filter("beyond SCPI's range", |v| v.is_nan() || v.is_infinite() || v.abs() < 9.8e37)) {
        let text = number::format_nr3(value);
        let (read, used) = number::parse_decimal(text.as_bytes()).unwrap();
        prop_assert_eq!(used, text.len());
        let read = number::from_wire(read);
        prop_assert!(read == value || read.is_nan() && value.is_nan());
        let wire = MessageBuilder::new().command("NUMB").number(value).finish().unwrap();
        let unit = message::units(&wire[..wire.len() - 1]).next().unwrap().unwrap();
        let sent = unit.params[0].number("").unwrap();
        prop_assert!(sent == value || sent.is_nan() && value.is_nan());
    }

    #[test]
    fn fixed_point_reads_back_within_half_a_digit(value in -1e6..1e6f64, decimals in 1usize..9) {
        let text = number::format_nr2(value, decimals);
        let read = Response::from_bytes(text.into_bytes()).number().unwrap();
        prop_assert!((read - value).abs() <= 0.5000001 * 10f64.powi(-(decimals as i32)) + 1e-9);
    }

    #[test]
    fn integers_read_back(value in any::<u64>(), base in prop::sample::select(vec![16u32, 8, 2])) {
        let text = number::format_nondecimal(value, base);
        prop_assert_eq!(number::parse_nondecimal(text.as_bytes()).unwrap(), (value, text.len()));
    }

    #[test]
    fn every_data_type_reads_back_as_a_parameter(
        text in "[ -~\n]{0,20}",
        bytes in prop::collection::vec(any::<u8>(), 0..50),
        word in "[A-Za-z][A-Za-z0-9_]{0,11}",
        list in prop::collection::vec(1u32..9, 0..9),
        flag in any::<bool>(),
    ) {
        let wire = MessageBuilder::new().command("A:B").string(&text).block(&bytes).word(&word)
            .channels(&list).boolean(flag).number_with(2.5, "MOHM").query("*IDN").command("C")
            .finish().unwrap();
        let mut splitter = wattproof_scpi::stream::Splitter::new(1000);
        let line = splitter.next(&mut wire.as_slice()).unwrap().unwrap();
        let units: Vec<_> = message::units(&line).collect::<Result<_, _>>().unwrap();
        prop_assert_eq!(units.iter().map(|u| u.header()).collect::<Vec<_>>(), ["A:B", "*IDN?", "C"]);
        let params = &units[0].params;
        prop_assert_eq!(params[0].string().unwrap(), &text);
        prop_assert_eq!(params[1].block().unwrap(), &bytes);
        prop_assert_eq!(&params[2], &Param::Word(&word));
        prop_assert_eq!(params[3].channels(1..=8).unwrap(), list);
        prop_assert_eq!(params[4].boolean().unwrap(), flag);
        prop_assert_eq!(params[5].number("OHM").unwrap(), 2.5e6);
    }

    #[test]
    fn every_data_type_reads_back_as_a_response(
        text in "[ -~\n]{0,20}",
        bytes in prop::collection::vec(any::<u8>(), 0..50),
        value in -1e30..1e30f64,
        word in "[A-Z][A-Z0-9_]{0,11}",
        cuts in prop::collection::vec(any::<prop::sample::Index>(), 0..6),
    ) {
        let mut reply = Reply::default();
        reply.string(&text);
        reply.block(&bytes).unwrap();
        reply.end_unit();
        reply.nr3(value);
        reply.word(&word);
        reply.boolean(true);
        reply.end_message();
        let wire = reply.take();
        let mut reader = ResponseReader::new(1000);
        let got = read_all(&mut reader, &cut(&wire, &cuts));
        prop_assert_eq!(got.len(), 1);
        let elements: Vec<_> = got[0].as_ref().unwrap().elements().collect::<Result<_, _>>().unwrap();
        prop_assert_eq!(elements, vec![
            (0, Element::Text(text.into())), (0, Element::Block(&bytes)),
            (1, Element::Number(value)), (1, Element::Word(&word)), (1, Element::Number(1.0)),
        ]);
    }

    #[test]
    fn channel_lists_read_back(list in prop::collection::vec(0u32..1000, 0..30)) {
        let ranges = channel::parse(&channel::format(&list)).unwrap();
        prop_assert_eq!(channel::channels(&ranges, 0..=1000).unwrap(), list);
    }

    #[test]
    fn samples_read_back(values in prop::collection::vec(any::<i16>(), 0..100), big in any::<bool>()) {
        let order = if big { ByteOrder::Big } else { ByteOrder::Little };
        let values: Vec<f64> = values.into_iter().map(f64::from).collect();
        for format in FORMATS {
            let mut bytes = Vec::new();
            encode(&values, format, order, &mut bytes).unwrap();
            prop_assert_eq!(bytes.len(), values.len() * format.bytes());
            prop_assert_eq!(&decode(&bytes, format, order).unwrap(), &values);
        }
    }

    #[test]
    fn doubles_read_back_bit_for_bit(values in prop::collection::vec(any::<f64>(), 0..50)) {
        let mut bytes = Vec::new();
        encode(&values, SampleFormat::Real64, ByteOrder::Little, &mut bytes).unwrap();
        let read = decode(&bytes, SampleFormat::Real64, ByteOrder::Little).unwrap();
        prop_assert!(read.iter().zip(&values).all(|(a, b)| a.to_bits() == b.to_bits()));
    }

    #[test]
    fn no_split_matters_to_the_instrument(
        bytes in spiky(), cuts in prop::collection::vec(any::<prop::sample::Index>(), 0..8), limit in 10usize..80
    ) {
        let run = |pieces: &[&[u8]]| {
            let mut rig = Rig { payload: b"\n\n;".to_vec(), ..Rig::default() };
            let mut interpreter = small(limit);
            let mut out = Vec::new();
            for piece in pieces {
                out.extend(interpreter.feed(&mut rig, piece));
                assert!(interpreter.held_bytes() <= 6 * limit + 64);
            }
            for _ in 0..50 {
                rig.busy = false;
                out.extend(interpreter.poll(&mut rig));
            }
            let errors: Vec<_> = std::iter::from_fn(|| interpreter.status.queue.pop()).collect();
            (out, errors, rig)
        };
        prop_assert_eq!(run(&[&bytes]), run(&cut(&bytes, &cuts)));
    }

    #[test]
    fn no_split_matters_to_the_controller(
        bytes in spiky(), cuts in prop::collection::vec(any::<prop::sample::Index>(), 0..8), limit in 5usize..80
    ) {
        let whole = read_all(&mut ResponseReader::new(limit), &[&bytes]);
        let mut reader = ResponseReader::new(limit);
        let parts = read_all(&mut reader, &cut(&bytes, &cuts));
        prop_assert!(reader.held_bytes() <= 2 * limit + 16);
        prop_assert_eq!(&whole, &parts);
        for response in whole.into_iter().flatten() {
            prop_assert!(response.bytes().len() <= limit);
            prop_assert!(response.elements().count() <= response.bytes().len() + 1);
        }
    }

    #[test]
    fn no_bytes_panic(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        let mut rig = Rig::default();
        let mut interpreter = interpreter();
        interpreter.feed(&mut rig, &bytes);
        interpreter.end(&mut rig);
        read_all(&mut ResponseReader::new(100), &[&bytes]);
        for unit in message::units(&bytes).flatten() {
            prop_assert!(unit.offset < bytes.len());
        }
        if let Ok(text) = std::str::from_utf8(&bytes) {
            let _ = channel::parse(text);
            let _ = wattproof_scpi::tree::Tree::default().insert(text, 0);
            let _ = MessageBuilder::new().command(text).word(text).finish();
        }
        for format in FORMATS {
            let _ = decode(&bytes, format, ByteOrder::Big);
        }
    }
}
