//! Capture blocks: IEEE 488.2 definite and indefinite blocks, and the samples in them.
//!
//! Holds: a payload lies within the bytes; a payload written again is read as the same; samples written again are the
//! same bytes; a block in a response is the payload that stands there.

use wattproof_scpi::samples::{decode, encode};
use wattproof_scpi::{ByteOrder, Reply, ResponseReader, SampleFormat, block};

use crate::Target;

/// This target.
pub const TARGET: Target = Target {
    name: "blocks",
    check,
    words: &[
        "#",
        "#0",
        "#1",
        "#14",
        "#3256",
        "#9000000008",
        "#9999999999",
        "#18",
        "#216",
        "\n",
        "\r\n",
        ",",
        ";",
        "\"",
    ],
    shipped: &[],
};

const FORMATS: [SampleFormat; 4] =
    [SampleFormat::Int16, SampleFormat::Int32, SampleFormat::Real32, SampleFormat::Real64];

/// Tries one input.
pub fn check(bytes: &[u8]) {
    let payload = match block::payload(bytes) {
        Ok((first, end)) => {
            assert!(2 <= first && first <= end && end <= bytes.len());
            &bytes[first..end]
        }
        Err(error) => {
            assert!(error.offset <= bytes.len(), "{error}");
            bytes
        }
    };
    let header = block::header(payload.len()).unwrap();
    let written = [header.as_bytes(), payload].concat();
    assert_eq!(block::payload(&written).unwrap(), (header.len(), written.len()));
    let mut reply = Reply::default();
    reply.block(payload).unwrap();
    reply.end_message();
    let wire = reply.take();
    let response = ResponseReader::new(1 << 20).next(&mut wire.as_slice()).unwrap().unwrap();
    assert_eq!(response.block().unwrap(), payload);
    for format in FORMATS {
        for order in [ByteOrder::Big, ByteOrder::Little] {
            check_samples(payload, format, order);
        }
    }
}

fn check_samples(payload: &[u8], format: SampleFormat, order: ByteOrder) {
    let Ok(samples) = decode(payload, format, order) else {
        assert!(!payload.len().is_multiple_of(format.bytes()));
        return;
    };
    assert_eq!(samples.len() * format.bytes(), payload.len());
    let mut again = Vec::new();
    encode(&samples, format, order, &mut again).unwrap();
    // Another size of floating point may write another NaN.
    if format != SampleFormat::Real32 || samples.iter().all(|sample| !sample.is_nan()) {
        assert_eq!(again, payload);
    }
}
