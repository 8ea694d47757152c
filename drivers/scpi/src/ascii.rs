//! IEEE 488.2's own sets of characters.

/// White space inside a message: every control code and the space, except NL (IEEE 488.2 7.4.1.2).
pub(crate) fn is_white(byte: u8) -> bool {
    byte <= 0x20 && byte != b'\n'
}

/// White space at an end of a text already cut from its message, NL included.
pub(crate) fn trim(mut text: &[u8]) -> &[u8] {
    while let Some((first, rest)) = text.split_first() {
        if *first > 0x20 {
            break;
        }
        text = rest;
    }
    while let Some((last, rest)) = text.split_last() {
        if *last > 0x20 {
            break;
        }
        text = rest;
    }
    text
}

/// The first position at or after `pos` that holds no white space.
pub(crate) fn skip_white(text: &[u8], pos: usize) -> usize {
    pos + text.get(pos..).unwrap_or_default().iter().take_while(|b| is_white(**b)).count()
}

/// The end of the run of bytes from `pos` on which `keep` holds.
pub(crate) fn run_end(text: &[u8], pos: usize, keep: impl Fn(u8) -> bool) -> usize {
    pos + text.get(pos..).unwrap_or_default().iter().take_while(|b| keep(**b)).count()
}

/// A mnemonic's characters after its first letter.
pub(crate) fn is_word(byte: u8) -> bool {
    byte.is_ascii_alphanumeric() || byte == b'_'
}

/// ASCII bytes as text; anything else becomes the replacement character, so nothing is lost silently.
pub(crate) fn text(bytes: &[u8]) -> std::borrow::Cow<'_, str> {
    String::from_utf8_lossy(bytes)
}
