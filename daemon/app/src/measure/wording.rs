//! Numbers and sentences as a terminal shows them.

/// A number with so many significant digits, without trailing zeros; an exponent where it would grow long.
pub fn significant(value: f64, digits: usize) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    let magnitude = value.abs().log10().floor() as i32;
    if !(-4..=9).contains(&magnitude) {
        return format!("{value:.*e}", digits.saturating_sub(1));
    }
    let decimals = (digits as i32 - 1 - magnitude).max(0) as usize;
    let text = format!("{value:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_string() } else { text }
}

/// Widest line of the table, in characters.
const WIDTH: usize = 80;

/// Appends a sentence, two spaces in, broken between words where a line would grow too wide.
pub fn wrapped(sentence: &str, text: &mut String) {
    let mut width = 0;
    for word in sentence.split(' ') {
        let length = word.chars().count();
        let room = width > 0 && width + 1 + length <= WIDTH;
        let before = match (width, room) {
            (0, _) => "  ",
            (_, true) => " ",
            (_, false) => "\n    ",
        };
        width = if room { width + 1 } else { before.trim_start_matches('\n').len() } + length;
        text.push_str(before);
        text.push_str(word);
    }
    text.push('\n');
}

#[cfg(test)]
mod tests {
    use super::{significant, wrapped};

    #[test]
    fn sentences_are_broken_to_the_width_of_a_terminal() {
        // 80 columns: common practice, no source.
        let mut text = String::new();
        let sentence = vec!["twelve chars"; 20].join(" ");
        wrapped(&sentence, &mut text);
        wrapped(&"x".repeat(100), &mut text);
        let lines: Vec<&str> = text.lines().collect();
        assert!(
            lines[..lines.len() - 1].iter().all(|line| line.len() <= 80 && line.starts_with("  ")),
            "{text}"
        );
        assert_eq!(lines.len(), 5, "{text}");
        let words: Vec<&str> = lines[..4].iter().flat_map(|line| line.split_whitespace()).collect();
        assert_eq!(words.join(" "), sentence);
    }

    #[test]
    fn numbers_keep_their_significant_digits() {
        // Place value; no outside source.
        let numbers = [
            (1234.5678, 6, "1234.57"),
            (0.00123456, 3, "0.00123"),
            (100.0, 7, "100"),
            (-2.5, 7, "-2.5"),
            (1.234e-7, 3, "1.23e-7"),
            (0.0, 3, "0"),
        ];
        for (value, digits, expected) in numbers {
            assert_eq!(significant(value, digits), expected);
        }
    }
}
