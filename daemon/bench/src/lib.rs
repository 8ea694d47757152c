//! One actor per instrument behind the guard.
