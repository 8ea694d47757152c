//! One file per target: a reader of bytes, the words of its language, and what must hold whatever the bytes are.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a property that does not hold must stop the target"
)]

pub mod amplifier;
pub mod bench_file;
pub mod blocks;
pub mod captures;
pub mod csv;
pub mod dialect;
pub mod journal;
mod memory_disk;
pub mod nameplate;
pub mod ratings;
mod recording;
pub mod run_folder;
pub mod scpi_controller;
pub mod scpi_instrument;
pub mod script;
pub mod wav;

/// A number that the bytes themselves draw, so that an input is all there is to a crash (FNV-1a, from memory).
fn drawn(bytes: &[u8]) -> u64 {
    bytes
        .iter()
        .fold(0xCBF2_9CE4_8422_2325, |sum, byte| (sum ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01B3))
}

/// A number below `end` that the bytes draw; `which` tells several apart.
fn drawn_below(bytes: &[u8], which: u32, end: usize) -> usize {
    (drawn(bytes).rotate_left(which * 13) % (end.max(1) as u64)) as usize
}

/// Bytes as text. What is no UTF-8 can't reach a reader of text, which takes a `&str`.
fn text(bytes: &[u8]) -> std::borrow::Cow<'_, str> {
    String::from_utf8_lossy(bytes)
}
