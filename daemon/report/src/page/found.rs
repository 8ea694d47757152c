//! What the script found out that is no rating.

use wattproof_method::Verdict;
use wattproof_runs::Finding;

/// A line of the table of findings.
pub struct Found {
    pub what: String,
    pub figure: String,
    pub at: String,
    pub range: String,
    pub verdict_class: &'static str,
    pub verdict: &'static str,
    pub note: String,
}

/// A finding as the page shows it.
pub fn found(finding: &Finding) -> Found {
    let (verdict_class, verdict) = match finding.verdict {
        Some(Verdict::Meets) => ("meets", "✓ meets"),
        Some(Verdict::Short) => ("short", "✗ short"),
        Some(Verdict::Undecided) => ("undecided", "? undecided"),
        None => ("", ""),
    };
    Found {
        what: finding.title(),
        figure: finding.figure(),
        at: finding.at.clone(),
        range: finding.range(),
        verdict_class,
        verdict,
        note: finding.note.clone(),
    }
}
