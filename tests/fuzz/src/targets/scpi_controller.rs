//! The controller end of SCPI: whatever an instrument answers, and whatever is put into a message to it.
//!
//! Holds: no panic, bounded memory, no split of the bytes matters, numbers and channel lists read back as written.

use wattproof_scpi::{Element, MessageBuilder, Response, ResponseReader, channel, message, number};

use super::{drawn_below, text};
use crate::Target;

/// This target.
pub const TARGET: Target = Target {
    name: "scpi_controller",
    check,
    words: &[
        "-113,\"Undefined header\"",
        "0,\"No error\"",
        "+1.000E+00",
        "9.91E37",
        "-9.9E37",
        "NAN",
        "#13abc",
        "#210",
        "#0",
        "#900000000",
        "#HFF",
        "#B102",
        "\"",
        "\"\"",
        ",",
        ";",
        "\n",
        "\r\n",
        "ON",
        "OFF",
        "1",
        "0",
        "(@1,2:4)",
        "(@",
        "1e",
        "1E+99999",
        "+-",
        ".",
        "e5",
        "4000000000:4294967295",
    ],
    shipped: &[],
};

fn read(bytes: &[u8], piece: usize, limit_bytes: usize) -> Vec<Result<Response, String>> {
    let mut reader = ResponseReader::new(limit_bytes);
    let mut all = Vec::new();
    for piece in bytes.chunks(piece) {
        let mut input = piece;
        while let Some(response) = reader.next(&mut input) {
            all.push(response.map_err(|error| error.to_string()));
        }
        assert!(reader.held_bytes() <= 2 * limit_bytes + 16, "{} bytes held", reader.held_bytes());
    }
    all
}

/// Tries one input.
pub fn check(bytes: &[u8]) {
    let limit_bytes = 8 + drawn_below(bytes, 0, 300);
    let whole = read(bytes, bytes.len().max(1), limit_bytes);
    assert_eq!(whole, read(bytes, 1 + drawn_below(bytes, 1, 17), limit_bytes), "the split matters");
    for response in read(bytes, bytes.len().max(1), 1 << 20).into_iter().chain(whole).flatten() {
        check_response(&response);
    }
    check_response(&Response::from_bytes(bytes.to_vec()));
    let text = text(bytes);
    if let Ok(ranges) = channel::parse(&text)
        && let Some(list) = channel::channels(&ranges, 0..=1000)
    {
        let again = channel::parse(&channel::format(&list)).unwrap();
        assert_eq!(channel::channels(&again, 0..=1000), Some(list));
    }
    check_built(&text, bytes);
}

fn check_response(response: &Response) {
    let mut count = 0;
    for element in response.elements() {
        count += 1;
        if let Ok((_, Element::Number(value))) = element
            && value.abs() < 9.8e37
        {
            let text = number::format_nr3(value);
            assert_eq!(number::parse_decimal(text.as_bytes()).unwrap(), (value, text.len()));
        }
    }
    assert!(count <= response.bytes().len() + 1);
    let strict = [
        response.number().is_ok(),
        response.block().is_ok(),
        response.boolean().is_ok(),
        response.error_entry().is_ok(),
    ];
    assert!(strict.iter().filter(|read| **read).count() <= 2, "an answer is of one kind: {strict:?}");
    if response.number().is_ok() {
        assert_eq!(response.numbers().unwrap().len(), 1);
    }
    assert!(response.text().chars().count() <= response.bytes().len());
}

/// A message that the builder agrees to make is read back as one message of that header and data.
fn check_built(words: &str, bytes: &[u8]) {
    let built = MessageBuilder::new().command("A:B").string(words).block(bytes).finish();
    if let Ok(wire) = built {
        let mut splitter = wattproof_scpi::stream::Splitter::new(1 << 20);
        let line = splitter.next(&mut wire.as_slice()).unwrap().unwrap();
        let units: Vec<_> = message::units(&line).collect::<Result<_, _>>().unwrap();
        assert_eq!(units.len(), 1);
        assert_eq!(units[0].params[0].string().unwrap(), words);
        assert_eq!(units[0].params[1].block().unwrap(), bytes);
    }
    if let Ok(wire) = MessageBuilder::new().command(words).word(words).finish() {
        let mut splitter = wattproof_scpi::stream::Splitter::new(1 << 20);
        let mut input = wire.as_slice();
        let line = splitter.next(&mut input).unwrap().unwrap();
        assert!(input.is_empty(), "one message became several");
        assert_eq!(message::units(&line).collect::<Result<Vec<_>, _>>().unwrap().len(), 1);
    }
}
