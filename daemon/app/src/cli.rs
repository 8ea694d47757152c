//! What a person can type.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};

use crate::cautions::CAUTIONS;

/// Proves how much clean power an audio amplifier really delivers, and why it stops there.
///
/// Steps drive level and load through SCPI instruments on serial ports, records voltage, current and distortion
/// of every step, and writes rated against measured power as CSV.
#[derive(Parser)]
#[command(name = "wattproof", version, after_help = CAUTIONS, max_term_width = 100)]
pub struct Cli {
    /// Say more on standard error (-v what, -vv how, -vvv every byte)
    #[arg(short, long, action = clap::ArgAction::Count, global = true)]
    pub verbose: u8,
    /// What to do
    #[command(subcommand)]
    pub command: Command,
}

/// What to do.
#[derive(Subcommand)]
pub enum Command {
    /// Do the whole job on the virtual bench: an invented amplifier, no hardware, about a minute
    Demo(DemoOrder),
    /// Run a script on a bench of real or virtual instruments
    Run(RunOnPorts),
    /// Serve simulated instruments and an invented amplifier on pseudo-terminals
    VirtualBench(VirtualOrder),
    /// Check scripts, bench files and nameplates without touching a port
    Check(CheckOrder),
}

/// `demo`.
#[derive(Args)]
pub struct DemoOrder {
    /// Which invented amplifier (`virtual-bench --list` lists them)
    #[arg(long, value_name = "NAME", default_value = "honest")]
    pub amplifier: String,
    /// Seed of all noise, so that a run can be repeated
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// Folder under which the run's own folder is made
    #[arg(long, value_name = "DIR", default_value = "results")]
    pub out: PathBuf,
}

/// `run`.
#[derive(Args)]
pub struct RunOnPorts {
    /// The script (those that ship are under scripts/)
    pub script: PathBuf,
    /// The bench file: which instruments, on which ports, with which limits
    #[arg(long, value_name = "FILE")]
    pub bench: PathBuf,
    /// The nameplate: the amplifier and its ratings
    #[arg(long, value_name = "FILE")]
    pub nameplate: PathBuf,
    /// Folder under which the run's own folder is made
    #[arg(long, value_name = "DIR", default_value = "results")]
    pub out: PathBuf,
}

/// `virtual-bench`.
#[derive(Args)]
pub struct VirtualOrder {
    /// Which invented amplifier
    #[arg(long, value_name = "NAME", default_value = "honest")]
    pub amplifier: String,
    /// Seed of all noise
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// Limit each port to this line rate, both ways, at ten bits a byte
    #[arg(long, value_name = "BAUD")]
    pub pace: Option<u32>,
    /// Bits of the digitizer's converter: 12, 16 or 24
    #[arg(long, default_value_t = 24)]
    pub bits: u32,
    /// Write the bench file here instead of printing it
    #[arg(long, value_name = "FILE")]
    pub write_bench: Option<PathBuf>,
    /// Write the amplifier's nameplate here
    #[arg(long, value_name = "FILE")]
    pub write_nameplate: Option<PathBuf>,
    /// End when standard input is closed
    #[arg(long)]
    pub until_stdin_closes: bool,
    /// List the invented amplifiers and end
    #[arg(long)]
    pub list: bool,
    /// Print what the model itself says each rating comes to, as JSON, and end
    #[arg(long)]
    pub truth: bool,
}

/// `check`.
#[derive(Args)]
pub struct CheckOrder {
    /// Scripts to check
    pub scripts: Vec<PathBuf>,
    /// Bench file to check
    #[arg(long, value_name = "FILE")]
    pub bench: Option<PathBuf>,
    /// Nameplate to check
    #[arg(long, value_name = "FILE")]
    pub nameplate: Option<PathBuf>,
}
