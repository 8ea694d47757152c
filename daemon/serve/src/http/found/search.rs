//! What is asked for by a search, with the names of the command line's own flags.

use axum::http::{HeaderMap, header};
use serde::Deserialize;
use utoipa::{IntoParams, ToSchema};
use wattproof_catalogue::{Question, Sort, Wanted};

use crate::http::Problem;

/// Runs that are found at once, unless told otherwise.
const LIMIT: u64 = 50;
/// Most of them; as many are put into one CSV.
const LIMIT_MAX: u64 = 10_000;
/// More runs than there will ever be.
const OFFSET_MAX: u64 = 1_000_000_000;

/// Which runs are searched for. What is left out does not matter.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields, default)]
#[into_params(parameter_in = Query)]
pub struct Search {
    /// Serial number of the unit.
    serial: Option<String>,
    /// Maker: any that has this in it.
    maker: Option<String>,
    /// Model: any that has this in it.
    model: Option<String>,
    /// Begun on this day or later, UTC; a month or a year will do.
    from: Option<String>,
    /// Begun on this day or earlier, UTC; a month or a year will do.
    to: Option<String>,
    /// What came out; `none` where nothing was judged.
    #[param(inline)]
    verdict: Option<VerdictSought>,
    /// Why the output of one of its ratings stops there.
    cause: Option<String>,
    /// File name of the script.
    script: Option<String>,
    /// Name of the bench.
    bench: Option<String>,
    /// By what they are put in order.
    #[param(inline)]
    sort: Option<SortSought>,
    /// Which way round; dates come newest first unless told otherwise.
    #[param(inline)]
    order: Option<Way>,
    /// How many at most.
    #[param(minimum = 1, maximum = 10000)]
    limit: Option<u64>,
    /// How many of the first are left out.
    #[param(minimum = 0, maximum = 1000000000)]
    offset: u64,
    /// JSON unless told otherwise, here or by `Accept: text/csv`.
    #[param(inline)]
    format: Option<Format>,
}

#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
enum VerdictSought {
    Meets,
    Short,
    Undecided,
    None,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
enum SortSought {
    Date,
    Maker,
    Model,
    Serial,
    Verdict,
    Script,
    Bench,
    Ratio,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
enum Way {
    Asc,
    Desc,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
enum Format {
    Json,
    Csv,
}

impl Search {
    /// Whether a table is wanted rather than JSON.
    pub(super) fn is_csv(&self, headers: &HeaderMap) -> bool {
        let accepted = || headers.get(header::ACCEPT).and_then(|value| value.to_str().ok()).unwrap_or("");
        self.format.map_or_else(|| accepted().starts_with("text/csv"), |format| format == Format::Csv)
    }

    /// The question to the catalogue.
    ///
    /// # Errors
    /// What is not understood.
    pub(super) fn question(&self, csv: bool) -> Result<Question, Problem> {
        let limit = self.limit.unwrap_or(if csv { LIMIT_MAX } else { LIMIT });
        if !(1..=LIMIT_MAX).contains(&limit) {
            let what = format!("limit is from 1 to {LIMIT_MAX}, not {limit}");
            return Err(Problem::wrong(what, "ask for them in parts, with offset"));
        }
        if self.offset > OFFSET_MAX {
            let what = format!("offset is from 0 to {OFFSET_MAX}, not {}", self.offset);
            return Err(Problem::wrong(what, "there are not as many runs as that"));
        }
        for (name, date) in [("from", &self.from), ("to", &self.to)] {
            if let Some(date) = date.as_deref().filter(|date| !wattproof_catalogue::begins_as_a_time(date)) {
                let what = format!("{name} is no date: {date:?}");
                return Err(Problem::wrong(what, "write it as 2031-05-24; 2031-05 and 2031 will do"));
            }
        }
        let containing = |text: &Option<String>| text.clone().map(Wanted::Containing);
        let date = matches!(self.sort, None | Some(SortSought::Date));
        Ok(Question {
            serial: self.serial.clone(),
            maker: containing(&self.maker),
            model: containing(&self.model),
            from_utc: self.from.clone(),
            to_utc: self.to.clone(),
            verdict: self.verdict.map(|verdict| verdict.word().to_owned()),
            cause: self.cause.clone(),
            script: self.script.clone(),
            bench: self.bench.clone(),
            sort: self.sort.map_or(Sort::Date, SortSought::sort),
            descending: self.order.map_or(date, |way| way == Way::Desc),
            limit: Some(limit),
            offset: self.offset,
            ..Question::default()
        })
    }
}

impl VerdictSought {
    fn word(self) -> &'static str {
        match self {
            VerdictSought::Meets => "meets",
            VerdictSought::Short => "short",
            VerdictSought::Undecided => "undecided",
            VerdictSought::None => "none",
        }
    }
}

impl SortSought {
    fn sort(self) -> Sort {
        match self {
            SortSought::Date => Sort::Date,
            SortSought::Maker => Sort::Maker,
            SortSought::Model => Sort::Model,
            SortSought::Serial => Sort::Serial,
            SortSought::Verdict => Sort::Verdict,
            SortSought::Script => Sort::Script,
            SortSought::Bench => Sort::Bench,
            SortSought::Ratio => Sort::Ratio,
        }
    }
}
