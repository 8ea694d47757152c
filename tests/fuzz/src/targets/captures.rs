//! Stored captures.
//!
//! Holds: what is read and written again gives every sample bit for bit; whatever samples are written are read.

use std::path::Path;
use std::sync::LazyLock;

use wattproof_bench::{BenchFile, ChannelCaptured};
use wattproof_runs::{capture_from_bytes, capture_to_bytes};
use wattproof_signal::Capture;

use super::drawn_below;
use crate::Target;

/// This target.
pub const TARGET: Target = Target {
    name: "captures",
    check,
    words: &[
        "{\"format\":\"wattproof capture 1\",\"channels\":[",
        "{\"format\":\"wattproof capture 2\",\"channels\":[",
        "\"amplifier_channel\":1",
        "\"fs_hz\":192000.0",
        "\"samples\":67108864",
        "\"bytes\":0",
        "\"packing\":\"doubles\"",
        "{\"blocks\":{\"zero_bits\":8,\"order\":2,\"scale\":1.0,\"offset\":0.0,\"gain\":1.0}}",
        "{\"codes\":{\"scale\":1.0,\"offset\":0.0,\"gain\":1.0}}",
        "{\"singles\":{\"offset\":0.0,\"gain\":1.0}}",
        "\"amps\":null",
        "null",
        "]}\n",
        "(\u{b5}/\u{fd}",
        "\n",
    ],
    shipped: &[],
};

static BENCH: LazyLock<BenchFile> = LazyLock::new(|| {
    let text = include_str!("../../corpus/bench_file/virtual.toml");
    BenchFile::parse(Path::new("virtual.toml"), text).unwrap()
});

/// Number, rate, volts, amperes and sides of a channel, every bit, and whether it was out of range.
type Bits = (u32, u64, Vec<u64>, Option<Vec<u64>>, Option<[Vec<u64>; 2]>, bool);

fn bits(channels: &[ChannelCaptured]) -> Vec<Bits> {
    let row = |samples: &[f64]| -> Vec<u64> { samples.iter().map(|sample| sample.to_bits()).collect() };
    let all = channels.iter().map(|channel| {
        let capture = &channel.capture;
        let amps = capture.amps.as_deref().map(row);
        let sides = channel.sides.as_ref().map(|sides| sides.each_ref().map(|side| row(side)));
        let (number, rate) = (channel.amplifier_channel, capture.fs_hz.to_bits());
        (number, rate, row(&capture.volts), amps, sides, capture.volts_overrange)
    });
    all.collect()
}

fn check_again(channels: &[ChannelCaptured]) -> Vec<u8> {
    let written = capture_to_bytes(&BENCH, channels).unwrap();
    let again = capture_from_bytes(&written).expect("what was written is not read");
    assert_eq!(bits(channels), bits(&again));
    written
}

/// Tries one input.
pub fn check(bytes: &[u8]) {
    if let Some(channels) = capture_from_bytes(bytes) {
        check_again(&channels);
    }
    let samples: Vec<f64> = bytes.as_chunks::<8>().0.iter().map(|bytes| f64::from_le_bytes(*bytes)).collect();
    let coarse: Vec<f64> = bytes.iter().map(|byte| f64::from(*byte) / 32_768.0).collect();
    let amps = (drawn_below(bytes, 0, 2) == 0).then(|| coarse.clone());
    let capture = |volts: Vec<f64>, amps| Capture {
        fs_hz: 192_000.0,
        volts,
        amps,
        volts_full_scale: Some(5.0),
        ..Capture::default()
    };
    let channels = [
        ChannelCaptured { amplifier_channel: 1, capture: capture(samples, amps), sides: None },
        ChannelCaptured {
            amplifier_channel: drawn_below(bytes, 1, 4) as u32,
            capture: capture(coarse.clone(), None),
            sides: None,
        },
        ChannelCaptured::bridged([coarse.clone(), coarse], [Some(5.0); 2], 3, capture(Vec::new(), None)),
    ];
    let mut damaged = check_again(&channels);
    let at = drawn_below(bytes, 2, damaged.len());
    damaged[at] = damaged[at].wrapping_add(1 + drawn_below(bytes, 3, 255) as u8);
    // It may still be a capture: only the hash in the journal tells that it is another one.
    if let Some(channels) = capture_from_bytes(&damaged) {
        check_again(&channels);
    }
}
