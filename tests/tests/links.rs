//! A bench file whose links survive replugging: the same file finds the same instruments under other ports.
//!
//! Fault 2 of the safety design: a port that returns under another number is opened again by identity, never armed by
//! itself. `*IDN?` and its four fields: IEEE 488.2, 10.14.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod bench;

use std::os::unix::fs::symlink;
use std::path::Path;

use bench::{Served, only_folder, rows, said};

const ROLES: [&str; 5] = ["source", "load", "supply", "digitizer", "thermometer"];
const BEGIN: &str = "load(#{ ohm: 4.0 });\nsupply(#{ volts_v: 14.4, limit_a: 20.0, on: true });\n\
                     source(#{ hz: 1000.0, level_vrms: 0.1, on: true });\nsettle();\ncapture();\n";

/// Cables plugged into sockets of a folder, the first role into socket `from`, the next into the next.
fn plug(folder: &Path, served: &Served, from: usize) {
    if folder.exists() {
        std::fs::remove_dir_all(folder).unwrap();
    }
    std::fs::create_dir(folder).unwrap();
    for (index, role) in ROLES.iter().enumerate() {
        symlink(served.port(role), folder.join(format!("socket{}", (from + index) % ROLES.len()))).unwrap();
    }
}

/// The served bench file with every link named by who answers, on ports of a folder.
fn by_identity(served: &Served, folder: &Path, identity: impl Fn(&str) -> String) -> String {
    let mut text = std::fs::read_to_string(served.bench()).unwrap();
    for role in ROLES {
        let path = format!("serial = \"{}\"", served.port(role).display());
        let asked = format!("identity = \"{}\"\nask = [\"{}/socket*\"]", identity(role), folder.display());
        assert!(text.contains(&path), "{role}: {text}");
        text = text.replace(&path, &asked);
    }
    text
}

#[test]
fn fault_2_a_bench_under_other_ports_is_found_again_without_an_edit() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("ports");
    let mut first = Served::start("honest");
    plug(&folder, &first, 0);
    let text = by_identity(&first, &folder, |role| format!("Wattproof,virtual-{role}"));
    std::fs::write(first.bench(), &text).unwrap();
    let ended = first.run(&first.script(&format!("{BEGIN}throw \"enough\";\n"))).output().unwrap();
    assert!(said(&ended).contains("enough"), "{}", said(&ended));
    let run = only_folder(&first.folder.path().join("results"));
    assert_eq!(rows(&run.join("steps.csv")).len(), 2);
    // The same instruments, by seed, on other pseudo-terminals and in other sockets.
    let second = Served::start("honest");
    assert!(ROLES.iter().all(|role| second.port(role) != Path::new("/dev/null")));
    first.end();
    plug(&folder, &second, 2);
    let mended = first.script(&format!("{BEGIN}source(#{{ on: false }});\nsupply(#{{ on: false }});\n"));
    let resumed = first.again("resume", &run).arg("--script").arg(mended).output().unwrap();
    assert!(resumed.status.success(), "{}", said(&resumed));
    assert_eq!(std::fs::read_to_string(first.bench()).unwrap(), text, "the bench file is as it was");
    assert_eq!(second.ask("supply", "OUTP?"), "0");
    // What was recorded names the port of each time, and the links as the owner wrote them.
    let journal = std::fs::read_to_string(run.join("journal.jsonl")).unwrap();
    assert!(journal.contains("Wattproof,virtual-load") && journal.contains("socket"), "{journal}");
}

#[test]
fn several_or_nobody_is_told_with_what_was_found() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("ports");
    let served = Served::start("honest");
    plug(&folder, &served, 0);
    let own = std::fs::read_to_string(served.bench()).unwrap();
    let text = by_identity(&served, &folder, |role| format!("Wattproof,virtual-{role}"));
    let refused = |identity: &str, words: &[&str]| {
        std::fs::write(served.bench(), text.replace("Wattproof,virtual-supply", identity)).unwrap();
        let ended = served.run(&served.script(BEGIN)).output().unwrap();
        assert!(!ended.status.success());
        let told = said(&ended);
        words.iter().for_each(|word| assert!(told.contains(word), "no {word:?} in: {told}"));
    };
    refused(
        "virtual",
        &["[supply] link", "bench.toml:", "instruments are \"virtual\"", "virtual-load", "more of the"],
    );
    refused("Wattproof,other", &["[supply] link", "nobody", "socket1", "virtual-load", "ask"]);
    std::fs::write(served.bench(), own).unwrap();
    // The source was found and told OFF nevertheless; nothing was energised.
    assert_eq!(served.ask("source", "OUTP1?"), "0");
}
