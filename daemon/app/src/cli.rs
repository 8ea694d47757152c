//! What a person can type.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};
use serde::Serialize;
use wattproof_bench::Measures;

use crate::cautions::{CAUTIONS, TALK_CAUTIONS};
use crate::compare::CompareOrder;
use crate::report::ReportOrder;
use crate::script_process::PERFORM_SCRIPT;

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
    /// Write the log as JSON, an object a line
    #[arg(long, global = true)]
    pub log_json: bool,
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
    #[command(after_help = crate::failure::EXIT_CODES)]
    Run(RunOnPorts),
    /// Switch everything off, now
    #[command(after_help = crate::stop::HOW)]
    Stop(crate::stop::StopOrder),
    /// Tell how the daemon's benches stand, and what runs or waits there
    Status(crate::status::StatusOrder),
    /// List the recorded runs, newest first
    Runs(crate::runs::RunsOrder),
    /// Find runs by serial number, model, date, verdict, cause or script
    Find(crate::catalogue::FindOrder),
    /// Make the catalogue of the recorded runs anew from their folders
    Reindex(crate::catalogue::ReindexOrder),
    /// Send what was recorded to the database of several benches
    Publish(crate::catalogue::PublishOrder),
    /// Show a recorded run in short: ratings, conditions, and what to know before believing a number
    Show(crate::show::ShowOrder),
    /// List and change what runs and waits at the daemon
    Queue(crate::queue::QueueOrder),
    /// Hold benches and a queue of runs for the command line, a page and other programs
    Serve(crate::serve::ServeOrder),
    /// Check how the bench is wired, at idle and at a small level; every run begins with it
    Selfcheck(SelfCheckOrder),
    /// Calibrate the digitizer's inputs against a reference meter, and write that into the bench file
    Calibrate(CalibrateOrder),
    /// Judge a returned unit: checks, history, its place in the population, a page to print
    #[command(after_help = crate::intake::EXIT_CODES)]
    Intake(crate::intake::IntakeOrder),
    /// Go on with a run that was stopped, failed or cut off, from its last recorded step
    #[command(after_help = crate::failure::EXIT_CODES)]
    Resume(ResumeOnPorts),
    /// Write every table of a run anew from its journal
    Rebuild(WhichRun),
    /// Compute every reading and rating of a run again from its stored captures, and compare
    Recompute(crate::again::RecomputeOrder),
    /// Look at a latched trip and, once its cause is gone, let the bench be armed again
    Reset(ResetOrder),
    /// Serve simulated instruments and an invented amplifier on pseudo-terminals
    VirtualBench(VirtualOrder),
    /// Measure recordings: level, harmonics, distortion, noise, power of WAV or CSV files
    Measure(MeasureOrder),
    /// Explain a judged rating: verdict, cause and uncertainty budget
    Explain(ExplainOrder),
    /// Show what the script of a recorded run asked for, line by line, and what it got
    Trace(crate::trace::TraceOrder),
    /// Tell a recorded run as one HTML file, and its figures as SVG
    Report(ReportOrder),
    /// Put runs side by side: claims and quantities in a row, and what differs between the runs
    #[command(after_help = crate::compare::ENDS)]
    Compare(CompareOrder),
    /// Write the tables of runs for spreadsheets, or as columns for programs that ask over many runs
    Export(crate::export::ExportOrder),
    /// Check scripts, bench files and nameplates, and rehearse scripts, without touching a port
    Check(crate::check::CheckOrder),
    /// Type a script line by line on a bench, guard and record included; on a virtual bench unless one is named
    Prompt(crate::prompt::PromptOrder),
    /// Write a script to start from, with its test beside it
    NewScript(crate::new_script::NewScriptOrder),
    /// Perform the tests that stand beside scripts, on invented amplifiers in virtual time
    TestScripts(crate::test_scripts::TestScriptsOrder),
    /// Tell every function that a script can call, with units, limits and an example of each
    Reference(crate::reference::ReferenceOrder),
    /// Check a dialect file (how an instrument is spoken to), or print one to start from
    Dialect(DialectOrder),
    /// List the ports of this machine; ask on named ones who is there; write a first bench file
    Instruments(InstrumentsOrder),
    /// Talk to one instrument by hand: type messages, see its answers and errors
    #[command(after_help = TALK_CAUTIONS)]
    Talk(TalkOrder),
    /// Check whether this machine is fit for an unattended bench; opens no port and switches nothing
    Doctor(DoctorOrder),
    /// Print what a shell needs to complete the command line
    Completion(crate::completion::CompletionOrder),
    /// Print the manual page, or write the page of every command
    Man(crate::man::ManOrder),
    /// The process that switches off when the daemon dies; started by it, of no use by hand
    #[command(hide = true)]
    Guardian,
    /// Perform a script for the daemon that started this process
    #[command(name = PERFORM_SCRIPT, hide = true)]
    PerformScript,
}

