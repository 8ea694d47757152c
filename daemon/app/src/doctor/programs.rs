//! Programs that talk to serial ports unasked.

use std::os::unix::fs::MetadataExt;

use wattproof_bench::BenchFile;

use super::finding::Finding;
use super::ports::paths;
use crate::machine::Machine;

pub fn programs(machine: &Machine, bench: Option<&BenchFile>) -> Vec<Finding> {
    let known = bench.map(|bench| paths(machine, bench)).unwrap_or_default();
    let mut paths: Vec<&str> = known.iter().map(String::as_str).collect();
    paths.extend(bench.and_then(|bench| bench.contactor.as_ref()).map(|contactor| contactor.port.as_str()));
    vec![modem_manager(machine, &paths), brltty(machine)]
}

fn modem_manager(machine: &Machine, paths: &[&str]) -> Finding {
    let about = "modem software";
    if !runs(machine, "ModemManager") {
        return Finding::ok(about, "ModemManager does not run");
    }
    let open: Vec<&str> = paths.iter().copied().filter(|path| !told_to_ignore(machine, path)).collect();
    if !paths.is_empty() && open.is_empty() {
        return Finding::ok(about, "ModemManager runs and is told to leave the bench's ports alone");
    }
    let which = if open.is_empty() { "any serial adapter".to_string() } else { open.join(", ") };
    Finding::fix(
        about,
        format!("ModemManager runs and may send commands to {which}"),
        "install daemon/packaging/60-wattproof.rules with your adapters' numbers, or: sudo systemctl disable --now ModemManager",
    )
}

/// What udev knows of the device behind a path.
fn told_to_ignore(machine: &Machine, path: &str) -> bool {
    let Ok(device) = std::fs::metadata(machine.path(path)).map(|kind| kind.rdev()) else { return false };
    let (major, minor) = (rustix::fs::major(device), rustix::fs::minor(device));
    let known = machine.text(format!("/run/udev/data/c{major}:{minor}")).unwrap_or_default();
    let told = ["E:ID_MM_DEVICE_IGNORE=1", "E:ID_MM_PORT_IGNORE=1", "E:ID_MM_CANDIDATE=0"];
    // Pseudo-terminals have no entry, and no modem software looks at them.
    path.starts_with("/dev/pts/") || known.lines().any(|line| told.contains(&line))
}

fn brltty(machine: &Machine) -> Finding {
    let about = "braille software";
    if runs(machine, "brltty") {
        let found = "brltty runs and takes over adapters that look like braille displays";
        return Finding::fix(about, found, "where nobody needs it: sudo apt remove brltty");
    }
    let rules = ["/usr/lib/udev/rules.d", "/lib/udev/rules.d", "/etc/udev/rules.d"];
    let there = rules.iter().filter_map(|folder| std::fs::read_dir(machine.path(folder)).ok()).flatten();
    let installed =
        there.filter_map(Result::ok).any(|entry| entry.file_name().to_string_lossy().contains("brltty"));
    if installed {
        let found =
            "brltty is installed and starts when an adapter that looks like a braille display is plugged in";
        return Finding::warning(about, found, "where nobody needs it: sudo apt remove brltty");
    }
    Finding::ok(about, "brltty is not installed")
}

fn runs(machine: &Machine, name: &str) -> bool {
    machine.processes().iter().any(|process| process.name == name)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::doctor::finding::Level;
    use crate::machine::fake::Fake;

    #[test]
    fn modem_software_must_leave_the_ports_alone() {
        assert_eq!(modem_manager(&Fake::with(&[]).machine, &["/dev/ttyS0"]).level, Level::Ok);
        let fake = Fake::with(&[("/proc/7/comm", "ModemManager\n")]);
        fake.link("/dev/ttyS0", "/dev/null");
        let finding = modem_manager(&fake.machine, &["/dev/ttyS0"]);
        assert!(finding.level == Level::Fix && finding.found.contains("/dev/ttyS0"), "{finding}");
        assert_eq!(modem_manager(&fake.machine, &[]).level, Level::Fix);
        // /dev/null is character device 1:3 on Linux.
        let fake = Fake::with(&[
            ("/proc/7/comm", "ModemManager\n"),
            ("/run/udev/data/c1:3", "I:1\nE:ID_MM_DEVICE_IGNORE=1\n"),
        ]);
        fake.link("/dev/ttyS0", "/dev/null");
        assert_eq!(modem_manager(&fake.machine, &["/dev/ttyS0"]).level, Level::Ok);
    }

    #[test]
    fn braille_software_is_found_running_or_installed() {
        assert_eq!(brltty(&Fake::with(&[]).machine).level, Level::Ok);
        assert_eq!(brltty(&Fake::with(&[("/proc/9/comm", "brltty")]).machine).level, Level::Fix);
        let rules = Fake::with(&[("/usr/lib/udev/rules.d/90-brltty-device.rules", "")]);
        assert_eq!(brltty(&rules.machine).level, Level::Warning);
    }
}
