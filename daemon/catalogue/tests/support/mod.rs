//! What the tests of the catalogue share: places to lie in, and invented runs.

#![allow(
    dead_code,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test; not every test uses every helper"
)]

pub mod chance;
pub mod cluster;
pub mod invented;
pub mod python;

use std::future::Future;

/// Runs something on a runtime as the callers have one.
pub fn on_tokio<T>(task: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap().block_on(task)
}

/// A new folder, where the path of a unix socket is short and the server's user may go.
pub fn folder() -> tempfile::TempDir {
    tempfile::Builder::new().prefix("wattproof-").tempdir_in("/tmp").unwrap()
}
