//! Opening a catalogue, and its connections.

use std::fmt;
use std::time::Duration;

use sqlx::any::{AnyConnectOptions, AnyPoolOptions};
use sqlx::pool::PoolConnection;
use sqlx::{Any, AnyConnection, AnyPool, Connection, Executor, Row};
use tokio::time::{Instant, sleep, timeout};

use crate::error::{Error, Result};
use crate::place::Place;
use crate::schema;
use crate::wire::{self, Tx};

/// Between two tries to open a file that somebody else is making.
const COME_AGAIN: Duration = Duration::from_millis(20);
/// How many may ask at once.
const CONNECTIONS: u32 = 4;

/// How long a catalogue may keep its caller waiting.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Until there is a connection.
    pub connect: Duration,
    /// Until one statement is done, waiting for other writers included.
    pub statement: Duration,
}

impl Default for Limits {
    fn default() -> Self {
        Self { connect: Duration::from_secs(10), statement: Duration::from_secs(30) }
    }
}

/// An open catalogue. Made for a runtime of tokio with time and I/O; cheap to share by reference.
pub struct Catalogue {
    place: Place,
    pool: AnyPool,
    limits: Limits,
    purpose: For,
}

/// What a transaction, or a whole catalogue, is opened for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum For {
    Reading,
    Writing,
}

impl Catalogue {
    /// Opens a catalogue; makes its tables where there are none yet, or brings older ones up to date.
    ///
    /// # Errors
    /// [`Error::Unreachable`], [`Error::Damaged`], [`Error::Foreign`], [`Error::Newer`] and the like; then nothing was
    /// changed.
    pub async fn open(place: &Place) -> Result<Self> {
        Self::open_within(place, Limits::default()).await
    }

    /// The same, waiting no longer than said.
    ///
    /// # Errors
    /// As [`Catalogue::open`], and [`Error::TimedOut`].
    pub async fn open_within(place: &Place, limits: Limits) -> Result<Self> {
        Self::open_for(place, limits, For::Writing).await
    }

    /// Opens a catalogue that is there already, to read it: neither a file nor a table is made or changed, and the
    /// database itself refuses whatever would. Whoever reads so may be let in with rights to read alone.
    ///
    /// # Errors
    /// As [`Catalogue::open_within`]; [`Error::Unreachable`] where there is no such file, [`Error::Foreign`] where there
    /// are no tables of this program's, or older ones.
    pub async fn open_to_read(place: &Place, limits: Limits) -> Result<Self> {
        Self::open_for(place, limits, For::Reading).await
    }

    async fn open_for(place: &Place, limits: Limits, purpose: For) -> Result<Self> {
        sqlx::any::install_default_drivers();
        let options = place.options(purpose)?;
        // SQLite does not wait where two make or recover one file at the same moment: one of them is told to come again.
        let until = Instant::now() + limits.statement;
        loop {
            match look(place, &options, limits, purpose).await {
                Err(Error::Busy { .. }) if Instant::now() < until => sleep(COME_AGAIN).await,
                told => break told?,
            }
        }
        let settings = settings(place, limits, purpose);
        let pool = AnyPoolOptions::new()
            .max_connections(CONNECTIONS)
            .acquire_timeout(limits.connect)
            .after_connect(move |conn, _| {
                let settings = settings.clone();
                Box::pin(async move { conn.execute(sqlx::AssertSqlSafe(settings)).await.map(drop) })
            })
            .connect_lazy_with(options);
        tracing::debug!(%place, "opened the catalogue");
        Ok(Self { place: place.clone(), pool, limits, purpose })
    }

    /// Where it lies.
    #[must_use]
    pub fn place(&self) -> &Place {
        &self.place
    }

    pub(crate) fn limits(&self) -> Limits {
        self.limits
    }

    /// Looks through all of it for damage. Takes time that grows with it.
    ///
    /// # Errors
    /// [`Error::Damaged`] with what was found; the usual ones.
    pub async fn check(&self) -> Result<()> {
        let what = "looking for damage";
        if self.place.path().is_none() {
            // The server looks after its own files; that it answers with all of the tables is what can be asked.
            let mut conn = self.acquire(what).await?;
            return schema::confirm(&mut conn, &self.place, self.limits).await;
        }
        let mut conn = self.acquire(what).await?;
        for pragma in ["PRAGMA integrity_check(3)", "PRAGMA foreign_key_check"] {
            // All of the file is read, which may well take longer than any one statement should.
            let rows = wire::ask(&mut conn, &self.place, what, self.limits.statement * 20, pragma).await?;
            let first = rows.first().map(|row| row.try_get::<String, _>(0).unwrap_or_default());
            if let Some(found) = first.filter(|found| found != "ok") {
                return Err(Error::Damaged { place: self.place.to_string(), why: found });
            }
        }
        Ok(())
    }

    /// Closes all connections.
    pub async fn close(self) {
        // A server that hangs must not keep the caller; the connections end with the process at the latest.
        if timeout(self.limits.connect, self.pool.close()).await.is_err() {
            tracing::warn!(place = %self.place, "the catalogue's connections did not close in time");
        }
    }

    pub(crate) async fn acquire(&self, what: &'static str) -> Result<PoolConnection<Any>> {
        match self.pool.acquire().await {
            Ok(conn) => Ok(conn),
            Err(error) => Err(self.not_connected(what, &error).await),
        }
    }

