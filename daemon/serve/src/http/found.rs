//! The catalogue over HTTP: runs that are searched for, one of them whole, a unit over time, the units of a model.

use axum::body::Body;
use axum::extract::rejection::{PathRejection, QueryRejection};
use axum::extract::{Path, Query, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::{IntoParams, ToSchema};
use wattproof_catalogue::{Brief, Entry, Error, Measured, Question, Sort, Wanted};
use wattproof_report::found_csv;

use super::{Ground, Problem};
use crate::asking::{AskError, Asked};

/// Runs that are found at once, unless told otherwise.
const LIMIT: u64 = 50;
/// Most of them; as many are put into one CSV.
const LIMIT_MAX: u64 = 10_000;

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

/// Of whose unit the serial number is, where two makers use the same.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields, default)]
#[into_params(parameter_in = Query)]
pub struct OfWhom {
    /// Maker, exactly.
    maker: Option<String>,
    /// Model, exactly.
    model: Option<String>,
}

/// Which units are put side by side.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Side {
    /// Maker, exactly.
    maker: String,
    /// Model, exactly.
    model: String,
    /// File name of the script.
    script: String,
}

/// A run that was found.
#[derive(Serialize)]
struct Found {
    #[serde(flatten)]
    brief: Brief,
    /// Whether its folder is here, so that `/runs/{run}` tells all of it.
    here: bool,
}

/// A whole entry.
#[derive(Serialize)]
struct Whole {
    #[serde(flatten)]
    entry: Entry,
    /// As above.
    here: bool,
}

impl Search {
    fn is_csv(&self, headers: &HeaderMap) -> bool {
        let accepted = || headers.get(header::ACCEPT).and_then(|value| value.to_str().ok()).unwrap_or("");
        self.format.map_or_else(|| accepted().starts_with("text/csv"), |format| format == Format::Csv)
    }

    fn question(&self, csv: bool) -> Result<Question, Problem> {
        let limit = self.limit.unwrap_or(if csv { LIMIT_MAX } else { LIMIT });
        if !(1..=LIMIT_MAX).contains(&limit) {
            let what = format!("limit is from 1 to {LIMIT_MAX}, not {limit}");
            return Err(Problem::wrong(what, "ask for them in parts, with offset"));
        }
        for (name, date) in [("from", &self.from), ("to", &self.to)] {
            if let Some(date) = date.as_deref().filter(|date| !begins_as_a_time(date)) {
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

/// Whether a text can be the beginning of a time of RFC 3339: anything else would find nothing, or everything, unseen.
fn begins_as_a_time(text: &str) -> bool {
    const SHAPE: &[u8] = b"0000-00-00T00:00:00.000000000Z";
    let fits = |(at, byte): (usize, u8)| match SHAPE.get(at) {
        Some(b'0') => byte.is_ascii_digit() || (byte == b'Z' && at > 19),
        Some(shape) => byte == *shape || (byte == b'Z' && at == 19),
        None => false,
    };
    text.len() >= 4 && text.bytes().enumerate().all(fits)
}

/// Runs by serial number, model, date, verdict, cause or script, over everything that is in the catalogue
///
/// Each with `here`: whether its folder is on this machine, so that `/runs/{run}` tells all of it; `found` is how many
/// there are in all. As CSV (RFC 4180, words defused against formulas) with `format=csv` or `Accept: text/csv`; then
/// without a limit of its own up to ten thousand.
#[utoipa::path(get, path = "/find", tag = "catalogue", params(Search), responses(
    (status = 200, description = "The runs", content((Value = "application/json"), (String = "text/csv"))),
    (status = 400, description = "Not what is described here", body = Problem, content_type = "application/problem+json"),
    (status = 500, description = "The catalogue is damaged", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "The catalogue does not answer", body = Problem, content_type = "application/problem+json")))]
pub async fn find(
    State(ground): State<Ground>,
    headers: HeaderMap,
    search: Result<Query<Search>, QueryRejection>,
) -> Result<Response, Problem> {
    let Query(search) = search?;
    let csv = search.is_csv(&headers);
    let question = search.question(csv)?;
    if csv {
        let table = move |asked: Asked| async move {
            let found = asked.catalogue.find(&question).await?;
            found_csv(&found).map_err(|error| AskError::Told(error.to_string()))
        };
        let table = ground.asking.ask(table).await.map_err(|error| told(&ground, error))?;
        let headers = [
            (header::CONTENT_TYPE, "text/csv; charset=utf-8; header=present"),
            (header::CONTENT_DISPOSITION, "attachment; filename=\"runs.csv\""),
        ];
        return Ok((headers, table.unwrap_or_default()).into_response());
    }
    let answer = move |asked: Asked| async move {
        let runs = asked.catalogue.find(&question).await?;
        let found = asked.catalogue.count(&question).await?;
        text(&json!({ "runs": here(&asked, runs), "found": found }))
    };
    json_answer(&ground, answer, || json!({ "runs": [], "found": 0 })).await
}

/// All that the catalogue holds of a run: ratings, findings, instruments, files with their hashes
#[utoipa::path(get, path = "/entries/{key}", tag = "catalogue", params(("key" = String, Path, description = "Key of the run, as found")), responses(
    (status = 200, description = "The entry", body = Value),
    (status = 404, description = "No such entry", body = Problem, content_type = "application/problem+json"),
    (status = 500, description = "The catalogue is damaged", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "The catalogue does not answer", body = Problem, content_type = "application/problem+json")))]
