//! `wattproof reference`: every function that a script can call, made from the table that the program itself uses.

use std::path::PathBuf;

use clap::Args;
use wattproof_runs::{script_definitions, script_reference};

use crate::failure::Failure;
use crate::say::say;

/// The reference's file.
const REFERENCE: &str = "REFERENCE.md";
/// The file for editors.
const DEFINITIONS: &str = "wattproof.d.rhai";

/// `reference`.
#[derive(Args)]
pub struct ReferenceOrder {
    /// Print the definition file that editors with a language server for Rhai read, instead of the text for people
    #[arg(long, conflicts_with = "write")]
    pub definitions: bool,
    /// Write both into this folder: REFERENCE.md and wattproof.d.rhai
    #[arg(long, value_name = "DIR")]
    pub write: Option<PathBuf>,
}

/// Prints or writes them.
pub fn reference(order: &ReferenceOrder) -> Result<(), Failure> {
    let Some(folder) = &order.write else {
        let text = if order.definitions { script_definitions() } else { script_reference() };
        return say(text.trim_end());
    };
    for (name, text) in [(REFERENCE, script_reference()), (DEFINITIONS, script_definitions())] {
        let path = folder.join(name);
        std::fs::write(&path, text).map_err(|source| Failure::File { path: path.clone(), source })?;
        say(&format!("written: {}", path.display()))?;
    }
    Ok(())
}
