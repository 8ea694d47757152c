//! The line to the database: statements with their values, bounded in time, with errors that say what and where.

use std::time::Duration;

use sqlx::any::{Any, AnyRow};
use sqlx::{AnyConnection, AssertSqlSafe, Row, Transaction};
use tokio::time::timeout;

use crate::error::{Error, Result};
use crate::place::Place;

/// Beyond the database's own limit on a statement, how long its answer may take.
const GRACE: Duration = Duration::from_secs(5);

/// A value of a statement, of one of the kinds that both databases have.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Value {
    Text(Option<String>),
    Whole(Option<i64>),
    /// Not a number is absent; the statement has to say so (`NULLIF($1, 'NaN')`), since a typed absence would give a
    /// prepared statement another type.
    Real(f64),
}

impl From<&str> for Value {
    fn from(text: &str) -> Self {
        Self::Text(Some(text.to_owned()))
    }
}

impl From<&String> for Value {
    fn from(text: &String) -> Self {
        Self::Text(Some(text.clone()))
    }
}

impl From<&Option<String>> for Value {
    fn from(text: &Option<String>) -> Self {
        Self::Text(text.clone())
    }
}

impl From<u64> for Value {
    fn from(number: u64) -> Self {
        Self::Whole(Some(whole(number)))
    }
}

impl From<Option<u64>> for Value {
    fn from(number: Option<u64>) -> Self {
        Self::Whole(number.map(whole))
    }
}

impl From<bool> for Value {
    fn from(yes: bool) -> Self {
        Self::Whole(Some(i64::from(yes)))
    }
}

impl From<f64> for Value {
    fn from(number: f64) -> Self {
        Self::Real(if number.is_finite() { number } else { f64::NAN })
    }
}

impl From<Option<f64>> for Value {
    fn from(number: Option<f64>) -> Self {
        Self::from(number.unwrap_or(f64::NAN))
    }
}

/// A number as both databases keep it; larger ones don't occur, and are kept as the largest.
pub(crate) fn whole(number: u64) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}

/// A transaction. Dropped without [`Tx::commit`], it leaves nothing.
pub(crate) struct Tx<'a> {
    tx: Transaction<'static, Any>,
    pub(crate) place: &'a Place,
    limit: Duration,
}

impl<'a> Tx<'a> {
    pub(crate) fn new(tx: Transaction<'static, Any>, place: &'a Place, statement: Duration) -> Self {
        Self { tx, place, limit: statement + GRACE }
    }

    /// What a question finds.
    pub(crate) async fn rows(
        &mut self,
        what: &'static str,
        sql: impl Into<String>,
        values: Vec<Value>,
    ) -> Result<Vec<AnyRow>> {
        let asked = bound(sql.into(), values).fetch_all(&mut *self.tx);
        within(self.place, what, self.limit, asked).await
    }

    /// How many rows a statement changed.
    pub(crate) async fn change(
        &mut self,
        what: &'static str,
        sql: impl Into<String>,
        values: Vec<Value>,
    ) -> Result<u64> {
        let asked = bound(sql.into(), values).execute(&mut *self.tx);
        Ok(within(self.place, what, self.limit, asked).await?.rows_affected())
    }

    /// Makes it stay.
    pub(crate) async fn commit(self, what: &'static str) -> Result<()> {
        within(self.place, what, self.limit, self.tx.commit()).await
    }
}

fn bound(sql: String, values: Vec<Value>) -> sqlx::query::Query<'static, Any, sqlx::any::AnyArguments> {
    values.into_iter().fold(sqlx::query(AssertSqlSafe(sql)), |query, value| match value {
        Value::Text(text) => query.bind(text),
        Value::Whole(number) => query.bind(number),
        Value::Real(number) => query.bind(number),
    })
}

/// What a connection that is no transaction finds.
pub(crate) async fn ask(
    conn: &mut AnyConnection,
    place: &Place,
    what: &'static str,
    limit: Duration,
    sql: impl Into<String>,
) -> Result<Vec<AnyRow>> {
    within(place, what, limit + GRACE, bound(sql.into(), Vec::new()).fetch_all(conn)).await
}

/// Waits no longer than `limit`.
pub(crate) async fn within<T>(
    place: &Place,
    what: &'static str,
    limit: Duration,
    asked: impl Future<Output = std::result::Result<T, sqlx::Error>>,
) -> Result<T> {
    match timeout(limit, asked).await {
        Ok(answer) => answer.map_err(|error| match failed(place, what, &error) {
            // The database itself gave up, at its own limit.
            Error::TimedOut { place, what, .. } => {
                Error::TimedOut { place, what, limit_s: limit.saturating_sub(GRACE).as_secs_f64() }
            }
            other => other,
        }),
        Err(_) => Err(Error::TimedOut { place: place.to_string(), what, limit_s: limit.as_secs_f64() }),
    }
}

/// What an error of the database means. The numbers are those of <https://www.sqlite.org/rescode.html>; the five
/// characters those of the PostgreSQL manual, appendix A.
pub(crate) fn failed(place: &Place, what: &'static str, error: &sqlx::Error) -> Error {
    let why = place.without_secrets(&error.to_string());
    let name = place.to_string();
    let unreadable = matches!(error, sqlx::Error::ColumnDecode { .. } | sqlx::Error::Decode(_));
    if place.path().is_some() {
        let code = error.as_database_error().and_then(|error| error.code()?.parse::<i32>().ok());
        return match code.map(|code| code & 0xff) {
            Some(11 | 26) => Error::Damaged { place: name, why },
            Some(5 | 6) => Error::Busy { place: name, what },
            Some(14) => Error::Unreachable { place: name, why },
            _ if unreadable => Error::Damaged { place: name, why },
            _ => Error::Failed { place: name, what, why },
        };
    }
    let code = error.as_database_error().and_then(|error| error.code().map(|code| code.into_owned()));
    match (code.as_deref(), error) {
        (Some("57014"), _) => Error::TimedOut { place: name, what, limit_s: 0.0 },
        (Some("57P01" | "57P02" | "57P03"), _) | (None, sqlx::Error::Io(_)) => {
            Error::Unreachable { place: name, why }
        }
        _ => Error::Failed { place: name, what, why },
    }
}

/// A column of a row.
pub(crate) fn text(row: &AnyRow, column: &str) -> std::result::Result<String, sqlx::Error> {
    row.try_get(column)
}

pub(crate) fn text_or_none(row: &AnyRow, column: &str) -> std::result::Result<Option<String>, sqlx::Error> {
    row.try_get(column)
}

pub(crate) fn count(row: &AnyRow, column: &str) -> std::result::Result<u64, sqlx::Error> {
    Ok(u64::try_from(row.try_get::<i64, _>(column)?).unwrap_or(0))
}

pub(crate) fn count_or_none(row: &AnyRow, column: &str) -> std::result::Result<Option<u64>, sqlx::Error> {
    Ok(row.try_get::<Option<i64>, _>(column)?.map(|number| u64::try_from(number).unwrap_or(0)))
}

pub(crate) fn flag(row: &AnyRow, column: &str) -> std::result::Result<bool, sqlx::Error> {
    Ok(row.try_get::<i64, _>(column)? != 0)
}

pub(crate) fn real_or_none(row: &AnyRow, column: &str) -> std::result::Result<Option<f64>, sqlx::Error> {
    row.try_get(column)
}

/// Not a number where it is absent.
pub(crate) fn real(row: &AnyRow, column: &str) -> std::result::Result<f64, sqlx::Error> {
    Ok(real_or_none(row, column)?.unwrap_or(f64::NAN))
}
