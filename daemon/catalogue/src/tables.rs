//! The tables' columns, in the order in which rows are written. What each means and its unit: the README.

use crate::entry::Entry;
use crate::wire::Value;

/// A table.
pub(crate) struct Table {
    pub(crate) name: &'static str,
    /// Its columns; `#` marks a number that may be absent or not finite.
    columns: &'static [&'static str],
}

pub(crate) const RUN: Table = Table {
    name: "run",
    columns: &[
        "key",
        "lines",
        "chain",
        "digest",
        "revision",
        "run",
        "folder",
        "bench",
        "maker",
        "maker_lower",
        "model",
        "model_lower",
        "serial",
        "invented",
        "golden",
        "#price",
        "currency",
        "script",
        "script_sha256",
        "operator",
        "started_utc",
        "ended_utc",
        "outcome",
        "error",
        "verdict",
        "steps",
        "gaps",
        "#gap_s",
        "calibration",
        "selfcheck",
        "wattproof_version",
        "ratings",
        "ratings_short",
        "ratings_undecided",
        "findings",
        "findings_short",
        "findings_undecided",
        "#ratio_db_min",
    ],
};

pub(crate) const RATING: Table = Table {
    name: "rating",
    columns: &[
        "run_key",
        "nth",
        "rating",
        "#rated",
        "#measured",
        "#expanded_u",
        "unit",
        "#ratio_db",
        "#load_ohm",
        "#supply_v",
        "#hz",
        "driven",
        "limit_by",
        "#limit_pct",
        "verdict",
        "cause",
        "#out_vrms",
        "#efficiency_pct",
        "#heatsink_c",
        "not_measured",
    ],
};

pub(crate) const CLEAN: Table =
    Table { name: "clean", columns: &["run_key", "rating_nth", "nth", "#limit_pct", "#delivered"] };

pub(crate) const FINDING: Table = Table {
    name: "finding",
    columns: &[
        "run_key",
        "nth",
        "finding",
        "name",
        "channel",
        "#value",
        "unit",
        "#expanded_u",
        "at",
        "#low",
        "#high",
        "verdict",
        "note",
    ],
};

pub(crate) const INSTRUMENT: Table =
    Table { name: "instrument", columns: &["run_key", "nth", "role", "idn", "dialect"] };

pub(crate) const FILE: Table =
    Table { name: "file", columns: &["run_key", "nth", "name", "bytes", "sha256"] };

const SOURCE: Table = Table { name: "source", columns: &["one", "id", "last_seq"] };
const SENT: Table = Table { name: "sent", columns: &["place", "seq", "behind"] };
const PUBLISHED: Table = Table { name: "published", columns: &["source", "seq", "mark"] };
pub(crate) const OUTBOX: Table = Table { name: "outbox", columns: &["seq", "place", "key", "mark", "entry"] };

/// All of them.
pub(crate) const TABLES: [Table; 10] =
    [RUN, RATING, CLEAN, FINDING, INSTRUMENT, FILE, SOURCE, OUTBOX, SENT, PUBLISHED];

/// Rows of one statement: few sizes, so that each database prepares few statements.
const SIZES: [usize; 4] = [64, 16, 4, 1];

impl Table {
    fn names(&self) -> impl Iterator<Item = &'static str> {
        self.columns.iter().map(|column| column.strip_prefix('#').unwrap_or(column))
    }

    /// Its columns, as a statement lists them.
    pub(crate) fn list(&self) -> String {
        self.names().collect::<Vec<_>>().join(", ")
    }

    /// The statement that inserts so many rows.
    pub(crate) fn insert(&self, rows: usize) -> String {
        let width = self.columns.len();
        let row = |row: usize| {
            let values = self.columns.iter().enumerate().map(|(i, column)| {
                let number = row * width + i + 1;
                if column.starts_with('#') {
                    format!("NULLIF(${number}, 'NaN')")
                } else {
                    format!("${number}")
                }
            });
            format!("({})", values.collect::<Vec<_>>().join(", "))
        };
        let rows = (0..rows).map(row).collect::<Vec<_>>().join(", ");
        format!("INSERT INTO {} ({}) VALUES {rows}", self.name, self.list())
    }

    /// What follows an insertion of runs of which some are there: they are replaced unless what is there is newer or the
    /// same. It gives back the key and revision of those that were written; 1 where there was none.
    fn replacing(&self) -> String {
        let set = self.names().filter(|name| !["key", "revision"].contains(name));
        let set = set.map(|name| format!("{name} = excluded.{name}")).collect::<Vec<_>>().join(", ");
        format!(
            " ON CONFLICT (key) DO UPDATE SET {set}, revision = run.revision + 1 \
             WHERE run.lines <= excluded.lines AND run.digest <> excluded.digest RETURNING key, revision"
        )
    }

    /// Statements that put all of these runs, no two of one key, with their values.
    pub(crate) fn upserts(&self, rows: Vec<Vec<Value>>) -> Vec<(String, Vec<Value>)> {
        let mut statements = self.inserts(rows);
        statements.iter_mut().for_each(|(sql, _)| sql.push_str(&self.replacing()));
        statements
    }

    /// Statements that insert all of these rows, with their values.
    pub(crate) fn inserts(&self, rows: Vec<Vec<Value>>) -> Vec<(String, Vec<Value>)> {
        let mut statements = Vec::new();
        let mut rest = rows.into_iter().peekable();
        while rest.peek().is_some() {
            let left = rest.len();
            let size = SIZES.into_iter().find(|size| *size <= left).unwrap_or(1);
            statements.push((self.insert(size), rest.by_ref().take(size).flatten().collect()));
        }
        statements
    }
}

