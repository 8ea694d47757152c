//! Work that may wait for a disk: on a thread that may, so that a disk that hangs holds up whoever asks for it and never
//! a stop.

use super::Problem;

/// Does it there.
///
/// # Errors
/// What the work says; that it failed altogether.
pub async fn waiting<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Problem> + Send + 'static,
) -> Result<T, Problem> {
    tokio::task::spawn_blocking(work).await.map_err(Problem::failed)?
}
