//! A program that indexes and publishes at once is killed again and again, and the server that it publishes to as well,
//! without any warning: nothing is lost, nothing arrives twice, the order is kept. What is expected is project definition;
//! what arrived is read with the server's own triggers and client.
//!
//! 40 kills unless `WATTPROOF_KILLS` says how many.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

mod support;

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::thread;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use support::chance::Chance;
use support::cluster::Cluster;
use support::{folder, invented, on_tokio};
use wattproof_catalogue::{Catalogue, Entry, Error, Place};

/// Set for the program that is killed: where it writes, and where it publishes to.
const FOLDER: &str = "WATTPROOF_KILLED_FOLDER";
const RECEIVER: &str = "WATTPROOF_KILLED_RECEIVER";
const TEST: &str = "nothing_is_lost_or_doubled_by_kills";

/// What the server itself notes of everything that is written there.
const AUDIT: &str = "
CREATE TABLE audit (id BIGSERIAL PRIMARY KEY, what TEXT, name TEXT, told TEXT);
CREATE FUNCTION note_run() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN INSERT INTO audit (what, name, told) VALUES (TG_OP, NEW.key, NEW.chain); RETURN NULL; END $$;
CREATE FUNCTION note_seq() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN IF NEW.seq <> OLD.seq THEN
        INSERT INTO audit (what, name, told) VALUES ('SEQ', NEW.source, NEW.seq::text);
    END IF; RETURN NULL; END $$;
CREATE TRIGGER runs AFTER INSERT OR UPDATE ON run FOR EACH ROW EXECUTE FUNCTION note_run();
CREATE TRIGGER seqs AFTER UPDATE ON published FOR EACH ROW EXECUTE FUNCTION note_seq();
";

#[test]
fn nothing_is_lost_or_doubled_by_kills() {
    if let (Some(folder), Ok(receiver)) = (std::env::var_os(FOLDER), std::env::var(RECEIVER)) {
        return on_tokio(index_and_publish(Path::new(&folder), &Place::parse(&receiver).unwrap()));
    }
    let Some(mut cluster) = Cluster::start_durable() else { return };
    let kills: u64 = std::env::var("WATTPROOF_KILLS").map_or(40, |kills| kills.parse().unwrap());
    let folder = folder();
    let place = cluster.place("runs");
    on_tokio(async { Catalogue::open(&place).await.unwrap().close().await });
    cluster.psql_in("runs", AUDIT);
    let seed = SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_nanos() as u64;
    println!("{kills} kills by the seed {seed}");
    let mut chance = Chance::new(seed);
    let mut server_kills = 0;
    let mut program = start(folder.path(), &place);
    for _ in 0..kills {
        // Some are killed while they open, most while they write and publish.
        if chance.below(6) > 0 {
            writes(folder.path());
        }
        thread::sleep(Duration::from_millis(chance.below(400)));
        assert!(program.try_wait().unwrap().is_none(), "it ended on its own");
        if chance.below(5) == 0 {
            let signals = [rustix::process::Signal::KILL, rustix::process::Signal::QUIT];
            cluster.kill(signals[chance.below(2) as usize]);
            thread::sleep(Duration::from_millis(chance.below(100)));
            cluster.serve();
            server_kills += 1;
        } else {
            program.kill().unwrap();
            program.wait().unwrap();
            program = start(folder.path(), &place);
        }
    }
    program.kill().unwrap();
    program.wait().unwrap();
    println!("{} kills of the program, {server_kills} of the server", kills - server_kills + 1);
    let runs = on_tokio(settle(folder.path(), &place));
    arrived_once_and_in_order(&cluster, runs);
}

fn start(folder: &Path, place: &Place) -> Child {
    Command::new(std::env::current_exe().unwrap())
        .args([TEST, "--exact", "--nocapture"])
        .env(FOLDER, folder)
        .env(RECEIVER, place.to_string())
        .stdout(Stdio::null())
        .spawn()
        .unwrap()
}

/// Waits until the program notes once more that something was committed, or that much is.
fn writes(folder: &Path) {
    let length = || fs::metadata(acknowledged(folder)).map_or(0, |file| file.len());
    let (before, until) = (length(), Instant::now() + Duration::from_secs(30));
    while length() == before {
        assert!(Instant::now() < until, "it does not write");
        thread::sleep(Duration::from_millis(5));
    }
}

fn local(folder: &Path) -> Place {
    Place::file(&folder.join("bench.db"))
}

