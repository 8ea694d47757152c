//! The report: one HTML file a run, which needs nothing else. In comes a run's folder, out goes the page as text. The
//! template escapes every text; figures come escaped from the room beside it.
//!
//! `build` gathers what the template shows; `answers` tells each rating, `found` what a script found out beside them, `deviations` what a reader must know before
//! believing a number, `facts` the conditions, `words` says causes and limits in plain words.

mod answers;
mod build;
mod deviations;
mod facts;
mod found;
mod outline;
mod words;

use std::path::Path;

use askama::Template;
use serde::Serialize;

pub use outline::{Outline, outline};

use crate::ReportError;
use crate::figures;
use crate::record::{Recorded, story};

pub(crate) const PAGE_STYLE: &str = include_str!("../../templates/page.css");

/// A line of a table: what, and its value.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Fact {
    /// What.
    pub name: String,
    /// Its value, with its unit.
    pub value: String,
}

impl Fact {
    pub(crate) fn new(name: impl Into<String>, value: impl Into<String>) -> Self {
        Fact { name: name.into(), value: value.into() }
    }
}

#[derive(Template)]
#[template(path = "report.html")]
struct Page {
    style: String,
    head: build::Head,
    answers: Vec<answers::Answer>,
    unanswered: Vec<Fact>,
    found: Vec<found::Found>,
    deviations: Vec<String>,
    distortion: String,
    supply: String,
    conditions: Vec<Fact>,
    instruments: Vec<facts::InstrumentRow>,
    inputs: Vec<facts::InputRow>,
    limits: Vec<Fact>,
    checks: Vec<facts::CheckRow>,
    again: build::Again,
    cautions: String,
}

/// One self-contained HTML page that tells a run: claims, answers with uncertainty, causes, curves, conditions, instruments,
/// limits, deviations, cautions, and how to reproduce it. A run that goes on, was stopped or failed is told as far as it is
/// recorded.
///
/// Costs the reading and checking of the whole journal (a third of a second for 40 MB, which 4,000 short steps come to), of `steps.csv` and
/// of a capture for each rating.
///
/// # Errors
/// [`ReportError`], when it is no run's folder, or its journal or tables can't be understood. A capture that is missing is
/// told in the page instead.
pub fn report(folder: &Path) -> Result<String, ReportError> {
    let run = Recorded::open(folder)?;
    let story = story(&run)?;
    let page = build::page(&run, &story)?;
    page.render().map_err(|source| ReportError::Page { run: run.name().into(), source })
}

/// The style of a page with figures in it.
pub(crate) fn style() -> String {
    format!("{}\n{PAGE_STYLE}", figures::style())
}
