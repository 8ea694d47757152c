//! Several virtual benches at one daemon: runs at the same time, a trip, a stop or a lost bench of one that leaves the
//! others alone, a stop of all, and which bench is meant by a word.
//!
//! What is right is the project's own definition (README.md, The daemon), but for the powers: the amplifier models' own
//! truths, solved numerically without captures. The virtual benches' own answers say what their outputs are.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

mod bench;

use std::process::Stdio;

use bench::daemon::{Daemon, until};
use bench::shop::Shop;
use bench::{FIRST_RATING, Served, number, rows, said, wattproof};
use serde_json::Value;

/// Steps for longer than any test looks.
const LONG: &str = "load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, on: true });
source(#{ hz: 1000.0, level_vrms: 0.1, on: true });
settle();
for n in 0..400 { capture(); }
";

fn outputs(served: &Served) -> [String; 3] {
    [("source", "OUTP1?"), ("source", "OUTP2?"), ("supply", "OUTP?")].map(|(role, ask)| served.ask(role, ask))
}

fn steps(shop: &Shop, job: u64) -> u64 {
    shop.job(job)["steps"].as_u64().unwrap_or_default()
}

fn is_running(shop: &Shop, job: u64) -> bool {
    shop.job(job)["state"] == "running"
}

/// The power of an amplifier's first rating, W, as its model has it.
fn truth_w(amplifier: &str) -> f64 {
    let told = std::process::Command::new(wattproof())
        .args(["virtual-bench", "--truth", "--amplifier", amplifier])
        .output()
        .unwrap();
    let truth: Value = serde_json::from_slice(&told.stdout).unwrap();
    truth[0]["power_w"].as_f64().unwrap()
}

#[test]
fn runs_go_on_at_the_same_time_each_with_its_own_bench_and_folder() {
    let amplifiers = ["honest", "short", "honest"];
    let shop = Shop::open(amplifiers.map(Served::start).into());
    let jobs = [0, 1, 2].map(|index| shop.leave(index, FIRST_RATING));
    until("all of them under way", || jobs.iter().all(|job| steps(&shop, *job) >= 1));
    let holding = shop.status();
    for (index, job) in jobs.iter().enumerate() {
        let name = &shop.names[index];
        let bench =
            holding["benches"].as_array().unwrap().iter().find(|bench| bench["name"] == name.as_str());
        assert!(bench.unwrap()["job"] == *job, "{holding}");
    }
    until("their ends", || jobs.iter().all(|job| shop.job(*job)["state"] == "ended"));
    let told = jobs.map(|job| shop.job(job));
    let moment =
        |key: &str| told.iter().map(|job| job[key].as_str().unwrap().to_string()).collect::<Vec<_>>();
    assert!(
        moment("started_utc").iter().max() < moment("ended_utc").iter().min(),
        "one after the other: {told:?}"
    );
    for (index, job) in jobs.into_iter().enumerate() {
        let folder = shop.run_folder(job);
        let record: Value = serde_json::from_slice(&std::fs::read(folder.join("run.json")).unwrap()).unwrap();
        assert_eq!(record["bench"]["name"], shop.names[index].as_str());
        let row = rows(&folder.join("ratings.csv")).remove(0);
        let (measured_w, u_w) = (number(&row, "measured_w"), number(&row, "expanded_u_w"));
        let truth_w = truth_w(amplifiers[index]);
        assert!((measured_w - truth_w).abs() <= u_w, "{measured_w} ± {u_w} W, truth {truth_w} W");
    }
    // The list of runs tells them apart.
    let listed = shop.asks(&["runs"]);
    let listed = String::from_utf8_lossy(&listed.stdout).into_owned();
    assert!(listed.lines().next().unwrap().contains("bench") && listed.contains("script"), "{listed}");
    assert!(listed.lines().all(|line| line.chars().count() <= 80), "{listed}");
}

/// A heatsink that runs away, as catalogue number 28 of the faults has it.
#[test]
fn a_trip_of_one_bench_leaves_the_others_alone() {
    let hot = "[[fault]]\nport = \"thermometer\"\nwhat.instead.answer = \"500\"\nmessage = \"MEAS:TEMP?\"\nnth = 40\ntimes = 1\n";
    let hot = Served::start_with_faults("honest", |_| Some(hot.into()));
    let shop = Shop::open(vec![Served::start("honest"), hot]);
    let [other, tripping, waiting] = [0, 1, 1].map(|index| shop.leave(index, LONG));
    until("the trip", || shop.job(tripping)["state"] == "ended");
    assert_eq!(shop.job(tripping)["outcome"], "failed", "{}", shop.job(tripping));
    let seen = steps(&shop, other);
    assert!(is_running(&shop, other));
    until("further steps of the other", || steps(&shop, other) > seen + 1);
    assert_eq!(outputs(&shop.benches[1]), ["0", "0", "0"]);
    // It is told of that bench alone, and what waits there waits for a person.
    assert!(shop.bench(1)["latched"]["cause"].as_str().unwrap().contains("heatsink"), "{}", shop.bench(1));
    assert!(shop.bench(0)["latched"].is_null());
    assert_eq!(shop.job(waiting)["state"], "held");
    let status = shop.asks(&["status"]);
    let words = String::from_utf8_lossy(&status.stdout).into_owned();
    assert!(words.matches("TRIPPED").count() == 1 && words.contains(&shop.names[1]), "{words}");
    // A reset is that bench's alone, by its name.
    let mut reset = shop.command(&["reset", "--from-pipe", "--bench", &shop.names[1]]);
    let mut reset = reset.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
    let latch = curl(&shop, &format!("/benches/{}/latch", shop.bench(1)["bench"].as_str().unwrap()));
    std::io::Write::write_all(
        reset.stdin.as_mut().unwrap(),
        format!("{}\n", latch["number"].as_str().unwrap()).as_bytes(),
    )
    .unwrap();
    until("the reset", || reset.try_wait().unwrap().is_some());
    assert!(shop.bench(1)["latched"].is_null(), "{}", shop.bench(1));
    assert!(is_running(&shop, other), "a reset of one bench stops no other");
    assert_eq!(shop.job(waiting)["state"], "held", "nothing begins by a reset");
}

/// A plain answer of the daemon's over TCP.
fn curl(shop: &Shop, place: &str) -> Value {
    use std::io::{Read, Write};
    let address = shop.daemon.page.trim_start_matches("http://").split('/').next().unwrap();
    let mut stream = std::net::TcpStream::connect(address).unwrap();
    write!(stream, "GET /api/v1{place} HTTP/1.0\r\nHost: {address}\r\n\r\n").unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    serde_json::from_str(answer.split_once("\r\n\r\n").unwrap().1).unwrap()
}

#[test]
fn a_stop_of_one_leaves_the_others_running_and_a_stop_of_all_leaves_none() {
    let shop = Shop::open(["honest", "honest", "short"].map(Served::start).into());
    let jobs = [0, 1, 2].map(|index| shop.leave(index, LONG));
    until("all of them under way", || jobs.iter().all(|job| steps(&shop, *job) >= 1));
    let stopped = shop.asks(&["stop", "--bench", &shop.names[1]]);
    assert_eq!(stopped.status.code(), Some(0), "{}", said(&stopped));
    let words = String::from_utf8_lossy(&stopped.stdout).into_owned();
    assert!(words.contains("off, confirmed") && words.lines().count() == 1, "{words}");
    assert_eq!(outputs(&shop.benches[1]), ["0", "0", "0"]);
    let before = [jobs[0], jobs[2]].map(|job| steps(&shop, job));
    until("the others go on", || {
        [jobs[0], jobs[2]].iter().zip(before).all(|(job, before)| steps(&shop, *job) > before + 1)
    });
    let stopped = shop.asks(&["stop"]);
    assert_eq!(stopped.status.code(), Some(0), "{}", said(&stopped));
    let words = String::from_utf8_lossy(&stopped.stdout).into_owned();
    for (served, name) in shop.benches.iter().zip(&shop.names) {
        assert!(words.contains(name), "{words}");
        assert_eq!(outputs(served), ["0", "0", "0"]);
    }
    until("their ends", || jobs.iter().all(|job| shop.job(*job)["outcome"] == "stopped"));
}

#[test]
fn no_bench_is_guessed_and_the_choices_are_named() {
    let shop = Shop::open(["honest", "short"].map(Served::start).into());
    let [honest, short] = [0, 1].map(|index| shop.names[index].clone());
    let script = shop.benches[0].script(LONG);
    let run = |bench: &[&str]| {
        let mut run = shop.command(&["run", "--leave", "--nameplate"]);
        run.arg(shop.benches[0].nameplate()).arg(&script).args(bench).output().unwrap()
    };
    for (bench, words) in [
        (&[][..], "several benches"),
        (&["--bench", "virtual"], "fits several benches"),
        (&["--bench", "nowhere"], "holds no bench"),
    ] {
        let refused = run(bench);
        assert_eq!(refused.status.code(), Some(1), "{}", said(&refused));
        for words in [words, &honest, &short] {
            assert!(said(&refused).contains(words), "no {words:?} in {}", said(&refused));
        }
    }
    // The beginning of a name is enough where nothing else begins so.
    let left = run(&["--bench", "virtual sh"]);
    assert!(String::from_utf8_lossy(&left.stdout).contains(&short), "{}", said(&left));
    let only = shop.asks(&["queue", "--bench", &honest]);
    assert!(String::from_utf8_lossy(&only.stdout).contains("nothing waits"));
    for asked in ["virtual", "nowhere"] {
        let refused = shop.asks(&["stop", "--bench", asked]);
        assert_eq!(refused.status.code(), Some(1));
        assert!(
            said(&refused).contains("NOTHING WAS STOPPED") && said(&refused).contains(&honest),
            "{}",
            said(&refused)
        );
    }
    until("the run", || is_running(&shop, 1));
    let stopped = shop.asks(&["stop", "--bench", "virtual sh"]);
    assert_eq!(stopped.status.code(), Some(0), "{}", said(&stopped));
}

#[test]
fn a_bench_that_is_lost_is_told_alone_and_its_queue_waits() {
    let mut shop = Shop::open(["honest", "honest", "honest"].map(Served::start).into());
    let other = shop.leave(0, LONG);
    until("a step", || steps(&shop, other) >= 1);
    // The file of one is gone, the instruments of another: what comes up first fails, what waits is kept. All of them
    // may begin at one moment, when both are lost.
    let then =
        std::process::Command::new("date").args(["-u", "-d", "+8 seconds", "+%FT%TZ"]).output().unwrap();
    let then = String::from_utf8_lossy(&then.stdout).trim().to_string();
    let jobs = [1, 1, 2, 2].map(|index| shop.leave_with(index, LONG, &["--hold-until", &then]));
    std::fs::write(shop.benches[1].bench(), "name = ").unwrap();
    shop.benches[2].end();
    until("both first ones fail", || [jobs[0], jobs[2]].iter().all(|job| shop.job(*job)["state"] == "ended"));
    for (index, failed, kept) in [(1, jobs[0], jobs[1]), (2, jobs[2], jobs[3])] {
        let job = shop.job(failed);
        assert_eq!(job["outcome"], "failed", "nothing was energised, so it is no alarm: {job}");
        assert_eq!(shop.job(kept)["state"], "held", "{}", shop.job(kept));
        assert!(shop.bench(index)["lost"].is_string(), "{}", shop.bench(index));
    }
    assert!(shop.bench(0)["lost"].is_null() && is_running(&shop, other));
}

#[test]
fn a_daemon_does_not_start_on_a_bad_bench_file_or_two_benches_of_one_name() {
    let benches = ["honest", "honest"].map(Served::start);
    assert_ne!(benches[0].name(), benches[1].name(), "two benches share no latch by accident");
    let folder = tempfile::tempdir().unwrap();
    let refused = |files: &[std::path::PathBuf]| {
        let refused = Daemon::command(files, folder.path()).output().unwrap();
        assert_eq!(refused.status.code(), Some(1), "{}", said(&refused));
        said(&refused)
    };
    let bad = folder.path().join("bad.toml");
    std::fs::write(&bad, "name = \"bad\"\n").unwrap();
    assert!(refused(&[benches[0].bench(), bad.clone()]).contains("bad.toml"));
    let missing = folder.path().join("missing.toml");
    assert!(refused(&[benches[0].bench(), missing]).contains("missing.toml"));
    std::fs::copy(benches[0].bench(), &bad).unwrap();
    let told = refused(&[benches[0].bench(), bad]);
    assert!(told.contains("one name") && told.contains("--name"), "{told}");
}
