//! `wattproof guardian`: this program again, as the process that switches off when the daemon dies or hangs.

use std::process::ExitCode;

use wattproof_guardian::{GuardianProgram, become_guardian};

const WORD: &str = "guardian";

/// How the daemon starts it.
pub fn program() -> GuardianProgram {
    GuardianProgram::this(&[WORD])
}

/// Watches; a person who types the word is told what it is for.
pub fn guardian() -> ExitCode {
    match become_guardian() {
        Ok(_) => ExitCode::SUCCESS,
        Err(error) => {
            aside!("wattproof: {error}\nThe daemon starts its guardian by itself: `wattproof run` or `demo`");
            ExitCode::FAILURE
        }
    }
}
