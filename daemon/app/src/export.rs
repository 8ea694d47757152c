//! `wattproof export`: the tables of runs for spreadsheets and for programs that ask over many runs.

use std::path::{Path, PathBuf};

use clap::Args;
use wattproof_export::workbook;
use wattproof_report::{RunTables, Table, joined, tables};
use wattproof_runs::{Disk, JOURNAL_FILE, MachineDisk};

use crate::cli::WhichRun;
use crate::failure::Failure;
use crate::run_folder::folder_of;
use crate::say::say;

/// `export`.
#[derive(Args)]
pub struct ExportOrder {
    /// The runs: their folders, or their names below the folder of all runs; none: all that are there
    pub runs: Vec<PathBuf>,
    /// Folder of all runs
    #[arg(long, value_name = "DIR", default_value = "results")]
    pub results: PathBuf,
    /// Write a workbook: a sheet each for steps, ratings, curve and findings, with typed cells that no language setting changes
    #[arg(long, value_name = "FILE", required_unless_present = "parquet")]
    pub xlsx: Option<PathBuf>,
    /// Write columns (Apache Parquet) below this folder: steps and ratings, parted by month, a file for each run; exported
    /// again, a run replaces its own file. Only in a program that was built with it (`--features parquet`)
    #[arg(long, value_name = "DIR")]
    pub parquet: Option<PathBuf>,
}

/// Writes what was asked for, and says where.
pub fn export(order: &ExportOrder) -> Result<(), Failure> {
    let folders = folders(order)?;
    let mut written = Vec::new();
    let mut damaged = Vec::new();
    // A workbook holds all runs at once; columns are written run by run.
    let mut kept: Vec<RunTables> = Vec::new();
    for folder in &folders {
        match tables(folder) {
            Ok(run) => {
                if let Some(into) = &order.parquet {
                    written.extend(columns_of(into, &run)?);
                }
                if order.xlsx.is_some() {
                    kept.push(run);
                }
            }
            // Asked for by name, a run that can't be read is an error; among all, it does not keep the others back.
            Err(error) if order.runs.is_empty() => {
                aside!("wattproof: left out: {error}");
                damaged.push(folder.display().to_string());
            }
            Err(error) => return Err(error.into()),
        }
    }
    if let Some(path) = &order.xlsx {
        write_workbook(path, &joined(&kept))?;
        written.push(path.clone());
    }
    let lines: Vec<String> = written.iter().map(|path| path.display().to_string()).collect();
    say(&lines.join("\n"))?;
    if damaged.is_empty() {
        return Ok(());
    }
    let (count, all) = (damaged.len(), folders.len());
    Err(Failure::Said(format!(
        "{count} of {all} runs could not be read and were left out: {}",
        damaged.join(", ")
    )))
}

/// A workbook, written whole or not at all.
pub fn write_workbook(path: &Path, tables: &[Table]) -> Result<(), Failure> {
    let bytes = workbook(tables).map_err(|error| Failure::Said(format!("{}: {error}", path.display())))?;
    write_bytes(path, &bytes)
}

fn write_bytes(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    MachineDisk.write_whole(path, bytes).map_err(|source| Failure::File { path: path.into(), source })
}

fn folders(order: &ExportOrder) -> Result<Vec<PathBuf>, Failure> {
    if !order.runs.is_empty() {
        let folder = |run: &PathBuf| folder_of(&WhichRun { run: run.clone(), out: order.results.clone() });
        return order.runs.iter().map(folder).collect();
    }
    let fail = |source| Failure::File { path: order.results.clone(), source };
    let entries = std::fs::read_dir(&order.results).map_err(fail)?;
    let mut folders = Vec::new();
    for entry in entries {
        let path = entry.map_err(fail)?.path();
        if path.symlink_metadata().is_ok_and(|about| about.is_dir()) && path.join(JOURNAL_FILE).exists() {
            folders.push(path);
        }
    }
    // Names begin with the time.
    folders.sort();
    match folders.is_empty() {
        true => Err(Failure::Said(format!(
            "no run is recorded in {}; name another folder with --results",
            order.results.display()
        ))),
        false => Ok(folders),
    }
}

/// Steps and ratings of a run, each as `TABLE/month=2026-11/RUN.parquet`.
#[cfg(feature = "parquet")]
fn columns_of(into: &Path, run: &RunTables) -> Result<Vec<PathBuf>, Failure> {
    let said = |error: &dyn std::fmt::Display| Failure::Said(format!("run {}: {error}", run.run));
    let month = wattproof_export::month(&run.started_utc).map_err(|error| said(&error))?;
    let mut written = Vec::new();
    for table in run.tables.iter().filter(|table| ["steps", "ratings"].contains(&table.name.as_str())) {
        let folder = into.join(&table.name).join(format!("month={month}"));
        std::fs::create_dir_all(&folder).map_err(|source| Failure::File { path: folder.clone(), source })?;
        let path = folder.join(format!("{}.parquet", run.run));
        write_bytes(&path, &wattproof_export::columns(table).map_err(|error| said(&error))?)?;
        written.push(path);
    }
    Ok(written)
}

#[cfg(not(feature = "parquet"))]
fn columns_of(_: &Path, _: &RunTables) -> Result<Vec<PathBuf>, Failure> {
    Err(Failure::Said(
        "this program was built without columns: build it with `cargo build --release --features parquet`, or take --xlsx".into(),
    ))
}
