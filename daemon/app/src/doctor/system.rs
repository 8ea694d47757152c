//! The machine itself: clock, memory, limits, sleep.

use rustix::fs::{Access, access};
use wattproof_guardian::{LOCKS, Precedence};

use super::finding::Finding;
use crate::machine::Machine;

/// Least memory that is free or can be freed, MiB.
const MEMORY_MIB_MIN: u64 = 512;
/// Fewest files that may be open: ports, cancellers, journal, sockets.
const FILES_MIN: u64 = 256;

pub fn system(machine: &Machine) -> Vec<Finding> {
    vec![clock(machine), memory(machine), files(machine), locks(machine), sleep(machine), real_time(machine)]
}

/// Whether there is a place where a guardian can mark the ports it holds: without, a daemon that starts while the
/// guardian of one that died still sends OFF would not see it.
fn locks(machine: &Machine) -> Finding {
    let about = "port marks";
    let asked = Access::WRITE_OK | Access::EXEC_OK;
    match access(machine.path(LOCKS), asked) {
        Ok(()) => Finding::ok(about, format!("ports that are held can be marked in {LOCKS}")),
        Err(errno) => Finding::warning(
            about,
            format!("this user can't mark in {LOCKS} which ports are held: {errno}"),
            format!(
                "sudo mkdir -p {LOCKS} && sudo chmod 1777 {LOCKS}; under a service, ReadWritePaths={LOCKS}"
            ),
        ),
    }
}

fn clock(machine: &Machine) -> Finding {
    let about = "clock";
    let source = machine.text("/sys/devices/system/clocksource/clocksource0/current_clocksource");
    match source.as_deref() {
        Some(coarse @ ("jiffies" | "refined-jiffies")) => Finding::warning(
            about,
            format!("the monotonic clock counts {coarse}, in steps of milliseconds"),
            "enable the timer of the processor or the board in the firmware",
        ),
        Some(source) => Finding::ok(about, format!("the monotonic clock runs on {source}")),
        None => Finding::warning(
            about,
            "what the monotonic clock runs on can't be told",
            "see that /sys is mounted",
        ),
    }
}

fn memory(machine: &Machine) -> Finding {
    let about = "memory";
    let known = machine.text("/proc/meminfo").unwrap_or_default();
    let available =
        known.lines().find_map(|line| line.strip_prefix("MemAvailable:")?.split_whitespace().next());
    match available.and_then(|kib| kib.parse::<u64>().ok()).map(|kib| kib / 1024) {
        Some(mib) if mib >= MEMORY_MIB_MIN => Finding::ok(about, format!("{mib} MiB available")),
        Some(mib) => {
            let found = format!("only {mib} MiB available: programs may be killed for memory");
            Finding::fix(about, found, format!("free {MEMORY_MIB_MIN} MiB"))
        }
        None => Finding::warning(about, "the memory available can't be told", "see that /proc is mounted"),
    }
}

fn files(machine: &Machine) -> Finding {
    let about = "open files";
    let limits = machine.text("/proc/self/limits").unwrap_or_default();
    let soft = limits.lines().find_map(|line| line.strip_prefix("Max open files")?.split_whitespace().next());
    match soft {
        Some("unlimited") => Finding::ok(about, "no limit"),
        Some(soft) if soft.parse::<u64>().is_ok_and(|files| files >= FILES_MIN) => {
            Finding::ok(about, format!("{soft} may be open at once"))
        }
        Some(soft) => Finding::fix(
            about,
            format!("only {soft} may be open at once"),
            format!("ulimit -n {FILES_MIN}, or more"),
        ),
        None => Finding::warning(about, "the limit can't be told", "see that /proc is mounted"),
    }
}

/// Whether the daemon's safety threads may go ahead: root's right to it (bit 23 of CapEff is CAP_SYS_NICE, capabilities(7)),
/// or a limit that allows it (RLIMIT_RTPRIO, getrlimit(2)); and whether the kernel still bounds them.
fn real_time(machine: &Machine) -> Finding {
    let about = "real time";
    let status = machine.text("/proc/self/status").unwrap_or_default();
    let rights = status.lines().find_map(|line| line.strip_prefix("CapEff:"));
    let may =
        rights.and_then(|rights| u64::from_str_radix(rights.trim(), 16).ok()).unwrap_or(0) >> 23 & 1 == 1;
    let limits = machine.text("/proc/self/limits").unwrap_or_default();
    let soft =
        limits.lines().find_map(|line| line.strip_prefix("Max realtime priority")?.split_whitespace().next());
    let needed = Precedence::Guardian.level();
    let allowed =
        soft.is_some_and(|soft| soft == "unlimited" || soft.parse().is_ok_and(|most: u8| most >= needed));
    let bound = machine.text("/proc/sys/kernel/sched_rt_runtime_us");
    match (may || allowed, bound.as_deref()) {
        (false, _) => Finding::warning(
            about,
            format!(
                "this user's safety threads may not go ahead of busy programs (real-time priority up to {}, {needed} is needed): OFF may come late",
                soft.unwrap_or("unknown")
            ),
            "start runs as a service (daemon/packaging/README.md), or raise the limit (ulimit -r)",
        ),
        (true, Some("-1")) => Finding::warning(
            about,
            "a real-time program that runs away would stop this machine",
            "sudo sysctl kernel.sched_rt_runtime_us=950000",
        ),
        (true, _) => Finding::ok(about, "safety threads go ahead of busy programs"),
    }
}

