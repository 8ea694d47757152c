//! From a row of unknown ports to a first watt: `instruments`, its bench file, and `talk`, on real pseudo-terminals.
//!
//! `*IDN?` and its four fields: IEEE 488.2, 10.14; −113 (undefined header): SCPI-1999 volume 2, 21.8; the definite block
//! `#…`: IEEE 488.2, 8.7.9; P = V²/R for a sine into a resistor: any handbook.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod bench;

use std::collections::BTreeMap;
use std::io::Write;
use std::process::{Command, Output, Stdio};

use bench::{Served, number, rows, said, wattproof};

const ROLES: [&str; 5] = ["source", "load", "supply", "digitizer", "thermometer"];
const STRANGE: [(&str, &str); 5] = [
    ("source", "peak-source"),
    ("load", "echo-load"),
    ("supply", "comma-supply"),
    ("digitizer", "packed-digitizer"),
    ("thermometer", "kelvin-thermometer"),
];

/// Asks on every port of a bench.
fn instruments(served: &Served, further: &[&str]) -> Output {
    let mut command = Command::new(wattproof());
    command.arg("instruments").args(further).arg("--ask");
    command.args(ROLES.map(|role| served.port(role))).stdin(Stdio::null());
    command.output().unwrap()
}

fn found(served: &Served, told: &Output) -> BTreeMap<String, serde_json::Value> {
    let all: Vec<serde_json::Value> =
        serde_json::from_slice(&told.stdout).unwrap_or_else(|_| panic!("{}", said(told)));
    let of = |role: &str| {
        let port = served.port(role).display().to_string();
        all.iter().find(|row| row["port"] == port.as_str()).cloned().unwrap()
    };
    ROLES.iter().map(|role| (role.to_string(), of(role))).collect()
}

