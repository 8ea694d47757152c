//! When the guardian fires: figures of the project's safety design (a hung daemon is answered within 300 ms).

use std::time::Duration;

use proptest::prelude::*;
use wattproof_guardian::{Timing, Watch};

fn ms(ms: u64) -> Duration {
    Duration::from_millis(ms)
}

#[test]
fn it_fires_once_per_silence() {
    let mut watch = Watch::new(ms(200), ms(0));
    assert_eq!(watch.patience(ms(50)), Some(ms(150)));
    assert!(!watch.judge(ms(199), ms(199)));
    assert!(watch.judge(ms(200), ms(200)));
    assert!(!watch.judge(ms(900), ms(900)), "the same silence");
    assert_eq!(watch.patience(ms(900)), None, "nothing but a heartbeat changes anything");
    watch.beat(ms(1000));
    assert!(!watch.judge(ms(1100), ms(1200)));
    assert!(watch.judge(ms(1200), ms(1200)), "another silence");
}

#[test]
fn a_machine_held_up_as_a_whole_is_excused_once() {
    let mut watch = Watch::new(ms(200), ms(0));
    // Meant to wake at 200, woken at 240: the daemon may have been held up for 40 ms too.
    assert!(!watch.judge(ms(240), ms(200)));
    assert_eq!(watch.patience(ms(240)), Some(ms(40)));
    assert!(watch.judge(ms(300), ms(280)), "no second excuse");
}

proptest! {
    /// Whatever the heartbeats and delays: it never fires within 200 ms of a heartbeat, and when it looks later than
    /// that it has fired after at most one more look, 50 ms on.
    #[test]
    fn silence_is_answered_and_life_is_not(gaps in prop::collection::vec(0u64..600, 1..40)) {
        let mut watch = Watch::new(Timing::default().silence_max, ms(0));
        let mut now = 0;
        for gap in gaps {
            let meant = watch.patience(ms(now)).map_or(ms(now), |patience| ms(now) + patience);
            now += gap;
            let fired = watch.judge(ms(now), meant);
            if gap < 200 {
                prop_assert!(!fired, "fired {gap} ms after a heartbeat");
            } else if !fired {
                let patience = watch.patience(ms(now));
                prop_assert!(patience.is_some_and(|patience| patience <= ms(50)), "{patience:?}");
                let then = ms(now) + patience.unwrap_or_default();
                // However late that look is.
                prop_assert!(watch.judge(then + ms(gap), then), "silent for {gap} ms");
            }
            now += 2 * gap;
            watch.beat(ms(now));
        }
    }
}
