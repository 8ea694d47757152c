//! Faults 1 to 12: the link. Fault 5 (modem lines) has no pseudo-terminal; `modem_lines.rs` plays it.

use std::path::Path;
use std::process::Command;

use crate::bench::{Served, said};
use crate::{SCRIPT, ask, fault, run, run_on};

/// The third reading of the supply's current, in the midst of a run.
const THIRD: &str = "message = \"MEAS:CURR?\"\nnth = 3\ntimes = 1";

/// A port as a bench file has it: with its quotes, since /dev/pts/1 also begins the name of /dev/pts/13.
fn written(port: &Path) -> String {
    format!("\"{}\"", port.display())
}

#[test]
fn fault_01_unplugged_in_the_midst_of_an_answer() {
    let ended = run(&fault("supply", ".hang_up.after_bytes = 2", THIRD));
    ended.alarms(&[&ended.place("supply"), "hung up"]);
    assert_eq!(ask(&ended.served.port("source"), "OUTP1?").as_deref(), Some("0"), "{}", ended.said);
}

#[test]
fn fault_02_back_under_another_number_arms_nothing_and_is_off_at_the_next_start() {
    let served = Served::start_with_faults("honest", |folder| {
        let link = folder.join("back");
        let what = format!(".hang_up = {{ returns_s = 0.5, returns_as = \"{}\" }}", link.display());
        Some(fault("supply", &what, THIRD))
    });
    let back = served.folder.path().join("back");
    let ended = run_on(served);
    ended.alarms(&[&ended.place("supply")]);
    let until = std::time::Instant::now() + crate::PATIENCE;
    while !back.exists() {
        assert!(std::time::Instant::now() < until, "the port is not back");
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    // The daemon could not switch it off, and did not claim so; its own watchdog has, since nobody fed it.
    assert_eq!(ask(&back, "OUTP?").as_deref(), Some("0"));
    let served = &ended.served;
    let text = std::fs::read_to_string(served.bench()).unwrap();
    let moved = text.replace(&written(&served.port("supply")), &written(&back));
    std::fs::write(served.bench(), moved).unwrap();
    let again = served.run(&served.script("print(\"nothing\");")).output().unwrap();
    // The alarm outlasts the run: a person has to look at the bench first.
    assert!(!again.status.success() && said(&again).contains("reset"), "{}", said(&again));
    assert_eq!(ask(&back, "OUTP?").as_deref(), Some("0"));
}

#[test]
fn fault_03_swapped_ports_are_refused_before_anything_is_switched_on() {
    let served = Served::start("honest");
    let text = std::fs::read_to_string(served.bench()).unwrap();
    let [source, supply] = ["source", "supply"].map(|role| served.port(role).display().to_string());
    let [from, to] = [&source, &supply].map(|port| written(Path::new(port)));
    let swapped = text.replace(&from, "\u{1}").replace(&to, &from).replace('\u{1}', &to);
    std::fs::write(served.bench(), swapped).unwrap();
    let output = served.run(&served.script(SCRIPT)).output().unwrap();
    assert!(!output.status.success());
    let told = said(&output);
    assert!(told.contains(&source) || told.contains(&supply), "{told}");
    assert_eq!(ask(source.as_ref(), "OUTP1?").as_deref(), Some("0"), "{told}");
    assert_eq!(ask(supply.as_ref(), "OUTP?").as_deref(), Some("0"), "{told}");
}

#[test]
fn fault_04_a_port_in_use_is_refused_and_its_user_is_not_disturbed() {
    let served = Served::start("honest");
    let mut first = served.run(&served.script(&SCRIPT.replace("0..8", "0..30")));
    let first = first.spawn().unwrap();
    crate::processes::wait_for_steps(&served, 1);
    let mut second = Command::new(crate::bench::wattproof());
    second.arg("run").arg(served.folder.path().join("script.rhai")).arg("--bench").arg(served.bench());
    second.arg("--nameplate").arg(served.nameplate()).arg("--out").arg(served.folder.path().join("other"));
    second.env("WATTPROOF_STATE", served.state());
    let second = second.output().unwrap();
    assert!(!second.status.success());
    assert!(said(&second).contains("/dev/pts/"), "{}", said(&second));
    let first = first.wait_with_output().unwrap();
    assert!(first.status.success(), "{}", said(&first));
}

#[test]
fn fault_06_a_late_answer_and_one_too_many_are_never_taken_for_the_next() {
    let ended = run(&fault("supply", ".late.by_ms = 1500.0", THIRD));
    ended.refused(&[&ended.place("supply"), "deadline"]);
    let ended = run(&fault("supply", " = \"twice\"", THIRD));
    ended.refused(&[&ended.place("supply"), "more than one answer"]);
    let ended = run(&fault("supply", " = \"silent\"", THIRD));
    ended.refused(&[&ended.place("supply"), "deadline"]);
}

#[test]
fn fault_07_an_echo_is_told() {
    let ended = run(&fault("supply", " = \"echo\"", "for_s = 5.0"));
    assert_eq!(ended.code, 1, "{}", ended.said);
    ended.names(&[&ended.place("supply")]);
    let ended = run(&fault("supply", " = \"echo\"", THIRD));
    ended.refused(&[&ended.place("supply")]);
}

#[test]
fn fault_08_no_end_nuls_and_garbage() {
    let ended = run(&fault("supply", " = \"no_terminator\"", THIRD));
    ended.refused(&[&ended.place("supply"), "deadline"]);
    let ended = run(&fault("supply", " = \"nul\"", THIRD));
    ended.refused(&[&ended.place("supply"), "not text"]);
    let ended = run(&fault("supply", ".garbage = { before = [255, 254], after = [] }", THIRD));
    ended.refused(&[&ended.place("supply"), "not text"]);
    let ended = run(&fault("supply", ".garbage.after = [55, 10]", THIRD));
    ended.refused(&[&ended.place("supply"), "more than one answer"]);
}

#[test]
fn fault_09_an_answer_that_dribbles_has_one_deadline() {
    let ended = run(&fault("supply", ".dribble.gap_ms = 400.0", THIRD));
    ended.refused(&[&ended.place("supply"), "deadline"]);
    // Within the deadline it is an answer like any other.
    run(&fault("supply", ".dribble.gap_ms = 5.0", "message = \"MEAS:CURR?\"\ntimes = 3")).survived();
}

#[test]
fn fault_10_a_port_that_takes_nothing_holds_up_no_other() {
    let ended = run(&fault("source", " = \"blocked\"", "message = \"SOUR1:VOLT \"\nnth = 3\nfor_s = 90.0"));
    ended.alarms(&[&ended.place("source")]);
    assert_eq!(ask(&ended.served.port("supply"), "OUTP?").as_deref(), Some("0"), "{}", ended.said);
}

#[test]
fn fault_11_wrong_bits_are_no_number() {
    let ended = run(&fault("supply", ".flip_bits = { mask = 64, byte = 0 }", THIRD));
    ended.refused(&[&ended.place("supply"), "decimal number"]);
    let ended = run(&fault("supply", ".flip_bits.mask = 128", THIRD));
    ended.refused(&[&ended.place("supply"), "not text"]);
}

#[test]
fn fault_12_many_cables_come_off_at_once() {
    let gone = |port| fault(port, ".hang_up = {}", "at_s = 2.0\ntimes = 1");
    let ended = run(&["source", "load", "supply", "digitizer", "thermometer"].map(gone).concat());
    assert!(matches!(ended.code, 1 | 3), "{}", ended.said);
    ended.names(&["hung up", "/dev/pts/"]);
    if ended.served.folder.path().join("results").exists() {
        ended.alarms(&[]);
    }
}