fn text(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// Types lines to one instrument through a pipe.
fn talk(arguments: &[&str], lines: &str) -> Output {
    let mut child = Command::new(wattproof())
        .arg("talk")
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // One that refuses has gone already.
    let _refused = child.stdin.take().unwrap().write_all(lines.as_bytes());
    child.wait_with_output().unwrap()
}

#[test]
fn strict_and_strange_instruments_are_found_and_not_disturbed() {
    let strict = Served::start("honest");
    let told = instruments(&strict, &["--yes", "--json", "--baud", "9600"]);
    for (role, row) in found(&strict, &told) {
        let best = &row["found"]["proposals"][0];
        assert_eq!(
            (&best["role"], &best["dialect"]),
            (&role.clone().into(), &format!("scpi-{role}").into()),
            "{row}"
        );
        assert_eq!(best["sureness"], "likely", "{row}");
        assert!(
            row["found"]["identity"].as_str().unwrap().starts_with(&format!("Wattproof,virtual-{role},")),
            "{row}"
        );
        // Power-on value of the event enable register: a setting that resynchronising writes, and asking must not.
        assert_eq!(strict.ask(&role, "*ESE?"), "0");
    }
    assert!(said(&told).contains("raises DTR and RTS") && said(&told).contains("*IDN?"), "{}", said(&told));
    for (role, output) in [("source", "OUTP1?"), ("supply", "OUTP?")] {
        assert_eq!(strict.ask(role, output), "0");
    }
    let manners: Vec<&str> = STRANGE.iter().flat_map(|(_, name)| ["--manner", name]).collect();
    let strange = Served::start_with("honest", &manners);
    let told = instruments(&strange, &["--yes", "--json", "--baud", "19200,9600"]);
    let rows = found(&strange, &told);
    for (role, name) in STRANGE {
        assert_eq!(rows[role]["found"]["proposals"][0]["dialect"], name, "{}", rows[role]);
    }
}

#[test]
fn nothing_is_opened_without_a_yes_and_nothing_that_is_held() {
    let served = Served::start("honest");
    let refused = instruments(&served, &[]);
    assert!(!refused.status.success() && said(&refused).contains("--yes"), "{}", said(&refused));
    assert!(said(&refused).contains("nothing was opened"));
    // Another process at the port, as a terminal program would be.
    let port = served.port("supply");
    let mut other = Command::new("python3")
        .args([
            "-c",
            "import os,sys; os.open(sys.argv[1], os.O_RDWR|os.O_NOCTTY); print(flush=True); sys.stdin.read()",
        ])
        .arg(&port)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut line = String::new();
    std::io::BufRead::read_line(&mut std::io::BufReader::new(other.stdout.take().unwrap()), &mut line)
        .unwrap();
    let told = instruments(&served, &["--yes", "--json", "--baud", "9600"]);
    let row = &found(&served, &told)["supply"];
    assert!(row["error"].as_str().unwrap().contains("python3"), "{row}");
    assert!(row.get("found").is_none() && !told.status.success());
    let talked = talk(&[port.to_str().unwrap()], "*IDN?\n");
    assert!(!talked.status.success() && said(&talked).contains("held by python3"), "{}", said(&talked));
    drop(other.stdin.take());
    other.wait().unwrap();
}

#[test]
fn a_first_bench_file_is_refused_until_it_is_filled_in_and_then_measures_a_watt() {
    let served = Served::start("honest");
    let draft = served.folder.path().join("first.toml");
    let path = draft.to_str().unwrap();
    let told = instruments(&served, &["--yes", "--baud", "9600", "--write-bench", path]);
    assert!(told.status.success(), "{}", said(&told));
    let check = || Command::new(wattproof()).args(["check", "--bench", path]).output().unwrap();
    let refused = check();
    let written = std::fs::read_to_string(&draft).unwrap();
    let place = written.lines().position(|line| line.starts_with("out_vrms_max")).unwrap() + 1;
    let words = format!("{path}:{place}: [limits] out_vrms_max is not filled in");
    assert!(!refused.status.success() && said(&refused).contains(&words), "{}", said(&refused));
    // It is never written over.
    let again = instruments(&served, &["--yes", "--baud", "9600", "--write-bench", path]);
    assert!(!again.status.success() && said(&again).contains("is there already"), "{}", said(&again));
    // The owner fills it in; of the virtual bench all of that is known.
    let known: toml::Table = std::fs::read_to_string(served.bench()).unwrap().parse().unwrap();
    let mut file: toml::Table = written.parse().unwrap();
    for (section, value) in file.iter_mut() {
        match value {
            toml::Value::Table(table) => {
                let known = known[section].as_table().unwrap();
                let open = |value: &toml::Value| value.as_str() == Some("?");
                table.retain(|key, value| !open(value) || known.contains_key(key));
                for (key, value) in table.iter_mut().filter(|(_, value)| open(value)) {
                    *value = known[key].clone();
                }
            }
            other if other.as_str() == Some("?") => *other = known[section].clone(),
            _ => {}
        }
    }
    file["source"]["outputs"] = known["source"]["outputs"].clone();
    file["load"]["channels"] = known["load"]["channels"].clone();
    file["digitizer"]["channel"] = known["digitizer"]["channel"].clone();
    std::fs::write(&draft, toml::to_string(&file).unwrap()).unwrap();
    let good = check();
    assert!(good.status.success(), "{}", said(&good));
    std::fs::copy(&draft, served.bench()).unwrap();
    let script = served.script(
        "load(#{ ohm: 4.0 });\nsupply(#{ volts_v: 14.4, limit_a: 20.0, on: true });\n\
         source(#{ hz: 1000.0, level_vrms: 0.05, on: true });\nsettle();\ncapture();\n\
         source(#{ on: false });\nsupply(#{ on: false });\n",
    );
    let run = served.run(&script).output().unwrap();
    assert!(run.status.success(), "{}", said(&run));
    for row in rows(&served.run_folder().join("steps.csv")) {
        let (watts, volts, ohm) =
            (number(&row, "active_w"), number(&row, "out_vrms"), number(&row, "load_ohm"));
        // Tolerances of divider, sensor and load together are below 1 %.
        assert!(watts > 0.1 && (watts / (volts * volts / ohm) - 1.0).abs() < 0.02, "{row:?}");
    }
}

#[test]
fn a_person_talks_to_one_instrument() {
    let served = Served::start("honest");
    let port = served.port("digitizer");
    let lines = "*IDN?\nSENS:SWE:POIN 16\nSENS:SWE:TINT 1e-5\nFORM INT,32\nINIT\n*OPC?\nFETC? (@1)\n";
    let told = talk(&[port.to_str().unwrap()], lines);
    assert!(told.status.success(), "{}", said(&told));
    assert!(said(&told).contains("no guarded path"), "{}", said(&told));
    let answers: Vec<String> = text(&told).lines().map(str::to_string).collect();
    assert_eq!(answers.len(), 3, "{answers:?}");
    assert!(answers[0].starts_with("Wattproof,virtual-digitizer,") && answers[1] == "1");
    // 16 samples of 32 bits.
    assert!(answers[2].starts_with("block, 64 bytes: "), "{answers:?}");
    let hex = talk(&[port.to_str().unwrap(), "--hex"], "FETC? (@1)\n");
    assert_eq!(text(&hex).lines().count(), 4, "{}", text(&hex));
    // A message that is refused fails the whole.
    let wrong = talk(&["supply", "--bench", served.bench().to_str().unwrap()], "NONSENSE 1\nVOLT?\n");
    assert_eq!(wrong.status.code(), Some(1));
    assert!(said(&wrong).contains("error -113") && text(&wrong).lines().count() == 1, "{}", said(&wrong));
    let quiet = talk(&["supply", "--bench", served.bench().to_str().unwrap(), "--no-errors"], "NONSENSE 1\n");
    assert!(quiet.status.success(), "{}", said(&quiet));
    // The error that nobody read is still there: nothing was cleared on leaving.
    assert!(served.ask("supply", "SYST:ERR?").starts_with("-113,"));
}

#[test]
fn a_port_of_a_running_daemon_is_refused() {
    let served = Served::start("honest");
    let script = served.script("load(#{ ohm: 4.0 });\nsleep(20.0);\n");
    let mut daemon = served.run(&script).spawn().unwrap();
    let until = std::time::Instant::now() + std::time::Duration::from_secs(60);
    while !served.folder.path().join("results").exists() {
        assert!(std::time::Instant::now() < until, "the run does not begin");
        std::thread::sleep(std::time::Duration::from_millis(50));
    }
    let told = talk(&[served.port("supply").to_str().unwrap()], "OUTP ON\n");
    assert!(!told.status.success(), "{}", text(&told));
    assert!(said(&told).contains(&format!("process {}", daemon.id())), "{}", said(&told));
    let listed = instruments(&served, &["--yes", "--json", "--baud", "9600"]);
    let row = &found(&served, &listed)["supply"];
    assert!(row["held_by"].as_str().unwrap().contains(&served.name()), "{row}");
    daemon.kill().unwrap();
    daemon.wait().unwrap();
}
