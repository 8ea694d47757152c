//! Calibration on real pseudo-terminals: a bench whose divider is wrong measures the wrong power, and the right one within
//! U once it was calibrated against a reference meter.
//!
//! Source of the truth: the amplifier model itself (`truth_at`, `--truth`), which shares no code with capture, reading,
//! fit or budget. It stands for the reference meter too.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

mod bench;

use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use bench::{FIRST_RATING, Served, finished, number, rows, said, wattproof};
use wattproof_virtual_bench::{TruthQuery, catalogue, truth_at};

const LEVELS: [f64; 6] = [0.03, 0.06, 0.09, 0.12, 0.15, 0.18];

/// What a perfect meter reads at the output of channel 1, V rms; the supply's voltage does not matter so far below it.
fn true_vrms(level_vrms: f64, load_ohm: f64) -> f64 {
    let query = TruthQuery { hz: 400.0, load_ohm, ..TruthQuery::default() };
    let at = truth_at(&catalogue::amplifier("honest").unwrap(), &query, level_vrms).unwrap();
    at.fundamental_vpk[0] / 2f64.sqrt()
}

/// A sheet of what a good meter read: in volts into 4 ohm, or in amperes into 2 ohm.
fn sheet(served: &Served, amps: bool, slip: Option<(usize, &str)>) -> PathBuf {
    let mut text = "level_vrms,reading\n".to_string();
    for (index, level_vrms) in LEVELS.iter().enumerate() {
        let reading = if amps { true_vrms(*level_vrms, 2.0) / 2.0 } else { true_vrms(*level_vrms, 4.0) };
        match slip {
            Some((at, typed)) if at == index => text.push_str(&format!("{level_vrms},{typed}\n")),
            _ => text.push_str(&format!("{level_vrms},{reading:.4}\n")),
        }
    }
    let path = served.folder.path().join("points.csv");
    std::fs::write(&path, text).unwrap();
    path
}