pub async fn entry(
    State(ground): State<Ground>,
    key: Result<Path<String>, PathRejection>,
) -> Result<Response, Problem> {
    let Path(key) = key?;
    let nowhere = Problem::nowhere(
        format!("there is no run of the key {key:?} in the catalogue"),
        "GET /api/v1/find tells the keys of the runs there are",
    );
    let answer = move |asked: Asked| async move {
        let Some(entry) = asked.catalogue.entry(&key).await? else { return Ok(None) };
        let here = asked.is_here(&entry.run);
        text(&Whole { entry, here }).map(Some)
    };
    let found = ground.asking.ask(answer).await.map_err(|error| told(&ground, error))?;
    found.flatten().map(json_text).ok_or(nowhere)
}

/// A unit over time: its runs, the first one first
#[utoipa::path(get, path = "/units/{serial}", tag = "catalogue", params(("serial" = String, Path, description = "Serial number of the unit"), OfWhom), responses(
    (status = 200, description = "Its runs, none where there are none", body = Value),
    (status = 400, description = "Not what is described here", body = Problem, content_type = "application/problem+json"),
    (status = 500, description = "The catalogue is damaged", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "The catalogue does not answer", body = Problem, content_type = "application/problem+json")))]
pub async fn unit(
    State(ground): State<Ground>,
    serial: Result<Path<String>, PathRejection>,
    whose: Result<Query<OfWhom>, QueryRejection>,
) -> Result<Response, Problem> {
    let (Path(serial), Query(whose)) = (serial?, whose?);
    let none = json!({ "serial": serial, "runs": [] });
    let answer = move |asked: Asked| async move {
        let (maker, model) = (whose.maker.as_deref(), whose.model.as_deref());
        let runs = asked.catalogue.history(&serial, maker, model).await?;
        text(&json!({ "serial": serial, "runs": here(&asked, runs) }))
    };
    json_answer(&ground, answer, || none).await
}

/// The units of a model side by side: every finding and measured rating of each unit's latest run of a script
#[utoipa::path(get, path = "/population", tag = "catalogue", params(Side), responses(
    (status = 200, description = "What was measured, none where there is none", body = Value),
    (status = 400, description = "Not what is described here", body = Problem, content_type = "application/problem+json"),
    (status = 500, description = "The catalogue is damaged", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "The catalogue does not answer", body = Problem, content_type = "application/problem+json")))]
pub async fn population(
    State(ground): State<Ground>,
    side: Result<Query<Side>, QueryRejection>,
) -> Result<Response, Problem> {
    let Query(Side { maker, model, script }) = side?;
    let answer = move |asked: Asked| async move {
        let measured: Vec<Measured> = asked.catalogue.population(&maker, &model, &script).await?;
        text(&json!({ "measured": measured }))
    };
    json_answer(&ground, answer, || json!({ "measured": [] })).await
}

fn here(asked: &Asked, runs: Vec<Brief>) -> Vec<Found> {
    runs.into_iter().map(|brief| Found { here: asked.is_here(&brief.run), brief }).collect()
}

/// Written where it was found, not where stops are answered.
fn text(answer: &impl Serialize) -> Result<String, AskError> {
    serde_json::to_string(answer).map_err(|error| AskError::Told(error.to_string()))
}

async fn json_answer<F>(
    ground: &Ground,
    question: impl FnOnce(Asked) -> F + Send + 'static,
    nothing: impl FnOnce() -> Value,
) -> Result<Response, Problem>
where
    F: Future<Output = Result<String, AskError>> + Send + 'static,
{
    let found = ground.asking.ask(question).await.map_err(|error| told(ground, error))?;
    Ok(json_text(found.unwrap_or_else(|| nothing().to_string())))
}

fn json_text(text: String) -> Response {
    ([(header::CONTENT_TYPE, "application/json")], Body::from(text)).into_response()
}

/// What went wrong, and who mends it: a file is made anew from the runs' folders, a server has its keeper.
fn told(ground: &Ground, error: AskError) -> Problem {
    tracing::warn!(%error, "the catalogue was asked in vain");
    let on_file = ground.asking.place().path().is_some();
    match &error {
        AskError::Catalogue(Error::Damaged { .. } | Error::Foreign { .. }) => {
            let next = match on_file {
                true => "`wattproof reindex --anew` puts it aside and makes it anew from the runs' folders",
                false => {
                    "its keeper makes a new one; `wattproof publish --all` on each bench sends every run anew"
                }
            };
            Problem::new(StatusCode::INTERNAL_SERVER_ERROR, error, next)
        }
        AskError::Catalogue(Error::Unreachable { .. } | Error::Busy { .. } | Error::TimedOut { .. })
        | AskError::Late { .. } => {
            let next = "see that the database runs and lets the daemon in, then ask again";
            Problem::new(StatusCode::SERVICE_UNAVAILABLE, error, next)
        }
        _ => Problem::failed(error),
    }
}

#[cfg(test)]
mod tests {
    use super::begins_as_a_time;

    /// RFC 3339, 5.6, and the beginnings of it that the command line's help names.
    #[test]
    fn only_the_beginning_of_a_time_is_a_date() {
        for right in [
            "2031",
            "2031-05",
            "2031-05-24",
            "2031-05-24T09:30",
            "2031-05-24T09:30:00Z",
            "2031-05-24T09:30:00.125Z",
        ] {
            assert!(begins_as_a_time(right), "{right}");
        }
        for wrong in [
            "",
            "203",
            "yesterday",
            "24.05.2031",
            "2031/05",
            "2031-05-24 09:30",
            "2031-05-24T09:30:00+01:00",
            "20310524",
        ] {
            assert!(!begins_as_a_time(wrong), "{wrong}");
        }
    }
}
