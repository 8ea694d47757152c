//! Samples to few bytes and back, bit for bit.
//!
//! A digitizer sends codes, which the bench turns into volts or amperes by `(code · scale − offset) · gain`. Where all
//! samples are such codes, the codes are kept, in [blocks](super::blocks) of few bits; otherwise the samples themselves,
//! compressed with zstd, bytes of equal weight together.

use std::cell::RefCell;

use serde::{Deserialize, Serialize};
use zstd::bulk::Compressor;

use super::blocks::{from_blocks, to_blocks, unfold};

/// How hard to compress: more costs time, gives little on noise.
const LEVEL: i32 = 1;
/// Integer formats of digitizers: full scale is a code of 2^15 or 2^31.
const FULL_SCALE_CODES: [f64; 2] = [32_768.0, 2_147_483_648.0];

/// Longest row that is read back, samples: a damaged file must not take all memory.
const SAMPLES_MAX: usize = 1 << 26;
/// Most samples of all rows of one file: volts and amperes of 16 channels, each of as many as a bench file allows.
pub const ALL_SAMPLES_MAX: usize = 1 << 27;

/// How one row of samples was packed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Packing {
    /// Blocks of integer codes: sample = (code · 2^`zero_bits` · `scale` − `offset`) · `gain`.
    Blocks {
        /// Lowest bits that no code uses, left out.
        zero_bits: u32,
        /// How often differences were taken.
        order: u8,
        /// Volts at the digitizer for one code.
        scale: f64,
        /// Offset of the digitizer, V.
        offset: f64,
        /// Volts or amperes for a volt at the digitizer.
        gain: f64,
    },
    /// Differences of integer codes, as captures had them before there were blocks: sample = (code · `scale` − `offset`) ·
    /// `gain`.
    Codes {
        /// Volts at the digitizer for one code.
        scale: f64,
        /// Offset of the digitizer, V.
        offset: f64,
        /// Volts or amperes for a volt at the digitizer.
        gain: f64,
    },
    /// 32-bit floating point at the digitizer: sample = (value − `offset`) · `gain`.
    Singles {
        /// Offset of the digitizer, V.
        offset: f64,
        /// Volts or amperes for a volt at the digitizer.
        gain: f64,
    },
    /// The samples as they are, 64-bit floating point.
    Doubles,
}

/// What may be known of how samples came about: full scale, offset and gain of the digitizer's channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Origin {
    /// Range of the digitizer, V.
    pub range_v: f64,
    /// Offset of the digitizer, V.
    pub offset_v: f64,
    /// Volts or amperes for a volt at the digitizer.
    pub gain: f64,
}

/// Packs samples; `origin` only makes the result smaller.
///
/// # Errors
/// When the compressor fails.
pub fn pack(samples: &[f64], origin: Option<Origin>) -> std::io::Result<(Packing, Vec<u8>)> {
    if let Some(packed) = origin.and_then(|origin| as_blocks(samples, origin)) {
        return Ok(packed);
    }
    let (packing, planes) = origin.and_then(|origin| as_singles(samples, origin)).unwrap_or_else(|| {
        let byte_of = |sample: f64, byte| (sample.to_bits() >> (8 * byte)) as u8;
        (Packing::Doubles, planes::<8, _>(samples, byte_of))
    });
    Ok((packing, compressed(&planes)?))
}

thread_local! {
    /// Its room to work in takes longer to get than a record to compress, so that a thread keeps it.
    static COMPRESSOR: RefCell<Option<Compressor<'static>>> = const { RefCell::new(None) };
}

fn compressed(planes: &[u8]) -> std::io::Result<Vec<u8>> {
    COMPRESSOR.with_borrow_mut(|kept| {
        let compressor = match kept {
            Some(compressor) => compressor,
            None => kept.insert(Compressor::new(LEVEL)?),
        };
        compressor.compress(planes)
    })
}

/// The samples again; `None` when the bytes are not what [`pack`] made of `count` samples.
pub fn unpack(packing: Packing, count: usize, bytes: &[u8]) -> Option<Vec<f64>> {
    if count > SAMPLES_MAX {
        return None;
    }
    match packing {
        Packing::Blocks { zero_bits, order, scale, offset, gain } => {
            let whole = |code: i32| Some(from_code(code.checked_shl(zero_bits)?, scale, offset, gain));
            from_blocks(order, count, bytes)?.into_iter().map(whole).collect()
        }
        Packing::Codes { scale, offset, gain } => {
            let mut code = 0i32;
            let next = |folded| {
                code = code.wrapping_add(unfold(u32::from_le_bytes(folded)));
                from_code(code, scale, offset, gain)
            };
            words::<4, _>(count, bytes, next)
        }
        Packing::Singles { offset, gain } => {
            words::<4, _>(count, bytes, |single| (f64::from(f32::from_le_bytes(single)) - offset) * gain)
        }
        Packing::Doubles => words::<8, _>(count, bytes, f64::from_le_bytes),
    }
}

