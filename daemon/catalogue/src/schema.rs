//! The tables: making them, bringing them up to date, and seeing that they are what this program expects.

use std::borrow::Cow;

use sqlx::migrate::{MigrateError, Migration, MigrationType, Migrator};
use sqlx::{AnyConnection, AssertSqlSafe, Connection, Row, SqlSafeStr};
use tokio::time::timeout;

use crate::catalogue::Limits;
use crate::error::{Error, Result};
use crate::place::Place;
use crate::tables::{TABLES, Table};
use crate::wire;

const STEPS: [(i64, &str, &str); 2] = [
    (1, "runs", include_str!("../migrations/0001_runs.sql")),
    (2, "outbox", include_str!("../migrations/0002_outbox.sql")),
];

/// Which of them were made is written here.
const HISTORY: &str = "catalogue_version";

/// Version of the tables that this program makes.
pub(crate) const VERSION: i64 = STEPS[STEPS.len() - 1].0;

fn migrator(place: &Place) -> Migrator {
    let steps = STEPS.map(|(version, name, sql)| {
        let sql = match place.path() {
            Some(_) => sql.to_owned(),
            // SQLite compares bytes unless told otherwise, PostgreSQL as the database's language does.
            None => sql.replace(" TEXT", " TEXT COLLATE \"C\""),
        };
        let sql = AssertSqlSafe(sql).into_sql_str();
        Migration::new(version, Cow::Borrowed(name), MigrationType::Simple, sql, false)
    });
    let mut migrator = Migrator::with_migrations(steps.to_vec());
    migrator.dangerous_set_table_name(HISTORY);
    migrator
}

/// That a file holds nothing, or tables of this program's.
pub(crate) async fn not_foreign(conn: &mut AnyConnection, place: &Place, limits: Limits) -> Result<()> {
    let sql =
        "SELECT COUNT(*) AS tables, COALESCE(SUM(name = 'catalogue_version'), 0) AS ours FROM sqlite_schema";
    let rows = wire::ask(conn, place, "looking at the tables", limits.statement, sql).await?;
    let number = |column| rows.first().and_then(|row| row.try_get::<i64, _>(column).ok()).unwrap_or(0);
    if number("tables") > 0 && number("ours") == 0 {
        return Err(Error::Foreign { place: place.to_string(), why: "it holds other tables".to_owned() });
    }
    Ok(())
}

/// That a server's database takes every character.
pub(crate) async fn utf8(conn: &mut AnyConnection, place: &Place, limits: Limits) -> Result<()> {
    let sql = "SELECT current_setting('server_encoding') AS encoding";
    let rows = wire::ask(conn, place, "asking for the encoding", limits.statement, sql).await?;
    let encoding = rows.first().and_then(|row| row.try_get::<String, _>("encoding").ok()).unwrap_or_default();
    if encoding != "UTF8" {
        let why = format!("its encoding is {encoding}, not UTF8; make the database with --encoding=UTF8");
        return Err(Error::Foreign { place: place.to_string(), why });
    }
    Ok(())
}

/// Makes what is missing.
pub(crate) async fn migrate(conn: &mut AnyConnection, place: &Place, limits: Limits) -> Result<()> {
    let steps = migrator(place);
    let what = "making the tables";
    let made = async {
        if place.path().is_none() || up_to_date(conn).await {
            return steps.run_direct(None, conn, false).await;
        }
        // Two programs that open a new file at once: the second waits here, then finds all made.
        let mut tx = conn.begin_with("BEGIN IMMEDIATE").await?;
        steps.run_direct(None, &mut *tx, false).await?;
        Ok(tx.commit().await?)
    };
    // Making an index over many runs may take its time.
    let limit = limits.statement * 4;
    match timeout(limit, made).await {
        Ok(made) => made.map_err(|error| not_made(place, error)),
        Err(_) => Err(Error::TimedOut { place: place.to_string(), what, limit_s: limit.as_secs_f64() }),
    }
}

async fn up_to_date(conn: &mut AnyConnection) -> bool {
    let sql = format!("SELECT COUNT(*) AS steps FROM {HISTORY} WHERE success");
    let found = sqlx::query(AssertSqlSafe(sql)).fetch_one(conn).await;
    found.is_ok_and(|row| row.try_get::<i64, _>("steps").is_ok_and(|steps| steps >= VERSION))
}

/// That the tables are there and of this program's version, which whoever only reads can't make or bring up to date.
pub(crate) async fn of_this_version(conn: &mut AnyConnection, place: &Place, limits: Limits) -> Result<()> {
    let foreign = |why: &str| Error::Foreign { place: place.to_string(), why: why.to_owned() };
    let sql = format!("SELECT COALESCE(MAX(version), 0) AS version FROM {HISTORY} WHERE success");
    let rows = match wire::ask(conn, place, "looking at the tables", limits.statement, sql).await {
        Ok(rows) => rows,
        Err(Error::Failed { why, .. }) => {
            let none = "its tables can't be read; the first bench that publishes there makes them";
            return Err(foreign(&format!("{none} ({why})")));
        }
        Err(error) => return Err(error),
    };
    let found = rows.first().map_or(Ok(0), |row| row.try_get::<i64, _>("version"));
    match found.map_err(|error| wire::failed(place, "looking at the tables", &error))? {
        VERSION => Ok(()),
        found if found > VERSION => Err(Error::Newer { place: place.to_string(), found, known: VERSION }),
        _ => Err(foreign("it is of an older version; a bench with this version brings it up to date")),
    }
}

fn not_made(place: &Place, error: MigrateError) -> Error {
    let name = place.to_string();
    match error {
        MigrateError::VersionMissing(found) if found > VERSION => {
            Error::Newer { place: name, found, known: VERSION }
        }
        MigrateError::VersionMismatch(step) => Error::Foreign {
            place: name,
            why: format!("its tables of step {step} were made by another program"),
        },
        MigrateError::Execute(error) | MigrateError::ExecuteMigration(error, _) => {
            match wire::failed(place, "making the tables", &error) {
                Error::Failed { place, why, .. } => Error::Foreign { place, why },
                other => other,
            }
        }
        other => Error::Foreign { place: name, why: place.without_secrets(&other.to_string()) },
    }
}

/// That every table has every column: asked for at once, without reading a row.
pub(crate) async fn confirm(conn: &mut AnyConnection, place: &Place, limits: Limits) -> Result<()> {
    let table = |table: &Table| {
        format!("(SELECT COUNT(*) FROM (SELECT {} FROM {} LIMIT 0) AS rows_of_{1})", table.list(), table.name)
    };
    let sql = format!("SELECT {}", TABLES.iter().map(table).collect::<Vec<_>>().join(", "));
    let asked = wire::ask(conn, place, "looking at the tables", limits.statement, sql).await;
    asked.map(drop).map_err(|error| match error {
        Error::Failed { place, why, .. } => Error::Damaged { place, why },
        other => other,
    })
}
