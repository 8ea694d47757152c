//! Command line of Wattproof: proves how much clean power an audio amplifier really delivers.
//!
//! What the room is for: words a person types, and what that person sees. It opens files and ports through
//! `daemon/bench` and `daemon/runs`, tells recorded runs by `daemon/report`, and knows no measuring and no SCPI itself.

#![warn(clippy::print_stderr)]

// First: its macro is for all rooms below.
#[macro_use]
mod say;

mod again;
mod budget_table;
mod calibrate;
mod came_out;
mod catalogue;
mod cautions;
mod check;
mod cli;
mod client;
mod compare;
mod completion;
mod cool;
mod demo;
mod descriptors;
mod dialect;
mod doctor;
mod explain;
mod export;
mod failure;
mod findings_table;
mod follow;
mod guardian;
mod history;
mod instruments;
mod intake;
mod machine;
mod man;
mod measure;
mod new_script;
mod parameters_table;
mod perform;
mod port_name;
mod progress;
mod prompt;
mod queue;
mod ratings_table;
mod reference;
mod report;
mod reset;
mod run_folder;
mod runs;
mod script_process;
mod selfcheck;
mod serve;
mod service;
mod set;
mod show;
mod state_folder;
mod status;
mod stop;
mod table;
mod talk;
mod telling;
mod terminal;
mod test_scripts;
mod trace;
mod virtual_bench;
mod virtual_child;
mod virtual_files;
mod virtual_name;

use std::process::ExitCode;

use clap::Parser;
use tracing_appender::non_blocking::{NonBlockingBuilder, WorkerGuard};

use cli::{Cli, Command};
use failure::Failure;

fn main() -> ExitCode {
    let cli = Cli::parse();
    if let Command::Guardian = cli.command {
        return guardian::guardian();
    }
    // Written out when this ends.
    let _log = start_log(&cli);
    let done = match cli.command {
        Command::Demo(order) => demo::demo(&order),
        Command::Serve(order) => serve::serve(&order),
        Command::Stop(order) => stop::stop(&order),
        Command::Status(order) => status::status(&order),
        Command::Runs(order) => runs::runs(&order),
        Command::Find(order) => catalogue::find(&order),
        Command::Reindex(order) => catalogue::reindex(&order),
        Command::Publish(order) => catalogue::publish(&order),
        Command::Show(order) => show::show(&order),
        Command::Queue(order) => queue::queue(&order),
        Command::Completion(order) => completion::completion(&order),
        Command::Man(order) => man::man(&order),
        Command::Run(order) => perform::run_on_ports(&order),
        Command::Intake(order) => intake::intake(&order),
        Command::Selfcheck(order) => selfcheck::selfcheck(&order),
        Command::Calibrate(order) => calibrate::calibrate(&order),
        Command::Resume(order) => perform::resume_on_ports(&order),
        Command::Reset(order) => reset::reset(&order),
        Command::Rebuild(which) => again::rebuild_tables(&which),
        Command::Recompute(which) => again::recompute_run(&which),
        Command::PerformScript => script_process::perform_script(),
        Command::VirtualBench(order) => virtual_bench::virtual_bench(&order),
        Command::Measure(order) => measure::measure(&order),
        Command::Prompt(order) => prompt::prompt(&order),
        Command::NewScript(order) => new_script::new_script(&order),
        Command::TestScripts(order) => test_scripts::test_scripts(&order),
        Command::Trace(order) => trace::trace(&order),
        Command::Explain(order) => explain::explain(&order),
        Command::Report(order) => report::report(&order),
        Command::Compare(order) => compare::compare(&order),
        Command::Export(order) => export::export(&order),
        Command::Reference(order) => reference::reference(&order),
        Command::Check(order) => check::check(&order),
        Command::Dialect(order) => dialect::dialect(&order.what),
        Command::Instruments(order) => instruments::instruments(&order),
        Command::Talk(order) => talk::talk(&order),
        Command::Doctor(order) => doctor::doctor(&order),
        // Answered above.
        Command::Guardian => Ok(()),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure @ Failure::NobodyReads) => failure.exit_code(),
        Err(failure) => {
            aside!("wattproof: {failure}");
            failure.exit_code()
        }
    }
}

/// Lines of the log that may wait to be written. Room for all of them is taken when the program starts.
const WAITING_LINES_MAX: usize = 16_384;

/// Log to standard error; `WATTPROOF_LOG` (a tracing filter) overrides the flag. A thread of its own writes it: a pipe
/// whose reader does not read holds up nobody else, and what it can't take is dropped.
fn start_log(cli: &Cli) -> WorkerGuard {
    let level = match cli.verbose {
        0 => "error",
        1 => "info",
        2 => "debug",
        _ => "trace",
    };
    let filter = tracing_subscriber::EnvFilter::try_from_env("WATTPROOF_LOG")
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new(level));
    let (writer, guard) =
        NonBlockingBuilder::default().buffered_lines_limit(WAITING_LINES_MAX).finish(std::io::stderr());
    // Of a log that nobody reads nothing is said, and nothing panics.
    let log = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_ansi(terminal::has_colours())
        .log_internal_errors(false)
        .with_writer(writer);
    match &cli.command {
        // The daemon that hears it knows when and from whom.
        Command::Run(order) if order.tell => log.without_time().with_target(false).with_level(false).init(),
        _ if cli.log_json => log.json().init(),
        _ => log.init(),
    }
    guard
}
