//! `wattproof publish`: what waits for the database of all benches is sent there.

use std::path::PathBuf;

use clap::Args;
use serde::Serialize;
use wattproof_bench::BenchFile;
use wattproof_catalogue::{Catalogue, Place};

use super::{Which, fresh};
use crate::client::block_on;
use crate::failure::Failure;
use crate::say::{say, say_json};

/// `publish`.
#[derive(Args)]
pub struct PublishOrder {
    /// Folder of all runs
    #[arg(long, value_name = "DIR", default_value = "results")]
    pub results: PathBuf,
    /// To which database, as postgres://user@host/database [default: wherever something waits for]
    #[arg(long, value_name = "PLACE", conflicts_with = "bench")]
    pub to: Option<String>,
    /// To the database that this bench file names
    #[arg(long, value_name = "FILE")]
    pub bench: Option<PathBuf>,
    /// Send every run anew, also those that were sent before
    #[arg(long)]
    pub all: bool,
    /// Print what was done as JSON
    #[arg(long)]
    pub json: bool,
}

/// What became of what waited for a place.
#[derive(Debug, Serialize)]
struct Sent {
    /// The database, without its password.
    place: String,
    /// Runs that arrived.
    sent: u64,
    /// Runs that still wait.
    left: u64,
    /// Whether runs that were sent before are missing there.
    behind: bool,
}

/// Sends it.
pub fn publish(order: &PublishOrder) -> Result<(), Failure> {
    let sent = block_on(send(order))??;
    if order.json {
        return say_json(&serde_json::json!({ "published": sent }));
    }
    if sent.is_empty() {
        return say("nothing waits; --to or --bench names a database to send to");
    }
    let lines = sent.iter().map(|one| {
        let behind = if one.behind {
            "; it knows less than it was sent before: `wattproof publish --all` sends every run anew"
        } else {
            ""
        };
        format!("{}: {} sent, {} still wait{behind}", one.place, one.sent, one.left)
    });
    say(&lines.collect::<Vec<_>>().join("\n"))
}

async fn send(order: &PublishOrder) -> Result<Vec<Sent>, Failure> {
    let named = match &order.bench {
        Some(path) => {
            let named = BenchFile::read(path)?.catalogue;
            Some(named.ok_or_else(|| {
                Failure::Said(format!(
                    "{}: it names no database: give it a line catalogue = \"postgres://user@host/database\", at its top",
                    path.display()
                ))
            })?)
        }
        None => order.to.clone(),
    };
    let (catalogue, _) = fresh(&order.results, Which::Unknown).await?;
    let mut sent = Vec::new();
    for place in places(&catalogue, named.as_deref()).await? {
        if order.all {
            catalogue.publish_all(&place).await?;
        }
        let done = catalogue.publish(&place).await?;
        sent.push(Sent { place: place.to_string(), sent: done.sent, left: done.left, behind: done.behind });
    }
    catalogue.close().await;
    Ok(sent)
}

/// The one that was named, or all for which something ever waited.
async fn places(catalogue: &Catalogue, named: Option<&str>) -> Result<Vec<Place>, Failure> {
    if let Some(named) = named {
        return Ok(vec![Place::parse(named)?]);
    }
    let waiting = catalogue.waiting().await?;
    waiting.iter().map(|one| Ok(Place::parse(&one.place)?)).collect()
}
