//! Entries in any order, with copies and older states among them: what stays is the newest of each, and both databases
//! give equal answers to any question. What is expected is project definition; the model is a map in memory.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

mod support;

use std::collections::BTreeMap;

use proptest::collection::vec;
use proptest::prelude::*;
use proptest::test_runner::{Config, TestRunner};
use support::chance::Chance;
use support::cluster::Cluster;
use support::{folder, on_tokio};
use wattproof_catalogue::{
    Catalogue, CleanPower, Entry, FileEntry, FindingEntry, InstrumentEntry, Place, Question, RatingEntry,
    Sort, Wanted,
};

fn rating(chance: &mut Chance, rating: u64) -> RatingEntry {
    RatingEntry {
        rating,
        rated: chance.some(Chance::number),
        measured: chance.some(Chance::number),
        expanded_u: chance.some(Chance::number),
        unit: chance.word(),
        ratio_db: chance.some(Chance::number),
        load_ohm: chance.number(),
        supply_v: chance.number(),
        hz: chance.number(),
        driven: chance.word(),
        limit_by: chance.word(),
        limit_pct: chance.number(),
        verdict: chance.some(Chance::verdict),
        cause: chance.some(Chance::word),
        out_vrms: chance.some(Chance::number),
        efficiency_pct: chance.some(Chance::number),
        heatsink_c: chance.some(Chance::number),
        not_measured: chance.some(Chance::word),
        clean: (0..chance.below(3))
            .map(|_| CleanPower { limit_pct: chance.number(), delivered: chance.number() })
            .collect(),
    }
}

fn finding(chance: &mut Chance, finding: u64) -> FindingEntry {
    FindingEntry {
        finding,
        name: chance.word(),
        channel: chance.some(|chance| chance.below(4)),
        value: chance.number(),
        unit: chance.word(),
        expanded_u: chance.some(Chance::number),
        at: chance.word(),
        low: chance.some(Chance::number),
        high: chance.some(Chance::number),
        verdict: chance.some(Chance::verdict),
        note: chance.word(),
    }
}

fn entry(key: u64, lines: u64, seed: u64) -> Entry {
    let mut chance = Chance::new(seed);
    let chance = &mut chance;
    Entry {
        key: format!("key {key}"),
        lines,
        chain: chance.word(),
        run: chance.word(),
        folder: chance.word(),
        bench: chance.word(),
        maker: chance.word(),
        model: chance.word(),
        serial: chance.some(Chance::word),
        invented: chance.below(2) == 0,
        golden: chance.below(2) == 0,
        price: chance.some(Chance::number),
        currency: chance.some(Chance::word),
        script: chance.word(),
        script_sha256: chance.word(),
        operator: chance.some(Chance::word),
        started_utc: chance.date(),
        ended_utc: chance.some(Chance::date),
        outcome: chance.some(Chance::word),
        error: chance.some(Chance::word),
        verdict: chance.some(Chance::verdict),
        steps: chance.below(u64::MAX),
        gaps: chance.below(4),
        gap_s: chance.some(Chance::number),
        calibration: chance.some(Chance::word),
        selfcheck: chance.some(Chance::word),
        wattproof_version: chance.word(),
        ratings: (1..=chance.below(4)).map(|number| rating(chance, number)).collect(),
        findings: (1..=chance.below(5)).map(|number| finding(chance, number)).collect(),
        instruments: (0..chance.below(3))
            .map(|_| InstrumentEntry { role: chance.word(), idn: chance.word(), dialect: chance.word() })
            .collect(),
        files: (0..chance.below(3))
            .map(|_| FileEntry {
                name: chance.word(),
                bytes: chance.below(1 << 40),
                sha256: chance.some(Chance::word),
            })
            .collect(),
    }
}