/// `reset`.
#[derive(Args)]
pub struct ResetOrder {
    /// The bench file, or the name of a bench of the daemon's; can be left out where a daemon holds one bench
    #[arg(long, value_name = "FILE|NAME")]
    pub bench: Option<PathBuf>,
    /// Folder of what outlasts a restart [default: the user's own for state]
    #[arg(long, value_name = "DIR", env = "WATTPROOF_STATE")]
    pub state: Option<PathBuf>,
    /// Take the number from a pipe: for tests
    #[arg(long, hide = true)]
    pub from_pipe: bool,
    /// Tell the number as JSON on standard output and take it on standard input: for the daemon
    #[arg(long, hide = true)]
    pub tell: bool,
    /// What the daemon calls the bench: refused where the bench file has another name by now
    #[arg(long, hide = true, requires = "tell")]
    pub held_as: Option<String>,
}

/// A run that was recorded.
#[derive(Args)]
pub struct WhichRun {
    /// The run's folder, or its name below the folder of all runs
    pub run: PathBuf,
    /// Folder of all runs
    #[arg(long, value_name = "DIR", default_value = "results")]
    pub out: PathBuf,
}

/// `resume`.
#[derive(Args)]
pub struct ResumeOnPorts {
    /// Which run
    #[command(flatten)]
    pub which: WhichRun,
    /// The same bench under other ports; without it, the bench file that the run was recorded with
    #[arg(long, value_name = "FILE")]
    pub bench: Option<PathBuf>,
    /// A mended script; up to where the run ended it must do what the recorded one did
    #[arg(long, value_name = "FILE")]
    pub script: Option<PathBuf>,
    /// Print what came out as JSON
    #[arg(long)]
    pub json: bool,
    /// Folder of what outlasts a restart [default: the user's own for state]
    #[arg(long, value_name = "DIR", env = "WATTPROOF_STATE")]
    pub state: Option<PathBuf>,
}

/// `demo`.
#[derive(Args)]
pub struct DemoOrder {
    /// How long it is served
    #[command(flatten)]
    pub serving: crate::demo::DemoServing,
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
    /// The bench file (which instruments, on which ports, with which limits), or the name of a bench of the daemon's; can
    /// be left out where a daemon holds one bench
    #[arg(long, value_name = "FILE|NAME")]
    pub bench: Option<PathBuf>,
    /// The nameplate: the amplifier and its ratings
    #[arg(long, value_name = "FILE")]
    pub nameplate: PathBuf,
    /// What is set of the script's parameters
    #[command(flatten)]
    pub set: crate::set::SetOrder,
    /// Folder under which the run's own folder is made [default: results, or the daemon's]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Folder of what outlasts a restart [default: the user's own for state]
    #[arg(long, value_name = "DIR", env = "WATTPROOF_STATE")]
    pub state: Option<PathBuf>,
    /// What the daemon does with it
    #[command(flatten)]
    pub daemon: crate::client::ThroughDaemon,
    /// Start without looking whether the bench is wired as its file says; the record says so
    #[arg(long)]
    pub without_selfcheck: bool,
    /// Start without rehearsing the script on a simulated bench first
    #[arg(long)]
    pub unrehearsed: bool,
    /// Wait, with the bench open and everything off, until the heatsink is at or below this, °C
    #[arg(long, value_name = "C", value_parser = positive)]
    pub cool_to: Option<f64>,
    /// Print what came out as JSON
    #[arg(long)]
    pub json: bool,
    /// Tell how it goes as JSON on standard output and take orders on standard input: for the daemon
    #[arg(long, hide = true)]
    pub tell: bool,
    /// What the daemon calls the bench: refused where the bench file has another name by now
    #[arg(long, hide = true, requires = "tell")]
    pub held_as: Option<String>,
    /// What came out is told by the caller.
    #[arg(skip)]
    pub untold: bool,
}

