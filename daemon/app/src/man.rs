//! `wattproof man`: manual pages, one a command.

use std::path::PathBuf;

use clap::{Args, CommandFactory};

use crate::cli::Cli;
use crate::failure::Failure;
use crate::say::say;

/// `man`.
#[derive(Args)]
pub struct ManOrder {
    /// Write the page of every command into this folder; without it, the first page is printed
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
}

/// Prints the first page, or writes them all.
pub fn man(order: &ManOrder) -> Result<(), Failure> {
    let wrap = |source| Failure::System { what: "making the manual pages", source };
    let Some(folder) = &order.out else {
        let mut page = Vec::new();
        clap_mangen::Man::new(Cli::command()).render(&mut page).map_err(wrap)?;
        return say(String::from_utf8_lossy(&page).trim_end());
    };
    let file = |source| Failure::File { path: folder.clone(), source };
    std::fs::create_dir_all(folder).map_err(file)?;
    clap_mangen::generate_to(Cli::command(), folder).map_err(file)?;
    say(&format!(
        "one page a command in {}; `man -l {}/wattproof.1` shows the first",
        folder.display(),
        folder.display()
    ))
}
