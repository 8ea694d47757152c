//! Words and numbers by chance, of those kinds that databases treat unlike.

/// The same for the same seed.
pub struct Chance(u64);

impl Chance {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// Steele, Lea and Flood's SplitMix64 (2014): <https://doi.org/10.1145/2714064.2660195>.
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    /// A number below another.
    pub fn below(&mut self, end: u64) -> u64 {
        // What the database keeps is never above this.
        (self.next() % end).min(i64::MAX as u64)
    }

    pub fn some<T>(&mut self, make: impl Fn(&mut Self) -> T) -> Option<T> {
        (self.below(4) > 0).then(|| make(self))
    }

    pub fn word(&mut self) -> String {
        let words = [
            "",
            "a",
            "A",
            "Z",
            "é",
            "É",
            "e\u{301}",
            "ß",
            "SS",
            "ss",
            "İ",
            "i",
            "ı",
            "ς",
            "Σ",
            "%",
            "_",
            "!",
            "\\",
            "'",
            "\"",
            " ",
            "a ",
            " a",
            "10",
            "9",
            "中",
            "😀",
            "\u{fffd}",
            "\u{10ffff}",
            "a\nb",
            "ab",
            "aB",
        ];
        let letter = |chance: &mut Self| words[chance.below(words.len() as u64) as usize];
        let first = letter(self);
        // Mostly the same few, so that something is found.
        if self.below(3) > 0 { first.to_owned() } else { format!("{first}{}", letter(self)) }
    }

    pub fn verdict(&mut self) -> String {
        ["meets", "short", "undecided", "none"][self.below(4) as usize].to_owned()
    }

    pub fn date(&mut self) -> String {
        format!("203{}-0{}-1{}T10:00:00.000Z", self.below(3), 1 + self.below(9), self.below(10))
    }

    pub fn number(&mut self) -> f64 {
        match self.below(12) {
            0 => 0.0,
            1 => f64::NAN,
            2 => f64::INFINITY,
            3 => f64::NEG_INFINITY,
            4 => f64::MAX,
            5 => f64::MIN_POSITIVE / 4.0,
            6 => 0.1 + 0.2,
            7 => -1.0,
            8 => 9_007_199_254_740_993.0,
            9 => f64::from_bits(self.next() | 1).clamp(-1e300, 1e300),
            _ => self.below(1000) as f64 / 8.0,
        }
    }
}
