//! `wattproof find`: runs by serial number, model, date, verdict, cause or script.

use std::path::PathBuf;

use clap::Args;
use wattproof_catalogue::{Catalogue, Place, Question, Sort, Wanted, begins_as_a_time};
use wattproof_report::found_csv;

use super::found::table;
use super::{Which, fresh};
use crate::client::block_on;
use crate::failure::Failure;
use crate::report::write_aside;
use crate::say::{say, say_json};

/// `find`.
#[derive(Args)]
pub struct FindOrder {
    /// Serial number of the unit
    #[arg(long, value_name = "SERIAL")]
    pub serial: Option<String>,
    /// Maker: any that has this in it
    #[arg(long, value_name = "TEXT")]
    pub maker: Option<String>,
    /// Model: any that has this in it
    #[arg(long, value_name = "TEXT")]
    pub model: Option<String>,
    /// Begun on this day or later, UTC; a month or a year will do
    #[arg(long, value_name = "DATE", value_parser = date)]
    pub from: Option<String>,
    /// Begun on this day or earlier, UTC; a month or a year will do
    #[arg(long, value_name = "DATE", value_parser = date)]
    pub to: Option<String>,
    /// meets, short, undecided, or none where nothing was judged
    #[arg(long, value_parser = ["meets", "short", "undecided", "none"])]
    pub verdict: Option<String>,
    /// Why the output of one of its ratings stops there
    #[arg(long, value_name = "CAUSE")]
    pub cause: Option<String>,
    /// File name of the script, as rated_power.rhai
    #[arg(long, value_name = "SCRIPT")]
    pub script: Option<String>,
    /// Name of the bench
    #[arg(long, value_name = "NAME")]
    pub bench: Option<String>,
    /// By what they are put in order
    #[arg(long, value_enum, default_value_t = Order::Date)]
    pub sort: Order,
    /// The other way round
    #[arg(long)]
    pub reverse: bool,
    /// How many at most
    #[arg(long, value_name = "N", default_value_t = 50)]
    pub limit: u64,
    /// Folder of all runs
    #[arg(long, value_name = "DIR", default_value = "results")]
    pub results: PathBuf,
    /// Search this database of several benches instead, as postgres://user@host/database
    #[arg(long, value_name = "PLACE")]
    pub catalogue: Option<String>,
    /// Print them as JSON
    #[arg(long)]
    pub json: bool,
    /// Write them as CSV
    #[arg(long, value_name = "FILE")]
    pub csv: Option<PathBuf>,
}

/// By what runs are put in order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Order {
    /// Newest first
    Date,
    /// Maker, then model
    Maker,
    /// Model
    Model,
    /// Serial number
    Serial,
    /// Short first
    Verdict,
    /// Script
    Script,
    /// Bench
    Bench,
    /// Measured over claimed of the worst rating, least first
    Ratio,
}

/// A day, or the beginning of one.
fn date(text: &str) -> Result<String, String> {
    let wrong = || "it is no date: give it as 2026-10-31, 2026-10 or 2026".to_string();
    begins_as_a_time(text).then(|| text.to_string()).ok_or_else(wrong)
}

impl FindOrder {
    fn question(&self) -> Question {
        let containing = |text: &Option<String>| text.clone().map(Wanted::Containing);
        let sort = match self.sort {
            Order::Date => Sort::Date,
            Order::Maker => Sort::Maker,
            Order::Model => Sort::Model,
            Order::Serial => Sort::Serial,
            Order::Verdict => Sort::Verdict,
            Order::Script => Sort::Script,
            Order::Bench => Sort::Bench,
            Order::Ratio => Sort::Ratio,
        };
        Question {
            serial: self.serial.clone(),
            maker: containing(&self.maker),
            model: containing(&self.model),
            from_utc: self.from.clone(),
            to_utc: self.to.clone(),
            verdict: self.verdict.clone(),
            cause: self.cause.clone(),
            script: self.script.clone(),
            bench: self.bench.clone(),
            sort,
            // The newest first is what is meant by an order of dates.
            descending: (self.sort == Order::Date) != self.reverse,
            limit: Some(self.limit),
            ..Question::default()
        }
    }
}

/// Asks and prints.
pub fn find(order: &FindOrder) -> Result<(), Failure> {
    let question = order.question();
    let (found, all) = block_on(async {
        let catalogue = match &order.catalogue {
            Some(place) => Catalogue::open(&Place::parse(place)?).await?,
            None => {
                let (catalogue, brought) = fresh(&order.results, Which::Unknown).await?;
                for one in &brought.damaged {
                    aside!("wattproof: left out: {}: {}", one.run, one.why);
                }
                catalogue
            }
        };
        let found = catalogue.find(&question).await?;
        let all = catalogue.count(&question).await?;
        catalogue.close().await;
        Ok::<_, Failure>((found, all))
    })??;
    if let Some(path) = &order.csv {
        write_aside(path, &found_csv(&found)?)?;
    }
    if order.json {
        return say_json(&serde_json::json!({ "runs": found, "found": all }));
    }
    if found.is_empty() {
        return say("no run is like that");
    }
    let more = all.saturating_sub(found.len() as u64);
    let rest = if more > 0 { format!("\nand {more} more; --limit shows them") } else { String::new() };
    say(&format!("{}{rest}", table(&found)))
}
