//! The bench's ports: there, permitted, held by nobody, quick; and the contactor's line.

use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::{Path, PathBuf};

use rustix::fs::{Access, access};
use wattproof_bench::BenchFile;
use wattproof_link::Address;

use super::finding::{Finding, Level};
use crate::machine::Machine;

/// A USB adapter that gathers bytes for longer than this delays every answer, ms.
const LATENCY_MS_MAX: u32 = 2;

/// What stands behind the link of each role today, as far as that can be told without asking anybody.
fn found(machine: &Machine, bench: &BenchFile) -> Vec<(&'static str, Result<Address, String>)> {
    let ports = machine.ports();
    let found = |link: &Address| link.resolved(&ports).map_err(|error| error.to_string());
    bench.places().into_iter().map(|(role, link)| (role.word(), found(link))).collect()
}

/// Paths of a bench's ports, as far as they are known.
pub fn paths(machine: &Machine, bench: &BenchFile) -> Vec<String> {
    let ports = machine.ports();
    let known = found(machine, bench).into_iter().flat_map(|(_, found)| match found {
        Ok(Address::Serial { path, .. } | Address::UsbTmc { path }) => vec![path],
        Ok(asked) => asked.may_ask(&ports),
        Err(_) => Vec::new(),
    });
    known.collect()
}

fn link(machine: &Machine, bench: &BenchFile, role: &str, found: Result<Address, String>) -> Vec<Finding> {
    match found {
        Ok(Address::Serial { path, .. }) => {
            let stable = bench
                .places()
                .iter()
                .any(|(other, link)| other.word() == role && matches!(link, Address::Usb { .. }));
            port(machine, role, &path, stable)
        }
        Ok(Address::UsbTmc { path }) => port(machine, role, &path, false),
        Ok(asked @ Address::Asked { .. }) => {
            let may = asked.may_ask(&machine.ports());
            let who = asked.place();
            if may.is_empty() {
                let found = format!("no port that may be asked for {who} is there");
                return vec![Finding::fix(role, found, "plug it in, or mend ask in its link")];
            }
            let found =
                format!("{who} is looked for by asking on {}, which is not done here", may.join(", "));
            // Any of them may be the one.
            let each = may.iter().flat_map(|path| port(machine, role, path, true));
            let wrong = each.filter(|finding| finding.level != Level::Ok);
            std::iter::once(Finding::ok(role, found)).chain(wrong).collect()
        }
        Ok(Address::Usb { .. } | Address::Tcp { .. }) => Vec::new(),
        Err(why) => vec![Finding::fix(role, why, "")],
    }
}