/// `selfcheck`.
#[derive(Args)]
pub struct SelfCheckOrder {
    /// The bench file: which instruments, on which ports, with which limits
    #[arg(long, value_name = "FILE")]
    pub bench: PathBuf,
    /// The nameplate: at which voltage, into which loads the amplifier may be tried; without it nothing is switched on
    #[arg(long, value_name = "FILE")]
    pub nameplate: Option<PathBuf>,
    /// Print the checks as JSON
    #[arg(long)]
    pub json: bool,
    /// Folder under which the check is recorded, as a run without a script
    #[arg(long, value_name = "DIR", default_value = "results")]
    pub out: PathBuf,
    /// Folder of what outlasts a restart [default: the user's own for state]
    #[arg(long, value_name = "DIR", env = "WATTPROOF_STATE")]
    pub state: Option<PathBuf>,
}

/// What an input looks at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum InputKind {
    /// A voltage, through its divider
    Volts,
    /// A current, through its shunt or sensor
    Amps,
}

impl From<Measures> for InputKind {
    fn from(measures: Measures) -> Self {
        match measures {
            Measures::Volts => InputKind::Volts,
            Measures::Amps => InputKind::Amps,
        }
    }
}

/// `calibrate`.
#[derive(Args, Clone)]
pub struct CalibrateOrder {
    /// The bench file; it is written, and kept as it was beside
    #[arg(long, value_name = "FILE")]
    pub bench: PathBuf,
    /// The nameplate of the amplifier that plays: at which voltage and into which load
    #[arg(long, value_name = "FILE")]
    pub nameplate: Option<PathBuf>,
    /// Only the inputs of this amplifier channel, from 1
    #[arg(long, value_name = "N")]
    pub channel: Option<u32>,
    /// Only inputs that look at this
    #[arg(long, value_name = "KIND")]
    pub measures: Option<InputKind>,
    /// Only the input at this ADC channel, as where both sides of a bridge have one
    #[arg(long, value_name = "N")]
    pub adc: Option<u32>,
    /// The reference meter: make, model, number; asked for without it
    #[arg(long, value_name = "TEXT")]
    pub meter: Option<String>,
    /// How exact it is: % of reading, then volts or amperes at any reading, as 0.05%+0.003; asked for without it
    #[arg(long, value_name = "TEXT")]
    pub accuracy: Option<String>,
    /// Last day on which the calibration holds [default: a year from today]
    #[arg(long, value_name = "DAY")]
    pub due: Option<String>,
    /// Frequency of the tone; plain meters are at their best below 500 Hz
    #[arg(long, value_name = "HZ", default_value = "400", value_parser = positive)]
    pub hz: f64,
    /// The values come from an external calibrator; source and supply stay off
    #[arg(long)]
    pub outside: bool,
    /// What the external calibrator gives is alternating, not direct
    #[arg(long, requires = "outside")]
    pub alternating: bool,
    /// A sheet instead of a person: CSV with the columns level_vrms,reading (source level, what the meter read then)
    #[arg(long, value_name = "FILE.csv")]
    pub points: Option<PathBuf>,
    /// Folder of what outlasts a restart [default: the user's own for state]
    #[arg(long, value_name = "DIR", env = "WATTPROOF_STATE")]
    pub state: Option<PathBuf>,
    /// Print what comes out as JSON, one line for each input; the dialogue goes to standard error
    #[arg(long)]
    pub json: bool,
}

