//! How fast a catalogue is, with many invented runs in it: `cargo run --release -p wattproof-catalogue --example measure --
//! PLACE [RUNS]`. The place must be empty or not there yet. Prints what the README's table holds.

#![allow(clippy::print_stdout, reason = "it is a program that prints")]

use std::error::Error;
use std::time::{Duration, Instant};

use wattproof_catalogue::{
    Catalogue, CleanPower, Entry, FileEntry, FindingEntry, InstrumentEntry, Place, Question, RatingEntry,
    Sort, Wanted,
};

/// Models that the runs are of.
const MODELS: u64 = 200;
/// Units of each model.
const UNITS: u64 = 25;
/// Entries of one transaction.
const BATCH: usize = 50;
/// How often each question is asked.
const TIMES: usize = 50;

#[tokio::main]
async fn main() -> Result<(), Box<dyn Error>> {
    let mut words = std::env::args().skip(1);
    let place = Place::parse(&words.next().ok_or("say where the catalogue is to lie")?)?;
    let runs: u64 = words.next().map_or(Ok(10_000), |runs| runs.parse())?;
    let catalogue = Catalogue::open(&place).await?;
    if catalogue.count(&Question::default()).await? > 0 {
        return Err("the place holds runs already".into());
    }
    let entries: Vec<Entry> = (0..runs).map(entry).collect();
    let begun = Instant::now();
    for batch in entries.chunks(BATCH) {
        catalogue.put(batch).await?;
    }
    let took = begun.elapsed();
    println!("put: {:.0} runs/s in batches of {BATCH}", runs as f64 / took.as_secs_f64());
    let begun = Instant::now();
    for number in 0..200 {
        catalogue.put(&[entry(runs + number)]).await?;
    }
    println!("put: {:.0} runs/s one by one", 200.0 / begun.elapsed().as_secs_f64());
    ask(&catalogue).await?;
    let begun = Instant::now();
    let state = catalogue.all_state().await?;
    println!("state of all {} runs: {}", state.len(), ms(begun.elapsed()));
    let begun = Instant::now();
    catalogue.check().await?;
    println!("looked through for damage: {}", ms(begun.elapsed()));
    catalogue.close().await;
    let begun = Instant::now();
    Catalogue::open(&place).await?.close().await;
    println!("opened and closed: {}", ms(begun.elapsed()));
    Ok(())
}

async fn ask(catalogue: &Catalogue) -> Result<(), Box<dyn Error>> {
    let exactly = |text: String| Some(Wanted::Exactly(text));
    let (mut serial, mut population, mut whole, mut contains, mut worst) =
        (vec![], vec![], vec![], vec![], vec![]);
    for turn in 0..TIMES as u64 {
        let entry = entry(turn * 61);
        let begun = Instant::now();
        let found = catalogue.find(&Question { serial: entry.serial.clone(), ..Question::default() }).await?;
        serial.push((begun.elapsed(), found.len()));
        let begun = Instant::now();
        let found = catalogue.population(&entry.maker, &entry.model, &entry.script).await?;
        population.push((begun.elapsed(), found.len()));
        let begun = Instant::now();
        let found = catalogue.entry(&entry.key).await?;
        whole.push((begun.elapsed(), found.map_or(0, |found| found.findings.len())));
        let part = Some(Wanted::Containing(format!("EXAMPLE {}", 100 + turn)));
        let begun = Instant::now();
        let found =
            catalogue.find(&Question { model: part, limit: Some(100), ..Question::default() }).await?;
        contains.push((begun.elapsed(), found.len()));
        let model = exactly(entry.model);
        let question =
            Question { maker: exactly(entry.maker), model, sort: Sort::RatioOf(2), ..Question::default() };
        let begun = Instant::now();
        let found = catalogue.find(&question).await?;
        worst.push((begun.elapsed(), found.len()));
    }
    for (what, taken) in [
        ("find by serial number", serial),
        ("population of a model", population),
        ("one whole entry", whole),
        ("find a part of the model's name", contains),
        ("runs of a model by the ratio of a rating", worst),
    ] {
        say(what, taken);
    }
    Ok(())
}