pub fn ports(machine: &Machine, bench: Option<&BenchFile>) -> Vec<Finding> {
    let Some(bench) = bench else {
        let found = "no bench file named, so no port was looked at";
        return vec![Finding::warning("ports", found, "name one: wattproof doctor --bench FILE")];
    };
    let mut findings = Vec::new();
    for (role, found) in found(machine, bench) {
        findings.extend(link(machine, bench, role, found));
    }
    match &bench.contactor {
        Some(contactor) => {
            let about = "contactor";
            findings.extend(port(machine, about, &contactor.port, false));
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

/// `stable` when the path was looked up by a name that survives replugging.
fn port(machine: &Machine, role: &str, path: &str, stable: bool) -> Vec<Finding> {
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
    findings.extend(unstable_name(role, path).filter(|_| !stable));
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
    let counted = ["/dev/ttyUSB", "/dev/ttyACM", "/dev/usbtmc"].iter().any(|start| path.starts_with(start));
    counted.then(|| {
        let found = format!("{path} may be another instrument after replugging");
        let remedy = "name its adapter (usb = { vendor, product, serial }) or a path under /dev/serial/by-id";
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
    use crate::machine::fake::Fake;

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
            &port(&fake.machine, "source", "/dev/ttyS9", false),
            Level::Fix,
            &["source", "/dev/ttyS9", "not there"],
        );
        only(&port(&fake.machine, "source", "/dev/file", false), Level::Fix, &["no port"]);
        fake.link("/dev/ttyS0", "/dev/null");
        only(&port(&fake.machine, "source", "/dev/ttyS0", false), Level::Ok, &["/dev/ttyS0"]);
    }

    #[test]
    fn a_port_that_somebody_holds_names_who() {
        let fake = Fake::with(&[("/proc/4711/comm", "somebody\n"), ("/proc/self/comm", "x")]);
        fake.link("/dev/ttyS0", "/dev/null");
        fake.link("/proc/4711/fd/3", "/dev/null");
        only(&port(&fake.machine, "supply", "/dev/ttyS0", false), Level::Fix, &["somebody", "4711"]);
    }

    #[test]
    fn counted_names_and_slow_adapters_are_warned_of() {
        let fake = Fake::with(&[("/sys/class/tty/null/device/latency_timer", "16\n")]);
        fake.link("/dev/ttyUSB0", "/dev/null");
        let findings = port(&fake.machine, "load", "/dev/ttyUSB0", false);
        assert!(findings.iter().all(|finding| finding.level == Level::Warning), "{findings:?}");
        assert!(findings[0].found.contains("replugging") && findings[1].found.contains("16 ms"));
        std::fs::write(fake.machine.path("/sys/class/tty/null/device/latency_timer"), "1").unwrap();
        only(&port(&fake.machine, "load", "/dev/ttyUSB0", false), Level::Warning, &["by-id"]);
    }

    #[test]
    fn a_user_without_permission_is_told_the_group() {
        let fake = Fake::with(&[("/etc/group", "root:x:0:\ndialout:x:20:\n")]);
        let finding = may_not_open(&fake.machine, "source", "/dev/ttyS0", 20);
        only(&[finding], Level::Fix, &["usermod -aG dialout"]);
    }

    const BENCH: &str = "
name = \"b\"
limits = { out_vrms_max = 1.0, out_arms_max = 1.0, out_w_max = 1.0, dc_v_max = 1.0, supply_v_max = 1.0, \
supply_a_max = 1.0, heatsink_c_max = 1.0, source_vrms_max = 1.0, source_step_db_max = 1.0, load_ohm_min = 1.0, \
power_s_max = 1.0, power_w_from = 1.0, reading_age_s_max = 1.0 }
source = { link = { usb = { vendor = \"1209\", product = \"0001\", serial = \"A\" } }, dialect = \"x\", outputs = [1], settle_ms = 1 }
load = { link = { identity = \"x\", ask = [\"/dev/none*\"] }, dialect = \"x\", channels = [1], settle_ms = 1, tolerance_pct = 1.0 }
supply = { link = { usb = { vendor = \"1209\", product = \"0002\" } }, dialect = \"x\", settle_ms = 1, tolerance_pct = 1.0 }
thermometer = { link = { tcp = \"a:1\" }, dialect = \"x\", channel = 1 }
[digitizer]
link = { usbtmc = \"/dev/usbtmc0\" }
dialect = \"x\"
rate_hz = 1.0
samples = 256
channel = [
  { adc = 1, amplifier_channel = 1, measures = \"volts\", gain = 1.0, range_v = 1.0, tolerance_pct = 1.0 },
  { adc = 2, amplifier_channel = 1, measures = \"amps\", gain = 1.0, range_v = 1.0, tolerance_pct = 1.0 },
]
";

    /// Names that survive replugging are looked up on the machine; laid out as sysfs does (kernel documentation,
    /// sysfs-bus-usb), the adapter is invented.
    #[test]
    fn what_stands_behind_a_stable_name_is_looked_at() {
        let fake = Fake::with(&[
            ("/sys/devices/1-1/idVendor", "1209"),
            ("/sys/devices/1-1/idProduct", "0001"),
            ("/sys/devices/1-1/serial", "A"),
            ("/sys/devices/1-1/1-1:1.0/bInterfaceNumber", "00"),
            ("/sys/class/tty/ttyUSB7/dev", ""),
            ("/proc/4711/comm", "somebody"),
        ]);
        fake.link("/sys/class/tty/ttyUSB7/device", fake.machine.path("/sys/devices/1-1/1-1:1.0"));
        fake.link("/dev/ttyUSB7", "/dev/null");
        fake.link("/proc/4711/fd/3", "/dev/null");
        let bench = BenchFile::parse(Path::new("b.toml"), BENCH).unwrap();
        let all = ports(&fake.machine, Some(&bench));
        let of = |role: &str| all.iter().filter(|one| one.about == role).cloned().collect::<Vec<_>>();
        // Found under its number of today, held, and no warning of that number.
        only(&of("source"), Level::Fix, &["/dev/ttyUSB7", "somebody", "4711"]);
        only(&of("supply"), Level::Fix, &["1209:0002", "no port", "/dev/ttyUSB7"]);
        only(&of("load"), Level::Fix, &["may be asked"]);
        only(&of("digitizer"), Level::Fix, &["/dev/usbtmc0", "not there"]);
        assert!(of("thermometer").is_empty());
        assert_eq!(paths(&fake.machine, &bench), ["/dev/ttyUSB7", "/dev/usbtmc0"]);
        // A source must not be where an OFF could wait.
        let wrong = BENCH.replace(
            "source = { link = { usb = { vendor = \"1209\", product = \"0001\", serial = \"A\" } }",
            "source = { link = { usbtmc = \"/dev/usbtmc1\" }",
        );
        let told = BenchFile::parse(Path::new("b.toml"), &wrong).unwrap_err().to_string();
        assert!(told.contains("5 s") && told.contains("serial or network"), "{told}");
    }

    #[test]
    fn without_a_bench_file_that_is_said() {
        only(&ports(&Fake::with(&[]).machine, None), Level::Warning, &["--bench"]);
    }
}