fn from_code(code: i32, scale: f64, offset: f64, gain: f64) -> f64 {
    // The order of operations is that of the bench: anything else rounds differently.
    (f64::from(code) * scale - offset) * gain
}

fn as_blocks(samples: &[f64], origin: Origin) -> Option<(Packing, Vec<u8>)> {
    let Origin { range_v, offset_v: offset, gain } = origin;
    let (scale, mut codes) = FULL_SCALE_CODES.into_iter().find_map(|full_scale| {
        let scale = range_v / full_scale;
        Some((scale, codes(samples, scale, origin)?))
    })?;
    // Codes of 24 bits come with eight that are always zero.
    let used = codes.iter().fold(0, |all, code| all | code);
    let zero_bits = if used == 0 { 0 } else { used.trailing_zeros() };
    for code in &mut codes {
        *code >>= zero_bits;
    }
    let (order, bytes) = to_blocks(&codes);
    Some((Packing::Blocks { zero_bits, order, scale, offset, gain }, bytes))
}

/// The codes that give exactly these samples, where there are such.
fn codes(samples: &[f64], scale: f64, origin: Origin) -> Option<Vec<i32>> {
    let Origin { offset_v, gain, .. } = origin;
    // Near enough to the quotient to find the code, and quicker; what the code gives is compared exactly.
    let (per_gain, per_scale) = (gain.recip(), scale.recip());
    let mut codes = Vec::with_capacity(samples.len());
    // A part at a time, so that little is lost on samples that are no such codes.
    for part in samples.chunks(PART_SAMPLES) {
        let from = codes.len();
        codes.extend(part.iter().map(|sample| code((sample * per_gain + offset_v) * per_scale)));
        let same = |(code, sample): (&i32, &f64)| {
            from_code(*code, scale, offset_v, gain).to_bits() == sample.to_bits()
        };
        let found = codes.get(from..).unwrap_or_default().iter().zip(part);
        if !found.fold(true, |all, pair| all & same(pair)) {
            return None;
        }
    }
    Some(codes)
}

/// Samples that are tried at once.
const PART_SAMPLES: usize = 1024;

/// The nearest integer, of what is one of 32 bits; anything else gives some code, which fails the comparison that
/// follows. In a double of this size a step of the last place is 1, so that its lowest 32 bits are the code: without the
/// processor's own rounding, which plain x86-64 lacks, `round` is a call for every sample.
fn code(value: f64) -> i32 {
    const UNIT_STEPS_FROM: f64 = 6_755_399_441_055_744.0;
    (value + UNIT_STEPS_FROM).to_bits() as i32
}

fn as_singles(samples: &[f64], origin: Origin) -> Option<(Packing, Vec<u8>)> {
    let Origin { offset_v, gain, .. } = origin;
    let singles: Option<Vec<i32>> = samples
        .iter()
        .map(|sample| {
            let single = (sample / gain + offset_v) as f32;
            let same = ((f64::from(single) - offset_v) * gain).to_bits() == sample.to_bits();
            same.then(|| single.to_bits() as i32)
        })
        .collect();
    Some((Packing::Singles { offset: offset_v, gain }, planes::<4, _>(&singles?, byte_of_word)))
}

/// All first bytes, then all second bytes, and so on: bytes of equal weight are alike.
fn planes<const N: usize, W: Copy>(words: &[W], byte_of: impl Fn(W, usize) -> u8) -> Vec<u8> {
    let mut planes = Vec::with_capacity(N * words.len());
    for byte in 0..N {
        planes.extend(words.iter().map(|word| byte_of(*word, byte)));
    }
    planes
}

/// The lowest byte first.
fn byte_of_word(word: i32, byte: usize) -> u8 {
    (word >> (8 * byte)) as u8
}