fn calibrate(served: &Served, further: &[&str]) -> Command {
    let mut command = Command::new(wattproof());
    command.arg("calibrate").arg("--bench").arg(served.bench()).arg("--nameplate").arg(served.nameplate());
    command.args(["--meter", "invented meter, number 7", "--accuracy", "0.02%+0.0005"]).args(further);
    command.env("WATTPROOF_STATE", served.state()).stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

fn by_sheet(served: &Served, channel: &str, amps: bool) -> Output {
    let sheet = sheet(served, amps, None);
    let measures = if amps { "amps" } else { "volts" };
    let points = ["--channel", channel, "--measures", measures, "--points", sheet.to_str().unwrap()];
    calibrate(served, &points).stdin(Stdio::null()).output().unwrap()
}

fn with_divider_off(by: f64) -> Served {
    let text = format!(
        "[[fault]]\nport = \"digitizer\"\nwhat.wrong_gain = {{ input = 1, by = {by} }}\nfor_s = 900.0\n"
    );
    Served::start_with_faults("honest", |_| Some(text))
}

/// Judges the first rating; gives its row and removes the run.
fn first_rating(served: &Served) -> std::collections::HashMap<String, String> {
    let script = served.script(FIRST_RATING);
    let done = served.run(&script).output().unwrap();
    assert!(finished(&done), "{}", said(&done));
    let folder = served.run_folder();
    let computed = served.again("recompute", &folder).output().unwrap();
    assert!(computed.status.success(), "{}", said(&computed));
    let row = rows(&folder.join("ratings.csv")).remove(0);
    let run = std::fs::read_to_string(folder.join("run.json")).unwrap();
    let run: serde_json::Value = serde_json::from_str(&run).unwrap();
    assert_eq!(run["calibrations"].as_array().unwrap().len(), 4);
    let judged = std::fs::read_to_string(folder.join("ratings.json")).unwrap();
    let judged: serde_json::Value = serde_json::from_str(&judged).unwrap();
    assert_eq!(judged["ratings"][0]["calibration"].as_str().unwrap(), row["calibration"]);
    assert!(String::from_utf8_lossy(&done.stdout).contains(&row["calibration"]), "not in the table");
    std::fs::remove_dir_all(folder).unwrap();
    row
}

fn truth_w() -> f64 {
    let told = Command::new(wattproof())
        .args(["virtual-bench", "--truth", "--amplifier", "honest"])
        .output()
        .unwrap();
    let truth: serde_json::Value = serde_json::from_slice(&told.stdout).unwrap();
    truth[0]["power_w"].as_f64().unwrap()
}

fn gain_of(served: &Served, adc: i64) -> f64 {
    let table: toml::Table = std::fs::read_to_string(served.bench()).unwrap().parse().unwrap();
    let channels = table["digitizer"]["channel"].as_array().unwrap();
    let mine = channels.iter().find(|channel| channel["adc"].as_integer() == Some(adc)).unwrap();
    mine["gain"].as_float().unwrap()
}

fn is_off(served: &Served) {
    for (role, question) in [("source", "OUTP1?"), ("source", "OUTP2?"), ("supply", "OUTP?")] {
        assert_eq!(served.ask(role, question), "0", "{role} {question}");
    }
}

/// A divider that gives 3 % too little: the true gain is 20/0.97 within the virtual bench's own 0.1 %.
#[test]
fn a_wrong_divider_measures_the_wrong_power_until_it_is_calibrated() {
    let served = with_divider_off(0.97);
    let truth_w = truth_w();
    let off = |row: &std::collections::HashMap<String, String>| {
        ((number(row, "measured_w") - truth_w).abs(), number(row, "expanded_u_w"))
    };
    let before = first_rating(&served);
    let (off_w, u_w) = off(&before);
    assert!(off_w > u_w, "{off_w} W off is within ± {u_w} W although the divider is wrong");
    assert_eq!(before["calibration"], "missing");

    let comment = "# written by hand\n";
    let text = std::fs::read_to_string(served.bench()).unwrap();
    std::fs::write(served.bench(), format!("{comment}{text}")).unwrap();
    let done = by_sheet(&served, "1", false);
    assert!(done.status.success(), "{}", said(&done));
    is_off(&served);
    let gain = gain_of(&served, 1);
    assert!((gain / (20.0 / 0.97) - 1.0).abs() < 0.0015, "{gain}");
    let new = std::fs::read_to_string(served.bench()).unwrap();
    assert!(new.starts_with(comment), "a person's comment is kept");
    let copies = std::fs::read_dir(served.folder.path()).unwrap().map(|entry| entry.unwrap().path());
    let copy =
        copies.into_iter().find(|path| path.to_string_lossy().contains("before-")).expect("a copy beside");
    assert_eq!(std::fs::read_to_string(copy).unwrap(), format!("{comment}{text}"));

    // The other inputs are not calibrated yet: the worse of both counts.
    assert_eq!(gain_of(&served, 2), 10.0);
    for (channel, amps) in [("1", true), ("2", false), ("2", true)] {
        // Channel 2 has 0.04 dB less gain by its own file; its sheet is that of its own output.
        let done =
            if channel == "2" { second_channel(&served, amps) } else { by_sheet(&served, channel, amps) };
        assert!(done.status.success(), "{channel}: {}", said(&done));
    }
    let after = first_rating(&served);
    let (off_w, u_w) = off(&after);
    assert!(off_w <= u_w, "{off_w} W off is beyond ± {u_w} W although all was calibrated");
    assert_eq!(after["calibration"], "valid");
    assert!(u_w < number(&before, "expanded_u_w"), "a calibration tells more than a tolerance");

    // Three years past due: said, and U has grown.
    let text = std::fs::read_to_string(served.bench()).unwrap();
    let old = text.lines().map(|line| match line.split_once(" = ") {
        Some(("date", _)) => "date = \"2021-01-01\"".to_string(),
        Some(("due", _)) => "due = \"2022-01-01\"".to_string(),
        _ => line.to_string(),
    });
    std::fs::write(served.bench(), old.collect::<Vec<_>>().join("\n")).unwrap();
    let expired = first_rating(&served);
    assert_eq!(expired["calibration"], "expired");
    assert!(number(&expired, "expanded_u_w") > 1.5 * u_w, "{expired:?}");
    assert!(off(&expired).0 <= off(&expired).1);
}

/// The same sheet for channel 2, whose gain is 0.04 dB lower.
fn second_channel(served: &Served, amps: bool) -> Output {
    let path = sheet(served, amps, None);
    let query = |level: f64, load_ohm: f64| {
        let query = TruthQuery { hz: 400.0, load_ohm, ..TruthQuery::default() };
        let at = truth_at(&catalogue::amplifier("honest").unwrap(), &query, level).unwrap();
        at.fundamental_vpk[1] / 2f64.sqrt()
    };
    let mut text = "level_vrms,reading\n".to_string();
    for level in LEVELS {
        let reading = if amps { query(level, 2.0) / 2.0 } else { query(level, 4.0) };
        text.push_str(&format!("{level},{reading:.4}\n"));
    }
    std::fs::write(&path, text).unwrap();
    let measures = if amps { "amps" } else { "volts" };
    calibrate(served, &["--channel", "2", "--measures", measures, "--points", path.to_str().unwrap()])
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

#[test]
fn a_slip_in_a_sheet_is_placed_and_nothing_is_written() {
    let served = Served::start("honest");
    let before = std::fs::read(served.bench()).unwrap();
    let path = sheet(&served, false, Some((3, "3.577")));
    let arguments = ["--channel", "1", "--measures", "volts", "--points", path.to_str().unwrap()];
    let refused = calibrate(&served, &arguments).stdin(Stdio::null()).output().unwrap();
    assert_eq!(refused.status.code(), Some(1), "{}", said(&refused));
    assert!(said(&refused).contains("points.csv:5: "), "{}", said(&refused));
    assert_eq!(std::fs::read(served.bench()).unwrap(), before);
    is_off(&served);
    // Louder than a meter could be read by in peace.
    std::fs::write(&path, "level_vrms,reading\n0.1,3.13\n0.9,28.2\n1.0,31.0\n").unwrap();
    let refused = calibrate(&served, &arguments).stdin(Stdio::null()).output().unwrap();
    assert!(said(&refused).contains("can't stand while a meter is read"), "{}", said(&refused));
    is_off(&served);
}

#[test]
fn a_bent_input_gets_a_linearity_of_its_own() {
    let text = "[[fault]]\nport = \"digitizer\"\nwhat.bent = { input = 1, share = 0.5 }\nfor_s = 900.0\n";
    let served = Served::start_with_faults("honest", |_| Some(text.into()));
    let points = sheet(&served, false, None);
    let asked = ["--channel", "1", "--measures", "volts", "--json", "--points", points.to_str().unwrap()];
    let done = calibrate(&served, &asked).stdin(Stdio::null()).output().unwrap();
    assert!(done.status.success(), "{}", said(&done));
    let table: toml::Table = std::fs::read_to_string(served.bench()).unwrap().parse().unwrap();
    let made = &table["digitizer"]["channel"][0]["calibration"];
    // At 5.6 V rms, 0.4 V peak of 5 V at the converter, the cubic is 0.32 % at its peak, 0.24 % of the tone (3/4: the
    // fundamental of a cube), 0.7 mV, less what the line takes.
    let linearity_v = made["linearity_v"].as_float().unwrap();
    assert!((1e-4..2e-3).contains(&linearity_v), "{linearity_v}");
    assert!(linearity_v > 5.0 * made["offset_u_v"].as_float().unwrap());
    // A program reads the same, and nothing beside it.
    let told: serde_json::Value = serde_json::from_slice(&done.stdout).unwrap();
    let numbers = (told["found"]["linearity_v"].as_f64(), told["found"]["gain"].as_f64());
    assert_eq!(numbers, (Some(linearity_v), Some(gain_of(&served, 1))));
    assert_eq!((&told["written"], &told["unit"]), (&true.into(), &"V".into()));
    assert_eq!(told["found"]["departures"].as_array().unwrap().len(), LEVELS.len());
    assert!(said(&done).contains("off the line V"), "the dialogue is on standard error");
}

/// A person who answers prompts.
struct Person {
    child: Child,
    heard: Arc<Mutex<String>>,
    from: usize,
}

impl Person {
    fn at(mut command: Command) -> Self {
        let mut child = command.stdin(Stdio::piped()).spawn().unwrap();
        let heard = Arc::new(Mutex::new(String::new()));
        let (mut voice, told) = (child.stderr.take().unwrap(), Arc::clone(&heard));
        std::thread::spawn(move || {
            let mut bytes = [0u8; 256];
            while let Ok(count @ 1..) = voice.read(&mut bytes) {
                told.lock().unwrap().push_str(&String::from_utf8_lossy(&bytes[..count]));
            }
        });
        Person { child, heard, from: 0 }
    }

    /// Waits for words that were not said before; gives what was said up to them.
    fn hears(&mut self, words: &str) -> String {
        let until = Instant::now() + Duration::from_secs(60);
        loop {
            let heard = self.heard.lock().unwrap().clone();
            if let Some(at) = heard[self.from..].find(words) {
                let said = heard[self.from..self.from + at].to_string();
                self.from += at + words.len();
                return said;
            }
            assert!(Instant::now() < until, "no {words:?} in {}", &heard[self.from..]);
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    fn types(&mut self, line: &str) {
        writeln!(self.child.stdin.as_mut().unwrap(), "{line}").unwrap();
    }

    fn ends(mut self) -> (Option<i32>, String) {
        drop(self.child.stdin.take());
        let code = self.child.wait().unwrap().code();
        std::thread::sleep(Duration::from_millis(50));
        (code, self.heard.lock().unwrap().clone())
    }
}

/// What the program expects next, as it says it.
fn expected(said: &str) -> f64 {
    said.rsplit("about ").next().unwrap().split(' ').next().unwrap().parse().unwrap()
}

#[test]
fn a_person_is_walked_through_and_asked_again_after_a_slip() {
    let served = Served::start("honest");
    let mut person = Person::at(calibrate(&served, &["--channel", "1", "--measures", "volts"]));
    person.hears("press Enter");
    person.types("");
    for point in 1..=6 {
        let said = person.hears("the meter reads (V): ");
        let shown = expected(&said);
        match point {
            2 => {
                person.types("what?");
                person.hears("is no reading");
                person.hears("the meter reads (V): ");
                person.types(&format!("{shown:.3}"));
            }
            // Off by 7 %.
            4 => person.types(&format!("{:.3}", 1.07 * shown)),
            _ => person.types(&format!("{shown:.3}")),
        }
    }
    person.hears("point 4 does not lie on the line of the others");
    let said = person.hears("the meter reads (V): ");
    person.types(&format!("{:.3}", expected(&said)));
    person.hears("(y/n)? ");
    is_on(&served, "0");
    person.types("y");
    let (code, heard) = person.ends();
    assert_eq!(code, Some(0), "{heard}");
    // The person typed what the present gain shows: it stays, within the last digit typed.
    assert!((gain_of(&served, 1) / 20.0 - 1.0).abs() < 1e-3, "{}", gain_of(&served, 1));
    is_off(&served);
}

fn is_on(served: &Served, state: &str) {
    assert_eq!(served.ask("supply", "OUTP?"), state);
}

#[test]
fn a_stop_while_a_person_reads_the_meter_switches_off_and_writes_nothing() {
    let served = Served::start("honest");
    let before = std::fs::read(served.bench()).unwrap();
    let mut person = Person::at(calibrate(&served, &["--channel", "1", "--measures", "volts"]));
    person.hears("press Enter");
    person.types("");
    person.hears("the meter reads (V): ");
    let pid = person.child.id().to_string();
    assert!(Command::new("kill").args(["-INT", &pid]).status().unwrap().success());
    let code = person.child.wait().unwrap().code();
    assert_eq!(code, Some(130), "{}", person.heard.lock().unwrap());
    is_off(&served);
    assert_eq!(std::fs::read(served.bench()).unwrap(), before);
}

#[test]
fn an_external_calibrator_energises_nothing_and_nonsense_is_refused() {
    let served = Served::start("honest");
    let before = std::fs::read(served.bench()).unwrap();
    let mut person = Person::at(calibrate(&served, &["--channel", "1", "--measures", "volts", "--outside"]));
    person.hears("press Enter");
    person.types("");
    // Nothing is connected: the input stays where it is.
    for typed in ["-10.0", "0.0", "10.0", "20.0", ""] {
        person.hears("the meter reads (V): ");
        person.types(typed);
    }
    person.hears("take the calibrator off");
    person.types("");
    let (code, heard) = person.ends();
    assert_eq!(code, Some(1), "{heard}");
    assert!(heard.contains("do not follow each other") || heard.contains("reversed"), "{heard}");
    assert_eq!(std::fs::read(served.bench()).unwrap(), before);
    is_off(&served);
}

#[test]
fn what_is_asked_for_wrongly_is_told_before_a_port_is_opened() {
    let folder = tempfile::tempdir().unwrap();
    let served = Served::start("honest");
    let refused = |further: &[&str], words: &str| {
        let output = calibrate(&served, further).stdin(Stdio::null()).output().unwrap();
        assert_eq!(output.status.code(), Some(1), "{further:?}: {}", said(&output));
        assert!(said(&output).contains(words), "{further:?}: {}", said(&output));
    };
    let sheet: &Path = &folder.path().join("s.csv");
    std::fs::write(sheet, "a,b\n").unwrap();
    let sheet = sheet.to_str().unwrap();
    refused(&["--channel", "3"], "1 to 2");
    refused(&["--adc", "9"], "adc 1, 2, 3, 4");
    refused(&["--due", "2020-01-01"], "after today");
    refused(&["--points", sheet, "--channel", "1", "--measures", "volts"], "s.csv:1: ");
}
