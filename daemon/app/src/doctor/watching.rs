//! Can a guardian be started here, and what does the machine grant it?

use std::os::fd::AsFd;
use std::time::Instant;

use wattproof_guardian::{Guardian, GuardianProgram, PortOrder, Timing};

use super::finding::Finding;

const ABOUT: &str = "guardian";

/// Starts one over a port that leads nowhere, and lets it go.
pub fn guardian(program: &GuardianProgram) -> Vec<Finding> {
    let nowhere = match std::fs::File::options().write(true).open("/dev/null") {
        Ok(nowhere) => nowhere,
        Err(error) => return vec![Finding::fix(ABOUT, format!("/dev/null: {error}"), "mend /dev")],
    };
    let order = PortOrder { descriptor: nowhere.as_fd(), off: b"\n".to_vec() };
    let started = Instant::now();
    let guardian = match Guardian::start(program, &[order], Timing::default()) {
        Ok(guardian) => guardian,
        Err(error) => {
            let remedy = "see that this program can be started again by itself, and that /proc is mounted";
            return vec![Finding::fix(ABOUT, error.to_string(), remedy)];
        }
    };
    let ms = started.elapsed().as_secs_f64() * 1e3;
    let notes = guardian.notes();
    guardian.dismiss();
    let mut findings = vec![Finding::ok(ABOUT, format!("it starts, and watches after {ms:.0} ms"))];
    let remedy = "start runs as a service (daemon/packaging/README.md) or as root";
    let lacks = [
        (notes.may_be_killed_for_memory, "it may be killed when memory runs out"),
        (notes.may_be_swapped, "it may be swapped out, and then be slow to answer"),
        (notes.no_precedence, "it has no precedence over busy programs"),
        (notes.no_real_time && !notes.no_precedence, "it has no real-time precedence over busy programs"),
    ];
    let lacks = lacks.into_iter().filter(|(lacking, _)| *lacking);
    findings.extend(lacks.map(|(_, found)| Finding::warning(ABOUT, found, remedy)));
    findings
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::doctor::finding::Level;

    #[test]
    fn a_guardian_that_does_not_start_must_be_fixed() {
        for path in ["/bin/false", "/no/such/program"] {
            let findings = guardian(&GuardianProgram::new(path, &[]));
            assert!(findings.len() == 1 && findings[0].level == Level::Fix, "{path}: {findings:?}");
        }
    }
}
