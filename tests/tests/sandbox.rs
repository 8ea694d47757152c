//! Hostile and broken scripts: each ends in one error and the safe state (faults 32 to 37), and reaches nothing outside.

#![allow(clippy::unwrap_used, clippy::panic, reason = "test helpers fail by panicking")]

mod bench;

use std::time::{Duration, Instant};

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
