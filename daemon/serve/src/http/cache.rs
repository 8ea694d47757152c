//! What was drawn before: a run's summary and figures are drawn again only when its files have changed, and one at a
//! time, so that many who look cost no more than one.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::SystemTime;

use super::Problem;

/// Most that is kept, bytes.
const KEPT_BYTES: usize = 8 << 20;
/// What a drawing depends on.
const FILES: [&str; 4] = ["steps.csv", "ratings.json", "run.json", "journal.jsonl"];

/// Length and time of last change of each file.
type Stamp = [Option<(u64, SystemTime)>; FILES.len()];

/// What was drawn, and how the files stood then.
struct Drawing {
    then: Vec<Stamp>,
    text: Arc<str>,
}

/// Drawings by what was asked for, each with the state of the files that it was drawn from.
#[derive(Default)]
pub struct Drawn {
    kept: Mutex<HashMap<String, Drawing>>,
    one_at_a_time: tokio::sync::Mutex<()>,
}

impl Drawn {
    /// The drawing of a name from folders: as kept, or drawn now on a thread that may wait.
    ///
    /// # Errors
    /// What drawing says.
    pub async fn draw<E: Into<Problem> + Send + 'static>(
        &self,
        name: String,
        folders: Vec<PathBuf>,
        draw: impl FnOnce(&[PathBuf]) -> Result<String, E> + Send + 'static,
    ) -> Result<Arc<str>, Problem> {
        let now = stamps(&folders).await?;
        if let Some(kept) = self.kept(&name, &now) {
            return Ok(kept);
        }
        let _turn = self.one_at_a_time.lock().await;
        // Who was here before may have drawn it.
        let now = stamps(&folders).await?;
        if let Some(kept) = self.kept(&name, &now) {
            return Ok(kept);
        }
        let drawn = tokio::task::spawn_blocking(move || draw(&folders)).await.map_err(Problem::failed)?;
        let drawn: Arc<str> = drawn.map_err(Into::into)?.into();
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        let bytes: usize = kept.iter().map(|(name, drawing)| name.len() + drawing.text.len()).sum();
        if bytes + drawn.len() > KEPT_BYTES {
            kept.clear();
        }
        kept.insert(name, Drawing { then: now, text: Arc::clone(&drawn) });
        Ok(drawn)
    }

    fn kept(&self, name: &str, now: &[Stamp]) -> Option<Arc<str>> {
        let kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        kept.get(name).filter(|drawing| drawing.then == now).map(|drawing| Arc::clone(&drawing.text))
    }
}

async fn stamps(folders: &[PathBuf]) -> Result<Vec<Stamp>, Problem> {
    let folders = folders.to_vec();
    let stamps = tokio::task::spawn_blocking(move || folders.iter().map(|folder| stamp(folder)).collect());
    stamps.await.map_err(Problem::failed)
}

fn stamp(folder: &Path) -> Stamp {
    FILES.map(|file| {
        let about = std::fs::metadata(folder.join(file)).ok()?;
        Some((about.len(), about.modified().ok()?))
    })
}