/// Where the program notes what it was told to be committed.
fn acknowledged(folder: &Path) -> PathBuf {
    folder.join("acknowledged")
}

/// The program that is killed.
async fn index_and_publish(folder: &Path, place: &Place) {
    let catalogue = Catalogue::open(&local(folder)).await.unwrap();
    let index = async {
        let mut noted = fs::File::options().create(true).append(true).open(acknowledged(folder)).unwrap();
        let mut last = catalogue.all_state().await.unwrap().len() as u64;
        loop {
            let batch: Vec<Entry> = (last + 1..=last + 1 + last % 4).map(invented::run).collect();
            catalogue.put_and_publish(&batch, place).await.unwrap();
            last += batch.len() as u64;
            writeln!(noted, "{last}").unwrap();
            // Something else is told of an earlier run, of the same age: whoever sent it twice would undo what came later.
            let again = Entry { chain: format!("{last:064x}"), ..invented::run(1 + last / 2) };
            catalogue.put_and_publish(&[again], place).await.unwrap();
            tokio::time::sleep(Duration::from_millis(5)).await;
            // Not far ahead of what is sent, so that many a kill meets a transaction.
            while catalogue.waiting().await.unwrap().iter().any(|waiting| waiting.entries > 40) {
                writeln!(noted).unwrap();
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
        }
    };
    let publish = async {
        loop {
            match catalogue.publish(place).await {
                Ok(done) => assert!(!done.behind, "the receiver lost what it had taken"),
                // The server was killed.
                Err(Error::Unreachable { .. } | Error::TimedOut { .. }) => {
                    tokio::time::sleep(Duration::from_millis(20)).await
                }
                Err(other) => panic!("{other}"),
            }
        }
    };
    tokio::join!(index, publish);
}

/// Publishes what is left and compares both sides. Gives back how many runs there are.
async fn settle(folder: &Path, place: &Place) -> usize {
    let begun = Instant::now();
    let catalogue = Catalogue::open(&local(folder)).await.unwrap();
    catalogue.check().await.unwrap();
    let done = catalogue.publish(place).await.unwrap();
    assert_eq!((done.left, done.behind), (0, false));
    println!("{} were left to be sent, in {:.1} s", done.sent, begun.elapsed().as_secs_f64());
    let receiver = Catalogue::open(place).await.unwrap();
    let state = catalogue.all_state().await.unwrap();
    assert_eq!(receiver.all_state().await.unwrap(), state);
    let keys: Vec<String> = state.into_iter().map(|state| state.key).collect();
    for keys in keys.chunks(500) {
        assert_eq!(receiver.entries(keys).await.unwrap(), catalogue.entries(keys).await.unwrap());
    }
    let noted = fs::read_to_string(acknowledged(folder)).unwrap();
    let last = noted.lines().filter_map(|line| line.parse::<u64>().ok()).max().unwrap();
    let expected: Vec<String> = (1..=keys.len() as u64).map(|number| invented::run(number).key).collect();
    assert_eq!(keys, expected, "no run is missing in between");
    assert!(keys.len() as u64 >= last, "{last} were committed, {} are there", keys.len());
    keys.len()
}

fn arrived_once_and_in_order(cluster: &Cluster, runs: usize) {
    let noted = |what: &str| -> Vec<(String, String)> {
        let sql = format!("SELECT name, told FROM audit WHERE what = '{what}' ORDER BY id");
        let lines = cluster.psql_in("runs", &sql);
        let parted = lines.lines().map(|line| line.split_once('|').unwrap());
        parted.map(|(name, told)| (name.to_owned(), told.to_owned())).collect()
    };
    let (inserted, updated, numbers) = (noted("INSERT"), noted("UPDATE"), noted("SEQ"));
    println!("{runs} runs, {} told anew, {} transactions", updated.len(), numbers.len());
    assert_eq!(inserted.len(), runs, "each run came once");
    assert!(inserted.iter().is_sorted_by(|a, b| a.0 < b.0), "and in order");
    let mut told: Vec<&(String, String)> = inserted.iter().chain(&updated).collect();
    let all = told.len();
    told.sort();
    told.dedup();
    assert_eq!(told.len(), all, "nothing was written twice");
    let seqs: Vec<u64> = numbers.iter().map(|(_, seq)| seq.parse().unwrap()).collect();
    assert!(seqs.is_sorted_by(|a, b| a < b), "numbers only rise");
    assert!(numbers.iter().all(|(source, _)| *source == numbers[0].0), "of one source");
    assert!(numbers.len() > 1 && !updated.is_empty());
}
