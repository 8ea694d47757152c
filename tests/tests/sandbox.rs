//! Hostile and broken scripts: each ends in one error and the safe state (faults 32 to 37), and reaches nothing outside.

#![allow(clippy::unwrap_used, clippy::panic, reason = "test helpers fail by panicking")]

mod bench;

use std::path::Path;
use std::time::{Duration, Instant, SystemTime};

use bench::{Served, said};

/// What energises the bench, so that every ending has something to switch off.
const ENERGISED: &str = "load(#{ ohm: 4.0 });\nsupply(#{ volts_v: 14.4, limit_a: 20.0, on: true });\nsource(#{ hz: 1000.0, level_vrms: 0.05, on: true });\nsettle();\n";

/// Runs a script that must fail; gives what was said.
fn fails(text: &str) -> String {
    let served = Served::start("honest");
    let began = Instant::now();
    let ended = served.run(&served.script(&format!("{ENERGISED}{text}"))).output().unwrap();
    let said = said(&ended);
    assert_eq!(ended.status.code(), Some(1), "{text}: {said}");
    assert!(began.elapsed() < Duration::from_secs(60), "{text} took {:?}", began.elapsed());
    for (role, question) in [("source", "OUTP1?"), ("supply", "OUTP?")] {
        assert_eq!(served.ask(role, question), "0", "{role} after {text}");
    }
    said
}

#[test]
fn fault_32_loops_without_end_are_ended() {
    // The engine counts operations; natively mapped arrays are not counted one by one, so the processor time ends them.
    let said = fails("let n = 0; loop { n += 1; }");
    assert!(said.contains("loop that never ends"), "{said}");
    let said = fails("fn again(n) { again(n + 1) } again(0);");
    assert!(said.contains("recursion"), "{said}");
    let said = fails(
        "let a = []; for i in 0..50000 { a.push(i); } loop { a.sort(|x, y| { let b = a; b.sort(|p, q| q - p); y - x }); }",
    );
    assert!(said.contains("script"), "{said}");
}

#[test]
fn fault_33_a_script_that_wants_all_memory_is_ended() {
    for bomb in [
        "let s = \"aaaaaaaaaaaaaaaa\"; loop { s += s; }",
        "let s = \"a\"; for i in 0..15 { s += s; } loop { s.replace(\"a\", s); }",
        "let m = #{}; let n = 0; loop { m[\"k\" + n] = \"0123456789012345678901234567890123456789\"; n += 1; }",
        "let a = []; loop { a.push(a); }",
    ] {
        let said = fails(bomb);
        assert!(
            said.contains("too large") || said.contains("memory") || said.contains("too long"),
            "{bomb}: {said}"
        );
    }
}

/// How long the daemon lets a script compute between two calls, s.
const SILENT_S: f64 = 20.0;

/// The script's process of a daemon, if it lives.
fn worker_of(daemon: u32) -> Option<u32> {
    let tasks = std::fs::read_dir(format!("/proc/{daemon}/task")).ok()?;
    let children = tasks.filter_map(|task| std::fs::read_to_string(task.ok()?.path().join("children")).ok());
    let all: Vec<u32> = children
        .flat_map(|line| line.split_whitespace().map(|n| n.parse().unwrap()).collect::<Vec<_>>())
        .collect();
    all.into_iter().find(|child| {
        let line = std::fs::read(format!("/proc/{child}/cmdline")).unwrap_or_default();
        String::from_utf8_lossy(&line).contains("perform-script")
    })
}

/// Most memory that a process has had, MiB (proc(5), VmHWM); none once it is dead.
fn most_mib(process: u32) -> Option<f64> {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    Some(line.split_whitespace().next()?.parse::<f64>().ok()? / 1024.0)
}

