//! Questions: which runs, in which order, and what is shortly told of each.

use serde::{Deserialize, Serialize};
use sqlx::any::AnyRow;

use crate::catalogue::{Catalogue, For};
use crate::error::Result;
use crate::wire::{self, Value};

/// Which runs are asked for. What is left out does not matter.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Question {
    /// Serial number of the unit, exactly.
    pub serial: Option<String>,
    /// Maker of the amplifier.
    pub maker: Option<Wanted>,
    /// Its model.
    pub model: Option<Wanted>,
    /// Begun at this time or later: UTC, RFC 3339 or the beginning of it, as `2031-05`.
    pub from_utc: Option<String>,
    /// Begun at this time or earlier, likewise; all of what begins so is within: `2031-05` is until the end of May.
    pub to_utc: Option<String>,
    /// `meets`, `short`, `undecided`, or `none` of runs where nothing was judged.
    pub verdict: Option<String>,
    /// Why the output of any of its ratings stops there.
    pub cause: Option<String>,
    /// File name of the script.
    pub script: Option<String>,
    /// Name of the bench.
    pub bench: Option<String>,
    /// Whether invented.
    pub invented: Option<bool>,
    /// Whether of a unit known to be good.
    pub golden: Option<bool>,
    /// By what they are put in order. Runs of which that is not known come last, either way.
    pub sort: Sort,
    /// From the last to the first.
    pub descending: bool,
    /// How many at most.
    pub limit: Option<u64>,
    /// How many of the first are left out.
    pub offset: u64,
}

/// A text that is searched for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Wanted {
    /// Exactly this, byte by byte.
    Exactly(String),
    /// Anything that has this in it, in capitals or not.
    Containing(String),
}

/// By what runs are put in order. Those that are equal in it: by start, then by key.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Sort {
    /// When they began.
    #[default]
    Date,
    /// Maker, then model.
    Maker,
    /// Model.
    Model,
    /// Serial number.
    Serial,
    /// Verdict: what is short first.
    Verdict,
    /// Script.
    Script,
    /// Bench.
    Bench,
    /// Measured over claimed of the worst rating, dB.
    Ratio,
    /// The same of the rating of this number.
    RatioOf(u64),
}

/// What is shortly told of a run.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Brief {
    /// Key of the run.
    pub key: String,
    /// Its name.
    pub run: String,
    /// Where its folder was.
    pub folder: String,
    /// Name of the bench.
    pub bench: String,
    /// Maker of the amplifier.
    pub maker: String,
    /// Its model.
    pub model: String,
    /// Serial number of the unit.
    pub serial: Option<String>,
    /// Whether amplifier and claims are invented.
    pub invented: bool,
    /// Whether the unit is known to be good.
    pub golden: bool,
    /// File name of the script.
    pub script: String,
    /// When it began, UTC.
    pub started_utc: String,
    /// When it ended, UTC.
    pub ended_utc: Option<String>,
    /// `finished`, `stopped` or `failed`.
    pub outcome: Option<String>,
    /// `meets`, `short` or `undecided`.
    pub verdict: Option<String>,
    /// Steps recorded.
    pub steps: u64,
    /// How often it was resumed.
    pub gaps: u64,
    /// Ratings, those left out included.
    pub ratings: u64,
    /// Of them short.
    pub ratings_short: u64,
    /// Of them undecided.
    pub ratings_undecided: u64,
    /// Findings.
    pub findings: u64,
    /// Of them short.
    pub findings_short: u64,
    /// Of them undecided.
    pub findings_undecided: u64,
    /// Measured over claimed of the worst rating, dB.
    pub ratio_db_min: Option<f64>,
    /// Measured over claimed of the rating that it was asked to sort by, dB.
    pub ratio_db: Option<f64>,
    /// Price, in `currency`.
    pub price: Option<f64>,
    /// Currency of the price.
    pub currency: Option<String>,
}

const COLUMNS: &str = "key, run, folder, bench, maker, model, serial, invented, golden, script, started_utc, ended_utc, \
     outcome, verdict, steps, gaps, ratings, ratings_short, ratings_undecided, findings, findings_short, \
     findings_undecided, ratio_db_min, price, currency";

impl Catalogue {
    /// The runs that a question finds.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn find(&self, question: &Question) -> Result<Vec<Brief>> {
        let what = "searching the catalogue";
        let mut filter = Filter::of(question);
        let ratio = match question.sort {
            Sort::RatioOf(rating) => {
                let number = filter.value(rating.into());
                format!(
                    "(SELECT MIN(ratio_db) FROM rating WHERE rating.run_key = run.key AND rating.rating = {number})"
                )
            }
            _ => "CAST(NULL AS DOUBLE PRECISION)".to_owned(),
        };
        let limit = filter.value(question.limit.unwrap_or(u64::MAX).into());
        let offset = filter.value(question.offset.into());
        let sql = format!(
            "SELECT {COLUMNS}, {ratio} AS ratio_db FROM run {} ORDER BY {} LIMIT {limit} OFFSET {offset}",
            filter.sql(),
            order(question.sort, question.descending)
        );
        let mut tx = self.begin(what, For::Reading).await?;
        let rows = tx.rows(what, sql, filter.values).await?;
        tx.commit(what).await?;
        let briefs = rows.iter().map(brief).collect::<std::result::Result<_, _>>();
        briefs.map_err(|error| wire::failed(self.place(), what, &error))
    }

    /// How many runs a question finds, its limit and offset aside.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn count(&self, question: &Question) -> Result<u64> {
        let what = "counting runs of the catalogue";
        let filter = Filter::of(question);
        let sql = format!("SELECT COUNT(*) AS runs FROM run {}", filter.sql());
        let mut tx = self.begin(what, For::Reading).await?;
        let rows = tx.rows(what, sql, filter.values).await?;
        tx.commit(what).await?;
        let runs = rows.first().map_or(Ok(0), |row| wire::count(row, "runs"));
        runs.map_err(|error| wire::failed(self.place(), what, &error))
    }
}

