//! Inputs made of other inputs: flipped bits, runs of bytes, splices, words of the language, swapped numbers.

use std::ops::Range;

use crate::chance::Chance;

/// Longest input that is made, bytes.
const LENGTH_MAX: usize = 48 << 10;
/// Most changes to one input.
const CHANGES_MAX: usize = 6;
/// Numbers in text that readers tend to forget: signs, zeros, ends of ranges, what is no number.
const NUMBERS: [&str; 24] = [
    "0",
    "-0.0",
    "-1",
    "1",
    "2",
    "255",
    "65536",
    "4294967296",
    "2147483647",
    "9223372036854775807",
    "9223372036854775808",
    "18446744073709551615",
    "99999999999999999999999",
    "1e308",
    "1e-308",
    "5e-324",
    "1e999",
    "-1e999",
    "nan",
    "inf",
    "9.91e37",
    "1e",
    "0x7fffffff",
    "1.0000000000000000000000000000000001",
];
/// The same in binary, 32 bits.
const WORDS_32: [u32; 10] =
    [0, 1, 2, 0x7FFF, 0x8000, 0xFFFF, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFE, 0xFFFF_FFFF];

/// Makes inputs; the same ones for the same seed and sources.
#[derive(Debug, Clone)]
pub struct Mutator {
    chance: Chance,
    words: &'static [&'static str],
}

impl Mutator {
    /// A mutator that knows the words of a language.
    pub fn new(seed: u64, words: &'static [&'static str]) -> Self {
        Self { chance: Chance::new(seed), words }
    }

    /// The next input, made of some of the sources.
    pub fn next(&mut self, sources: &[Vec<u8>]) -> Vec<u8> {
        let mut input = self.chance.one(sources).cloned().unwrap_or_default();
        for _ in 0..=self.chance.below(CHANGES_MAX) {
            self.change(&mut input, sources);
            input.truncate(LENGTH_MAX);
        }
        input
    }

    fn change(&mut self, input: &mut Vec<u8>, sources: &[Vec<u8>]) {
        match self.chance.below(14) {
            0 => self.flip_bit(input),
            1 => self.set_byte(input),
            2 => drop(input.drain(self.run(input.len()))),
            3 => self.repeat_run(input),
            4 => self.put_bytes(input),
            5 | 6 => self.put_word(input),
            7 => self.splice(input, sources),
            8..=10 => self.swap_number(input),
            11 => self.swap_binary(input),
            12 => self.swap_lines(input),
            _ => self.cut_or_grow(input),
        }
    }

    /// A place between bytes.
    fn place(&mut self, length: usize) -> usize {
        self.chance.below(length + 1)
    }

    /// Some bytes that follow each other, mostly few.
    fn run(&mut self, length: usize) -> Range<usize> {
        let start = self.place(length);
        let most = if self.chance.below(4) == 0 { length } else { 16 };
        start..(start + 1 + self.chance.below(most)).min(length).max(start)
    }

    fn flip_bit(&mut self, input: &mut [u8]) {
        let (at, bit) = (self.chance.below(input.len()), self.chance.below(8));
        if let Some(byte) = input.get_mut(at) {
            *byte ^= 1 << bit;
        }
    }

    fn set_byte(&mut self, input: &mut [u8]) {
        let at = self.chance.below(input.len());
        let value = *self.chance.one(b"\x00\x01\x7f\x80\xff\n\r\t \"'#,;:{}[]()=.-+0").unwrap_or(&0);
        if let Some(byte) = input.get_mut(at) {
            *byte = value;
        }
    }

    fn repeat_run(&mut self, input: &mut Vec<u8>) {
        let run = self.run(input.len());
        // Many times now and then, for what grows with depth or count.
        let times = if self.chance.below(6) == 0 { 1 + self.chance.below(400) } else { 1 };
        let copies =
            input.get(run.clone()).unwrap_or_default().repeat(times.min(LENGTH_MAX / run.len().max(1)));
        input.splice(run.end..run.end, copies);
    }

    fn put_bytes(&mut self, input: &mut Vec<u8>) {
        let at = self.place(input.len());
        let bytes: Vec<u8> = (0..=self.chance.below(8)).map(|_| self.chance.bits() as u8).collect();
        input.splice(at..at, bytes);
    }

    fn put_word(&mut self, input: &mut Vec<u8>) {
        let word = self.chance.one(self.words).copied().unwrap_or_default();
        let at = self.place(input.len());
        // In place of as many bytes, or between bytes.
        let end = if self.chance.below(2) == 0 { (at + word.len()).min(input.len()) } else { at };
        input.splice(at..end, word.bytes());
    }

    fn splice(&mut self, input: &mut Vec<u8>, sources: &[Vec<u8>]) {
        let Some(other) = self.chance.one(sources) else { return };
        if self.chance.below(2) == 0 {
            // The start of one, the end of another.
            input.truncate(self.place(input.len()));
            input.extend(other.get(self.place(other.len())..).unwrap_or_default());
        } else {
            let piece = self.run(other.len());
            let run = self.run(input.len());
            input.splice(run, other.get(piece).unwrap_or_default().iter().copied());
        }
    }

    /// Another number for one in the text.
    fn swap_number(&mut self, input: &mut Vec<u8>) {
        let numbers = numbers(input);
        let Some(run) = self.chance.one(&numbers).cloned() else { return };
        let text = match self.chance.below(3) {
            0 => self.chance.below(100).to_string(),
            1 => format!("{:e}", f64::from_bits(self.chance.bits())),
            _ => self.chance.one(&NUMBERS).copied().unwrap_or_default().to_string(),
        };
        input.splice(run, text.bytes());
    }

    /// Another number for two or four bytes, least or most significant first.
    fn swap_binary(&mut self, input: &mut [u8]) {
        let width = if self.chance.below(2) == 0 { 2 } else { 4 };
        let at = self.chance.below(input.len().saturating_sub(width) + 1);
        let value = match self.chance.below(3) {
            0 => input.len() as u32,
            1 => self.chance.below(300) as u32,
            _ => self.chance.one(&WORDS_32).copied().unwrap_or_default(),
        };
        let bytes = if self.chance.below(4) == 0 { value.to_be_bytes() } else { value.to_le_bytes() };
        if let Some(place) = input.get_mut(at..at + width) {
            place.copy_from_slice(&bytes[..width]);
        }
    }

    /// Moves, repeats or removes a line.
    fn swap_lines(&mut self, input: &mut Vec<u8>) {
        let mut lines: Vec<Vec<u8>> =
            input.split_inclusive(|byte| *byte == b'\n').map(<[u8]>::to_vec).collect();
        let (from, to) = (self.chance.below(lines.len()), self.chance.below(lines.len()));
        if lines.is_empty() {
            return;
        }
        match self.chance.below(3) {
            0 => lines.swap(from, to),
            1 => lines.insert(to, lines[from].clone()),
            _ => drop(lines.remove(from)),
        }
        *input = lines.concat();
    }

    fn cut_or_grow(&mut self, input: &mut Vec<u8>) {
        if self.chance.below(2) == 0 {
            input.truncate(self.place(input.len()));
        } else {
            let byte = input.last().copied().unwrap_or(b'0');
            input.resize(input.len() + self.chance.below(4096), byte);
        }
    }
}

