//! A run that the daemon started: it tells how it goes on standard output, takes orders on standard input, and stops
//! when that ends, since then nobody is there who could stop it.

use std::io::{BufRead, Write};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use wattproof_bench::{BenchFile, Sights, Stopper};
use wattproof_report::step_row;
use wattproof_runs::{Event, Outcome, RatingRecord, RunError, RunOrder, RunSummary, Watcher};
use wattproof_serve::{Ordered, Told};

use crate::check::First;
use crate::cool::cool;
use crate::failure::Failure;
use crate::follow::{Order, ending, on_bench};

/// How often it is told how the bench stands.
const LOOK_EACH: Duration = Duration::from_millis(500);
/// Longest that the last words may take to be read.
const LAST_WORDS: Duration = Duration::from_secs(5);

/// Rehearses where that is asked for, then runs on a bench and tells how it goes; waits for the heatsink first where that
/// is asked for.
pub fn run_and_tell(
    file: BenchFile,
    state_folder: Option<std::path::PathBuf>,
    run: RunOrder,
    first: Option<First>,
    cool_to_c: Option<f64>,
) -> Result<(), Failure> {
    let voice = Arc::new(Voice::start()?);
    let told = Arc::clone(&voice);
    let (news, heard) = channel();
    listen(news.clone());
    if let Some(first) = first.filter(|first| !first.bench.virtual_bench) {
        voice.say(&Told::Doing { what: "rehearsing the script; nothing is opened yet".into() });
        let rehearsing = std::thread::Builder::new().name("rehearsing".into());
        let begun = rehearsing.spawn(move || drop(news.send(News::Rehearsed(first.rehearse()))));
        if let Err(source) = begun {
            return voice.failed(Failure::System { what: "starting a thread", source });
        }
        match heard.recv() {
            Ok(News::Rehearsed(Ok(()))) => {}
            Ok(News::Rehearsed(Err(failure))) => return voice.failed(failure),
            Ok(News::Stop(by)) => {
                let what =
                    format!("stopped while the script was rehearsed, before any port was opened ({by})");
                return voice.ended(Failure::Stopped, what);
            }
            Err(_) => {
                return voice.failed(Failure::Said("the rehearsal was not told; please report it".into()));
            }
        }
    }
    let summary = on_bench(file, state_folder, move |bench| {
        pass_on(heard, bench.stopper());
        look(bench.sights(), Arc::clone(&told));
        cool(bench, cool_to_c, |heatsink_c, heatsink_c_max| {
            told.say(&Told::Cooling { heatsink_c, heatsink_c_max });
        })?;
        let summary = Order::Run(Box::new(run)).carry_out(bench, Arc::clone(&told) as Arc<dyn Watcher>);
        // How it was left is told before how it ended.
        if let Some(sight) = bench.sights().look() {
            told.say(&Told::Bench(sight));
        }
        summary
    });
    let summary = match summary {
        Ok(Ok(summary)) => summary,
        Ok(Err(error)) => return voice.failed(error.into()),
        Err(failure) => return voice.failed(failure),
    };
    voice.say(&Told::Ended {
        outcome: Some(summary.outcome),
        safe: summary.safe.is_safe(),
        error: why(&summary),
        bench_wrong: matches!(summary.error, Some(RunError::SelfCheck(_))),
        verdicts: verdicts(&summary),
    });
    voice.finish();
    ending(&summary, Ok(()))
}

/// Of every rating, and of every finding that has one.
fn verdicts(summary: &RunSummary) -> Vec<String> {
    let findings = summary.findings.iter().filter_map(|finding| finding.verdict);
    summary
        .results
        .iter()
        .map(|result| result.verdict)
        .chain(findings)
        .map(|verdict| verdict.to_string())
        .collect()
}

/// Why a run did not finish, and what was warned of.
fn why(summary: &RunSummary) -> Option<String> {
    let error = summary.error.as_ref().map(ToString::to_string);
    let words: Vec<String> = error.into_iter().chain(summary.safe.warnings.iter().cloned()).collect();
    match (words.is_empty(), summary.outcome) {
        (true, Outcome::Finished) => None,
        (true, _) => Some("it ended without a reason on record; see journal.jsonl".into()),
        (false, _) => Some(words.join("; ")),
    }
}

/// What is waited for.
enum News {
    /// Somebody wants everything off.
    Stop(String),
    /// How the rehearsal went.
    Rehearsed(Result<(), Failure>),
}

/// Takes orders until there are none any more.
fn listen(news: Sender<News>) {
    let listening = std::thread::Builder::new().name("orders".into()).spawn(move || {
        let stop = |by: String| news.send(News::Stop(by)).is_ok();
        for line in std::io::stdin().lock().lines() {
            match line.map(|line| serde_json::from_str::<Ordered>(&line)) {
                Ok(Ok(Ordered::Stop { by })) => {
                    if !stop(by) {
                        return;
                    }
                }
                Ok(Err(error)) => tracing::warn!(%error, "an order is not understood"),
                Err(error) => {
                    tracing::warn!(%error, "orders can't be heard");
                    break;
                }
            }
        }
        stop("the daemon that started this run is gone".into());
    });
    if let Err(error) = listening {
        tracing::error!(%error, "nobody listens to orders; SIGTERM still stops this run");
    }
}

