//! Which of the daemon's threads go ahead of everything ordinary on the machine: those between a fault and OFF. What
//! computes, waits for disks or performs scripts never does.

use std::sync::Once;

use wattproof_guardian::Precedence;

/// Puts the calling thread ahead; where the machine does not grant it, that is told once.
pub(crate) fn go_ahead() {
    static TOLD: Once = Once::new();
    if let Err(error) = wattproof_guardian::go_ahead(Precedence::Daemon) {
        TOLD.call_once(|| {
            tracing::info!("{error}; OFF may come late while this machine is busy: see `wattproof doctor`");
        });
    }
}
