//! Words in a table: text that came from a script, a nameplate or an instrument, made harmless for spreadsheets.
//!
//! A spreadsheet takes a cell that begins with `=`, `+`, `-`, `@`, a tab or a line end for a formula, which may call
//! programs and send what stands in other cells elsewhere; one that separates cells by semicolons begins a new one in
//! the midst of a text. OWASP ("CSV Injection"; Application Security Verification Standard 5.0, 1.2.10): put an
//! apostrophe before such a beginning, so that the cell is text.
//! Numbers are no words: a negative one stays what it is.

use serde::{Serialize, Serializer};

/// What begins a formula.
const BEGINS: [char; 7] = ['=', '+', '-', '@', '\t', '\r', '\0'];
/// What some spreadsheet takes for the end of a cell, though it stands in the midst of one.
const PARTS: [char; 4] = [';', '\t', '\r', '\n'];

/// Words of a cell.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Words(String);

impl<T: Into<String>> From<T> for Words {
    fn from(text: T) -> Self {
        Words(text.into())
    }
}

impl Serialize for Words {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&harmless(&self.0))
    }
}

fn harmless(text: &str) -> String {
    let mut harmless = String::with_capacity(text.len());
    // Blanks before it do not keep a spreadsheet from seeing a formula.
    let (mut begins, mut blanks) = (true, String::new());
    for letter in text.chars() {
        if begins && letter == ' ' {
            blanks.push(letter);
            continue;
        }
        if begins && BEGINS.contains(&letter) {
            harmless.push('\'');
        }
        harmless.push_str(&blanks);
        blanks.clear();
        harmless.push(letter);
        begins = PARTS.contains(&letter);
    }
    harmless.push_str(&blanks);
    harmless
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Fault 54: the beginnings that OWASP lists, with its own examples of what they may do.
    #[test]
    fn fault_54_no_words_begin_a_formula() {
        for (text, cell) in [
            ("=1+2\";=1+2", "'=1+2\";'=1+2"),
            ("=1+2'\" ;,=1+2", "'=1+2'\" ;,=1+2"),
            ("@SUM(1+1)*cmd|' /C calc'!A0", "'@SUM(1+1)*cmd|' /C calc'!A0"),
            ("+49 30", "'+49 30"),
            ("-2+3", "'-2+3"),
            ("\t=1", "'\t'=1"),
            ("\r=1", "'\r'=1"),
            ("two\n=1", "two\n'=1"),
            ("  =1", "'  =1"),
            ("a; -3 dB", "a;' -3 dB"),
        ] {
            assert_eq!(harmless(text), cell, "{text:?}");
        }
        for plain in
            ["", " ", "ceiling", "2 ohm = half", "a-b", "distortion 1.2 %; supply 14.4 V ", "'=1", "é"]
        {
            assert_eq!(harmless(plain), plain, "{plain:?}");
        }
    }

    /// Fault 54: numbers beside them stay numbers, negative ones too (RFC 4180 knows no types).
    #[test]
    fn fault_54_negative_numbers_stay_numbers() {
        #[derive(Serialize)]
        struct Row {
            dc_v: f64,
            words: Words,
        }
        let line = crate::tables::lines([Row { dc_v: -0.25, words: "-0.25".into() }]).unwrap();
        assert_eq!(line, b"-0.25,'-0.25\r\n");
    }
}
