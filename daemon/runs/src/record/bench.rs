//! The recorded bench itself: live, or answered from the journal.

use std::sync::Arc;

use serde::Serialize;
use serde_json::{Value, json};
use wattproof_bench::{Arming, Bench, BenchError, BenchFile, ChannelCaptured};
use wattproof_guard::Limits;

use super::act::Told;
use super::history::Resumed;
use super::standing::Standing;
use super::{Act, Divergence, Facts, History, LINE};
use crate::captures::{load, store};
use crate::{Journal, Line, RunError, RunFolder};

/// The bench as a run sees it, with its record.
pub struct RecordedBench {
    facts: Facts,
    live: Option<Arc<Bench>>,
    /// What lets this run energise.
    arming: Option<Arming>,
    folder: RunFolder,
    journal: Option<Journal>,
    history: Option<History>,
    standing: Standing,
    samples: usize,
    /// Time of the last record, s. What a run sees of time comes from here alone, so that it is the same when the run
    /// is answered from its journal.
    now_s: f64,
    /// Added to the bench's clock: a resumed run goes on where it ended, gaps left out.
    offset_s: f64,
    steps_before: u64,
    /// The bench must be brought to how it stood before the next act.
    to_restore: bool,
}

/// What a live act gives: what is recorded of it, and what is captured.
pub(super) struct Live {
    pub told: Told,
    pub channels: Vec<ChannelCaptured>,
}

impl RecordedBench {
    /// A live bench with a new journal.
    pub fn live(facts: Facts, bench: Arc<Bench>, folder: RunFolder, journal: Journal) -> Self {
        let now_s = bench.now_s();
        RecordedBench { live: Some(bench), journal: Some(journal), ..Self::new(facts, folder, now_s) }
    }

    /// Answered from a journal, then live on a bench.
    pub fn resumed(history: History, bench: Arc<Bench>, folder: RunFolder, journal: Journal) -> Self {
        RecordedBench { live: Some(bench), journal: Some(journal), ..Self::replayed(history, folder) }
    }

    /// Answered from a journal alone; what it does not hold is refused.
    pub fn replayed(history: History, folder: RunFolder) -> Self {
        let (facts, begun_s) = (history.opened.facts.clone(), history.opened.begun_s);
        RecordedBench { history: Some(history), ..Self::new(facts, folder, begun_s) }
    }

    fn new(facts: Facts, folder: RunFolder, now_s: f64) -> Self {
        let samples = facts.bench.digitizer.samples;
        RecordedBench {
            facts,
            live: None,
            arming: None,
            folder,
            journal: None,
            history: None,
            standing: Standing::default(),
            samples,
            now_s,
            offset_s: 0.0,
            steps_before: 0,
            to_restore: false,
        }
    }

    /// The bench was armed for this run: it acts no longer than that holds.
    pub fn armed_by(&mut self, arming: Arming) {
        self.arming = Some(arming);
    }

    /// The bench file.
    pub fn file(&self) -> &BenchFile {
        &self.facts.bench
    }

    /// Day on which the run began, `YYYY-MM-DD`.
    pub fn begun_day(&self) -> &str {
        &self.facts.begun_day
    }

    /// Whether the bench is checked before the script.
    pub fn checks_first(&self) -> bool {
        self.facts.selfcheck
    }

    /// Highest level that the source can give, V rms.
    pub fn source_vrms_max(&self) -> f64 {
        self.facts.source_vrms_max
    }

    /// The limits in force.
    pub fn limits(&self) -> Limits {
        self.facts.limits
    }

    /// Time of the last record, s: the bench's clock, gaps left out.
    pub fn now_s(&self) -> f64 {
        self.now_s
    }

    /// Samples per channel of the next captures.
    pub(super) fn note_samples(&mut self, samples: usize) {
        self.samples = samples;
    }

    /// Length of the next captures, s.
    pub fn record_s(&self) -> f64 {
        self.samples as f64 / self.facts.bench.digitizer.rate_hz
    }

    /// Steps recorded in an earlier part of the run, those left behind among them; 0 in the first part.
    pub fn steps_before(&self) -> u64 {
        self.steps_before
    }

    /// Writes the last line. A run that was being answered from its journal and did not get to anything new stays as it
    /// was. Where the journal can't be written any more, a file of its own says so beside it.
    pub fn close<T: Serialize>(&mut self, data: &T) -> Result<(), RunError> {
        let Some(journal) = self.journal.as_mut().filter(|_| self.history.is_none()) else { return Ok(()) };
        if journal.is_poisoned() {
            let path = journal.last_words(data)?;
            tracing::error!(path = %path.display(), "the journal could not be written; how the run ended is told there");
            return Ok(());
        }
        journal.append(self.now_s, "closed", data)?;
        Ok(())
    }

