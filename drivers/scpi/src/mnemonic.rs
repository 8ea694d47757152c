//! Mnemonics: long and short form, exact matching, numeric suffix (SCPI-1999 6.2).

/// The longest mnemonic of a program message (IEEE 488.2 7.6.1.2).
pub const MNEMONIC_MAX: usize = 12;

/// The short form by the standard's rule: the first four letters, or three when the long form has more than
/// four letters and its fourth is a vowel. Upper case.
#[must_use]
pub fn short_form(long: &str) -> String {
    let upper = long.to_ascii_uppercase();
    let fourth_is_vowel = upper.chars().nth(3).is_some_and(|c| "AEIOU".contains(c));
    let keep = if upper.chars().count() > 4 && fourth_is_vowel { 3 } else { 4 };
    upper.chars().take(keep).collect()
}

/// One node's name in a command pattern, such as `VOLTage` or `OUTPut#`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mnemonic {
    long: String,
    short: String,
    suffixed: bool,
}

impl Mnemonic {
    /// Reads a pattern: capitals are the short form, `#` at the end allows a numeric suffix.
    /// `None` when the pattern has no capitals in front, or characters that a mnemonic cannot have.
    #[must_use]
    pub fn new(pattern: &str) -> Option<Self> {
        let (word, suffixed) = match pattern.strip_suffix('#') {
            Some(word) => (word, true),
            None => (pattern, false),
        };
        let bare = word.strip_prefix('*').unwrap_or(word);
        let starts_well = bare.starts_with(|c: char| c.is_ascii_uppercase());
        if !starts_well || bare.len() > MNEMONIC_MAX || !bare.bytes().all(crate::ascii::is_word) {
            return None;
        }
        let split = word.find(|c: char| c.is_ascii_lowercase()).unwrap_or(word.len());
        let (head, tail) = word.split_at_checked(split)?;
        if tail.contains(|c: char| c.is_ascii_uppercase()) {
            return None;
        }
        Some(Self { long: word.to_ascii_uppercase(), short: head.to_owned(), suffixed })
    }

    /// The long form, upper case.
    #[must_use]
    pub fn long(&self) -> &str {
        &self.long
    }

    /// The short form, upper case.
    #[must_use]
    pub fn short(&self) -> &str {
        &self.short
    }

    /// Whether a numeric suffix may follow.
    #[must_use]
    pub fn suffixed(&self) -> bool {
        self.suffixed
    }

    /// Whether `word` is this mnemonic, exactly short or exactly long in any case. Gives the numeric suffix:
    /// 1 when it was left out, `u32::MAX` when it is larger than that.
    #[must_use]
    pub fn matches(&self, word: &str) -> Option<u32> {
        if word.eq_ignore_ascii_case(&self.long) || word.eq_ignore_ascii_case(&self.short) {
            return Some(1);
        }
        if !self.suffixed {
            return None;
        }
        let stem = word.trim_end_matches(|c: char| c.is_ascii_digit());
        let digits = word.get(stem.len()..)?;
        if digits.is_empty()
            || !(stem.eq_ignore_ascii_case(&self.long) || stem.eq_ignore_ascii_case(&self.short))
        {
            return None;
        }
        Some(digits.parse().unwrap_or(u32::MAX))
    }
}

/// Whether `word` is the keyword `pattern` (such as `MINimum`), short or long, in any case.
#[must_use]
pub fn is_keyword(pattern: &str, word: &str) -> bool {
    let short_len = pattern.bytes().take_while(|b| !b.is_ascii_lowercase()).count();
    word.eq_ignore_ascii_case(pattern)
        || pattern.get(..short_len).is_some_and(|short| word.eq_ignore_ascii_case(short))
}