fn sleep(machine: &Machine) -> Finding {
    let about = "sleep";
    if !machine.has_systemd() {
        return Finding::ok(about, "systemd does not run this machine, so it does not put it to sleep");
    }
    let mut told = machine.text("/etc/systemd/logind.conf").unwrap_or_default();
    if let Ok(parts) = std::fs::read_dir(machine.path("/etc/systemd/logind.conf.d")) {
        for part in parts.filter_map(Result::ok) {
            told.push('\n');
            // One that can't be read is left out, as logind does.
            told.push_str(&std::fs::read_to_string(part.path()).unwrap_or_default());
        }
    }
    let action = told.lines().filter_map(|line| line.trim().strip_prefix("IdleAction=")).next_back();
    let remedy = "sudo systemctl mask sleep.target suspend.target hibernate.target hybrid-sleep.target";
    let masked = std::fs::read_link(machine.path("/etc/systemd/system/sleep.target"))
        .is_ok_and(|to| to.as_os_str() == "/dev/null");
    match action {
        _ if masked => Finding::ok(about, "this machine can't be put to sleep"),
        None | Some("ignore") => {
            let found = "a desktop, a lid or a person can put this machine to sleep in the middle of a run";
            Finding::warning(about, found, remedy)
        }
        Some(action) => {
            Finding::fix(about, format!("it goes to sleep when idle (IdleAction={action})"), remedy)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::doctor::finding::Level;
    use crate::machine::fake::Fake;

    #[test]
    fn clock_memory_and_limits_are_judged() {
        let path = "/sys/devices/system/clocksource/clocksource0/current_clocksource";
        assert_eq!(clock(&Fake::with(&[(path, "tsc\n")]).machine).level, Level::Ok);
        assert_eq!(clock(&Fake::with(&[(path, "jiffies\n")]).machine).level, Level::Warning);
        assert_eq!(clock(&Fake::with(&[]).machine).level, Level::Warning);
        let with = |kib: u32| {
            Fake::with(&[("/proc/meminfo", &format!("MemTotal: 9 kB\nMemAvailable:  {kib} kB\n"))])
        };
        assert_eq!(memory(&with(4 << 20).machine).level, Level::Ok);
        assert_eq!(memory(&with(100 << 10).machine).level, Level::Fix);
        let with = |soft: &str| {
            Fake::with(&[(
                "/proc/self/limits",
                &format!("Max open files            {soft}      4096    files\n"),
            )])
        };
        assert_eq!(files(&with("1024").machine).level, Level::Ok);
        assert_eq!(files(&with("unlimited").machine).level, Level::Ok);
        assert_eq!(files(&with("64").machine).level, Level::Fix);
    }

    #[test]
    fn a_machine_without_a_place_for_marks_is_found() {
        let without = locks(&Fake::with(&[]).machine);
        assert!(without.level == Level::Warning && without.remedy.contains("/run/lock"), "{without:?}");
        assert_eq!(locks(&Fake::with(&[("/run/lock/x", "")]).machine).level, Level::Ok);
    }

    /// proc(5): forms of /proc/PID/limits and of /proc/PID/status.
    #[test]
    fn a_machine_that_refuses_real_time_is_found() {
        let with = |soft: &str, rights: &str, bound: &str| {
            real_time(
                &Fake::with(&[
                    (
                        "/proc/self/limits",
                        &format!("Max realtime priority     {soft}                    {soft}\n"),
                    ),
                    ("/proc/self/status", &format!("Name:\tx\nCapEff:\t{rights}\n")),
                    ("/proc/sys/kernel/sched_rt_runtime_us", bound),
                ])
                .machine,
            )
        };
        let (none, root, nice) = ("0000000000000000", "000001ffffffffff", "0000000000800000");
        assert_eq!(with("0", none, "950000\n").level, Level::Warning);
        assert_eq!(with("11", none, "950000\n").level, Level::Warning);
        for (soft, rights) in [("12", none), ("99", none), ("unlimited", none), ("0", root), ("0", nice)] {
            assert_eq!(with(soft, rights, "950000\n").level, Level::Ok, "{soft} {rights}");
        }
        let unbound = with("12", none, "-1\n");
        assert!(unbound.level == Level::Warning && unbound.remedy.contains("950000"), "{unbound:?}");
        assert_eq!(real_time(&Fake::with(&[]).machine).level, Level::Warning);
    }

    #[test]
    fn a_machine_that_may_sleep_is_found() {
        assert_eq!(sleep(&Fake::with(&[]).machine).level, Level::Ok, "no systemd");
        let run = ("/run/systemd/system/x", "");
        assert_eq!(sleep(&Fake::with(&[run]).machine).level, Level::Warning);
        let idle = Fake::with(&[run, ("/etc/systemd/logind.conf.d/a.conf", "[Login]\nIdleAction=suspend\n")]);
        assert_eq!(sleep(&idle.machine).level, Level::Fix);
        idle.link("/etc/systemd/system/sleep.target", "/dev/null");
        assert_eq!(sleep(&idle.machine).level, Level::Ok);
    }
}
