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

const GAPS: &[Gap] = &[
    Gap {
        what: "3, 4: OFF goes to one port after the other, and waits for what is under way on each",
        explains: |violation, _| violation.invariant == 3 && violation.about.ends_with("not told"),
    },
    Gap {
        what: "8: a setting that takes several messages goes on after a trip until it is through",
        explains: |violation, _| violation.invariant == 8,
    },
    Gap {
        what: "9: the belief that an output is off outlives a setting that failed, until OFF is told all the same",
        explains: |violation, _| violation.invariant == 9 && violation.about.ends_with("read back"),
    },
    Gap {
        what: "19: a run gives up while an OFF is still being tried, and tells the state TRIPPING",
        explains: |violation, _| violation.invariant == 19 && violation.about == "end",
    },
];

/// The gap that explains a broken invariant, if one does.
pub fn explains(violation: &Violation, report: &Report) -> Option<&'static str> {
    GAPS.iter().find(|gap| (gap.explains)(violation, report)).map(|gap| gap.what)
}
