//! Invariants that the daemon is known not to keep yet, each as narrow as it can be told. They are counted and shown
//! with every summary. An entry goes when the daemon is mended; none may be added to quiet a schedule that is not
//! understood.

use crate::check::Violation;
use crate::schedule::Report;

/// One known gap.
struct Gap {
    what: &'static str,
    explains: fn(&Violation, &Report) -> bool,
}

const GAPS: &[Gap] = &[Gap {
    what: "13: the supply's voltage is set without a durable intent; only levels and switching on have one",
    explains: |violation, _| violation.invariant == 13 && violation.about == "supply voltage",
}];

/// The gap that explains a broken invariant, if one does.
pub fn explains(violation: &Violation, report: &Report) -> Option<&'static str> {
    GAPS.iter().find(|gap| (gap.explains)(violation, report)).map(|gap| gap.what)
}