    pub(crate) async fn begin(&self, what: &'static str, purpose: For) -> Result<Tx<'_>> {
        let statement = match (purpose, self.place.path().is_some()) {
            (For::Reading, true) => "BEGIN",
            (For::Writing, true) => "BEGIN IMMEDIATE",
            (For::Reading, false) => "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY",
            (For::Writing, false) => "BEGIN",
        };
        let limit = self.limits.connect + self.limits.statement;
        match timeout(limit, self.pool.begin_with(statement)).await {
            Ok(Ok(tx)) => Ok(Tx::new(tx, &self.place, self.limits.statement)),
            Ok(Err(error)) => Err(self.not_connected(what, &error).await),
            Err(_) => {
                let limit_s = limit.as_secs_f64();
                Err(Error::TimedOut { place: self.place.to_string(), what, limit_s })
            }
        }
    }

    /// Why there is no connection. The pool only says that it waited in vain, so it is tried once more without it.
    async fn not_connected(&self, what: &'static str, error: &sqlx::Error) -> Error {
        if !matches!(error, sqlx::Error::PoolTimedOut) {
            return wire::failed(&self.place, what, error);
        }
        let again = match self.place.options(self.purpose) {
            Ok(options) => connect(&self.place, &options, self.limits).await,
            Err(error) => Err(error),
        };
        match again {
            Err(error) => error,
            Ok(conn) => {
                // It was only opened to see whether it can be.
                let _ = timeout(self.limits.connect, conn.close()).await;
                let limit_s = self.limits.connect.as_secs_f64();
                Error::TimedOut { place: self.place.to_string(), what, limit_s }
            }
        }
    }
}

impl fmt::Debug for Catalogue {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Catalogue").field("place", &self.place).finish_non_exhaustive()
    }
}

/// Opens it once, and sees that its tables are as they should be or makes them so.
async fn look(place: &Place, options: &AnyConnectOptions, limits: Limits, purpose: For) -> Result<()> {
    let mut first = connect(place, options, limits).await?;
    let told = match purpose {
        For::Writing => settled(&mut first, place, limits).await,
        For::Reading => readable(&mut first, place, limits).await,
    };
    // Whether it closes well says nothing about the catalogue, and it must not keep the caller waiting.
    let _ = timeout(limits.connect, first.close()).await;
    told
}

/// A connection of its own, or why there is none.
async fn connect(place: &Place, options: &AnyConnectOptions, limits: Limits) -> Result<AnyConnection> {
    let unreachable = |why: String| Error::Unreachable { place: place.to_string(), why };
    match timeout(limits.connect, AnyConnection::connect_with(options)).await {
        Ok(Ok(conn)) => Ok(conn),
        Ok(Err(error)) => Err(match wire::failed(place, "connecting", &error) {
            damaged @ (Error::Damaged { .. } | Error::Busy { .. }) => damaged,
            _ => unreachable(place.without_secrets(&error.to_string())),
        }),
        Err(_) => Err(unreachable(format!("no answer within {} s", limits.connect.as_secs_f64()))),
    }
}

/// What every connection sets first.
fn settings(place: &Place, limits: Limits, purpose: For) -> String {
    let limit_ms = limits.statement.as_millis();
    let (on_file, on_server) = match purpose {
        For::Reading => ("; PRAGMA query_only = ON", "; SET default_transaction_read_only = on"),
        For::Writing => ("", ""),
    };
    if place.path().is_some() {
        // FULL: what was committed is on the disk. The log of its own lets others read while one writes.
        format!(
            "PRAGMA busy_timeout = {limit_ms}; PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON{on_file}"
        )
    } else {
        format!(
            "SET statement_timeout = {limit_ms}; SET client_min_messages = warning; SET standard_conforming_strings = on{on_server}"
        )
    }
}

/// Sees that the tables are what this program expects, and changes nothing.
async fn readable(conn: &mut AnyConnection, place: &Place, limits: Limits) -> Result<()> {
    let settings = sqlx::AssertSqlSafe(settings(place, limits, For::Reading));
    wire::within(place, "opening", limits.statement, conn.execute(settings)).await?;
    schema::of_this_version(conn, place, limits).await?;
    schema::confirm(conn, place, limits).await
}

/// Brings the tables to where this program expects them, and confirms that they are.
async fn settled(conn: &mut AnyConnection, place: &Place, limits: Limits) -> Result<()> {
    let what = "opening";
    let settings = sqlx::AssertSqlSafe(settings(place, limits, For::Writing));
    wire::within(place, what, limits.statement, conn.execute(settings)).await?;
    if place.path().is_some() {
        schema::not_foreign(conn, place, limits).await?;
        let rows = wire::ask(conn, place, what, limits.statement, "PRAGMA journal_mode = WAL").await?;
        let mode = rows.first().map(|row| row.try_get::<String, _>(0).unwrap_or_default());
        if mode.as_deref() != Some("wal") {
            tracing::warn!(%place, "the file system has no write-ahead log: readers wait for writers");
        }
    } else {
        schema::utf8(conn, place, limits).await?;
    }
    schema::migrate(conn, place, limits).await?;
    schema::confirm(conn, place, limits).await
}
