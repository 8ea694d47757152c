//! Faults 45 to 48: what the machine does to the daemon. A second daemon, descriptors that run out, a long stop; and
//! files that never end. Limits and signals: setrlimit(2), signal(7).

use std::process::Command;
use std::time::{Duration, Instant};

use crate::bench::{Served, said, wattproof};
use crate::processes::{signal, wait_for_steps};
use crate::{SCRIPT, ask, assert_record_is_whole_and_true};

fn assert_off(served: &Served, told: &str) {
    for (role, question) in [("source", "OUTP1?"), ("supply", "OUTP?")] {
        assert_eq!(ask(&served.port(role), question).as_deref(), Some("0"), "{role}: {told}");
    }
}

/// Longer than the journal waits for a disk: the gap is the cause, and the journal is whole.
#[test]
fn fault_45_a_daemon_stopped_for_longer_than_a_disk_may_take_tells_of_the_gap() {
    for round in 0..3 {
        let served = Served::start("honest");
        let daemon = served.run(&served.script(&SCRIPT.replace("0..8", "0..60"))).spawn().unwrap();
        wait_for_steps(&served, 2);
        std::thread::sleep(Duration::from_millis(137 * round));
        signal(daemon.id(), "STOP");
        std::thread::sleep(Duration::from_secs(6));
        signal(daemon.id(), "CONT");
        let output = daemon.wait_with_output().unwrap();
        let told = said(&output);
        assert_eq!(output.status.code(), Some(1), "{told}");
        assert!(told.contains("from one look to the next") && told.contains("stopped"), "{told}");
        assert!(!told.contains("disk"), "{told}");
        assert_record_is_whole_and_true(&served, &told);
        assert_off(&served, &told);
    }
}

/// However few descriptors there are: no panic, nothing switched, and an error that says what is missing.
#[test]
fn fault_46_without_descriptors_a_run_does_not_begin_and_says_so() {
    let served = Served::start("honest");
    let script = served.script(&SCRIPT.replace("0..8", "0..2"));
    let (mut refused, mut ended_well) = (0, 0);
    for limit in [3, 4, 6, 9, 12, 20, 40, 63, 64] {
        let run = served.run(&script);
        let mut limited = Command::new("prlimit");
        limited.arg(format!("--nofile={limit}")).arg(run.get_program()).args(run.get_args());
        limited.env("WATTPROOF_STATE", served.state());
        let output = limited.output().unwrap();
        let told = said(&output);
        assert!(!told.contains("panicked"), "{limit} descriptors: {told}");
        match output.status.code() {
            Some(0) => ended_well += 1,
            // 127: not even the program's own libraries could be opened.
            Some(1 | 127) => {
                refused += 1;
                let words = ["Too many open files", "descriptors", "cannot open shared object"];
                assert!(words.iter().any(|word| told.contains(word)), "{limit} descriptors: {told}");
            }
            other => panic!("{limit} descriptors: {other:?}: {told}"),
        }
        assert_off(&served, &told);
    }
    assert_eq!((refused, ended_well), (8, 1));
}

/// Descriptors that run out in the midst of a run: it ends off, in words, and its journal is whole.
#[test]
fn fault_46_a_run_that_gets_no_more_descriptors_ends_off_and_in_words() {
    let served = Served::start("honest");
    let daemon = served.run(&served.script(&SCRIPT.replace("0..8", "0..60"))).spawn().unwrap();
    wait_for_steps(&served, 2);
    let limited = Command::new("prlimit").args(["--nofile=5", "--pid", &daemon.id().to_string()]).status();
    assert!(limited.unwrap().success());
    let output = daemon.wait_with_output().unwrap();
    let told = said(&output);
    assert_eq!(output.status.code(), Some(1), "{told}");
    assert!(told.contains("Too many open files") && !told.contains("panicked"), "{told}");
    assert_record_is_whole_and_true(&served, &told);
    assert_off(&served, &told);
}

/// A second daemon on the same bench is refused at once, with the first one's name, whatever its files are called.
#[test]
fn fault_47_a_second_daemon_is_refused_at_once_and_names_the_first() {
    let served = Served::start("honest");
    let first = served.run(&served.script(&SCRIPT.replace("0..8", "0..30"))).spawn().unwrap();
    wait_for_steps(&served, 1);
    let copy = served.folder.path().join("copy.toml");
    std::fs::copy(served.bench(), &copy).unwrap();
    for bench in [served.bench(), copy] {
        let began = Instant::now();
        let mut second = Command::new(wattproof());
        second.arg("run").arg(served.folder.path().join("script.rhai")).arg("--bench").arg(bench);
        second
            .arg("--nameplate")
            .arg(served.nameplate())
            .arg("--out")
            .arg(served.folder.path().join("other"));
        second.env("WATTPROOF_STATE", served.folder.path().join("other state"));
        let second = second.output().unwrap();
        let told = said(&second);
        assert_eq!(second.status.code(), Some(1), "{told}");
        assert!(told.contains(&format!("process {}", first.id())) && told.contains("in use"), "{told}");
        // A guardian that may have died is waited for up to 4 s: a daemon that lives is not.
        assert!(began.elapsed() < Duration::from_millis(3500), "{:?}", began.elapsed());
        assert!(!served.folder.path().join("other").exists(), "nothing was recorded");
    }
    let first = first.wait_with_output().unwrap();
    assert!(first.status.success(), "{}", said(&first));
    // Its lock has ended with it.
    let third = served.run(&served.script("print(\"nothing\");")).output().unwrap();
    assert!(third.status.success(), "{}", said(&third));
}

/// Every file that a person names is bounded: devices and pipes are refused at once.
#[test]
fn fault_48_a_named_file_that_never_ends_is_refused() {
    let served = Served::start("honest");
    let good = std::fs::read_to_string(served.bench()).unwrap();
    let script = served.script("print(1);");
    let refused = |command: &mut Command| {
        let began = Instant::now();
        let output = command.output().unwrap();
        let told = said(&output);
        assert_eq!(output.status.code(), Some(1), "{told}");
        assert!(told.contains("/dev/zero") && told.contains("no regular file"), "{told}");
        assert!(began.elapsed() < Duration::from_secs(5), "{:?}", began.elapsed());
    };
    std::fs::write(served.bench(), good.replace("\"scpi-supply\"", "\"/dev/zero\"")).unwrap();
    refused(&mut served.run(&script));
    std::fs::write(served.bench(), &good).unwrap();
    refused(&mut served.run("/dev/zero".as_ref()));
    for (bench, nameplate) in [("/dev/zero".into(), served.nameplate()), (served.bench(), "/dev/zero".into())]
    {
        let mut command = Command::new(wattproof());
        command.arg("run").arg(&script).arg("--bench").arg(bench).arg("--nameplate").arg(nameplate);
        refused(&mut command);
    }
    refused(Command::new(wattproof()).stdin(std::process::Stdio::null()).args([
        "virtual-bench",
        "--until-stdin-closes",
        "--faults",
        "/dev/zero",
    ]));
}