/// `virtual-bench`.
#[derive(Args)]
pub struct VirtualOrder {
    /// Which invented amplifier (`--list` lists them)
    #[arg(long, value_name = "AMPLIFIER", default_value = "honest")]
    pub amplifier: String,
    /// Name of the bench, under which its latched trip is kept [default: that of the bench file which is written again,
    /// else the amplifier's with a number of the file's place]
    #[arg(long, value_name = "NAME", value_parser = clap::builder::NonEmptyStringValueParser::new())]
    pub name: Option<String>,
    /// Seed of all noise
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// Limit each port to this line rate, both ways, at ten bits a byte
    #[arg(long, value_name = "BAUD")]
    pub pace: Option<u32>,
    /// Bits of the digitizer's converter: 12, 16 or 24
    #[arg(long, default_value_t = 24)]
    pub bits: u32,
    /// Let go wrong what this fault file orders (example: drivers/virtual-bench/faults/example.toml)
    #[arg(long, value_name = "FILE.toml")]
    pub faults: Option<PathBuf>,
    /// Let an instrument behave otherwise than SCPI has it: a built-in manner (`--list-manners`) or a file; may be repeated
    #[arg(long, value_name = "NAME")]
    pub manner: Vec<String>,
    /// Bridge channels 1 and 2, 3 and 4 and so on of the amplifier: one load between the live outputs of each pair, with a
    /// divider on both sides, as the bench file then says
    #[arg(long)]
    pub bridged: bool,
    /// Look at each bridge by one differential input in place of a divider on both sides
    #[arg(long, requires = "bridged")]
    pub differential: bool,
    /// Serve no load that can be set, but resistors of so many ohm on every output
    #[arg(long, value_name = "OHM")]
    pub fixed_load: Option<f64>,
    /// Serve no load that can be set, but a loudspeaker (invented, of 4 ohm) on every output
    #[arg(long, conflicts_with_all = ["fixed_load", "load_stands", "bridged"])]
    pub speaker: bool,
    /// Let the load of every output stand no more than this: watts at any moment, watts for ever, and for how many
    /// seconds the first from cold; beyond it cuts itself off
    #[arg(long, value_name = "MAX,CONTINUOUS,SECONDS", value_delimiter = ',')]
    pub load_stands: Vec<f64>,
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
    /// Print what is listed as JSON
    #[arg(long)]
    pub json: bool,
    /// List the built-in manners and end
    #[arg(long)]
    pub list_manners: bool,
    /// Print what the model itself says each rating comes to, as JSON, and end
    #[arg(long)]
    pub truth: bool,
}

/// `dialect`.
#[derive(Args)]
pub struct DialectOrder {
    /// What to do
    #[command(subcommand)]
    pub what: DialectWord,
}

/// What to do with dialects.
#[derive(Subcommand)]
pub enum DialectWord {
    /// Check dialect files; list what each can do, what it leaves out, and what that costs
    Check {
        /// The files; without any, the dialects that are built in
        files: Vec<PathBuf>,
        /// Print what each can do as JSON
        #[arg(long)]
        json: bool,
    },
    /// Print a commented dialect to start from (guide: drivers/dialects/README.md)
    Template,
}

/// `instruments`.
#[derive(Args)]
pub struct InstrumentsOrder {
    /// Ask on these ports who is there: paths, or host:port (only questions are sent, which can still disturb a device)
    #[arg(long, value_name = "PORT", num_args = 1.., conflicts_with = "ask_all")]
    pub ask: Vec<String>,
    /// Ask on every port that nobody holds
    #[arg(long)]
    pub ask_all: bool,
    /// Do not wait for a yes before asking
    #[arg(long)]
    pub yes: bool,
    /// Baud rates to try
    #[arg(long, value_name = "BAUD", value_delimiter = ',', default_value = "9600,115200,19200,38400,57600",
          value_parser = clap::value_parser!(u32).range(50..=4_000_000))]
    pub baud: Vec<u32>,
    /// Dialect files of your own to try beside those that are built in
    #[arg(long, value_name = "FILE")]
    pub dialect: Vec<PathBuf>,
    /// Write a first bench file of what was found; its limits are yours to fill in
    #[arg(long, value_name = "FILE")]
    pub write_bench: Option<PathBuf>,
    /// Print the ports as JSON
    #[arg(long)]
    pub json: bool,
}