    /// Gives up everything that is open for writing.
    pub fn end(&mut self) {
        self.journal = None;
    }

    /// Puts a record into the journal, synced; in replay it must be the one recorded. Tells whether it is new.
    pub fn record<T: Serialize>(&mut self, kind: &str, data: &T) -> Result<bool, RunError> {
        self.put(kind, data, true)
    }

    /// As [`RecordedBench::record`], on the disk only with the next record that is.
    pub fn note<T: Serialize>(&mut self, kind: &str, data: &T) -> Result<bool, RunError> {
        self.put(kind, data, false)
    }

    /// Puts everything recorded so far on the disk: a person is about to see something that follows from it.
    pub fn keep(&mut self) -> Result<(), RunError> {
        match &mut self.journal {
            Some(journal) if self.history.is_none() => Ok(journal.keep()?),
            _ => Ok(()),
        }
    }

    fn put<T: Serialize>(&mut self, kind: &str, data: &T, sync: bool) -> Result<bool, RunError> {
        if let Some(line) = self.recorded(kind, data)? {
            self.now_s = line.at_s;
            return Ok(false);
        }
        if let Some(bench) = self.live.clone() {
            self.mark_resumed(&bench)?;
        }
        let now_s = self.now_s;
        let journal = self.journal.as_mut().ok_or(RunError::JournalEnds)?;
        if sync {
            journal.append(now_s, kind, data)?;
        } else {
            journal.write(now_s, kind, data)?;
        }
        Ok(true)
    }

    /// The next line of the journal, if there is one left; it must be what happens now.
    fn recorded<T: Serialize>(&mut self, kind: &str, data: &T) -> Result<Option<Line>, RunError> {
        self.pass_resumption()?;
        let Some(line) = self.history.as_mut().and_then(|history| history.lines.pop_front()) else {
            return Ok(None);
        };
        let now = told(kind, &serde_json::to_value(data).unwrap_or(Value::Null));
        let recorded = told(&line.kind, &line.data);
        if now == recorded {
            return Ok(Some(line));
        }
        let (recorded, now) = shortened(&recorded, &now);
        Err(RunError::Diverged(Divergence { line: line.seq + 1, recorded, now }))
    }

    /// A place where the run was resumed before: numbers go on from there.
    fn pass_resumption(&mut self) -> Result<(), RunError> {
        while let Some(line) = self.next_line().filter(|line| is_resumption(&line.kind)).cloned() {
            if line.kind == "restoring" {
                self.history.as_mut().and_then(|history| history.lines.pop_front());
                continue;
            }
            let resumed: Resumed = serde_json::from_value(line.data.clone()).map_err(|error| {
                RunError::Call(format!("journal line {}: {error}: it can't be answered from", line.seq + 1))
            })?;
            self.steps_before = self.steps_before.max(resumed.steps);
            self.now_s = line.at_s;
            if let Some(history) = &mut self.history {
                history.lines.pop_front();
            }
        }
        Ok(())
    }

    fn next_line(&self) -> Option<&Line> {
        self.history.as_ref().and_then(|history| history.lines.front())
    }

    /// Does an act, or answers it from the journal.
    pub(super) fn act(
        &mut self,
        act: Act,
        live: impl FnOnce(&Bench) -> Result<Live, BenchError>,
    ) -> Result<(Told, Vec<ChannelCaptured>), RunError> {
        let now = json!(act);
        if let Some(line) = self.recorded("act", &now)? {
            // The history ends with whole acts: an outcome always follows.
            let done = self.history.as_mut().and_then(|history| history.lines.pop_front());
            let told = done.as_ref().filter(|done| done.kind == "done");
            let told = told.and_then(|done| serde_json::from_value::<Told>(done.data.clone()).ok());
            let (Some(done), Some(told)) = (done, told) else {
                return Err(RunError::Diverged(Divergence {
                    line: line.seq + 2,
                    recorded: "no outcome that can be read".into(),
                    now: "the outcome of an act".into(),
                }));
            };
            self.now_s = done.at_s;
            self.standing.after(&act, &told);
            let channels = match &told {
                Told::Captured { capture, .. } => {
                    load(self.folder.disk().as_ref(), self.folder.path(), capture)?
                }
                _ => Vec::new(),
            };
            return Ok((told, channels));
        }
        let bench = self.go_live()?;
        let seq = self.put_act(&act)?;
        let done = live(&bench);
        self.now_s = (bench.now_s() + self.offset_s).max(self.now_s);
        match done {
            Ok(Live { mut told, channels }) => {
                if let Told::Captured { capture, .. } = &mut told {
                    let disk = self.folder.disk().as_ref();
                    *capture = store(disk, self.folder.path(), seq, &self.facts.bench, &channels)?;
                }
                self.put("done", &told, act.tells())?;
                self.standing.after(&act, &told);
                Ok((told, channels))
            }
            Err(error) => {
                // The act's own failure explains the run; one of the record comes second and ends it as well.
                self.put("failed", &json!({ "error": error.to_string() }), true)?;
                Err(error.into())
            }
        }
    }