fn question(seed: u64) -> Question {
    let mut chance = Chance::new(seed);
    let chance = &mut chance;
    let rarely = |chance: &mut Chance| chance.below(12) == 0;
    let wanted = |chance: &mut Chance| match chance.below(12) {
        0 => Some(Wanted::Exactly(chance.word())),
        1 => Some(Wanted::Containing(chance.word())),
        _ => None,
    };
    let sorts = [
        Sort::Date,
        Sort::Maker,
        Sort::Model,
        Sort::Serial,
        Sort::Verdict,
        Sort::Script,
        Sort::Bench,
        Sort::Ratio,
        Sort::RatioOf(1),
        Sort::RatioOf(3),
    ];
    Question {
        serial: rarely(chance).then(|| chance.word()),
        maker: wanted(chance),
        model: wanted(chance),
        from_utc: rarely(chance).then(|| chance.date()),
        to_utc: rarely(chance).then(|| chance.date().chars().take(7).collect()),
        verdict: rarely(chance).then(|| chance.verdict()),
        cause: rarely(chance).then(|| chance.word()),
        script: rarely(chance).then(|| chance.word()),
        bench: rarely(chance).then(|| chance.word()),
        invented: rarely(chance).then(|| chance.below(2) == 0),
        golden: rarely(chance).then(|| chance.below(2) == 0),
        sort: sorts[chance.below(sorts.len() as u64) as usize],
        descending: chance.below(2) == 0,
        limit: rarely(chance).then(|| chance.below(10)),
        offset: if rarely(chance) { chance.below(5) } else { 0 },
    }
}

/// As text, in which what is not finite is absent.
fn told(entries: &[Entry]) -> Vec<String> {
    entries.iter().map(|entry| serde_json::to_string(entry).unwrap()).collect()
}

async fn emptied(place: &Place) -> Catalogue {
    let catalogue = Catalogue::open(place).await.unwrap();
    for state in catalogue.all_state().await.unwrap() {
        catalogue.forget(&state.key).await.unwrap();
    }
    catalogue
}

async fn all(catalogue: &Catalogue) -> Vec<String> {
    let keys: Vec<String> = catalogue.all_state().await.unwrap().into_iter().map(|state| state.key).collect();
    told(&catalogue.entries(&keys).await.unwrap())
}

/// Puts batches into every catalogue and into a map.
async fn newest_stays(catalogues: &[Catalogue], batches: &[Vec<Entry>]) {
    let mut newest: BTreeMap<&str, &Entry> = BTreeMap::new();
    for batch in batches {
        for catalogue in catalogues {
            catalogue.put(batch).await.unwrap();
        }
        for entry in batch {
            let known = newest.entry(&entry.key).or_insert(entry);
            if entry.lines >= known.lines {
                *known = entry;
            }
        }
    }
    let expected: Vec<Entry> = newest.into_values().cloned().collect();
    for catalogue in catalogues {
        assert_eq!(all(catalogue).await, told(&expected), "{catalogue:?}");
    }
}

/// Asks every catalogue the same; how many runs were found.
async fn answers_are_equal(catalogues: &[Catalogue], question: &Question, chance: &mut Chance) -> usize {
    let words = [chance.word(), chance.word(), chance.word()];
    let [maker, model, script] = &words;
    let mut answers = Vec::new();
    for catalogue in catalogues {
        let found = catalogue.find(question).await.unwrap();
        let count = catalogue.count(question).await.unwrap();
        let history = catalogue.history(maker, None, Some(model)).await.unwrap();
        let population = catalogue.population(maker, model, script).await.unwrap();
        answers.push((found, count, history, population));
    }
    assert!(answers.windows(2).all(|two| two[0] == two[1]), "{question:?}: {answers:?}");
    answers[0].0.len()
}

#[test]
fn the_newest_stays_and_answers_are_equal() {
    let folder = folder();
    let cluster = Cluster::start();
    let mut places = vec![Place::file(&folder.path().join("catalogue.db"))];
    places.extend(cluster.as_ref().map(|cluster| cluster.place("catalogue")));
    let mut runner = TestRunner::new(Config { cases: 24, failure_persistence: None, ..Config::default() });
    let batches = vec(vec((0..12_u64, 0..4_u64, any::<u64>()), 0..8), 1..8);
    let found = std::cell::Cell::new(0);
    let tried = runner.run(&(batches, any::<u64>()), |(batches, seed)| {
        let entry = |(key, lines, seed): &(u64, u64, u64)| entry(*key, *lines, *seed % 50);
        let batches: Vec<Vec<Entry>> =
            batches.iter().map(|batch| batch.iter().map(entry).collect()).collect();
        on_tokio(async {
            let mut catalogues = Vec::new();
            for place in &places {
                catalogues.push(emptied(place).await);
            }
            newest_stays(&catalogues, &batches).await;
            let mut chance = Chance::new(seed);
            for turn in 0..12 {
                let question = question(seed.wrapping_add(turn));
                found.set(found.get() + answers_are_equal(&catalogues, &question, &mut chance).await);
            }
        });
        Ok(())
    });
    tried.unwrap();
    assert!(found.get() > 500, "the questions found only {} runs", found.get());
}
