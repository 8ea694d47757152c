//! Invariants that the daemon is known not to keep yet, each as narrow as it can be told: none at present. They are counted
//! and shown with every summary. An entry goes when the daemon is mended; none may be added to quiet a schedule that is
//! not understood.

use crate::check::Violation;
use crate::schedule::Report;

/// One known gap.
struct Gap {
    what: &'static str,
    explains: fn(&Violation, &Report) -> bool,
}

const GAPS: &[Gap] = &[];

/// The gap that explains a broken invariant, if one does.
pub fn explains(violation: &Violation, report: &Report) -> Option<&'static str> {
    GAPS.iter().find(|gap| (gap.explains)(violation, report)).map(|gap| gap.what)
}