/// Where decimal numbers stand in a text.
fn numbers(input: &[u8]) -> Vec<Range<usize>> {
    let mut found = Vec::new();
    let mut at = 0;
    while at < input.len() {
        let is_part = |byte: &u8| byte.is_ascii_digit() || matches!(byte, b'.' | b'-');
        let length = input[at..].iter().take_while(|byte| is_part(byte)).count();
        if input[at..at + length].iter().any(u8::is_ascii_digit) {
            found.push(at..at + length);
        }
        at += length.max(1);
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A crash is worth nothing if it can't be made again.
    #[test]
    fn the_same_seed_makes_the_same_inputs_and_another_makes_others() {
        let sources = [b"gain = 20.5\nname = \"a\"\n".to_vec(), b"*IDN?\n".to_vec()];
        let made = |seed| -> Vec<Vec<u8>> {
            let mut mutator = Mutator::new(seed, &["word"]);
            (0..500).map(|_| mutator.next(&sources)).collect()
        };
        assert_eq!(made(1), made(1));
        assert_ne!(made(1), made(2));
        assert!(made(1).iter().all(|input| input.len() <= LENGTH_MAX));
        let holds =
            |what: &[u8]| made(1).iter().any(|input| input.windows(what.len()).any(|run| run == what));
        assert!(holds(b"word") && holds(b"gain = 1e999"), "words and numbers find their way in");
    }

    #[test]
    fn numbers_are_found_where_they_stand() {
        assert_eq!(numbers(b"a = -20.5, b1 -- 7"), [4..9, 12..13, 17..18]);
        assert_eq!(numbers(b""), []);
    }
}
