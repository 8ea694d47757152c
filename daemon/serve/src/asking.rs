//! The catalogue of all runs, opened once and asked on a thread of its own: a disk that hangs or a database that does not
//! answer holds up whoever asks for it, and never a stop. Nothing is ever written to it here.

use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use tokio::runtime::Handle;
use tokio::sync::Mutex;
use tokio::time::timeout;
use tokio_util::task::AbortOnDropHandle;
use wattproof_catalogue::{Catalogue, Error, Limits, Place};

/// How long the database may take, so that whoever asks hears of it before losing patience.
const LIMITS: Limits = Limits { connect: Duration::from_secs(3), statement: Duration::from_secs(8) };
/// Longest that an answer may take altogether.
const ANSWER: Duration = Duration::from_secs(13);

/// Why there is no answer.
#[derive(Debug, thiserror::Error)]
pub enum AskError {
    /// The catalogue's own.
    #[error("{0}")]
    Catalogue(#[from] Error),
    /// What was found could not be told.
    #[error("what was found could not be told: {0}; report this as a fault of the program")]
    Told(String),
    /// Nothing was heard in time.
    #[error("the catalogue at {place} gave no answer within {limit_s} s")]
    Late {
        /// Where, without its password.
        place: String,
        /// How long was waited, s.
        limit_s: f64,
    },
}

/// An open catalogue, and which file it was.
struct Held {
    catalogue: Arc<Catalogue>,
    file: Option<(u64, u64)>,
}

/// Where it lies, and the way to it.
struct Inner {
    place: Place,
    /// Folder of the runs that are here.
    results: Option<PathBuf>,
    held: Mutex<Option<Held>>,
}

/// The catalogue, to be asked by anybody at any time.
#[derive(Clone)]
pub struct Asking {
    inner: Arc<Inner>,
    thread: Handle,
}

/// The catalogue and the runs that are here, for one question.
pub struct Asked {
    /// The catalogue.
    pub catalogue: Arc<Catalogue>,
    results: Option<PathBuf>,
}

impl Asked {
    /// Whether a run's folder is here. May wait for the disk.
    pub fn is_here(&self, run: &str) -> bool {
        self.results.as_deref().is_some_and(|results| crate::http::run_folder(results, run).is_some())
    }
}

impl Asking {
    /// Of a place; `results` is the folder of the runs that are here, if any are. Nothing is opened yet.
    pub fn new(place: Place, results: Option<PathBuf>, thread: Handle) -> Self {
        Asking { inner: Arc::new(Inner { place, results, held: Mutex::new(None) }), thread }
    }

    /// Where it lies.
    pub fn place(&self) -> &Place {
        &self.inner.place
    }

    /// The answer to a question; none where there is no catalogue yet, since then nothing was recorded.
    ///
    /// # Errors
    /// [`AskError`]. The next question opens the catalogue anew.
    pub async fn ask<T, F>(
        &self,
        question: impl FnOnce(Asked) -> F + Send + 'static,
    ) -> Result<Option<T>, AskError>
    where
        T: Send + 'static,
        F: Future<Output = Result<T, AskError>> + Send + 'static,
    {
        let inner = Arc::clone(&self.inner);
        // Who does not wait any longer takes the question along.
        let asked = AbortOnDropHandle::new(self.thread.spawn(async move { inner.ask(question).await }));
        match timeout(ANSWER, asked).await {
            Ok(Ok(answer)) => answer,
            Ok(Err(error)) => Err(AskError::Told(error.to_string())),
            Err(_) => {
                Err(AskError::Late { place: self.inner.place.to_string(), limit_s: ANSWER.as_secs_f64() })
            }
        }
    }
}

impl Inner {
    async fn ask<T, F>(&self, question: impl FnOnce(Asked) -> F) -> Result<Option<T>, AskError>
    where
        F: Future<Output = Result<T, AskError>>,
    {
        let Some(catalogue) = self.open().await? else { return Ok(None) };
        let answer =
            question(Asked { catalogue: Arc::clone(&catalogue), results: self.results.clone() }).await;
        if let Err(AskError::Catalogue(_)) = &answer {
            let mut held = self.held.lock().await;
            if held.as_ref().is_some_and(|held| Arc::ptr_eq(&held.catalogue, &catalogue)) {
                *held = None;
            }
        }
        answer.map(Some)
    }

    /// The open catalogue: as held, or opened now. A file that was put aside and made anew is another one.
    async fn open(&self) -> Result<Option<Arc<Catalogue>>, AskError> {
        let file = self.place.path().map(identity);
        let mut held = self.held.lock().await;
        if file == Some(None) {
            *held = None;
            return Ok(None);
        }
        let file = file.flatten();
        if let Some(held) = held.as_ref().filter(|held| held.file == file) {
            return Ok(Some(Arc::clone(&held.catalogue)));
        }
        *held = None;
        let catalogue = Arc::new(Catalogue::open_to_read(&self.place, LIMITS).await?);
        *held = Some(Held { catalogue: Arc::clone(&catalogue), file });
        Ok(Some(catalogue))
    }
}

/// Which file it is; none where there is none.
fn identity(path: &Path) -> Option<(u64, u64)> {
    let about = path.metadata().ok()?;
    Some((about.dev(), about.ino()))
}
