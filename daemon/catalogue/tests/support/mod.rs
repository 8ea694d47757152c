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

/// A new folder below the system's own, since the path of a unix socket must stay short.
pub fn folder() -> tempfile::TempDir {
    tempfile::Builder::new().prefix("wpc-").tempdir().unwrap()
}
