//! One run as a process of its own: started, listened to, told to stop, and seen to its end. Whatever happens to the
//! daemon's HTTP side, the run's safety loop is in another process; and when the daemon dies, the run's standard input
//! ends, and it switches everything off.

use std::path::Path;
use std::process::Stdio;
use std::sync::Arc;
use std::time::Duration;

use chrono::Utc;
use rustix::process::{Pid, Signal, kill_process};
use tokio::io::{AsyncBufReadExt, AsyncRead, AsyncWriteExt, BufReader, Lines};
use tokio::process::{Child, ChildStdin, ChildStdout, Command};
use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};
use tokio::task::{JoinHandle, spawn_blocking};
use tokio::time::{Instant, sleep_until};
use wattproof_runs::Outcome;

use crate::daemon::Daemon;
use crate::job::{End, Hold, Job, JobOutcome};
use crate::settings::BenchPlace;
use crate::told::{Ordered, Told};

/// Name of the nameplate in a job's folder.
pub const NAMEPLATE_FILE: &str = "nameplate.toml";
/// How long a run that was told to stop may take until it is sent a signal as well.
const SIGNAL_AFTER: Duration = Duration::from_secs(10);
/// And until it is killed, whereupon its guardian switches off.
const KILL_AFTER: Duration = Duration::from_secs(40);
/// How long what a run said last is waited for after its process is gone.
const LAST_WORDS: Duration = Duration::from_secs(10);
/// What begins the line that a run leaves on standard error when it does not end well.
const AT_THE_END: &str = "wattproof: ";
/// How often it is looked who is next, for holds that end with time.
const LOOK_AGAIN: Duration = Duration::from_secs(1);

/// Starts the runs of one bench, one after the other, until the daemon closes.
pub async fn keep_busy(daemon: Arc<Daemon>, bench: String) {
    while !daemon.is_closing() {
        let (orders, ordered) = unbounded_channel();
        match daemon.starts.after_the_last(|| daemon.begin(&bench, orders)).await {
            Some((job, place)) => {
                let end = perform(&daemon, &place, &job, ordered).await;
                if let Some(error) = &end.error {
                    let level = if end.outcome == JobOutcome::Stopped { "warn" } else { "error" };
                    daemon.log(Some(&bench), Some(job.job), level, error);
                }
                let ending = Arc::clone(&daemon);
                let ended = spawn_blocking(move || ending.end(&place, job.job, end));
                if let Err(error) = ended.await {
                    daemon.log(
                        Some(&bench),
                        None,
                        "error",
                        &format!("ending a run failed: {error}; please report it"),
                    );
                }
            }
            None => {
                tokio::select! {
                    () = daemon.turn() => {}
                    () = tokio::time::sleep(LOOK_AGAIN) => {}
                }
            }
        }
    }
}

/// How a run says that it ended.
struct Ending {
    outcome: Option<Outcome>,
    safe: bool,
    error: Option<String>,
    bench_lost: bool,
    verdicts: Vec<String>,
}

/// How a run came out, as far as it has said.
#[derive(Default)]
struct Heard {
    ended: Option<Ending>,
    last_words: Option<String>,
}

async fn perform(
    daemon: &Arc<Daemon>,
    place: &BenchPlace,
    job: &Job,
    mut ordered: UnboundedReceiver<Ordered>,
) -> End {
    let (with, at, what) = (Arc::clone(daemon), place.clone(), job.clone());
    // Starting it reads the disk.
    let started = spawn_blocking(move || start(&with, &at, &what)).await;
    let mut child = match started.unwrap_or_else(|error| Err(std::io::Error::other(error))) {
        Ok(child) => child,
        Err(error) => {
            let what = format!(
                "starting the run: {error}; see whether {} is there",
                daemon.settings.program.display()
            );
            return End::failed(what);
        }
    };
    let (Some(mut orders), Some(told), Some(said)) =
        (child.stdin.take(), child.stdout.take(), child.stderr.take())
    else {
        return End::failed("the run was started without pipes; please report it".into());
    };
    let listening = tokio::spawn(listen(Arc::clone(daemon), place.id.clone(), job.job, told));
    let hearing =
        tokio::spawn(hear(Arc::clone(daemon), place.id.clone(), job.job, BufReader::new(said).lines()));
    let status = see_to_its_end(&mut child, &mut orders, &mut ordered).await;
    // What it said last is read before its end is judged; somebody else may still hold its output open.
    let mut heard = last(listening).await;
    heard.last_words = last(hearing).await;
    judge(heard, status)
}

/// What a task found, if it comes to its end in time.
async fn last<T: Default>(mut task: JoinHandle<T>) -> T {
    match tokio::time::timeout(LAST_WORDS, &mut task).await {
        Ok(found) => found.unwrap_or_default(),
        Err(_) => {
            tracing::warn!("a run is gone and its output does not end");
            task.abort();
            T::default()
        }
    }
}

