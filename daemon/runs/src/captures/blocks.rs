//! Integers to few bits and back.
//!
//! A tone in fine codes changes little from sample to sample, and its changes change less: of the codes, their first,
//! second and third differences, those that take the fewest bits are kept, 128 at a time in as many bits as the largest
//! of them needs. What is left below is noise, which nothing makes smaller. The layout is told in daemon/runs/README.md.

use bitpacking::{BitPacker, BitPacker4x};

/// Numbers in a block.
const BLOCK: usize = BitPacker4x::BLOCK_LEN;
/// Most bits of a number.
const BITS_MAX: u8 = 32;
/// How often differences may be taken: noise doubles in power and more each time.
pub const ORDER_MAX: u8 = 3;
/// From none to most.
const ORDERS: usize = ORDER_MAX as usize + 1;

/// Packs codes: how often differences were taken, and the bytes.
pub fn to_blocks(codes: &[i32]) -> (u8, Vec<u8>) {
    let sizes = sizes(codes);
    let (order, size) = (0u8..).zip(sizes).min_by_key(|(_, size)| *size).unwrap_or_default();
    let packer = BitPacker4x::new();
    let mut bytes = vec![0; size];
    let mut rest = bytes.as_mut_slice();
    blocks(codes, |block| {
        let block = &block[usize::from(order)];
        let bits = packer.num_bits(block);
        let (head, after) = std::mem::take(&mut rest).split_at_mut(1);
        head[0] = bits;
        let (numbers, after) = after.split_at_mut(BitPacker4x::compressed_block_size(bits));
        packer.compress(block, numbers, bits);
        rest = after;
    });
    (order, bytes)
}

/// The codes again; `None` when the bytes are not what [`to_blocks`] made of `count` codes with differences taken so often.
pub fn from_blocks(order: u8, count: usize, bytes: &[u8]) -> Option<Vec<i32>> {
    // A block takes a byte at least: what promises more is not worth the memory.
    if order > ORDER_MAX || count.div_ceil(BLOCK) > bytes.len() {
        return None;
    }
    let packer = BitPacker4x::new();
    let mut values = vec![0; count.next_multiple_of(BLOCK)];
    let mut rest = bytes;
    let mut folded = [0; BLOCK];
    for block in values.chunks_exact_mut(BLOCK) {
        let (bits, after) = rest.split_first()?;
        if *bits > BITS_MAX {
            return None;
        }
        let (numbers, after) = after.split_at_checked(BitPacker4x::compressed_block_size(*bits))?;
        packer.decompress(numbers, &mut folded, *bits);
        for (value, folded) in block.iter_mut().zip(folded) {
            *value = unfold(folded);
        }
        rest = after;
    }
    if !rest.is_empty() || values.drain(count..).any(|value| value != 0) {
        return None;
    }
    for _ in 0..order {
        sums(&mut values);
    }
    Some(values)
}

/// Bytes that all blocks take, by how often differences are taken.
fn sizes(codes: &[i32]) -> [usize; ORDERS] {
    let mut sizes = [0; ORDERS];
    blocks(codes, |block| {
        for (size, numbers) in sizes.iter_mut().zip(block) {
            let used = numbers.iter().fold(0, |all, number| all | number);
            *size += 1 + BitPacker4x::compressed_block_size((u32::BITS - used.leading_zeros()) as u8);
        }
    });
    sizes
}

/// Shows `each` block after block, the last filled up with zeros: the codes, folded, and their differences, folded, taken
/// once, twice and so on. The first of all is its own difference.
fn blocks(codes: &[i32], mut each: impl FnMut(&[[u32; BLOCK]; ORDERS])) {
    let mut before = [0i32; ORDERS];
    let mut values = [0i32; BLOCK];
    let mut block = [[0; BLOCK]; ORDERS];
    for part in codes.chunks(BLOCK) {
        values[..part.len()].copy_from_slice(part);
        for (numbers, before) in block.iter_mut().zip(&mut before) {
            values[part.len()..].fill(0);
            for (number, value) in numbers.iter_mut().zip(values) {
                *number = fold(value);
            }
            let last = values[BLOCK - 1];
            for n in (1..BLOCK).rev() {
                values[n] = values[n].wrapping_sub(values[n - 1]);
            }
            values[0] = values[0].wrapping_sub(std::mem::replace(before, last));
        }
        each(&block);
    }
}

