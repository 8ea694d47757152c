//! What standard error can show: in a pipe and on a dumb terminal, plain lines and nothing else.

use std::io::IsTerminal;

/// Whether a bar can be drawn again in its place.
pub fn moves_cursor() -> bool {
    std::io::stderr().is_terminal() && !is_dumb()
}

/// Whether colours may be used: on a terminal that has them, unless NO_COLOR is set (no-color.org).
pub fn has_colours() -> bool {
    moves_cursor() && std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty())
}

fn is_dumb() -> bool {
    std::env::var_os("TERM").is_none_or(|term| term.is_empty() || term == "dumb")
}
