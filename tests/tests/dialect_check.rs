//! `wattproof dialect`: what an owner without a compiler sees. Project definition.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod bench;

use std::process::{Command, Output};

use bench::{root, said, wattproof};

fn dialect(words: &[&str]) -> Output {
    Command::new(wattproof()).arg("dialect").args(words).output().unwrap()
}

#[test]
fn the_built_in_dialects_are_good_and_tell_what_they_lack() {
    let checked = dialect(&["check"]);
    assert!(checked.status.success(), "{}", said(&checked));
    let told = String::from_utf8(checked.stdout).unwrap();
    let files = std::fs::read_dir(root().join("drivers/dialects")).unwrap();
    let files = files.map(|file| file.unwrap().file_name().into_string().unwrap());
    for file in files.filter(|file| file.ends_with(".toml") && file != "template.toml") {
        assert!(told.contains(&format!("{file}: good (")), "{file} is not told");
    }
    assert!(told.contains("left out, optional: nothing in it switches off when the daemon falls silent"));
    assert!(told.contains("note: no error queue is read"));
}

#[test]
fn the_template_checks_and_a_slip_in_it_is_told_with_its_place() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("my-supply.toml");
    let template = String::from_utf8(dialect(&["template"]).stdout).unwrap();
    std::fs::write(&path, &template).unwrap();
    let name = path.display().to_string();
    assert!(dialect(&["check", &name]).status.success());
    std::fs::write(&path, template.replace("step = 0.001", "step = 0.0")).unwrap();
    let line = template.lines().position(|line| line.starts_with("step = ")).unwrap() + 1;
    let refused = dialect(&["check", &name]);
    assert!(!refused.status.success());
    let told = said(&refused);
    assert!(told.contains(&format!("{name}:{line}:1: set_v: step = 0 is no usable limit")), "{told}");
    assert!(told.contains("1 of the dialects checked can't be used"), "{told}");
}
