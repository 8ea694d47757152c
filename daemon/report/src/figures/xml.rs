//! Text as XML has it.

/// Text as it may stand in XML 1.0, in elements and in attributes: marks that must not stand in text are escaped, control
/// characters that can't stand there at all are replaced.
#[must_use]
pub fn xml_text(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(allowed(c)),
        }
    }
    out
}

/// Text as the drawing library takes it: it escapes what XML must not hold, but passes control characters on, and would
/// take what stands between two dollars for mathematics.
pub(crate) fn drawn_text(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if c == '$' {
            out.push('\\');
        }
        out.push(allowed(c));
    }
    out
}

fn allowed(c: char) -> char {
    match c {
        '\n' | '\t' => ' ',
        c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => '\u{fffd}',
        c => c,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_text_can_break_a_picture() {
        // XML 1.0, sections 2.2, 2.4 and 3.1 (from memory).
        assert_eq!(xml_text("a<b>&\u{1}c\"'"), "a&lt;b&gt;&amp;\u{fffd}c&quot;&#39;");
    }
}