    fn put_act(&mut self, act: &Act) -> Result<u64, RunError> {
        let now_s = self.now_s;
        let journal = self.journal.as_mut().ok_or(RunError::JournalEnds)?;
        Ok(if act.energises() {
            journal.append(now_s, "act", act)?
        } else {
            journal.write(now_s, "act", act)?
        })
    }

    /// The bench, brought to where the journal ended if the run was answered from one so far.
    fn go_live(&mut self) -> Result<Arc<Bench>, RunError> {
        let bench = self.live.clone().ok_or(RunError::JournalEnds)?;
        if let Some(arming) = self.arming {
            bench.still(arming)?;
        }
        self.mark_resumed(&bench)?;
        if std::mem::take(&mut self.to_restore) {
            // The intent of it, whatever was recorded since the run was resumed.
            self.record("restoring", &json!({ "standing": format!("{:?}", self.standing) }))?;
            self.standing.restore(&bench)?;
            self.offset_s = self.now_s - bench.now_s();
        }
        Ok(bench)
    }

    /// Once the journal is used up: a line that says so, before anything new.
    fn mark_resumed(&mut self, bench: &Bench) -> Result<(), RunError> {
        let Some(history) = self.history.take() else { return Ok(()) };
        let now = chrono::Utc::now();
        let resumed = Resumed {
            from_seq: history.from_seq,
            steps: history.steps,
            at_utc: now.to_rfc3339_opts(chrono::SecondsFormat::Millis, true),
            gap_s: gap_s(&history, now),
            instruments: json!(bench.identities()),
        };
        self.steps_before = history.steps;
        self.now_s = self.now_s.max(history.last_s);
        self.to_restore = true;
        self.record("resumed", &resumed)?;
        Ok(())
    }

    /// Where the run is recorded.
    pub fn folder(&self) -> &RunFolder {
        &self.folder
    }

    /// Lines of the journal that were not answered from.
    pub fn lines_left(&self) -> usize {
        self.history.as_ref().map_or(0, |history| history.lines.len())
    }

    /// Whether the run is still answered from its journal.
    pub fn is_replaying(&self) -> bool {
        self.next_line().is_some()
    }
}

/// Lines that belong to a resumption, not to the script.
fn is_resumption(kind: &str) -> bool {
    matches!(kind, "resumed" | "restoring")
}

/// Time since the last record, by the clock of day.
fn gap_s(history: &History, now: chrono::DateTime<chrono::Utc>) -> Option<f64> {
    let started = chrono::DateTime::parse_from_rfc3339(&history.opened.started_utc).ok()?;
    let since_s = (now - started.with_timezone(&chrono::Utc)).num_milliseconds() as f64 / 1000.0;
    Some(since_s - history.last_s)
}

/// A record as it is compared. Where a call stands in the script does not count: a comment may have been added above it.
fn told(kind: &str, data: &Value) -> String {
    let mut data = data.clone();
    if let Some(map) = data.as_object_mut().filter(|_| kind == "call") {
        map.remove(LINE);
    }
    format!("{kind} {data}")
}

/// Both texts from shortly before where they begin to differ.
fn shortened(a: &str, b: &str) -> (String, String) {
    let same = a.chars().zip(b.chars()).take_while(|(a, b)| a == b).count();
    let cut = |text: &str| {
        let from = same.saturating_sub(60);
        let piece: String = text.chars().skip(from).take(160).collect();
        let (before, after) =
            (if from > 0 { "…" } else { "" }, if text.chars().count() > from + 160 { "…" } else { "" });
        format!("{before}{piece}{after}")
    };
    (cut(a), cut(b))
}
