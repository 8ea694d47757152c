//! From a run's story, steps and figures to what the template shows.

use wattproof_runs::{Outcome, PlateKind};

use super::answers::answer;
use super::deviations::deviations;
use super::found::found;
use super::{Fact, Page, facts, style};
use crate::figures::{Setting, claim_words, curves_of, draw_curves, draw_supply, subtitle};
use crate::record::{Recorded, Story, file_name, is_simulated, parameters_words, set_words, steps_of};
use crate::{CAUTIONS, ReportError};

/// What stands at the top.
pub struct Head {
    pub amplifier: String,
    pub unit: String,
    pub invented: bool,
    pub run: String,
    pub state_class: &'static str,
    pub state: &'static str,
    pub state_words: String,
    pub error: Option<String>,
    pub facts: Vec<Fact>,
    pub no_ratings: bool,
}

/// How to reproduce it.
pub struct Again {
    pub facts: Vec<Fact>,
    pub commands: String,
    pub script: String,
    pub source: String,
    pub nameplate: String,
    pub bench: String,
}

pub fn page(run: &Recorded, story: &Story) -> Result<Page, ReportError> {
    let plate = &story.opened.nameplate;
    let steps = steps_of(run, 0)?;
    let curves = curves_of(run, plate, &story.ratings)?;
    let below = subtitle(run.name(), plate.invented);
    let what = if plate.kind == PlateKind::LineStage { "output voltage" } else { "power" };
    Ok(Page {
        style: style(),
        head: head(run, story),
        answers: story.ratings.iter().map(|record| answer(run, plate, record)).collect(),
        unanswered: unanswered(story),
        found: story.findings.iter().map(found).collect(),
        deviations: deviations(story, &steps),
        distortion: draw_curves(&curves, &format!("Distortion against {what}"), &below, Setting::Inside),
        supply: draw_supply(&steps, "Supply and heatsink over the run", &below, Setting::Inside),
        conditions: facts::conditions(story, &steps),
        instruments: facts::instruments(story),
        inputs: facts::inputs(story),
        limits: facts::limits(story),
        checks: facts::checks(story),
        again: again(story),
        cautions: CAUTIONS.trim_start_matches("Cautions. ").to_string(),
    })
}

fn head(run: &Recorded, story: &Story) -> Head {
    let opened = &story.opened;
    let plate = &opened.nameplate;
    let kind = if plate.kind == PlateKind::LineStage { "line stage" } else { "power amplifier" };
    let (state_class, state, state_words) = state(story);
    let mut facts = vec![
        Fact::new("Run", run.name()),
        Fact::new("Began", opened.started_utc.clone()),
        Fact::new(
            "Ended",
            story.closed.as_ref().map_or("no end is recorded".into(), |closed| closed.ended_utc.clone()),
        ),
        Fact::new("Script", file_name(&opened.script)),
        Fact::new("Bench", opened.bench.name.clone()),
    ];
    if opened.run != run.name() {
        facts.push(Fact::new("Recorded as", opened.run.clone()));
    }
    if opened.instruments.iter().any(|one| is_simulated(&one.idn)) {
        facts.push(Fact::new("Instruments", "simulated by the program's own virtual bench"));
    }
    Head {
        amplifier: format!("{} {}", plate.maker, plate.model).trim().to_string(),
        unit: format!(
            "{kind}, {} channel{}, serial number {}",
            plate.channels,
            if plate.channels == 1 { "" } else { "s" },
            plate.serial.as_deref().unwrap_or("not given")
        ),
        invented: plate.invented,
        run: run.name().into(),
        state_class,
        state,
        state_words,
        error: story.closed.as_ref().and_then(|closed| closed.error.clone()),
        facts,
        no_ratings: plate.rating.is_empty(),
    }
}

/// How the run stands, in words.
fn state(story: &Story) -> (&'static str, &'static str, String) {
    let Some(closed) = &story.closed else {
        return (
            "open",
            "Not ended",
            "The run goes on, or was cut off by a crash or a power cut: this is what is recorded so far. A run that was cut off goes on with “wattproof resume”.".into(),
        );
    };
    let off = match &closed.safe {
        Some(safe) if safe.source_off && safe.supply_off && !safe.measured_live => {
            "Source and supply answered that they are off."
        }
        Some(_) => "ALARM: an output was not confirmed off.",
        None => "The record does not tell how the outputs were left.",
    };
    let (class, state, words) = match closed.outcome {
        Outcome::Finished => ("finished", "Finished", "The script came to its end."),
        Outcome::Stopped => {
            ("stopped", "Stopped", "A person stopped it; what was recorded up to then is told here.")
        }
        Outcome::Failed => {
            ("failed", "Failed", "Something failed or tripped; what was recorded up to then is told here.")
        }
    };
    (class, state, format!("{words} {off}"))
}

/// The ratings without an answer, each with its reason.
pub fn unanswered(story: &Story) -> Vec<Fact> {
    let claims = (1..).zip(&story.opened.nameplate.rating);
    let open = claims.filter(|(number, _)| !story.ratings.iter().any(|record| record.rating == *number));
    let ended = match story.closed.as_ref().map(|closed| closed.outcome) {
        None => "not judged so far",
        Some(Outcome::Finished) => "the script did not judge it",
        Some(Outcome::Stopped) => "the run was stopped before it was judged",
        Some(Outcome::Failed) => "the run failed before it was judged",
    };
    open.map(|(number, claim)| {
        let why = story.left_out.iter().find(|one| one.rating == number).map(|one| one.why.as_str());
        Fact::new(format!("Rating {number}: {}", claim_words(claim)), why.unwrap_or(ended))
    })
    .collect()
}

fn again(story: &Story) -> Again {
    let opened = &story.opened;
    let journal = &story.journal;
    let whole = match (journal.broken_line, journal.torn_bytes) {
        (Some(line), _) => format!("damaged from line {line} on"),
        (None, 0) => "every line is as it was written".into(),
        (None, bytes) => format!("every whole line is as it was written; {bytes} bytes of a line follow"),
    };
    // What was recorded is valid, so it can be written; a failure is told where the text would stand.
    let toml = |text: Result<String, toml::ser::Error>| {
        text.unwrap_or_else(|error| format!("# can't be written as TOML: {error}"))
    };
    Again {
        facts: vec![
            Fact::new("Script", opened.script.clone()),
            Fact::new("SHA-256 of the script", opened.script_sha256.clone()),
            Fact::new("Parameters of the script", parameters_words(&opened.parameters)),
            Fact::new("Program that recorded", format!("wattproof {}", opened.wattproof_version)),
            Fact::new("Program that reported", format!("wattproof {}", env!("CARGO_PKG_VERSION"))),
            Fact::new("Journal", format!("{} lines, chain {}: {whole}", journal.lines, journal.chain)),
        ],
        commands: format!(
            "wattproof recompute {run}    # every reading again from the stored samples, compared bit for bit\n\
             wattproof rebuild {run}      # every table again from the journal\n\
             wattproof run {script} --bench bench.toml --nameplate amplifier.toml{set}    # the whole run again",
            run = opened.run,
            script = file_name(&opened.script),
            set = set_words(&opened.parameters)
        ),
        script: file_name(&opened.script),
        source: opened.source.clone(),
        nameplate: toml(toml::to_string(&opened.nameplate)),
        bench: toml(toml::to_string(&opened.bench)),
    }
}
