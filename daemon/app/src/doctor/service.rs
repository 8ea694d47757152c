//! The service unit: installed, and with what the guardian needs to outlive the daemon.

use super::finding::Finding;
use crate::machine::Machine;

const ABOUT: &str = "service";
const UNIT: &str = "wattproof-run@.service";
const FOLDERS: [&str; 3] =
    ["/etc/systemd/system", "/usr/local/lib/systemd/system", "/usr/lib/systemd/system"];
/// What the unit must say, and why.
const MUST: [(&str, &str, &str); 3] = [
    ("KillMode", "process", "with any other the guardian is killed together with the daemon it watches"),
    ("Restart", "no", "with any other a run that has tripped is armed again with nobody there"),
    ("Type", "notify", "with any other systemd does not know when the bench is open, nor that it hangs"),
];
/// What it should say at all.
const SHOULD: [&str; 7] = [
    "WatchdogSec",
    "MemoryMax",
    "ProtectSystem",
    "NoNewPrivileges",
    "LimitRTPRIO",
    "LimitRTTIME",
    "ReadWritePaths",
];
/// What it must not say, and why not.
const SHOULD_NOT: [(&str, &str, &str); 2] = [
    ("RestrictRealtime", "yes", "with it OFF waits for busy programs"),
    ("CPUSchedulingPolicy", "fifo", "with it scripts and computing go ahead of OFF as well"),
];