fn start(daemon: &Daemon, place: &BenchPlace, job: &Job) -> std::io::Result<Child> {
    let folder = daemon.job_folder(job.job);
    let mut command = Command::new(&daemon.settings.program);
    // In the job's folder: the record then names the script as the person did.
    command
        .current_dir(&folder)
        .arg("run")
        .arg(Path::new(&job.script).file_name().unwrap_or_default())
        .arg("--tell")
        .arg("--bench")
        .arg(&place.file)
        .arg("--held-as")
        .arg(&place.id);
    command.arg("--nameplate").arg(NAMEPLATE_FILE).arg("--out").arg(&daemon.settings.results);
    command.arg("--state").arg(place.state.parent().unwrap_or(&place.state));
    for (name, value) in &job.set {
        command.arg("--set").arg(format!("{name}={}", typed(value)));
    }
    if job.without_selfcheck {
        command.arg("--without-selfcheck");
    }
    if job.unrehearsed {
        command.arg("--unrehearsed");
    }
    if let Some(Hold::HeatsinkCMax(c)) = job.hold {
        command.arg("--cool-to").arg(c.to_string());
    }
    // A group of its own: Ctrl-C reaches the daemon, which stops the run in order.
    command.process_group(0).kill_on_drop(false);
    command.env("WATTPROOF_LOG", "warn").env("NO_COLOR", "1");
    // It is not the service: the daemon is.
    command.env_remove("NOTIFY_SOCKET");
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn()
}

/// A parameter's value as the command line takes it.
pub fn typed(value: &serde_json::Value) -> String {
    match value {
        serde_json::Value::String(word) => word.clone(),
        serde_json::Value::Array(items) => items.iter().map(typed).collect::<Vec<_>>().join(","),
        other => other.to_string(),
    }
}

/// Passes orders on; a run that does not end after a stop is sent a signal, then killed.
async fn see_to_its_end(
    child: &mut Child,
    orders: &mut ChildStdin,
    ordered: &mut UnboundedReceiver<Ordered>,
) -> std::io::Result<std::process::ExitStatus> {
    let pid = child.id().and_then(|id| i32::try_from(id).ok()).and_then(Pid::from_raw);
    let mut stopped: Option<(Instant, Signal)> = None;
    loop {
        let next = stopped.map(|(at, signal)| {
            (at + if signal == Signal::TERM { SIGNAL_AFTER } else { KILL_AFTER }, signal)
        });
        tokio::select! {
            status = child.wait() => return status,
            Some(order) = ordered.recv() => {
                stopped.get_or_insert((Instant::now(), Signal::TERM));
                if let Err(error) = tell(orders, &order).await {
                    tracing::warn!(%error, "a run does not hear orders any more; it is sent a signal");
                    send(pid, Signal::TERM);
                }
            }
            () = sleep_until(next.map_or_else(Instant::now, |(at, _)| at)), if next.is_some() => {
                if let Some((_, signal)) = next {
                    send(pid, signal);
                    // After the last there is nothing to do but wait: the kernel ends it when its disk lets go of it.
                    stopped = stopped.filter(|_| signal == Signal::TERM).map(|(at, _)| (at, Signal::KILL));
                }
            }
        }
    }
}

async fn tell(orders: &mut ChildStdin, order: &Ordered) -> std::io::Result<()> {
    let mut line = serde_json::to_vec(order)?;
    line.push(b'\n');
    // A pipe that nobody reads must not keep the daemon: a signal comes after it in any case.
    tokio::time::timeout(Duration::from_secs(1), async {
        orders.write_all(&line).await?;
        orders.flush().await
    })
    .await
    .map_err(|_| std::io::Error::from(std::io::ErrorKind::TimedOut))?
}

fn send(pid: Option<Pid>, signal: Signal) {
    if let Some(pid) = pid
        && let Err(error) = kill_process(pid, signal)
    {
        tracing::warn!(?signal, %error, "a run was not sent its signal");
    }
}

/// Takes in what a run tells, to the end of its output.
async fn listen(daemon: Arc<Daemon>, bench: String, job: u64, told: ChildStdout) -> Heard {
    let mut heard = Heard::default();
    let mut lines = BufReader::new(told).lines();
    let started = Instant::now();
    while let Some(line) = next_line(&mut lines).await {
        match serde_json::from_str::<Told>(&line) {
            Ok(Told::Ended { outcome, safe, error, bench_wrong, bench_lost, verdicts }) => {
                daemon.note(job, false, |job| job.bench_wrong = bench_wrong);
                heard.ended = Some(Ending { outcome, safe, error, bench_lost, verdicts });
            }
            Ok(told) => take_in(&daemon, &bench, job, told, started),
            Err(error) => daemon.log(
                Some(&bench),
                Some(job),
                "warn",
                &format!("the run said what is not understood ({error})"),
            ),
        }
    }
    heard
}