fn sums(values: &mut [i32]) {
    let mut sum = 0i32;
    for value in values {
        sum = sum.wrapping_add(*value);
        *value = sum;
    }
}

/// Small numbers of either sign to small numbers without.
pub fn fold(value: i32) -> u32 {
    ((value << 1) ^ (value >> 31)) as u32
}

/// What [`fold`] made small.
pub fn unfold(folded: u32) -> i32 {
    ((folded >> 1) as i32) ^ -((folded & 1) as i32)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// A tone of 1 kHz at 192 kHz in codes of 24 bits: the second differences of a sine are (2π·f/fs)² times itself, 0.11 %,
    /// which is 10 bits less, and a sign (calculus, no source).
    #[test]
    fn a_fine_tone_takes_half_its_bits() {
        let code = |n: i32| (8.0e6 * (f64::from(n) * std::f64::consts::TAU / 192.0).sin()).round() as i32;
        let codes: Vec<i32> = (0..19_200).map(code).collect();
        let (order, bytes) = to_blocks(&codes);
        assert!(order >= 2, "{order}");
        let bits = 8.0 * bytes.len() as f64 / codes.len() as f64;
        assert!(bits < 14.2, "{bits} bits a sample");
        assert_eq!(from_blocks(order, codes.len(), &bytes), Some(codes));
    }

    /// The layout as the README of runs tells it, read by nothing but shifts.
    #[test]
    fn the_layout_is_the_one_told() {
        let values: Vec<i32> = (0..300).map(|n| (n * 7919 % 1009 - 504) * (n % 3)).collect();
        let (order, bytes) = to_blocks(&values);
        assert_eq!(order, 0);
        let mut rest = bytes.as_slice();
        let mut read = Vec::new();
        while let Some((bits, after)) = rest.split_first() {
            let bits = usize::from(*bits);
            let word = |index: usize| u32::from_le_bytes(after[4 * index..][..4].try_into().unwrap());
            for n in 0..BLOCK {
                let (lane, place) = (n % 4, n / 4 * bits);
                let bit = |bit: usize| word((place + bit) / 32 * 4 + lane) >> ((place + bit) % 32) & 1;
                read.push(unfold((0..bits).map(|n| bit(n) << n).sum()));
            }
            rest = &after[bits * BLOCK / 8..];
        }
        assert_eq!(read[..300], values);
        assert!(read[300..].iter().all(|value| *value == 0));
    }

    #[test]
    fn what_is_no_blocks_is_refused() {
        let codes: Vec<i32> = (0..200).collect();
        let (order, bytes) = to_blocks(&codes);
        assert!(from_blocks(order, 200, &bytes).is_some());
        assert_eq!(from_blocks(order, 200, &bytes[1..]), None);
        assert_eq!(from_blocks(order, 200, &bytes[..bytes.len() - 1]), None);
        assert_eq!(from_blocks(order, 300, &bytes), None);
        assert_eq!(from_blocks(order, 100, &bytes), None);
        assert_eq!(from_blocks(ORDER_MAX + 1, 200, &bytes), None);
        assert_eq!(from_blocks(0, 128, &[33; 600]), None);
        assert_eq!(from_blocks(0, usize::MAX, &bytes), None);
    }

    proptest! {
        #[test]
        fn every_code_comes_back(codes in prop::collection::vec(any::<i32>(), 0..400)) {
            let (order, bytes) = to_blocks(&codes);
            prop_assert_eq!(from_blocks(order, codes.len(), &bytes), Some(codes));
        }

        #[test]
        fn whatever_the_bytes_it_ends(
            order in 0u8..6,
            count in 0usize..2000,
            bytes in prop::collection::vec(any::<u8>(), 0..600),
        ) {
            if let Some(codes) = from_blocks(order, count, &bytes) {
                prop_assert_eq!(codes.len(), count);
            }
        }
    }
}