fn say(what: &str, mut taken: Vec<(Duration, usize)>) {
    taken.sort();
    let rows = taken.iter().map(|(_, rows)| rows).max().copied().unwrap_or(0);
    let at =
        |part: usize| taken.get(taken.len() * part / 100).map_or_else(String::new, |(took, _)| ms(*took));
    println!("{what}: median {}, 95th percentile {} (up to {rows} rows)", at(50), at(95));
}

fn ms(took: Duration) -> String {
    format!("{:.1} ms", took.as_secs_f64() * 1e3)
}

/// An invented run with 6 ratings and 10 findings.
fn entry(number: u64) -> Entry {
    let (model, unit) = (number % MODELS, number / MODELS % UNITS);
    Entry {
        key: format!("{:016x}{number:048x}", number.wrapping_mul(0x9e37_79b9_7f4a_7c15)),
        lines: 450,
        chain: format!("{number:064x}"),
        run: format!("invented-{number:06}"),
        folder: format!("/srv/results/invented-{number:06}"),
        bench: "bench 1".to_owned(),
        maker: format!("Invented Maker {}", model % 20),
        model: format!("Invented Example {}", 100 + model),
        serial: Some(format!("SN{model:03}-{unit:04}")),
        invented: true,
        golden: unit == 0,
        script: "rated.rhai".to_owned(),
        script_sha256: "ab".repeat(32),
        started_utc: format!("203{}-0{}-1{}T10:00:00.000Z", number / 1000 % 10, 1 + number % 9, number % 10),
        ended_utc: Some("2040-01-01T00:00:00.000Z".to_owned()),
        outcome: Some("finished".to_owned()),
        verdict: Some(["meets", "short", "undecided"][(number % 3) as usize].to_owned()),
        steps: 100,
        wattproof_version: "0.1.0".to_owned(),
        ratings: (1..=6).map(|rating| self::rating(number, rating)).collect(),
        findings: (1..=10).map(|finding| self::finding(number, finding)).collect(),
        instruments: ["source", "load", "supply", "digitizer"]
            .map(|role| InstrumentEntry {
                role: role.to_owned(),
                idn: "Invented,Instrument,0,1.0".to_owned(),
                dialect: "plain".to_owned(),
            })
            .to_vec(),
        files: ["journal.jsonl", "run.json", "steps.csv", "ratings.csv", "ratings.json", "findings.csv"]
            .map(|name| FileEntry { name: name.to_owned(), bytes: 4096, sha256: Some("cd".repeat(32)) })
            .to_vec(),
        ..Entry::default()
    }
}

fn rating(number: u64, rating: u64) -> RatingEntry {
    let measured = 90.0 + (number * 7 + rating * 13) as f64 % 20.0;
    RatingEntry {
        rating,
        rated: Some(100.0),
        measured: Some(measured),
        expanded_u: Some(0.3),
        unit: "W".to_owned(),
        ratio_db: Some(10.0 * (measured / 100.0).log10()),
        load_ohm: 8.0,
        supply_v: 230.0,
        hz: 1000.0,
        driven: "all".to_owned(),
        limit_by: "thdn".to_owned(),
        limit_pct: 0.1,
        verdict: Some("meets".to_owned()),
        cause: Some("clipping".to_owned()),
        out_vrms: Some(28.3),
        clean: vec![CleanPower { limit_pct: 1.0, delivered: measured + 1.0 }],
        ..RatingEntry::default()
    }
}

fn finding(number: u64, finding: u64) -> FindingEntry {
    FindingEntry {
        finding,
        name: format!("finding {finding}"),
        channel: Some(1 + finding % 2),
        value: 26.0 + (number * 3 + finding) as f64 % 5.0,
        unit: "dB".to_owned(),
        expanded_u: Some(0.05),
        at: "1 kHz, 8 ohm".to_owned(),
        ..FindingEntry::default()
    }
}
