//! The bench's ports: there, permitted, held by nobody, quick; and the contactor's line.

use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::{Path, PathBuf};

use rustix::fs::{Access, access};
use wattproof_bench::BenchFile;
use wattproof_link::Address;

use super::finding::Finding;
use super::machine::Machine;

/// A USB adapter that gathers bytes for longer than this delays every answer, ms.
const LATENCY_MS_MAX: u32 = 2;

/// Serial paths of a bench file, by role.
pub fn serial_paths(bench: &BenchFile) -> Vec<(&'static str, &str)> {
    let serial = bench.links().into_iter().filter_map(|(role, link)| match link {
        Address::Serial { path, .. } => Some((role, path.as_str())),
        Address::Tcp { .. } => None,
    });
    serial.collect()
}

pub fn ports(machine: &Machine, bench: Option<&BenchFile>) -> Vec<Finding> {
    let Some(bench) = bench else {
        let found = "no bench file named, so no port was looked at";
        return vec![Finding::warning("ports", found, "name one: wattproof doctor --bench FILE")];
    };
    let mut findings = Vec::new();
    for (role, path) in serial_paths(bench) {
        findings.extend(port(machine, role, path));
    }
    match &bench.contactor {
        Some(contactor) => {
            let about = "contactor";
            findings.extend(port(machine, about, &contactor.port));
            if contactor.port.starts_with("/dev/pts/") {
                let found = format!("{} is a pseudo-terminal, which has no modem lines", contactor.port);
                findings.push(Finding::fix(about, found, "name a real serial port in [contactor] of the bench file"));
            }
        }
        None => findings.push(Finding::warning(
            "contactor",
            "the bench file has none: if daemon and guardian both die, or the machine does, nothing switches off",
            "put a contactor on a modem line: daemon/packaging/README.md",
        )),
    }
    findings
}

fn port(machine: &Machine, role: &str, path: &str) -> Vec<Finding> {
    let there = machine.path(path);
    let Ok(kind) = std::fs::metadata(&there) else {
        let found = format!("{path} is not there");
        return vec![Finding::fix(role, found, "plug it in, switch it on, or mend the bench file")];
    };
    if !kind.file_type().is_char_device() {
        let found = format!("{path} is no port");
        return vec![Finding::fix(role, found, "name a serial port in the bench file")];
    }
    let mut findings = Vec::new();
    if access(&there, Access::READ_OK | Access::WRITE_OK).is_err() {
        findings.push(may_not_open(machine, role, path, kind.gid()));
    }
    let real = std::fs::canonicalize(&there).unwrap_or(there);
    findings.extend(holders(machine, role, path, &real));
    findings.extend(unstable_name(role, path));
    findings.extend(slow_adapter(machine, role, &real));
    if findings.is_empty() {
        findings
            .push(Finding::ok(role, format!("{path} is there, may be opened, and is held by nobody seen")));
    }
    findings
}

fn may_not_open(machine: &Machine, role: &str, path: &str, gid: u32) -> Finding {
    let groups = machine.text("/etc/group").unwrap_or_default();
    let name = groups.lines().find_map(|line| {
        let mut fields = line.split(':');
        let name = fields.next()?;
        (fields.nth(1)? == gid.to_string()).then(|| name.to_string())
    });
    let group = name.unwrap_or_else(|| gid.to_string());
    let found = format!("this user may not open {path}");
    Finding::fix(role, found, format!("sudo usermod -aG {group} $USER, then log in again"))
}

fn holders(machine: &Machine, role: &str, path: &str, real: &Path) -> Vec<Finding> {
    let holding = machine.processes().into_iter().filter(|process| process.holds(real));
    holding
        .map(|process| {
            let found = format!("{path} is held by {} (process {})", process.name, process.id);
            Finding::fix(role, found, "end that program before a run")
        })
        .collect()
}

fn unstable_name(role: &str, path: &str) -> Option<Finding> {
    let counted = ["/dev/ttyUSB", "/dev/ttyACM"].iter().any(|start| path.starts_with(start));
    counted.then(|| {
        let found = format!("{path} may be another instrument after replugging");
        let remedy = "use a name under /dev/serial/by-id, or daemon/packaging/60-wattproof.rules";
        Finding::warning(role, found, remedy)
    })
}

fn slow_adapter(machine: &Machine, role: &str, real: &Path) -> Option<Finding> {
    let name = real.file_name()?.to_str()?;
    let file = PathBuf::from(format!("/sys/class/tty/{name}/device/latency_timer"));
    let latency_ms: u32 = machine.text(&file)?.parse().ok()?;
    (latency_ms > LATENCY_MS_MAX).then(|| {
        let found = format!("its adapter holds back bytes for {latency_ms} ms, so every answer comes late");
        Finding::warning(role, found, format!("echo 1 | sudo tee {}", file.display()))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::doctor::finding::Level;
    use crate::doctor::machine::fake::Fake;

    fn only(findings: &[Finding], level: Level, words: &[&str]) {
        assert_eq!(findings.len(), 1, "{findings:?}");
        assert_eq!(findings[0].level, level, "{findings:?}");
        let text = findings[0].to_string();
        words.iter().for_each(|word| assert!(text.contains(word), "no {word:?} in {text}"));
    }

    #[test]
    fn a_port_that_is_missing_or_no_port_must_be_fixed() {
        let fake = Fake::with(&[("/dev/file", "")]);
        only(
            &port(&fake.machine, "source", "/dev/ttyS9"),
            Level::Fix,
            &["source", "/dev/ttyS9", "not there"],
        );
        only(&port(&fake.machine, "source", "/dev/file"), Level::Fix, &["no port"]);
        fake.link("/dev/ttyS0", "/dev/null");
        only(&port(&fake.machine, "source", "/dev/ttyS0"), Level::Ok, &["/dev/ttyS0"]);
    }

    #[test]
    fn a_port_that_somebody_holds_names_who() {
        let fake = Fake::with(&[("/proc/4711/comm", "somebody\n"), ("/proc/self/comm", "x")]);
        fake.link("/dev/ttyS0", "/dev/null");
        fake.link("/proc/4711/fd/3", "/dev/null");
        only(&port(&fake.machine, "supply", "/dev/ttyS0"), Level::Fix, &["somebody", "4711"]);
    }

    #[test]
    fn counted_names_and_slow_adapters_are_warned_of() {
        let fake = Fake::with(&[("/sys/class/tty/null/device/latency_timer", "16\n")]);
        fake.link("/dev/ttyUSB0", "/dev/null");
        let findings = port(&fake.machine, "load", "/dev/ttyUSB0");
        assert!(findings.iter().all(|finding| finding.level == Level::Warning), "{findings:?}");
        assert!(findings[0].found.contains("replugging") && findings[1].found.contains("16 ms"));
        std::fs::write(fake.machine.path("/sys/class/tty/null/device/latency_timer"), "1").unwrap();
        only(&port(&fake.machine, "load", "/dev/ttyUSB0"), Level::Warning, &["by-id"]);
    }

    #[test]
    fn a_user_without_permission_is_told_the_group() {
        let fake = Fake::with(&[("/etc/group", "root:x:0:\ndialout:x:20:\n")]);
        let finding = may_not_open(&fake.machine, "source", "/dev/ttyS0", 20);
        only(&[finding], Level::Fix, &["usermod -aG dialout"]);
    }

    #[test]
    fn without_a_bench_file_that_is_said() {
        only(&ports(&Fake::with(&[]).machine, None), Level::Warning, &["--bench"]);
    }
}