/// The conditions of a question and their values.
struct Filter {
    conditions: Vec<String>,
    values: Vec<Value>,
}

impl Filter {
    fn of(question: &Question) -> Self {
        let mut filter = Self { conditions: Vec::new(), values: Vec::new() };
        let exact = [("serial", &question.serial), ("script", &question.script), ("bench", &question.bench)];
        for (column, wanted) in exact {
            if let Some(wanted) = wanted {
                filter.add(format!("{column} = "), wanted.as_str().into(), "");
            }
        }
        for (column, wanted) in [("maker", &question.maker), ("model", &question.model)] {
            match wanted {
                Some(Wanted::Exactly(text)) => filter.add(format!("{column} = "), text.into(), ""),
                Some(Wanted::Containing(text)) => {
                    filter.add(format!("{column}_lower LIKE "), (&containing(text)).into(), " ESCAPE '!'");
                }
                None => {}
            }
        }
        if let Some(from) = &question.from_utc {
            filter.add("started_utc >= ".to_owned(), from.into(), "");
        }
        if let Some(to) = &question.to_utc {
            // The last character of all comes after whatever follows.
            filter.add("started_utc < ".to_owned(), (&format!("{to}\u{10ffff}")).into(), "");
        }
        match question.verdict.as_deref() {
            Some("none") => filter.conditions.push("verdict IS NULL".to_owned()),
            Some(verdict) => filter.add("verdict = ".to_owned(), verdict.into(), ""),
            None => {}
        }
        if let Some(cause) = &question.cause {
            let before = "key IN (SELECT run_key FROM rating WHERE cause = ";
            filter.add(before.to_owned(), cause.into(), ")");
        }
        for (column, wanted) in [("invented", question.invented), ("golden", question.golden)] {
            if let Some(wanted) = wanted {
                filter.add(format!("{column} = "), wanted.into(), "");
            }
        }
        filter
    }

    /// The number of a value in the statement.
    fn value(&mut self, value: Value) -> String {
        self.values.push(match value {
            // As entries are kept; PostgreSQL would refuse the question.
            Value::Text(Some(text)) if text.contains('\0') => (&text.replace('\0', "\u{fffd}")).into(),
            other => other,
        });
        format!("${}", self.values.len())
    }

    fn add(&mut self, before: String, value: Value, after: &str) {
        let number = self.value(value);
        self.conditions.push(format!("{before}{number}{after}"));
    }

    fn sql(&self) -> String {
        if self.conditions.is_empty() {
            return String::new();
        }
        format!("WHERE {}", self.conditions.join(" AND "))
    }
}

/// The pattern that finds a text within another.
fn containing(text: &str) -> String {
    let mut pattern = String::from("%");
    for character in text.to_lowercase().chars() {
        if ['%', '_', '!'].contains(&character) {
            pattern.push('!');
        }
        pattern.push(character);
    }
    pattern.push('%');
    pattern
}

fn order(sort: Sort, descending: bool) -> String {
    let by: &[&str] = match sort {
        Sort::Date => &[],
        Sort::Maker => &["maker_lower", "maker", "model_lower", "model"],
        Sort::Model => &["model_lower", "model", "maker_lower", "maker"],
        Sort::Serial => &["serial"],
        Sort::Verdict => {
            &["CASE verdict WHEN 'short' THEN 1 WHEN 'undecided' THEN 2 WHEN 'meets' THEN 3 END"]
        }
        Sort::Script => &["script"],
        Sort::Bench => &["bench"],
        Sort::Ratio => &["ratio_db_min"],
        Sort::RatioOf(_) => &["ratio_db"],
    };
    let way = if descending { "DESC" } else { "ASC" };
    let by = by.iter().chain(&["started_utc", "key"]);
    by.map(|column| format!("{column} {way} NULLS LAST")).collect::<Vec<_>>().join(", ")
}

fn brief(row: &AnyRow) -> std::result::Result<Brief, sqlx::Error> {
    Ok(Brief {
        key: wire::text(row, "key")?,
        run: wire::text(row, "run")?,
        folder: wire::text(row, "folder")?,
        bench: wire::text(row, "bench")?,
        maker: wire::text(row, "maker")?,
        model: wire::text(row, "model")?,
        serial: wire::text_or_none(row, "serial")?,
        invented: wire::flag(row, "invented")?,
        golden: wire::flag(row, "golden")?,
        script: wire::text(row, "script")?,
        started_utc: wire::text(row, "started_utc")?,
        ended_utc: wire::text_or_none(row, "ended_utc")?,
        outcome: wire::text_or_none(row, "outcome")?,
        verdict: wire::text_or_none(row, "verdict")?,
        steps: wire::count(row, "steps")?,
        gaps: wire::count(row, "gaps")?,
        ratings: wire::count(row, "ratings")?,
        ratings_short: wire::count(row, "ratings_short")?,
        ratings_undecided: wire::count(row, "ratings_undecided")?,
        findings: wire::count(row, "findings")?,
        findings_short: wire::count(row, "findings_short")?,
        findings_undecided: wire::count(row, "findings_undecided")?,
        ratio_db_min: wire::real_or_none(row, "ratio_db_min")?,
        ratio_db: wire::real_or_none(row, "ratio_db")?,
        price: wire::real_or_none(row, "price")?,
        currency: wire::text_or_none(row, "currency")?,
    })
}
