//! However a run ends: everything off, the record whole, one clear error. Expected behaviour of unattended benches:
//! common practice, no source.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

mod bench;

use std::io::Read;
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use bench::{Served, root, said, wattproof};
use wattproof_runs::{MachineDisk, read_journal};

/// Everything the virtual bench itself says about its outputs.
fn assert_outputs_off(served: &Served) {
    for (role, question) in [("source", "OUTP1?"), ("source", "OUTP2?"), ("supply", "OUTP?")] {
        assert_eq!(served.ask(role, question), "0", "{role} {question}");
    }
}

/// One error, placed, with a remedy; outputs off; exit code not zero.
fn assert_refused(output: &Output, words: &[&str]) {
    let text = said(output);
    assert!(!output.status.success(), "{text}");
    for word in words {
        assert!(text.contains(word), "no {word:?} in: {text}");
    }
    assert!(!text.contains("panicked"), "{text}");
}

fn signal(child: &std::process::Child, name: &str) {
    let status = Command::new("kill").arg(format!("-{name}")).arg(child.id().to_string()).status().unwrap();
    assert!(status.success());
}

fn wait_for_steps(served: &Served, steps: usize) {
    let until = Instant::now() + Duration::from_secs(60);
    loop {
        let results = served.folder.path().join("results");
        let journal = std::fs::read_dir(results).ok().and_then(|mut entries| entries.next());
        let text = journal
            .and_then(|entry| std::fs::read_to_string(entry.unwrap().path().join("journal.jsonl")).ok());
        if text.is_some_and(|text| text.matches("\"kind\":\"step\"").count() >= steps) {
            return;
        }
        assert!(Instant::now() < until, "no {steps} steps within a minute");
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// A terminal that was closed, a daemon that died or a pipe that is full leaves standard error without a reader: whoever
/// writes there must neither wait for one nor fall over it and leave the record open.
#[test]
fn a_run_that_nobody_reads_still_closes_its_record() {
    let served = Served::start("honest");
    let mut command = served.run(&root().join("scripts/rated_power.rhai"));
    let command = command.env("WATTPROOF_LOG", "trace").stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    // Nobody reads, and the pipe is soon full.
    wait_for_steps(&served, 2);
    let mut unread = vec![0; 60_000];
    child.stderr.as_mut().unwrap().read_exact(&mut unread).unwrap();
    // Now there is nobody at all.
    drop((child.stdout.take(), child.stderr.take()));
    wait_for_steps(&served, 4);
    signal(&child, "HUP");
    assert_eq!(child.wait().unwrap().code(), Some(130));
    let record = std::fs::read_to_string(served.run_folder().join("run.json")).unwrap();
    let record: serde_json::Value = serde_json::from_str(&record).unwrap();
    assert_eq!(record["outcome"], "stopped", "{}", record["error"]);
    assert_outputs_off(&served);
}

#[test]
fn ctrl_c_switches_everything_off_and_keeps_the_record() {
    for (name, steps) in [("INT", 1), ("TERM", 3), ("INT", 6)] {
        let served = Served::start("honest");
        let child = served.run(&root().join("scripts/rated_power.rhai")).spawn().unwrap();
        wait_for_steps(&served, steps);
        signal(&child, name);
        let output = child.wait_with_output().unwrap();
        assert_eq!(output.status.code(), Some(130), "{}", said(&output));
        assert_outputs_off(&served);
        let read = read_journal(&MachineDisk, &served.run_folder().join("journal.jsonl")).unwrap();
        assert_eq!((read.torn.len(), read.broken_line), (0, None));
        assert_eq!(read.lines.last().unwrap().kind, "closed");
        let run: serde_json::Value =
            serde_json::from_str(&std::fs::read_to_string(served.run_folder().join("run.json")).unwrap())
                .unwrap();
        assert_eq!(run["outcome"], "stopped");
    }
}

/// Kill -9 at any time: every synced line is readable, nothing in between is broken.
#[test]
fn kill_leaves_a_readable_journal() {
    for round in 0..6u64 {
        let served = Served::start("honest");
        let mut child = served.run(&root().join("scripts/rated_power.rhai")).spawn().unwrap();
        wait_for_steps(&served, 1);
        std::thread::sleep(Duration::from_millis(137 * round));
        child.kill().unwrap();
        child.wait().unwrap();
        let read = read_journal(&MachineDisk, &served.run_folder().join("journal.jsonl")).unwrap();
        assert_eq!(read.broken_line, None);
        assert!(read.lines.iter().any(|line| line.kind == "step"));
    }
}

#[test]
fn a_script_that_never_ends_is_ended_with_its_place() {
    let served = Served::start("honest");
    let script = served.script("supply(#{ volts_v: 14.4, on: true });\nlet n = 0;\nloop {\n    n += 1;\n}\n");
    let output = served.run(&script).output().unwrap();
    assert_refused(&output, &["script.rhai:", "loop that never ends", "every output is off"]);
    assert_outputs_off(&served);
}

#[test]
fn script_errors_name_line_column_and_remedy() {
    for (text, words) in [
        ("source(#{ levl_vrms: 0.1 });", &["script.rhai:1:", "perhaps level_vrms"][..]),
        ("let x = 1;\nsource(#{ level_vrms: 5.0 });", &["source_vrms_max", "tripped"]),
        ("supply(#{ volts_v: 99.0 });", &["supply_v_max"]),
        ("load(#{ ohm: 0.01 });", &["load_ohm_min"]),
        ("capture();", &["script.rhai:1:1", "source(#{ level_vrms"]),
        ("let x = ;", &["script.rhai:1:"]),
        ("source(#{ level_vpk: 0.1 });", &["script.rhai:1:1", "level_vrms is meant", "√2"]),
        ("source(#{ level_w: 10.0 });", &["script.rhai:1:1", "level_vrms is meant", "set in volts"]),
        ("supply(#{ volts: 12.0 });", &["script.rhai:1:1", "volts_v is meant"]),
        ("let level = 1;\nprint(levl);", &["script.rhai:2:7", "perhaps level"]),
        ("let rating = nameplate().ratings[0];\nprint(rating.wats);", &["script.rhai:2:", "perhaps watts"]),
        ("captur();", &["script.rhai:1:1", "perhaps capture"]),
        ("requires \"wattproof 9\";", &["script.rhai:1:1", "does not speak"]),
        ("nosuch(1);", &["script.rhai:1:1", "no function nosuch"]),
        ("fn f(n) { f(n + 1) }\nf(0);", &["script.rhai:", "too deeply"]),
        ("let s = \"x\"; loop { s += s; }", &["script.rhai:1:", "too large"]),
    ] {
        let served = Served::start("honest");
        let output = served.run(&served.script(text)).output().unwrap();
        assert_refused(&output, words);
        assert_outputs_off(&served);
    }
}

#[test]
fn a_broken_bench_file_names_file_line_and_remedy() {
    let served = Served::start("honest");
    let good = std::fs::read_to_string(served.bench()).unwrap();
    let script = root().join("scripts/rated_power.rhai");
    let serial = served.port("load").display().to_string();
    let alias = served.folder.path().join("alias");
    std::os::unix::fs::symlink(served.port("source"), &alias).unwrap();
    for (from, to, words) in [
        ("out_w_max", "out_watts_max", &["bench.toml:", "out_watts_max"][..]),
        ("\"scpi-load\"", "\"no-such-dialect\"", &["[load]", "no-such-dialect", "scpi-load"]),
        ("\"scpi-load\"", "\"scpi-supply\"", &["[load]", "scpi-supply"]),
        (serial.as_str(), "/dev/ttyNOSUCH0", &["/dev/ttyNOSUCH0", "load"]),
        (serial.as_str(), &served.port("source").display().to_string(), &["same link"]),
        (serial.as_str(), &alias.display().to_string(), &["same link"]),
        ("supply_v_max = 16.5", "supply_v_max = nan", &["supply_v_max"]),
        ("name = ", "name = [", &["bench.toml:"]),
    ] {
        let broken = good.replacen(from, to, 1);
        assert_ne!(broken, good, "{from} is in the bench file");
        std::fs::write(served.bench(), broken).unwrap();
        assert_refused(&served.run(&script).output().unwrap(), words);
    }
    std::fs::write(served.bench(), good).unwrap();
}

#[test]
fn a_rating_without_load_names_file_line_and_remedy() {
    let served = Served::start("honest");
    let good = std::fs::read_to_string(served.nameplate()).unwrap();
    std::fs::write(served.nameplate(), good.replacen("load_ohm = 4.0\n", "", 1)).unwrap();
    let output = served.run(&root().join("scripts/rated_power.rhai")).output().unwrap();
    assert_refused(&output, &["nameplate.toml:", "load_ohm", "a rating needs"]);
    let output =
        Command::new(wattproof()).arg("check").arg("--nameplate").arg(served.nameplate()).output().unwrap();
    assert_refused(&output, &["nameplate.toml:"]);
}

/// Something on the port that is no instrument: answers that are not ASCII.
#[test]
fn an_answer_that_is_not_ascii_is_told_with_its_port() {
    let served = Served::start("honest");
    let mut noise = Command::new("python3")
        .arg("-c")
        .arg("import os,pty,sys,tty\nm,s=pty.openpty()\ntty.setraw(s)\nprint(os.ttyname(s),flush=True)\nwhile True:\n os.read(m,4096)\n os.write(m,bytes([0xff,0xfe,0x80,10]))")
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut port = String::new();
    std::io::BufRead::read_line(&mut std::io::BufReader::new(noise.stdout.take().unwrap()), &mut port)
        .unwrap();
    let good = std::fs::read_to_string(served.bench()).unwrap();
    let load = served.port("load").display().to_string();
    std::fs::write(served.bench(), good.replacen(&load, port.trim(), 1)).unwrap();
    let output = served.run(&root().join("scripts/rated_power.rhai")).output().unwrap();
    noise.kill().unwrap();
    noise.wait().unwrap();
    assert_refused(&output, &["load", port.trim()]);
    assert_outputs_off(&served);
}

/// An instrument that vanishes in the middle of a run.
#[test]
fn a_lost_instrument_ends_the_run_with_an_alarm_and_a_whole_record() {
    let mut served = Served::start("honest");
    let child = served.run(&root().join("scripts/rated_power.rhai")).spawn().unwrap();
    wait_for_steps(&served, 2);
    served.end();
    let output = child.wait_with_output().unwrap();
    // With its whole bench gone nothing can be confirmed off: exit code 3, and a person is told to go there.
    assert_eq!(output.status.code(), Some(3), "{}", said(&output));
    assert!(said(&output).contains("switch it off by hand"), "{}", said(&output));
    let read = read_journal(&MachineDisk, &served.run_folder().join("journal.jsonl")).unwrap();
    assert_eq!(read.lines.last().unwrap().kind, "closed");
}
