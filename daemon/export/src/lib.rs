//! Tables as files that other programs read.
//!
//! In come tables of `daemon/report`, out go the bytes of a workbook (typed cells, so that no language setting and no text can
//! change a number) or, with the feature `parquet`, of a file of columns. It reads and writes no file: who calls it decides where
//! bytes go. Only `daemon/app` may call it.

#[cfg(feature = "parquet")]
mod columns;
mod month;
mod workbook;

#[cfg(feature = "parquet")]
pub use columns::columns;
pub use month::{NoMonth, month};
pub use workbook::{WorkbookError, workbook};