/// Runs a script that must be ended; how much memory its process took at most, MiB, and how long after the daemon's
/// last answer it was dead.
fn ends(text: &str) -> (f64, Duration) {
    let served = Served::start("honest");
    let daemon = served.run(&served.script(&format!("{ENERGISED}{text}"))).spawn().unwrap();
    let written = |results: &Path| {
        let run = bench::some_folder(results)?;
        std::fs::metadata(run.join("journal.jsonl")).ok()?.modified().ok()
    };
    let until = Instant::now() + Duration::from_secs(90);
    let worker = loop {
        match worker_of(daemon.id()) {
            Some(worker) => break worker,
            None => assert!(Instant::now() < until, "no script's process"),
        }
        std::thread::sleep(Duration::from_millis(1));
    };
    let (mut most, mut answered) = (0f64, None);
    // A dead one that nobody has waited for yet has no memory.
    while let Some(mib) = most_mib(worker) {
        most = most.max(mib);
        answered = written(&served.folder.path().join("results")).or(answered);
        assert!(Instant::now() < until, "{text} lives on");
        std::thread::sleep(Duration::from_millis(1));
    }
    let dead = SystemTime::now().duration_since(answered.unwrap()).unwrap();
    let ended = daemon.wait_with_output().unwrap();
    assert_eq!(ended.status.code(), Some(1), "{text}: {}", said(&ended));
    assert_eq!(served.ask("supply", "OUTP?"), "0", "{text}");
    (most, dead)
}

/// Figures of the safety design: dead 100 ms after its deadline, 128 MiB. The times here allow for a busy machine.
#[test]
fn fault_32_and_33_a_hostile_script_is_dead_soon_after_its_deadline_and_takes_little_memory() {
    // On a slow machine this one lives until the daemon's own deadline ends it, on a quick one until its memory is full.
    let endless = "let m = #{}; let n = 0; loop { m[\"k\" + n] = \"0123456789012345678901234567890123456789\"; n += 1; }";
    let (most, dead) = ends(endless);
    let late_s = dead.as_secs_f64() - SILENT_S;
    println!("endless map: dead {late_s:.3} s after its deadline, {most:.1} MiB at most");
    assert!(late_s < 1.0 && most <= 128.0, "{late_s} s, {most} MiB");
    for bomb in [
        "let s = \"aaaaaaaaaaaaaaaa\"; loop { s += s; }",
        "let s = \"a\"; for i in 0..15 { s += s; } loop { s.replace(\"a\", s); }",
    ] {
        let (most, dead) = ends(bomb);
        println!("{bomb}: {most:.1} MiB at most, dead after {:.2} s", dead.as_secs_f64());
        assert!(most <= 128.0, "{bomb}: {most} MiB");
        assert!(dead.as_secs_f64() < SILENT_S + 1.0, "{bomb}: {dead:?}");
    }
}

#[test]
fn fault_34_a_setpoint_that_is_no_number_or_too_large_is_refused() {
    let said_nan = fails("source(#{ level_vrms: 0.0 / 0.0 });");
    assert!(said_nan.contains("finite"), "{said_nan}");
    let said_huge = fails("source(#{ level_vrms: 1e300 });");
    assert!(said_huge.contains("source_vrms_max"), "{said_huge}");
    let said_negative = fails("supply(#{ volts_v: -1.0 });");
    assert!(said_negative.contains("limit"), "{said_negative}");
}

#[test]
fn fault_36_what_reaches_outside_does_not_exist_and_a_flood_is_ended() {
    for outside in ["eval(\"1\");", "import \"other\" as o;", "timestamp();", "open(\"/etc/passwd\");"] {
        let said = fails(outside);
        assert!(said.contains("script.rhai:5"), "{outside}: {said}");
    }
    let said =
        fails("loop { print(\"flood flood flood flood flood flood flood flood flood flood flood\"); }");
    assert!(said.contains("printed more than"), "{said}");
}

#[test]
fn fault_37_a_script_that_throws_or_ends_while_energised_leaves_everything_off() {
    let said = fails("throw \"no more\";");
    assert!(said.contains("no more") && said.contains("script.rhai:5"), "{said}");
    let served = Served::start("honest");
    let ended = served.run(&served.script(ENERGISED)).output().unwrap();
    assert!(ended.status.success());
    assert_eq!(served.ask("source", "OUTP1?"), "0");
    assert_eq!(served.ask("supply", "OUTP?"), "0");
}

/// A trip can't be caught: what follows is not done.
#[test]
fn a_script_can_catch_its_own_errors_but_no_trip() {
    let served = Served::start("honest");
    let script = format!("{ENERGISED}try {{ settle(\"long\"); }} catch (error) {{ record(\"caught\", 1); }}");
    let ended = served.run(&served.script(&script)).output().unwrap();
    assert!(ended.status.success(), "{}", said(&ended));
    let said =
        fails("try { source(#{ level_vrms: 1e300 }); } catch { print(\"caught\"); } print(\"went on\");");
    assert!(!said.contains("caught") && !said.contains("went on"), "{said}");
}
