//! What is known of a unit over time, and of the units of a model side by side.

use serde::{Deserialize, Serialize};
use sqlx::any::AnyRow;

use crate::catalogue::{Catalogue, For};
use crate::error::Result;
use crate::question::{Brief, Question, Sort, Wanted};
use crate::wire::{self, Value};

/// A number that was measured of a unit, for statistics over many.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// Key of the run.
    pub key: String,
    /// Serial number of the unit.
    pub serial: Option<String>,
    /// Whether the unit is known to be good.
    pub golden: bool,
    /// When the run began, UTC.
    pub started_utc: String,
    /// Number of the rating; absent of a finding.
    pub rating: Option<u64>,
    /// What was measured: name of the finding, or `rating`.
    pub name: String,
    /// Amplifier channel, from 1; absent where it is of none or of all.
    pub channel: Option<u64>,
    /// Unit of `value`.
    pub unit: String,
    /// The conditions, in words.
    pub at: String,
    /// What was measured, in `unit`. Always finite.
    pub value: f64,
    /// Expanded uncertainty (k = 2), in `unit`.
    pub expanded_u: Option<f64>,
}

/// The runs that speak for their units: of those with a serial number each one's latest, and all without one. A run that
/// measured nothing (one that was stopped at once, say) does not stand in the way of an earlier one that did.
const LATEST: &str = "WITH told AS (SELECT key, serial, golden, started_utc, \
     ROW_NUMBER() OVER (PARTITION BY serial ORDER BY started_utc DESC, key DESC) AS age FROM run \
     WHERE maker = $1 AND model = $2 AND script = $3 AND (\
     EXISTS (SELECT 1 FROM finding WHERE finding.run_key = run.key AND finding.value IS NOT NULL) OR \
     EXISTS (SELECT 1 FROM rating WHERE rating.run_key = run.key AND rating.measured IS NOT NULL))), \
     latest AS (SELECT key, serial, golden, started_utc FROM told WHERE age = 1 OR serial IS NULL) ";

impl Catalogue {
    /// The runs of a unit, the first one first. Serial numbers are a maker's own: where two makers use the same, name the
    /// maker, and the model if need be.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn history(
        &self,
        serial: &str,
        maker: Option<&str>,
        model: Option<&str>,
    ) -> Result<Vec<Brief>> {
        let exactly = |text: Option<&str>| text.map(|text| Wanted::Exactly(text.to_owned()));
        self.find(&Question {
            serial: Some(serial.to_owned()),
            maker: exactly(maker),
            model: exactly(model),
            sort: Sort::Date,
            ..Question::default()
        })
        .await
    }

    /// Every finding and every measured rating of the units of a model, from each unit's latest run of a script that
    /// measured anything. Units without a serial number count singly. In order of what was measured, then of units.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn population(&self, maker: &str, model: &str, script: &str) -> Result<Vec<Measured>> {
        let what = "reading what was measured of a model";
        let values: Vec<Value> = vec![maker.into(), model.into(), script.into()];
        let findings = format!(
            "{LATEST} SELECT latest.key, serial, golden, started_utc, name, channel, unit, at, value, expanded_u \
             FROM latest JOIN finding ON finding.run_key = latest.key WHERE value IS NOT NULL \
             ORDER BY name, channel NULLS FIRST, unit, at, serial NULLS LAST, latest.key, nth"
        );
        let ratings = format!(
            "{LATEST} SELECT latest.key, serial, golden, started_utc, rating, unit, load_ohm, supply_v, hz, driven, \
             limit_by, limit_pct, measured AS value, expanded_u \
             FROM latest JOIN rating ON rating.run_key = latest.key WHERE measured IS NOT NULL \
             ORDER BY rating, serial NULLS LAST, latest.key, nth"
        );
        let mut tx = self.begin(what, For::Reading).await?;
        let ratings = tx.rows(what, ratings, values.clone()).await?;
        let findings = tx.rows(what, findings, values).await?;
        tx.commit(what).await?;
        let measured = ratings.iter().map(of_rating).chain(findings.iter().map(of_finding));
        measured
            .collect::<std::result::Result<_, _>>()
            .map_err(|error| wire::failed(self.place(), what, &error))
    }
}

fn of_run(row: &AnyRow) -> std::result::Result<Measured, sqlx::Error> {
    Ok(Measured {
        key: wire::text(row, "key")?,
        serial: wire::text_or_none(row, "serial")?,
        golden: wire::flag(row, "golden")?,
        started_utc: wire::text(row, "started_utc")?,
        unit: wire::text(row, "unit")?,
        value: wire::real(row, "value")?,
        expanded_u: wire::real_or_none(row, "expanded_u")?,
        ..Measured::default()
    })
}

fn of_finding(row: &AnyRow) -> std::result::Result<Measured, sqlx::Error> {
    Ok(Measured {
        name: wire::text(row, "name")?,
        channel: wire::count_or_none(row, "channel")?,
        at: wire::text(row, "at")?,
        ..of_run(row)?
    })
}

fn of_rating(row: &AnyRow) -> std::result::Result<Measured, sqlx::Error> {
    let conditions = [("load_ohm", " ohm"), ("supply_v", " V"), ("hz", " Hz")];
    let mut at = Vec::new();
    for (column, unit) in conditions {
        at.extend(wire::real_or_none(row, column)?.map(|number| format!("{number}{unit}")));
    }
    at.push(format!("driven {}", wire::text(row, "driven")?));
    let limit_by = wire::text(row, "limit_by")?;
    at.extend(wire::real_or_none(row, "limit_pct")?.map(|limit_pct| format!("{limit_by} {limit_pct} %")));
    Ok(Measured {
        rating: wire::count_or_none(row, "rating")?,
        name: "rating".to_owned(),
        at: at.join(", "),
        ..of_run(row)?
    })
}
