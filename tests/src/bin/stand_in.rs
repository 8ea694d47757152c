//! A stand-in for the daemon, for tests that kill it: opens a port, starts a guardian over it and gives signs of life.
//!
//! `stand_in PORT WATTPROOF`: prints `ready GUARDIAN_PROCESS` once it is watched over, then beats until it is killed.
//! Told `trip` on standard error and ended with exit code 7 when the guardian is lost, 8 when it has fired.

use std::process::ExitCode;
use std::time::{Duration, Instant};

use wattproof_guardian::{Guardian, GuardianProgram, Lost, PortOrder, Timing};
use wattproof_link::{Link, SerialLink, SerialSettings};

fn main() -> ExitCode {
    match watched_over() {
        Ok(lost) => {
            eprintln!("trip: {lost}");
            if matches!(lost, Lost::Fired(_)) { ExitCode::from(8) } else { ExitCode::from(7) }
        }
        Err(what) => {
            eprintln!("stand_in: {what}");
            ExitCode::FAILURE
        }
    }
}

fn watched_over() -> Result<Lost, String> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let [port, program] = words.as_slice() else { return Err("usage: stand_in PORT WATTPROOF".into()) };
    let link = SerialLink::open(port, &SerialSettings::default()).map_err(|error| error.to_string())?;
    let descriptor = link.descriptor().ok_or("the port has no descriptor")?;
    let orders = [PortOrder { descriptor, off: b"OUTP1 OFF\nOUTP2 OFF\n".to_vec() }];
    let program = GuardianProgram::new(program, &["guardian"]);
    let mut guardian =
        Guardian::start(&program, &orders, Timing::default()).map_err(|error| error.to_string())?;
    println!("ready {} {:?}", guardian.process(), guardian.notes());
    let mut next = Instant::now();
    loop {
        if let Err(lost) = guardian.hear(next.saturating_duration_since(Instant::now())) {
            return Ok(lost);
        }
        if Instant::now() >= next {
            next = Instant::now() + Duration::from_millis(50);
            guardian.beat();
        }
    }
}