/// Stops the bench whenever that is wanted from now on.
fn pass_on(news: Receiver<News>, stopper: Stopper) {
    let passing = std::thread::Builder::new().name("stops".into()).spawn(move || {
        for news in news {
            if let News::Stop(by) = news {
                stopper.stop(&by);
            }
        }
    });
    if let Err(error) = passing {
        tracing::error!(%error, "no order to stop is passed on; SIGTERM still stops this run");
    }
}

/// Tells how the bench stands for as long as it is open.
fn look(sights: Sights, told: Arc<Voice>) {
    let looking = std::thread::Builder::new().name("sights".into()).spawn(move || {
        while let Some(sight) = sights.look() {
            told.say(&Told::Bench(sight));
            std::thread::sleep(LOOK_EACH);
        }
    });
    if let Err(error) = looking {
        tracing::error!(%error, "how the bench stands is not told");
    }
}

/// What is told, written by a thread of its own: whoever tells never waits for whoever reads.
struct Voice {
    lines: Mutex<Option<Sender<String>>>,
    done: Mutex<Receiver<()>>,
}

impl Voice {
    fn start() -> Result<Self, Failure> {
        let (lines, heard) = channel::<String>();
        let (end, done) = channel();
        std::thread::Builder::new()
            .name("voice".into())
            .spawn(move || {
                while let Ok(line) = heard.recv() {
                    let mut out = std::io::stdout().lock();
                    if let Err(error) = writeln!(out, "{line}").and_then(|()| out.flush()) {
                        tracing::warn!(%error, "nobody hears how this run goes");
                        break;
                    }
                }
                if end.send(()).is_err() {
                    tracing::debug!("nobody waits for the last words");
                }
            })
            .map_err(|source| Failure::System { what: "starting a thread", source })?;
        Ok(Voice { lines: Mutex::new(Some(lines)), done: Mutex::new(done) })
    }

    fn say(&self, told: &Told) {
        match serde_json::to_string(told) {
            Ok(line) => {
                let lines = self.lines.lock().unwrap_or_else(PoisonError::into_inner);
                if lines.as_ref().is_some_and(|lines| lines.send(line).is_err()) {
                    tracing::debug!("nobody hears how this run goes");
                }
            }
            Err(error) => tracing::error!(%error, "what happened can't be told as JSON"),
        }
    }

    /// It could not be begun: nothing was energised by it.
    fn failed(&self, failure: Failure) -> Result<(), Failure> {
        let what = failure.to_string();
        self.ended(failure, what)
    }

    /// The same in words of one's own.
    fn ended(&self, failure: Failure, what: String) -> Result<(), Failure> {
        let safe = !matches!(failure, Failure::NotSafe);
        let outcome = failure.is_stop().then_some(Outcome::Stopped);
        self.say(&Told::Ended {
            outcome,
            safe,
            error: Some(what),
            bench_wrong: matches!(failure, Failure::WrongBench(_)),
            verdicts: Vec::new(),
        });
        self.finish();
        Err(failure)
    }

    /// Waits, for a bounded time, until everything was written.
    fn finish(&self) {
        drop(self.lines.lock().unwrap_or_else(PoisonError::into_inner).take());
        let done = self.done.lock().unwrap_or_else(PoisonError::into_inner);
        if done.recv_timeout(LAST_WORDS).is_err() {
            tracing::warn!("not everything that this run told was read");
        }
    }
}

impl Watcher for Voice {
    fn tell(&self, event: &Event<'_>) {
        match event {
            Event::Opened(run) => self.say(&Told::Opened { run: (*run).into() }),
            Event::Doing(what) => self.say(&Told::Doing { what: (*what).into() }),
            Event::Checked(found) => self.say(&Told::Checked { summary: found.summary() }),
            Event::Planned(steps) => self.say(&Told::Planned { steps: *steps }),
            Event::Stepped(step) => match step_row(step).map(serde_json::to_value) {
                Ok(Ok(step)) => self.say(&Told::Step { step }),
                Ok(Err(error)) => tracing::error!(%error, "a step can't be told"),
                Err(error) => tracing::error!(%error, "a step can't be told"),
            },
            Event::Judged(result) => match serde_json::to_value(RatingRecord::from(*result)) {
                Ok(rating) => self.say(&Told::Rating { rating }),
                Err(error) => tracing::error!(%error, "a rating can't be told"),
            },
            Event::Found(finding) => match serde_json::to_value(finding) {
                Ok(finding) => self.say(&Told::Finding { finding }),
                Err(error) => tracing::error!(%error, "a finding can't be told"),
            },
            Event::LeftOut(one) => self.say(&Told::LeftOut { rating: one.rating, why: one.why.clone() }),
            Event::Printed(text) => self.say(&Told::Printed { text: (*text).into() }),
        }
    }
}
