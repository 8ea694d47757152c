//! Each check beside the population, the golden unit and the earlier intake; and what is odd there, in words.

use wattproof_catalogue::{Entry, FindingEntry, Measured};
use wattproof_method::intake::{Hint, figure};
use wattproof_method::population::{Place, Standing, difference, place};

use super::known::Known;
use super::{BeforeTold, CheckTold};

/// Whether both are of the same quantity at the same conditions.
fn is_same(check: &FindingEntry, one: &Measured) -> bool {
    one.rating.is_none()
        && (check.name.as_str(), check.channel, check.unit.as_str(), check.at.as_str())
            == (one.name.as_str(), one.channel, one.unit.as_str(), one.at.as_str())
}

/// The runs of golden units, of which the latest counts.
pub fn golden_key(known: &Known) -> Option<&Measured> {
    let golden = known.population.iter().filter(|one| one.golden);
    golden.max_by(|a, b| (&a.started_utc, &a.key).cmp(&(&b.started_utc, &b.key)))
}

/// A check beside all that is known.
pub fn beside(check: &FindingEntry, known: &Known) -> CheckTold {
    let others: Vec<&Measured> = known.population.iter().filter(|one| is_same(check, one)).collect();
    let values: Vec<f64> = others.iter().map(|one| one.value).collect();
    let golden_key = golden_key(known).map(|one| one.key.as_str());
    let golden = others.iter().find(|one| Some(one.key.as_str()) == golden_key);
    let now = (check.value, check.expanded_u);
    CheckTold {
        name: check.name.clone(),
        channel: check.channel,
        value: check.value,
        expanded_u: check.expanded_u,
        unit: check.unit.clone(),
        at: check.at.clone(),
        low: check.low,
        high: check.high,
        verdict: check.verdict.clone(),
        note: check.note.clone(),
        place: place(check.value, &values),
        golden: golden.and_then(|one| difference(now, (one.value, one.expanded_u))),
        before: known.before.as_ref().and_then(|run| before(check, run)),
    }
}

fn before(check: &FindingEntry, run: &Entry) -> Option<BeforeTold> {
    let of = |one: &FindingEntry| (one.name.clone(), one.channel, one.unit.clone(), one.at.clone());
    let then = run.findings.iter().find(|one| of(one) == of(check))?;
    Some(BeforeTold {
        value: then.value,
        expanded_u: then.expanded_u,
        verdict: then.verdict.clone(),
        difference: difference((check.value, check.expanded_u), (then.value, then.expanded_u)),
    })
}

impl CheckTold {
    /// As a sentence names it.
    pub(super) fn title(&self) -> String {
        match self.channel {
            Some(channel) => format!("{} of channel {channel}", self.name),
            None => self.name.clone(),
        }
    }
}

/// What is odd beside the verdicts.
pub fn hints(checks: &[CheckTold], golden_unit: Option<&str>) -> Vec<Hint> {
    let outliers = checks.iter().filter_map(|check| outlier(check, check.place.as_ref()?));
    let mut hints: Vec<Hint> = outliers.map(|words| Hint { words }).collect();
    let apart = |check: &&CheckTold| check.golden.is_some_and(|one| one.is_significant == Some(true));
    let apart: Vec<String> = checks.iter().filter(apart).map(CheckTold::title).collect();
    if let Some(unit) = golden_unit.filter(|_| !apart.is_empty()) {
        hints.push(Hint {
            words: format!(
                "It differs from the golden unit {unit} by more than both uncertainties in {}.",
                apart.join(", ")
            ),
        });
    }
    hints
}

fn outlier(check: &CheckTold, place: &Place) -> Option<String> {
    if place.standing != Standing::Outlier {
        return None;
    }
    let score = place.score?;
    let found = figure(check.value, check.expanded_u, &check.unit);
    let median = figure(place.others.median, None, &check.unit);
    Some(format!(
        "It stands apart from {} other units of its model: {} is {found}, and half of them have more, half less than {median} (modified z-score {score:.1}).",
        place.others.count,
        check.title()
    ))
}