fn take_in(daemon: &Daemon, bench: &str, job: u64, told: Told, started: Instant) {
    let about = |name: &str, value: serde_json::Value| {
        let run = daemon.job(job).ok().and_then(|job| job.run);
        serde_json::json!({ "job": job, "bench": bench, "run": run, name: value })
    };
    match told {
        Told::Cooling { heatsink_c, heatsink_c_max } => daemon.note(job, false, |job| {
            job.doing = Some(format!(
                "waiting for the heatsink: {heatsink_c:.1} °C, begins at {heatsink_c_max:.1} °C"
            ));
        }),
        Told::Opened { run } => daemon.note(job, true, |job| job.run = Some(run)),
        Told::Doing { what } => daemon.note(job, false, |job| job.doing = Some(what)),
        Told::Checked { summary } => daemon.note(job, false, |job| job.selfcheck = Some(summary)),
        Told::Planned { steps } => daemon.note(job, false, |job| job.steps_planned = Some(steps)),
        Told::Step { step } => {
            let number = step.get("step").and_then(serde_json::Value::as_u64).unwrap_or_default();
            daemon.metrics.stepped(bench);
            daemon.events.tell("step", Some(bench), &about("step", step));
            daemon.note(job, false, |job| {
                job.steps = number;
                job.steps_planned = job.steps_planned.map(|planned| planned.max(number));
                let left = job.steps_planned.map(|planned| planned - number);
                job.left_s =
                    left.map(|left| left as f64 * started.elapsed().as_secs_f64() / number.max(1) as f64);
            });
        }
        Told::Rating { rating } => daemon.events.tell("rating", Some(bench), &about("rating", rating)),
        Told::Finding { finding } => daemon.events.tell("finding", Some(bench), &about("finding", finding)),
        Told::LeftOut { rating, why } => {
            daemon.log(Some(bench), Some(job), "warn", &format!("rating {rating} is not measured: {why}"));
        }
        Told::Printed { text } => daemon.log(Some(bench), Some(job), "info", &text),
        Told::Bench(sight) => daemon.see(bench, |bench| bench.see(&sight, Utc::now())),
        Told::Ended { .. } => {}
    }
}

/// Takes in what a run writes on standard error, to its end; the last line is kept.
async fn hear<R: AsyncRead + Unpin>(
    daemon: Arc<Daemon>,
    bench: String,
    job: u64,
    mut lines: Lines<BufReader<R>>,
) -> Option<String> {
    let mut last = None;
    while let Some(line) = next_line(&mut lines).await {
        if line.trim().is_empty() {
            continue;
        }
        // How it ended is told as such; this is the same for a person, and all there is of a run that fell silent.
        if !line.starts_with(AT_THE_END) {
            daemon.log(Some(&bench), Some(job), "warn", &line);
        }
        last = Some(line);
    }
    last
}

async fn next_line<R: AsyncRead + Unpin>(lines: &mut Lines<BufReader<R>>) -> Option<String> {
    loop {
        match lines.next_line().await {
            Ok(line) => return line,
            Err(error) if error.kind() == std::io::ErrorKind::InvalidData => {
                tracing::warn!(%error, "a run said what is no text");
            }
            Err(error) => {
                tracing::warn!(%error, "a run can't be heard any more");
                return None;
            }
        }
    }
}

/// What came out, from what the run said and how its process ended. Silence is never taken for safe.
fn judge(heard: Heard, status: std::io::Result<std::process::ExitStatus>) -> End {
    let how = status.map_or_else(|error| error.to_string(), |status| status.to_string());
    let Some(Ending { outcome, safe, error, bench_lost, verdicts }) = heard.ended else {
        let last = heard.last_words.map(|words| format!("; it said last: {words}")).unwrap_or_default();
        let what = format!(
            "ALARM: the run's process ended ({how}) and did not say that every output is off: its guardian switches off, but nobody has seen it; go and look{last}"
        );
        return End { outcome: JobOutcome::NotSafe, error: Some(what), bench_lost: false };
    };
    let (outcome, error) = match outcome {
        _ if !safe => {
            let what = "ALARM: an output was not confirmed off: go and switch it off by hand, at its mains";
            (
                JobOutcome::NotSafe,
                Some(error.map_or_else(|| what.into(), |error| format!("{what} ({error})"))),
            )
        }
        Some(Outcome::Finished) => (JobOutcome::of_verdicts(&verdicts), None),
        Some(Outcome::Stopped) => {
            (JobOutcome::Stopped, Some(error.unwrap_or_else(|| "stopped; every output is off".into())))
        }
        Some(Outcome::Failed) | None => (JobOutcome::Failed, error),
    };
    End { outcome, error, bench_lost }
}
