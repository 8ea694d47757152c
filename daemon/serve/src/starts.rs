//! Starts of runs, one a little after the other. To start is the most that a run ever does at once: three programs, the
//! self-check, the record. Benches that began at the same moment would also go on in step, and want the processor for
//! every reading at the same moment.

use std::time::Duration;

use tokio::sync::Mutex;
use tokio::time::{Instant, sleep_until};

/// How far two starts are apart, at least.
const APART: Duration = Duration::from_millis(100);

/// When the last run of any bench was started.
#[derive(Debug)]
pub struct Starts {
    apart: Duration,
    last: Mutex<Option<Instant>>,
}

impl Default for Starts {
    fn default() -> Self {
        Starts { apart: APART, last: Mutex::new(None) }
    }
}

impl Starts {
    /// Calls `begin` once the last start is long enough ago; what it begins is the last start from then on.
    pub async fn after_the_last<T>(&self, begin: impl FnOnce() -> Option<T>) -> Option<T> {
        let mut last = self.last.lock().await;
        if let Some(last) = *last {
            sleep_until(last + self.apart).await;
        }
        let begun = begin();
        if begun.is_some() {
            *last = Some(Instant::now());
        }
        begun
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Project definition. Only what has begun counts: benches that have nothing to do keep nobody waiting.
    #[tokio::test]
    async fn starts_are_apart_and_idle_benches_are_no_starts() {
        let starts = Starts { apart: Duration::from_millis(30), last: Mutex::new(None) };
        assert_eq!(starts.after_the_last(|| None::<Instant>).await, None);
        assert!(starts.last.lock().await.is_none());
        let began = || Some(Instant::now());
        let (one, two, three) = tokio::join!(
            starts.after_the_last(began),
            starts.after_the_last(began),
            starts.after_the_last(began)
        );
        let mut at = [one.unwrap(), two.unwrap(), three.unwrap()];
        at.sort();
        assert!(at.windows(2).all(|pair| pair[1] - pair[0] >= starts.apart), "{at:?}");
    }
}
