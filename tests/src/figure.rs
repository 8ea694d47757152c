//! Times that the safety design promises, held to the letter only where a machine does nothing else.

use std::time::Duration;

/// How much later a machine that builds and tests beside it may be.
const BUSY: u32 = 10;

/// Whether a time keeps its figure: to the letter with `FIGURES=1` in the environment, as the table in `bench/README.md`
/// is measured; otherwise up to ten times of it. What hangs, waits for a time-out or was never sent takes longer still.
pub fn keeps(took: Duration, figure: Duration) -> bool {
    let exact = std::env::var_os("FIGURES").is_some_and(|value| value == "1");
    took <= if exact { figure } else { figure * BUSY }
}
