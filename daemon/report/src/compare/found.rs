//! Findings of scripts that several runs may share: matched by name, channel and unit, so that runs of different scripts
//! can stand side by side.

use std::collections::{BTreeMap, BTreeSet};

use wattproof_runs::Finding;

use super::Side;
use super::quantities::{Quantity, QuantityCell, Told, ToldBy};

type Name = (String, Option<u32>, String);

fn name(finding: &Finding) -> Name {
    (finding.name.clone(), finding.channel, finding.unit.clone())
}

/// What some run tells at several conditions, as a sweep does: such findings are matched by their conditions too. Of others
/// the conditions stand beside the number, since measured values in them differ from run to run.
pub fn told_at_several(sides: &[Side]) -> BTreeSet<Name> {
    let mut several = BTreeSet::new();
    for side in sides {
        let mut conditions: BTreeMap<Name, BTreeSet<&str>> = BTreeMap::new();
        for finding in &side.findings {
            conditions.entry(name(finding)).or_default().insert(&finding.at);
        }
        several.extend(conditions.into_iter().filter(|(_, at)| at.len() > 1).map(|(name, _)| name));
    }
    several
}

/// A run's findings.
pub fn found(side: &Side, at_several: &BTreeSet<Name>) -> Vec<Told> {
    let told = |finding: &Finding| {
        let by_conditions = at_several.contains(&name(finding));
        let row = Quantity {
            channel: finding.channel,
            at: if by_conditions { finding.at.clone() } else { String::new() },
            ..Quantity::new(&finding.name, ToldBy::Finding, &finding.unit)
        };
        let cell = QuantityCell {
            run: side.brief.run.clone(),
            value: Some(finding.value),
            expanded_u: finding.expanded_u,
            verdict: finding.verdict,
            at: finding.at.clone(),
            note: finding.note.clone(),
        };
        Told { row, cell }
    };
    side.findings.iter().map(told).collect()
}
