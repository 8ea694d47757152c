//! What many who look on cost a run: the time of its steps through the daemon with nobody there, and with 1,000 listeners
//! to its events and 50 requests a second, run after run in turn; then the idle daemon's memory. Prints; judges nothing.
//! `ROUNDS=5` takes more runs of each.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a benchmark that can't run fails by panicking")]

#[path = "../tests/bench/mod.rs"]
mod bench;

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use bench::Served;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

const LISTENERS: usize = 1000;
const REQUESTS_PER_S: u64 = 50;
const STEPS: usize = 60;
const SCRIPT: &str = "
load(#{ ohm: 4.0 });
supply(#{ volts_v: 14.4, on: true });
source(#{ hz: 1000.0, level_vrms: 0.2, on: true });
settle();
for n in 0..STEPS { source(#{ level_vrms: 0.2 - 0.001 * n }); settle(); capture(); }
";

/// The daemon on a served bench.
struct Daemon {
    process: Child,
    address: String,
    token: String,
    results: PathBuf,
}

impl Daemon {
    fn start(served: &Served, folder: &Path) -> Daemon {
        let mut process = Command::new(bench::wattproof())
            .args(["serve", "--listen", "127.0.0.1:0"])
            .arg("--bench")
            .arg(served.bench())
            .arg("--state")
            .arg(folder.join("state"))
            .arg("--out")
            .arg(folder.join("results"))
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(process.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let (address, token) = line.trim().rsplit_once("http://").unwrap().1.split_once("/#token=").unwrap();
        Daemon { process, address: address.into(), token: token.into(), results: folder.join("results") }
    }

    /// Resident memory, MB.
    fn resident_mb(&self) -> f64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.process.id())).unwrap();
        let line = status.lines().find(|line| line.starts_with("VmRSS:")).unwrap();
        line.split_whitespace().nth(1).unwrap().parse::<f64>().unwrap() / 1000.0
    }

    async fn ask(&self, method: &str, path: &str, body: &str) -> String {
        let mut stream = TcpStream::connect(&self.address).await.unwrap();
        let head = format!(
            "{method} {path} HTTP/1.1\r\nHost: {}\r\nAuthorization: Bearer {}\r\nContent-Type: application/json\r\nContent-Length: {}\r\nConnection: close\r\n\r\n{body}",
            self.address,
            self.token,
            body.len()
        );
        stream.write_all(head.as_bytes()).await.unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).await.unwrap();
        answer.split_once("\r\n\r\n").unwrap().1.to_string()
    }

    async fn value(&self, path: &str) -> serde_json::Value {
        serde_json::from_str(&self.ask("GET", path, "").await).unwrap()
    }

    /// Submits the script, waits for its end, and gives the times between its steps, ms.
    async fn run(&self, plate: &str) -> Vec<f64> {
        let bench = self.value("/api/v1/benches").await["benches"][0]["bench"].clone();
        let script = SCRIPT.replace("STEPS", &STEPS.to_string());
        let job = serde_json::json!({ "bench": bench, "script": { "name": "steps.rhai", "text": script },
            "nameplate": { "name": "plate.toml", "text": plate } });
        let job: serde_json::Value =
            serde_json::from_str(&self.ask("POST", "/api/v1/jobs", &job.to_string()).await).unwrap();
        let path = format!("/api/v1/jobs/{}", job["job"]);
        let ended = loop {
            tokio::time::sleep(Duration::from_millis(500)).await;
            let job = self.value(&path).await;
            if job["state"] == "ended" {
                break job;
            }
        };
        assert_eq!(ended["outcome"], "no_rating", "{ended}");
        let rows = bench::rows(&self.results.join(ended["run"].as_str().unwrap()).join("steps.csv"));
        let mut ends_s: Vec<f64> = rows.iter().map(|row| bench::number(row, "at_s")).collect();
        ends_s.dedup();
        assert_eq!(ends_s.len(), STEPS, "a step is missing");
        ends_s.windows(2).map(|pair| 1000.0 * (pair[1] - pair[0])).collect()
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        self.process.kill().unwrap();
        self.process.wait().unwrap();
    }
}

/// Counts what listeners and askers got.
#[derive(Default)]
struct Crowd {
    gone: AtomicBool,
    bytes: AtomicU64,
    answers: AtomicU64,
}

impl Crowd {
    async fn listen(self: Arc<Self>, address: String) {
        let mut stream = TcpStream::connect(&address).await.unwrap();
        let head = format!("GET /api/v1/events HTTP/1.1\r\nHost: {address}\r\n\r\n");
        stream.write_all(head.as_bytes()).await.unwrap();
        let mut room = vec![0; 16 * 1024];
        while !self.gone.load(Ordering::Relaxed) {
            let got = stream.read(&mut room).await.unwrap();
            assert!(got > 0, "a listener was sent away");
            self.bytes.fetch_add(got as u64, Ordering::Relaxed);
        }
    }

    async fn ask(self: Arc<Self>, daemon: Arc<Daemon>) {
        let paths = ["/api/v1/status", "/api/v1/jobs", "/metrics", "/api/v1/runs", "/"];
        let mut beat = tokio::time::interval(Duration::from_micros(1_000_000 / REQUESTS_PER_S));
        for path in paths.iter().cycle() {
            beat.tick().await;
            if self.gone.load(Ordering::Relaxed) {
                return;
            }
            assert!(!daemon.ask("GET", path, "").await.is_empty());
            self.answers.fetch_add(1, Ordering::Relaxed);
        }
    }
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

fn main() {
    let rounds: usize = std::env::var("ROUNDS").ok().and_then(|text| text.parse().ok()).unwrap_or(3);
    let mut limit = rustix::process::getrlimit(rustix::process::Resource::Nofile);
    limit.current = limit.maximum;
    rustix::process::setrlimit(rustix::process::Resource::Nofile, limit).unwrap();
    let served = Served::start("honest");
    let plate = std::fs::read_to_string(served.nameplate()).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let daemon = Arc::new(Daemon::start(&served, folder.path()));
    std::thread::sleep(Duration::from_secs(1));
    println!("idle daemon: {:.1} MB resident", daemon.resident_mb());
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let (mut alone_ms, mut crowded_ms) = (Vec::new(), Vec::new());
    runtime.block_on(async {
        for _ in 0..rounds {
            alone_ms.extend(daemon.run(&plate).await);
            let crowd = Arc::new(Crowd::default());
            let listening: Vec<_> = (0..LISTENERS)
                .map(|_| tokio::spawn(Arc::clone(&crowd).listen(daemon.address.clone())))
                .collect();
            let asking = tokio::spawn(Arc::clone(&crowd).ask(Arc::clone(&daemon)));
            crowded_ms.extend(daemon.run(&plate).await);
            println!(
                "{LISTENERS} listeners got {:.1} MB, {} requests were answered, {:.1} MB resident",
                crowd.bytes.load(Ordering::Relaxed) as f64 / 1e6,
                crowd.answers.load(Ordering::Relaxed),
                daemon.resident_mb()
            );
            crowd.gone.store(true, Ordering::Relaxed);
            listening.iter().for_each(tokio::task::JoinHandle::abort);
            asking.await.unwrap();
        }
    });
    let worst = |values: &[f64]| values.iter().copied().fold(0.0, f64::max);
    let (worst_alone_ms, worst_crowded_ms) = (worst(&alone_ms), worst(&crowded_ms));
    let (alone_ms, crowded_ms) = (median(alone_ms), median(crowded_ms));
    println!("a step alone: median {alone_ms:.1} ms, at most {worst_alone_ms:.1} ms");
    println!("a step with the crowd: median {crowded_ms:.1} ms, at most {worst_crowded_ms:.1} ms");
    println!("ratio of medians {:.4}", crowded_ms / alone_ms);
}
