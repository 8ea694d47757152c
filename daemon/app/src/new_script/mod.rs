//! `wattproof new-script`: a script to start from, with its test beside it.

use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};

use clap::Args;

use crate::failure::Failure;
use crate::say::say;

const SCRIPT: &str = include_str!("script.rhai");
const TEST: &str = include_str!("test.rhai");

/// `new-script`.
#[derive(Args)]
pub struct NewScriptOrder {
    /// The file to write, such as scripts/my_sweep.rhai; its test is written beside it
    pub file: PathBuf,
    /// What it is for, in a sentence: its first line, which lists show
    #[arg(long, value_name = "TEXT", default_value = "My sweep: what it shows.")]
    pub what: String,
}

/// Writes script and test; never over a file that is there.
pub fn new_script(order: &NewScriptOrder) -> Result<(), Failure> {
    let (file, what) = (&order.file, order.what.trim());
    let name = file.file_stem().and_then(|stem| stem.to_str()).filter(|_| ends_well(file));
    let name = name.ok_or_else(|| {
        Failure::Said(format!(
            "{}: name a file that ends in .rhai, of letters, digits and _, such as scripts/my_sweep.rhai",
            file.display()
        ))
    })?;
    if what.is_empty() || what.contains('\n') {
        return Err(Failure::Said("--what takes one line: what the script is for".into()));
    }
    let test = file.with_file_name(format!("{name}_test.rhai"));
    // Both or none.
    for path in [file, &test] {
        if path.exists() {
            return Err(Failure::Said(format!("{}: is there already; name another file", path.display())));
        }
    }
    write_new(file, &SCRIPT.replacen("WHAT", what, 1).replace("NAME", name))?;
    write_new(&test, &TEST.replace("NAME", name))?;
    let (file, folder) = (file.display(), file.parent().filter(|folder| !folder.as_os_str().is_empty()));
    let folder = folder.unwrap_or(Path::new(".")).display();
    say(&format!(
        "written: {file} and {}\n\
         edit them (every function: wattproof reference), then\n  \
         wattproof check {file}\n  \
         wattproof test-scripts {folder}\n  \
         wattproof run {file} --bench BENCH.toml --nameplate AMPLIFIER.toml",
        test.display()
    ))
}

fn ends_well(file: &Path) -> bool {
    let stem = file.file_stem().and_then(|stem| stem.to_str()).unwrap_or_default();
    let good = |c: char| c.is_ascii_alphanumeric() || c == '_';
    file.extension().is_some_and(|end| end == "rhai") && !stem.is_empty() && stem.chars().all(good)
}

fn write_new(path: &Path, text: &str) -> Result<(), Failure> {
    let written = std::fs::OpenOptions::new().write(true).create_new(true).open(path);
    let written = written.and_then(|mut file| file.write_all(text.as_bytes()));
    written.map_err(|source| match source.kind() {
        ErrorKind::AlreadyExists => {
            Failure::Said(format!("{}: is there already; name another file", path.display()))
        }
        _ => Failure::File { path: path.into(), source },
    })
}