/// Keys in groups, and the list of numbers that a statement names them by. The last key is repeated up to one of few
/// sizes.
pub(crate) fn by_keys(keys: &[String]) -> Vec<(String, Vec<Value>)> {
    let most = SIZES[0];
    let group = |keys: &[String]| {
        let size = SIZES.into_iter().rev().find(|size| *size >= keys.len()).unwrap_or(most);
        let padded = keys.iter().chain(keys.last().into_iter().cycle()).take(size);
        let numbers = (1..=size).map(|number| format!("${number}")).collect::<Vec<_>>().join(", ");
        (numbers, padded.map(Value::from).collect())
    };
    keys.chunks(most).map(group).collect()
}

/// The row of a run.
pub(crate) fn run_row(entry: &Entry, digest: &str) -> Vec<Value> {
    let ratings =
        |verdict: &str| entry.ratings.iter().filter(|r| r.verdict.as_deref() == Some(verdict)).count();
    let findings =
        |verdict: &str| entry.findings.iter().filter(|f| f.verdict.as_deref() == Some(verdict)).count();
    let ratio_db_min = entry.ratings.iter().filter_map(|rating| rating.ratio_db).reduce(f64::min);
    vec![
        (&entry.key).into(),
        entry.lines.into(),
        (&entry.chain).into(),
        digest.into(),
        1_u64.into(),
        (&entry.run).into(),
        (&entry.folder).into(),
        (&entry.bench).into(),
        (&entry.maker).into(),
        (&entry.maker.to_lowercase()).into(),
        (&entry.model).into(),
        (&entry.model.to_lowercase()).into(),
        (&entry.serial).into(),
        entry.invented.into(),
        entry.golden.into(),
        entry.price.into(),
        (&entry.currency).into(),
        (&entry.script).into(),
        (&entry.script_sha256).into(),
        (&entry.operator).into(),
        (&entry.started_utc).into(),
        (&entry.ended_utc).into(),
        (&entry.outcome).into(),
        (&entry.error).into(),
        (&entry.verdict).into(),
        entry.steps.into(),
        entry.gaps.into(),
        entry.gap_s.into(),
        (&entry.calibration).into(),
        (&entry.selfcheck).into(),
        (&entry.wattproof_version).into(),
        (entry.ratings.len() as u64).into(),
        (ratings("short") as u64).into(),
        (ratings("undecided") as u64).into(),
        (entry.findings.len() as u64).into(),
        (findings("short") as u64).into(),
        (findings("undecided") as u64).into(),
        ratio_db_min.into(),
    ]
}

/// The rows of what hangs on a run, by table.
#[derive(Default)]
pub(crate) struct Rows {
    ratings: Vec<Vec<Value>>,
    cleans: Vec<Vec<Value>>,
    findings: Vec<Vec<Value>>,
    instruments: Vec<Vec<Value>>,
    files: Vec<Vec<Value>>,
}

impl Rows {
    /// Adds those of one run.
    pub(crate) fn add(&mut self, entry: &Entry) {
        let key = || Value::from(&entry.key);
        for (nth, rating) in (1_u64..).zip(&entry.ratings) {
            self.ratings.push(vec![
                key(),
                nth.into(),
                rating.rating.into(),
                rating.rated.into(),
                rating.measured.into(),
                rating.expanded_u.into(),
                (&rating.unit).into(),
                rating.ratio_db.into(),
                rating.load_ohm.into(),
                rating.supply_v.into(),
                rating.hz.into(),
                (&rating.driven).into(),
                (&rating.limit_by).into(),
                rating.limit_pct.into(),
                (&rating.verdict).into(),
                (&rating.cause).into(),
                rating.out_vrms.into(),
                rating.efficiency_pct.into(),
                rating.heatsink_c.into(),
                (&rating.not_measured).into(),
            ]);
            let cleans = (1_u64..).zip(&rating.clean);
            self.cleans.extend(cleans.map(|(clean_nth, clean)| {
                vec![key(), nth.into(), clean_nth.into(), clean.limit_pct.into(), clean.delivered.into()]
            }));
        }
        for (nth, finding) in (1_u64..).zip(&entry.findings) {
            self.findings.push(vec![
                key(),
                nth.into(),
                finding.finding.into(),
                (&finding.name).into(),
                finding.channel.into(),
                finding.value.into(),
                (&finding.unit).into(),
                finding.expanded_u.into(),
                (&finding.at).into(),
                finding.low.into(),
                finding.high.into(),
                (&finding.verdict).into(),
                (&finding.note).into(),
            ]);
        }
        let instruments = (1_u64..).zip(&entry.instruments);
        self.instruments.extend(instruments.map(|(nth, instrument)| {
            let role = (&instrument.role).into();
            vec![key(), nth.into(), role, (&instrument.idn).into(), (&instrument.dialect).into()]
        }));
        let files = (1_u64..).zip(&entry.files);
        self.files.extend(files.map(|(nth, file)| {
            vec![key(), nth.into(), (&file.name).into(), file.bytes.into(), (&file.sha256).into()]
        }));
    }

    /// The statements that insert them, in an order in which each row finds what it hangs on.
    pub(crate) fn inserts(self) -> Vec<(String, Vec<Value>)> {
        let tables = [
            (RATING, self.ratings),
            (CLEAN, self.cleans),
            (FINDING, self.findings),
            (INSTRUMENT, self.instruments),
            (FILE, self.files),
        ];
        tables.into_iter().flat_map(|(table, rows)| table.inserts(rows)).collect()
    }
}