/// What is made of each of `count` words whose bytes were laid in planes and compressed.
fn words<const N: usize, W>(count: usize, bytes: &[u8], make: impl FnMut([u8; N]) -> W) -> Option<Vec<W>> {
    // The compressor wrote how much comes out: what tells otherwise is not worth the memory.
    let promised = zstd::zstd_safe::get_frame_content_size(bytes).ok()??;
    if promised != (count * N) as u64 {
        return None;
    }
    let planes = zstd::bulk::decompress(bytes, count * N).ok()?;
    if planes.len() != count * N {
        return None;
    }
    let word = |index: usize| std::array::from_fn(|byte| planes[byte * count + index]);
    Some((0..count).map(word).map(make).collect())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::captures::blocks::fold;

    fn back(samples: &[f64], origin: Option<Origin>) -> (Packing, usize, Vec<f64>) {
        let (packing, bytes) = pack(samples, origin).unwrap();
        (packing, bytes.len(), unpack(packing, samples.len(), &bytes).unwrap())
    }

    fn bits(samples: &[f64]) -> Vec<u64> {
        samples.iter().map(|sample| sample.to_bits()).collect()
    }

    #[test]
    fn codes_of_a_converter_take_a_third_of_the_samples_or_less() {
        let origin = Origin { range_v: 5.0, offset_v: 0.0013, gain: 20.37 };
        for (full_scale, step, most) in [(32_768.0, 1.0, 2.2), (2_147_483_648.0, 256.0, 4.1)] {
            let samples: Vec<f64> = (0..20_000)
                .map(|n| {
                    let noise = f64::from((n * 7919) % 101) / 101.0 - 0.5;
                    let wave = (f64::from(n) * 0.0327).sin() * 0.7 * full_scale / step + 3.0 * noise;
                    (wave.round() * step * (5.0 / full_scale) - origin.offset_v) * origin.gain
                })
                .collect();
            let (packing, bytes, again) = back(&samples, Some(origin));
            assert!(matches!(packing, Packing::Blocks { .. }), "{packing:?}");
            assert_eq!(bits(&samples), bits(&again));
            assert!(bytes as f64 <= most * samples.len() as f64, "{bytes} bytes");
        }
    }

    /// Two's complement of 32 bits reaches from -2^31 to 2^31 - 1; a code beyond it is none.
    #[test]
    fn codes_are_found_to_the_ends_of_their_range() {
        let origin = Origin { range_v: 5.0, offset_v: 0.0013, gain: 20.37 };
        let sample = |code: f64| (code * (5.0 / 2_147_483_648.0) - origin.offset_v) * origin.gain;
        let (low, high) = (-2_147_483_648.0, 2_147_483_647.0);
        for (codes, found) in [([low, high, 0.0, -1.0], true), ([low - 1.0, 0.0, 1.0, 2.0], false)] {
            let samples = codes.map(sample);
            let (packing, _, again) = back(&samples, Some(origin));
            assert_eq!(matches!(packing, Packing::Blocks { .. }), found, "{packing:?}");
            assert_eq!(bits(&samples), bits(&again));
        }
    }

    #[test]
    fn singles_are_found() {
        let origin = Origin { range_v: 1.0, offset_v: 0.25, gain: 3.7 };
        let samples: Vec<f64> =
            (0..1000).map(|n| (f64::from((n as f32 * 0.01).sin()) - 0.25) * 3.7).collect();
        let (packing, _, again) = back(&samples, Some(origin));
        assert!(matches!(packing, Packing::Singles { .. }), "{packing:?}");
        assert_eq!(bits(&samples), bits(&again));
    }

    /// Codes from -3 on in steps of 1, 2, 3 and so on.
    #[test]
    fn captures_from_before_there_were_blocks_are_read() {
        let (scale, offset, gain) = (0.5, 0.25, 3.0);
        let deltas: Vec<i32> = (0..50).map(|n| if n == 0 { -3 } else { n }).collect();
        let planes = planes::<4, _>(&deltas, |delta, byte| byte_of_word(fold(delta) as i32, byte));
        let bytes = compressed(&planes).unwrap();
        let samples: Vec<f64> =
            (0..50).map(|n| (f64::from(n * (n + 1) / 2 - 3) * scale - offset) * gain).collect();
        assert_eq!(unpack(Packing::Codes { scale, offset, gain }, 50, &bytes), Some(samples));
    }

    #[test]
    fn bytes_that_are_not_ours_are_refused() {
        let (packing, bytes) = pack(&[1.0, 2.0, 3.0], None).unwrap();
        assert_eq!(unpack(packing, 4, &bytes), None);
        assert_eq!(unpack(packing, 2, &bytes), None);
        assert_eq!(unpack(packing, 3, &bytes[1..]), None);
        assert_eq!(unpack(packing, usize::MAX, &bytes), None);
    }

    proptest! {
        /// Whatever the samples, whatever is believed of their origin: every bit comes back.
        #[test]
        fn every_bit_comes_back(
            samples in prop::collection::vec(any::<u64>().prop_map(f64::from_bits), 0..200),
            origin in prop::option::of((any::<f64>(), any::<f64>(), any::<f64>())),
        ) {
            let origin = origin.map(|(range_v, offset_v, gain)| Origin { range_v, offset_v, gain });
            let (_, _, again) = back(&samples, origin);
            prop_assert_eq!(bits(&samples), bits(&again));
        }
    }
}