pub fn service(machine: &Machine) -> Vec<Finding> {
    if !machine.has_systemd() {
        return vec![Finding::ok(
            ABOUT,
            "systemd does not run this machine: start runs by hand, or watch them otherwise",
        )];
    }
    let found = FOLDERS.iter().find_map(|folder| machine.text(format!("{folder}/{UNIT}")));
    let Some(unit) = found else {
        let remedy = "for unattended runs install it: daemon/packaging/README.md";
        return vec![Finding::warning(ABOUT, format!("{UNIT} is not installed"), remedy)];
    };
    let said = |key: &str| {
        let lines =
            unit.lines().filter_map(|line| line.trim().strip_prefix(key)?.trim_start().strip_prefix('='));
        lines.map(str::trim).next_back()
    };
    let mut findings: Vec<Finding> = MUST
        .iter()
        .filter(|(key, wanted, _)| said(key) != Some(wanted))
        .map(|(key, wanted, why)| {
            let found = format!("{UNIT} says {key}={}: {why}", said(key).unwrap_or_default());
            Finding::fix(ABOUT, found, format!("write {key}={wanted}, then: sudo systemctl daemon-reload"))
        })
        .collect();
    findings.extend(SHOULD.iter().filter(|key| said(key).is_none()).map(|key| {
        let found = format!("{UNIT} says nothing of {key}");
        Finding::warning(ABOUT, found, "install the unit that ships: daemon/packaging/README.md")
    }));
    let wrong = SHOULD_NOT.iter().filter(|(key, unwanted, _)| said(key) == Some(unwanted));
    findings.extend(wrong.map(|(key, unwanted, why)| {
        let remedy = format!("take {key}={unwanted} out, then: sudo systemctl daemon-reload");
        Finding::warning(ABOUT, format!("{UNIT} says {key}={unwanted}: {why}"), remedy)
    }));
    if findings.is_empty() {
        findings.push(Finding::ok(ABOUT, format!("{UNIT} is installed, watched over and shut off")));
    }
    findings
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::doctor::finding::Level;
    use crate::machine::fake::Fake;

    const SHIPPED: &str = include_str!("../../../packaging/wattproof-run@.service");
    const RULES: &str = include_str!("../../../packaging/60-wattproof.rules");
    const RUN: (&str, &str) = ("/run/systemd/system/x", "");
    const PLACE: &str = "/etc/systemd/system/wattproof-run@.service";

    #[test]
    fn the_unit_that_ships_is_good() {
        let findings = service(&Fake::with(&[RUN, (PLACE, SHIPPED)]).machine);
        assert!(findings.len() == 1 && findings[0].level == Level::Ok, "{findings:?}");
    }

    #[test]
    fn a_unit_that_kills_the_guardian_or_arms_again_must_be_fixed() {
        for (from, to) in [("KillMode=process", "KillMode=mixed"), ("Restart=no", "Restart=always")] {
            let findings = service(&Fake::with(&[RUN, (PLACE, &SHIPPED.replace(from, to))]).machine);
            assert!(findings.len() == 1 && findings[0].level == Level::Fix, "{to}: {findings:?}");
            assert!(findings[0].found.contains(to) && findings[0].remedy.contains(from));
        }
        let bare = service(
            &Fake::with(&[RUN, (PLACE, "[Service]\nType=notify\nKillMode=process\nRestart=no\n")]).machine,
        );
        assert!(bare.len() == 7 && bare.iter().all(|finding| finding.level == Level::Warning), "{bare:?}");
        assert_eq!(service(&Fake::with(&[RUN]).machine)[0].level, Level::Warning);
        assert_eq!(service(&Fake::with(&[]).machine)[0].level, Level::Ok);
    }

    #[test]
    fn a_unit_that_forbids_real_time_or_gives_it_to_everything_is_found() {
        for (from, to) in
            [("RestrictRealtime=no", "RestrictRealtime=yes"), ("Nice=-10", "CPUSchedulingPolicy=fifo")]
        {
            let findings = service(&Fake::with(&[RUN, (PLACE, &SHIPPED.replace(from, to))]).machine);
            assert!(findings.len() == 1 && findings[0].level == Level::Warning, "{to}: {findings:?}");
            assert!(findings[0].found.contains(to), "{findings:?}");
        }
    }

    /// systemd.exec(5), LimitRTPRIO: the unit that ships allows what daemon and guardian ask for, and no more.
    #[test]
    fn the_unit_allows_the_precedence_that_is_asked_for() {
        let level = wattproof_guardian::Precedence::Guardian.level();
        assert!(SHIPPED.lines().any(|line| line == format!("LimitRTPRIO={level}")));
        let most = wattproof_guardian::RUNAWAY_MAX.as_secs();
        assert!(SHIPPED.lines().any(|line| line == format!("LimitRTTIME={most}s")));
    }

    /// systemd.unit(5): sections in brackets, `Key=value` lines, comments; udev(7): `key op "value"` separated by
    /// commas.
    #[test]
    fn the_files_that_ship_are_well_formed() {
        let mut section = "";
        for line in SHIPPED.lines().filter(|line| !line.is_empty() && !line.starts_with('#')) {
            match line.strip_prefix('[').and_then(|rest| rest.strip_suffix(']')) {
                Some(name) => section = name,
                None => assert!(
                    line.split_once('=').is_some_and(|(key, _)| key.chars().all(char::is_alphanumeric)),
                    "{line}"
                ),
            }
            assert!(["Unit", "Service", "Install"].contains(&section), "{line}");
        }
        let mut goals = Vec::new();
        for line in RULES.lines().filter(|line| !line.is_empty() && !line.starts_with('#')) {
            for part in line.split(", ") {
                let (key, value) = part.split_once('=').unwrap();
                assert!(key.starts_with(char::is_uppercase), "{part}");
                assert!(value.trim_start_matches('=').starts_with('"') && value.ends_with('"'), "{part}");
                if part.starts_with("GOTO") || part.starts_with("LABEL") {
                    goals.push(value);
                }
            }
        }
        assert!(goals.len() == 3 && goals.iter().all(|goal| *goal == goals[0]), "{goals:?}");
        for told in ["ID_MM_DEVICE_IGNORE", "ID_MM_PORT_IGNORE"] {
            assert!(RULES.contains(&format!("ENV{{{told}}}=\"1\"")), "{told}");
        }
    }
}
