//! What counts of a journal when its run is answered from it: every line but those that a resumed run left behind.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::Opened;
use crate::{Line, Outcome};

/// How a run that is answered from its journal ended.
#[derive(Debug, Clone, PartialEq)]
pub enum Ended {
    /// The script came to its end.
    Finished,
    /// It failed or was stopped.
    Closed,
    /// It was cut off: no last line was written.
    CutOff,
}

/// The lines to answer from, and where the run stands.
#[derive(Debug)]
pub struct History {
    /// What was run.
    pub opened: Opened,
    /// Lines still to be answered from, in order.
    pub lines: VecDeque<Line>,
    /// The first line left behind if the run is resumed now.
    pub from_seq: u64,
    /// How it ended.
    pub ended: Ended,
    /// Steps recorded in all, those left behind among them.
    pub steps: u64,
    /// When something was last recorded, on the bench's clock, s.
    pub last_s: f64,
}

/// Marks where a run was resumed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Resumed {
    /// Lines from this one on were left behind: what they began did not come to its end.
    pub from_seq: u64,
    /// Steps recorded before, those left behind among them.
    pub steps: u64,
    /// When, UTC.
    pub at_utc: String,
    /// Time since the last record before, s, by the machine's clock of day.
    pub gap_s: Option<f64>,
    /// The instruments that answered.
    pub instruments: serde_json::Value,
}

/// The parts of a `closed` line that count here.
#[derive(Deserialize)]
struct Closed {
    outcome: Outcome,
}

impl History {
    /// Folds the lines of a journal; `None` when it has no first line that tells what was run.
    pub fn of(lines: &[Line]) -> Option<Self> {
        let first = lines.first().filter(|line| line.kind == "opened")?;
        let opened: Opened = serde_json::from_value(first.data.clone()).ok()?;
        let mut kept: VecDeque<Line> = VecDeque::new();
        let (mut ended, mut steps) = (Ended::CutOff, 0);
        for line in lines.iter().skip(1) {
            match line.kind.as_str() {
                "closed" => {
                    let closed = serde_json::from_value::<Closed>(line.data.clone());
                    let finished = closed.is_ok_and(|closed| closed.outcome == Outcome::Finished);
                    ended = if finished { Ended::Finished } else { Ended::Closed };
                    continue;
                }
                "resumed" => {
                    let resumed: Resumed = serde_json::from_value(line.data.clone()).ok()?;
                    kept.retain(|line| line.seq < resumed.from_seq);
                    ended = Ended::CutOff;
                }
                "step" => steps += 1,
                _ => {}
            }
            kept.push_back(line.clone());
        }
        let next_seq = lines.last().map_or(0, |line| line.seq + 1);
        let from_seq = unfinished(&kept).unwrap_or(next_seq);
        if ended != Ended::Finished {
            kept.retain(|line| line.seq < from_seq);
        }
        let last_s = lines.iter().map(|line| line.at_s).fold(0.0, f64::max);
        Some(History { opened, lines: kept, from_seq, ended, steps, last_s })
    }
}

/// Where the part begins that did not come to its end: the first act that failed or whose outcome is not known, or the
/// last act of a call that failed for the bench's sake and was the last one, or the first act of a self-check after which
/// the run was not started.
fn unfinished(lines: &VecDeque<Line>) -> Option<u64> {
    let (mut first, mut act, mut open, mut again) = (None, None, None, None);
    for line in lines {
        match line.kind.as_str() {
            "act" => {
                act = Some(line.seq);
                first = first.or(act);
                open = act;
            }
            "done" => open = None,
            "failed" => return act,
            "call" => again = None,
            "selfcheck" if line.data.get("may_start").and_then(serde_json::Value::as_bool) == Some(false) => {
                again = first.or(Some(line.seq));
            }
            "answer" if line.data.get("again").and_then(serde_json::Value::as_bool) == Some(true) => {
                again = act.or(Some(line.seq));
            }
            _ => {}
        }
    }
    open.or(again)
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn lines(kinds: &[(&str, serde_json::Value)]) -> VecDeque<Line> {
        let numbered = kinds.iter().zip(1u64..);
        numbered
            .map(|((kind, data), seq)| Line {
                seq,
                synced: 0,
                at_s: seq as f64,
                kind: (*kind).into(),
                data: data.clone(),
            })
            .collect()
    }

    /// Project definition: what came to its end is answered from, what did not is done again.
    #[test]
    fn what_did_not_come_to_its_end_is_done_again() {
        let (call, act, done) = (("call", json!({})), ("act", json!({})), ("done", json!("done")));
        let failed = ("failed", json!({ "error": "unplugged" }));
        let answer = |again: bool| ("answer", json!({ "error": "wrong load", "again": again }));
        let checked = |may_start: bool| ("selfcheck", json!({ "may_start": may_start, "checks": [] }));
        let cases = [
            // Whole: nothing is left behind.
            (vec![call.clone(), act.clone(), done.clone(), ("answer", json!({ "value": 1 }))], None),
            // An intent without an outcome: unknown.
            (vec![call.clone(), act.clone(), done.clone(), act.clone()], Some(4)),
            // An act that failed, whatever the script made of it.
            (
                vec![
                    call.clone(),
                    act.clone(),
                    failed.clone(),
                    answer(true),
                    call.clone(),
                    act.clone(),
                    done.clone(),
                ],
                Some(2),
            ),
            // The last call failed for the bench's sake: its last act is done again.
            (vec![call.clone(), act.clone(), done.clone(), answer(true)], Some(2)),
            // The script went on after it: it stands.
            (
                vec![
                    call.clone(),
                    act.clone(),
                    done.clone(),
                    answer(true),
                    call.clone(),
                    act.clone(),
                    done.clone(),
                ],
                None,
            ),
            // A bench that was found wrong is checked again from the beginning; one that was found good is not.
            (vec![act.clone(), done.clone(), act.clone(), done.clone(), checked(false)], Some(1)),
            (vec![act.clone(), done.clone(), checked(true), call.clone()], None),
            // The script's own mistake stands as well.
            (vec![call, answer(false)], None),
        ];
        for (kinds, expected) in cases {
            assert_eq!(unfinished(&lines(&kinds)), expected, "{kinds:?}");
        }
    }
}
