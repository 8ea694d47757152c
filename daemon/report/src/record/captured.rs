//! The capture of one step: its samples with the reading that was made of them.

use std::io::{BufRead, BufReader};

use serde::Deserialize;
use wattproof_runs::{CaptureRef, ChannelStep, JOURNAL_FILE, Step, load_capture};
use wattproof_signal::Capture;

use super::folder::Recorded;
use crate::ReportError;

/// Longest line of a journal, bytes.
const LINE_BYTES_MAX: u64 = 16 << 20;

/// One channel of one step, as recorded.
#[derive(Debug)]
pub(crate) struct Shot {
    pub step: Step,
    pub channel: ChannelStep,
    pub capture: Capture,
}

#[derive(Deserialize)]
struct StepLine {
    data: Step,
}

#[derive(Deserialize)]
struct DoneLine {
    data: Done,
}

#[derive(Deserialize)]
struct Done {
    captured: DoneCapture,
}

#[derive(Deserialize)]
struct DoneCapture {
    capture: CaptureRef,
}

/// The capture of a step (absent: the last recorded one) and of a channel of it (absent: the driven one that distorts
/// most).
pub(crate) fn shot(run: &Recorded, step: Option<u64>, channel: Option<u32>) -> Result<Shot, ReportError> {
    let (step, stored) = find(run, step)?;
    let worst = |a: &&ChannelStep, b: &&ChannelStep| {
        let thdn = |channel: &ChannelStep| channel.reading.thdn_pct.unwrap_or(f64::NEG_INFINITY);
        thdn(a).total_cmp(&thdn(b))
    };
    let chosen = match channel {
        Some(number) => step.channels.iter().find(|one| one.channel == number),
        None => step.driven().max_by(worst).or(step.channels.first()),
    };
    let all: Vec<String> = step.channels.iter().map(|one| one.channel.to_string()).collect();
    let no_channel = |number| ReportError::NoChannel {
        run: run.name().into(),
        step: step.step,
        channel: number,
        there: all.join(", "),
    };
    let chosen = chosen.ok_or_else(|| no_channel(channel.unwrap_or(1)))?.clone();
    let captured = load_capture(run.folder().disk().as_ref(), run.folder().path(), &stored)?;
    let capture = captured.into_iter().find(|one| one.amplifier_channel == chosen.channel);
    let capture = capture.ok_or_else(|| no_channel(chosen.channel))?.capture;
    Ok(Shot { step, channel: chosen, capture })
}

/// A step's line and where the capture before it is stored. Only the lines that matter are parsed: a journal holds far more.
fn find(run: &Recorded, wanted: Option<u64>) -> Result<(Step, CaptureRef), ReportError> {
    let path = run.file(JOURNAL_FILE);
    let read = |source| ReportError::Read { path: path.clone(), source };
    let mut journal = BufReader::with_capacity(1 << 18, run.folder().disk().reader(&path).map_err(read)?);
    let (mut line, mut captured, mut found) = (Vec::new(), Vec::new(), None);
    let mut last = None;
    loop {
        line.clear();
        std::io::Read::take(&mut journal, LINE_BYTES_MAX + 1).read_until(b'\n', &mut line).map_err(read)?;
        // What has no end yet is on its way to the disk.
        if line.last() != Some(&b'\n') {
            break;
        }
        match kind(&line) {
            Some(b"done") if is_capture(&line) => captured.clone_from(&line),
            Some(b"step") => {
                last = step_number(&line).or(last);
                if wanted.is_none_or(|wanted| step_number(&line) == Some(wanted)) {
                    found = Some((line.clone(), captured.clone()));
                }
                if wanted.is_some() && found.is_some() {
                    break;
                }
            }
            _ => {}
        }
    }
    let Some((step, done)) = found else {
        let there = last.map_or("none is recorded yet".to_string(), |last| format!("it has 1 to {last}"));
        let step = wanted.map_or("at all".to_string(), |step| step.to_string());
        return Err(ReportError::NoStep { run: run.name().into(), step, there });
    };
    let altered = |error: serde_json::Error| run.altered(JOURNAL_FILE, error.to_string());
    let step: StepLine = serde_json::from_slice(&step).map_err(altered)?;
    let done: DoneLine = serde_json::from_slice(&done).map_err(altered)?;
    Ok((step.data, done.data.captured.capture))
}

/// The kind of a line, which stands before its data.
fn kind(line: &[u8]) -> Option<&[u8]> {
    const KEY: &[u8] = b",\"kind\":\"";
    // Numbers alone stand before it.
    let head = line.get(..line.len().min(160))?;
    let at = head.windows(KEY.len()).position(|part| part == KEY)? + KEY.len();
    let rest = line.get(at..)?;
    rest.get(..rest.iter().position(|byte| *byte == b'"')?)
}

fn is_capture(line: &[u8]) -> bool {
    const BEGINS: &[u8] = b"\"data\":{\"captured\":";
    line.get(..line.len().min(240)).is_some_and(|head| head.windows(BEGINS.len()).any(|part| part == BEGINS))
}

/// The number of a line that holds a step, which stands first in its data.
fn step_number(line: &[u8]) -> Option<u64> {
    const BEGINS: &[u8] = b"\"data\":{\"step\":";
    let head = line.get(..line.len().min(240))?;
    let at = head.windows(BEGINS.len()).position(|part| part == BEGINS)? + BEGINS.len();
    let digits = head.get(at..)?.iter().take_while(|byte| byte.is_ascii_digit());
    let digits: Vec<u8> = digits.copied().collect();
    std::str::from_utf8(&digits).ok()?.parse().ok()
}
