//! Lines put together to pieces that can be performed: one goes on as long as a bracket or a text is open.

/// Whether every bracket, text and comment of a piece is closed. One bracket too many is for the parser to complain about.
pub fn is_whole(text: &str) -> bool {
    let mut depth = 0i64;
    let mut characters = text.chars().peekable();
    while let Some(character) = characters.next() {
        match character {
            '(' | '[' | '{' => depth += 1,
            ')' | ']' | '}' => depth -= 1,
            '"' | '`' => {
                loop {
                    match characters.next() {
                        // A plain text ends with its line at the latest; the parser says so.
                        None => return character == '"',
                        Some('\\') if character == '"' => drop(characters.next()),
                        Some(end) if end == character => break,
                        Some(_) => {}
                    }
                }
            }
            '/' if characters.peek() == Some(&'/') => {
                while characters.next_if(|next| *next != '\n').is_some() {}
            }
            '/' if characters.peek() == Some(&'*') => {
                let mut before = ' ';
                loop {
                    match characters.next() {
                        None => return false,
                        Some('/') if before == '*' => break,
                        Some(next) => before = next,
                    }
                }
            }
            _ => {}
        }
    }
    depth <= 0
}

#[cfg(test)]
mod tests {
    use super::is_whole;

    /// Brackets, texts and comments of Rhai (the Rhai book, from memory).
    #[test]
    fn a_piece_goes_on_while_something_is_open() {
        for whole in
            ["", "a(1);", "fn f(x) { x }", "\"(\"", "`{`", "1 // (", "/* ( */ 2", "\"\\\"(\"", ")", "\"open"]
        {
            assert!(is_whole(whole), "{whole}");
        }
        for open in ["f(", "#{ a: [1", "if x {\n  y();", "`text", "/* so"] {
            assert!(!is_whole(open), "{open}");
        }
    }
}
