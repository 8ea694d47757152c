//! `wattproof completion`: what a shell needs to complete the command line.

use clap::{Args, CommandFactory};
use clap_complete::{Shell, generate};

use crate::cli::Cli;
use crate::failure::Failure;
use crate::say::say;

/// `completion`.
#[derive(Args)]
pub struct CompletionOrder {
    /// Which shell
    pub shell: Shell,
}

/// Prints the shell's script.
pub fn completion(order: &CompletionOrder) -> Result<(), Failure> {
    let mut script = Vec::new();
    generate(order.shell, &mut Cli::command(), "wattproof", &mut script);
    say(String::from_utf8_lossy(&script).trim_end())
}