/// `talk`.
#[derive(Args)]
pub struct TalkOrder {
    /// Path, host:port, a link as in a bench file ('{ usb = { … } }'), or with --bench a role
    pub port: String,
    /// Dialect that gives line settings, line ends and error queue: a built-in name or a file
    #[arg(long, value_name = "NAME")]
    pub dialect: Option<String>,
    /// Bench file whose link and dialect of a role are taken
    #[arg(long, value_name = "FILE")]
    pub bench: Option<PathBuf>,
    /// Baud rate, instead of the dialect's
    #[arg(long, value_name = "BAUD", value_parser = clap::value_parser!(u32).range(50..=4_000_000))]
    pub baud: Option<u32>,
    /// Time for an answer, in seconds
    #[arg(long, value_name = "S", default_value = "5", value_parser = positive)]
    pub timeout: f64,
    /// Show blocks and other bytes whole, in hexadecimal
    #[arg(long)]
    pub hex: bool,
    /// Do not read the error queue after each message
    #[arg(long)]
    pub no_errors: bool,
}

/// `doctor`.
#[derive(Args)]
pub struct DoctorOrder {
    /// Bench file whose ports are looked at
    #[arg(long, value_name = "FILE")]
    pub bench: Option<PathBuf>,
    /// Folder under which runs are recorded
    #[arg(long, value_name = "DIR", default_value = "results")]
    pub out: PathBuf,
    /// Print the findings as JSON
    #[arg(long)]
    pub json: bool,
}

/// `explain`.
#[derive(Args)]
pub struct ExplainOrder {
    /// Which run
    #[command(flatten)]
    pub which: WhichRun,
    /// The rating's number, from 1; without it all of them, a line each
    #[arg(value_parser = rating)]
    pub rating: Option<usize>,
    /// Print it as JSON (keys: daemon/runs/README.md)
    #[arg(long)]
    pub json: bool,
}

/// Which noise is reported.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum, Serialize)]
pub enum NoiseWeighting {
    /// A-weighting of IEC 61672-1
    #[serde(rename = "a")]
    A,
    /// The weighting of ITU-R BS.468, with an rms detector
    #[serde(rename = "468")]
    #[value(name = "468")]
    Itu468,
    /// None: the band counts evenly
    #[serde(rename = "none")]
    None,
}

/// `measure`.
#[derive(Args)]
pub struct MeasureOrder {
    /// Recordings: WAV (integers to 32 bits, floats) or CSV with a time column
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// Frequency of the test tone; without it, the strongest tone in the band
    #[arg(long, value_name = "HZ", value_parser = positive)]
    pub hz: Option<f64>,
    /// Volts at digital full scale; for CSV, volts per unit of the column
    #[arg(long, value_name = "V", value_parser = positive)]
    pub volts_full_scale: Option<f64>,
    /// Amperes at digital full scale; for CSV, amperes per unit of the column
    #[arg(long, value_name = "A", value_parser = positive)]
    pub amps_full_scale: Option<f64>,
    /// Channel of the voltage, from 1; the time column of a CSV is not counted
    #[arg(long, value_name = "N", default_value = "1", value_parser = channel)]
    pub volts_channel: usize,
    /// Channel of the current, from 1; without it none, or 2 if --amps-full-scale is given
    #[arg(long, value_name = "N", value_parser = channel)]
    pub amps_channel: Option<usize>,
    /// Band in which distortion and noise count, in Hz
    #[arg(long, value_name = "LOW..HIGH", default_value = "20..20000", value_parser = band)]
    pub band: (f64, f64),
    /// The recording holds two tones at once: intermodulation, as of 60,7000 or 19000,20000
    #[arg(long, value_name = "LOW,HIGH", value_parser = two_tones, conflicts_with = "hz")]
    pub two_tones: Option<(f64, f64)>,
    /// Count only harmonics 2 to N in THD
    #[arg(long, value_name = "N", value_parser = order)]
    pub harmonics: Option<usize>,
    /// Weight the noise and the level over it: a (IEC 61672-1), 468 (ITU-R BS.468, rms) or none; THD+N never is
    #[arg(long, value_name = "CURVE")]
    pub weighting: Option<NoiseWeighting>,
    /// Read noise with the ITU-R BS.468 quasi-peak meter as well
    #[arg(long)]
    pub quasi_peak: bool,
    /// Frequency of the mains, for hum
    #[arg(long, value_name = "HZ", default_value = "50", value_parser = positive)]
    pub mains_hz: f64,
    /// Leave out so many seconds at the start
    #[arg(long, value_name = "S", default_value = "0", value_parser = not_negative)]
    pub skip: f64,
    /// Take only so many seconds
    #[arg(long, value_name = "S", value_parser = positive)]
    pub seconds: Option<f64>,
    /// Print one line of JSON per file (schema: daemon/recordings/README.md)
    #[arg(long)]
    pub json: bool,
    /// Draw waveform and spectrum; with many files, FILE-1.svg, FILE-2.svg and so on
    #[arg(long, value_name = "FILE.svg")]
    pub plot: Option<PathBuf>,
}

impl MeasureOrder {
    /// Channel of the current, from 1.
    pub fn amps_channel(&self) -> Option<usize> {
        self.amps_channel.or(self.amps_full_scale.map(|_| 2))
    }
}

fn not_negative(text: &str) -> Result<f64, String> {
    let value: Option<f64> = text.parse().ok();
    value.filter(|value| value.is_finite() && *value >= 0.0).ok_or_else(|| "give a number, 0 or more".into())
}

pub fn positive(text: &str) -> Result<f64, String> {
    not_negative(text).ok().filter(|value| *value > 0.0).ok_or_else(|| "give a number above 0".into())
}

fn channel(text: &str) -> Result<usize, String> {
    text.parse().ok().filter(|channel| *channel >= 1).ok_or_else(|| "give a channel, from 1".into())
}

fn rating(text: &str) -> Result<usize, String> {
    text.parse().ok().filter(|rating| *rating >= 1).ok_or_else(|| "give a rating's number, from 1".into())
}

fn order(text: &str) -> Result<usize, String> {
    text.parse().ok().filter(|order| *order >= 2).ok_or_else(|| "give a harmonic, from 2".into())
}

fn two_tones(text: &str) -> Result<(f64, f64), String> {
    let tones = ascending(text, ",").filter(|tones| tones.0 > 0.0);
    tones.ok_or_else(|| "give two frequencies, the lower first, as in 60,7000".into())
}

fn ascending(text: &str, between: &str) -> Option<(f64, f64)> {
    let (low, high) = text.split_once(between)?;
    let (low, high) = (not_negative(low.trim()).ok()?, positive(high.trim()).ok()?);
    (low < high).then_some((low, high))
}

fn band(text: &str) -> Result<(f64, f64), String> {
    ascending(text, "..").ok_or_else(|| "give two frequencies, the lower first, as in 20..20000".into())
}

#[cfg(test)]
mod tests {
    use super::{band, channel, order, positive, rating};

    #[test]
    fn numbers_are_checked_where_they_are_typed() {
        // Project definition.
        assert_eq!(band("20..20000"), Ok((20.0, 20_000.0)));
        assert_eq!(band("22.4..22.4e3"), Ok((22.4, 22_400.0)));
        for text in ["20", "20-20000", "200..20", "a..b", "-1..5", "1..inf", ""] {
            assert!(band(text).is_err(), "{text}");
        }
        assert!(positive("0").is_err() && positive("nan").is_err() && positive("1e-3").is_ok());
        assert!(rating("0").is_err() && rating("one").is_err() && rating("3") == Ok(3));
        assert!(channel("0").is_err() && order("1").is_err() && order("2") == Ok(2));
    }
}
