//! What a catalogue does, the same in a file of SQLite's and in a database of PostgreSQL's: one list of cases, walked on
//! both. What is expected is project definition (README of this crate), found by walking over the entries themselves.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

mod support;

use std::future::Future;
use std::pin::Pin;

use support::cluster::Cluster;
use support::{folder, invented, on_tokio};
use wattproof_catalogue::{Catalogue, Entry, Error, Limits, Place, Question, Sort, State, Wanted};

type Case = (&'static str, fn(Place) -> Pin<Box<dyn Future<Output = ()>>>);

macro_rules! cases {
    ($($name:ident),* $(,)?) => {
        const CASES: &[Case] = &[$((stringify!($name), |place| Box::pin($name(place)))),*];
    };
}

cases![
    gives_back_what_was_put,
    keeps_the_newest,
    forgets,
    finds_what_is_asked_for,
    puts_in_order,
    compares_text_by_bytes,
    finds_text_in_capitals_or_not,
    keeps_numbers_that_are_not_finite_as_absent,
    takes_absent_numbers_before_present_ones,
    refuses_what_cannot_be_kept,
    tells_the_history_of_a_unit,
    tells_the_population_of_a_model,
    is_still_there_when_opened_again,
    takes_many_at_once,
    is_read_without_being_changed,
];

#[test]
fn on_sqlite() {
    for (name, case) in CASES {
        println!("{name}");
        let folder = folder();
        on_tokio(case(Place::file(&folder.path().join("catalogue.db"))));
    }
}

#[test]
fn on_postgresql() {
    let Some(cluster) = Cluster::start() else { return };
    for (name, case) in CASES {
        println!("{name}");
        on_tokio(case(cluster.place(name)));
    }
}

async fn filled(place: &Place, runs: u64) -> (Catalogue, Vec<Entry>) {
    let catalogue = Catalogue::open(place).await.unwrap();
    let entries: Vec<Entry> = (1..=runs).map(invented::run).collect();
    catalogue.put(&entries).await.unwrap();
    (catalogue, entries)
}

async fn is_read_without_being_changed(place: Place) {
    let limits = Limits::default();
    // Nothing is made where there is nothing.
    let none = Catalogue::open_to_read(&place, limits).await.unwrap_err();
    assert!(matches!(none, Error::Unreachable { .. } | Error::Foreign { .. }), "{none}");
    assert!(place.path().is_none_or(|path| !path.exists()), "a file was made");
    let again = Catalogue::open_to_read(&place, limits).await.unwrap_err();
    assert_eq!(again.to_string(), none.to_string(), "a table was made");
    let (catalogue, entries) = filled(&place, 8).await;
    let reading = Catalogue::open_to_read(&place, limits).await.unwrap();
    let everything = Question::default();
    assert_eq!(reading.find(&everything).await.unwrap(), catalogue.find(&everything).await.unwrap());
    assert_eq!(reading.entry(&entries[3].key).await.unwrap().as_ref(), Some(&entries[3]));
    // The database itself refuses what would change anything.
    reading.put(&[invented::run(99)]).await.unwrap_err();
    reading.forget(&entries[0].key).await.unwrap_err();
    assert_eq!(catalogue.count(&everything).await.unwrap(), 8);
    // What is put meanwhile is seen.
    catalogue.put(&[invented::run(99)]).await.unwrap();
    assert_eq!(reading.count(&everything).await.unwrap(), 9);
    reading.close().await;
    catalogue.close().await;
}

async fn gives_back_what_was_put(place: Place) {
    let catalogue = Catalogue::open(&place).await.unwrap();
    let entries: Vec<Entry> = (1..=40).map(invented::run).collect();
    let put = catalogue.put(&entries).await.unwrap();
    assert_eq!((put.new, put.replaced, put.kept), (40, 0, 0));
    for entry in &entries {
        assert_eq!(catalogue.entry(&entry.key).await.unwrap().as_ref(), Some(entry));
    }
    let keys: Vec<String> = entries.iter().rev().map(|entry| entry.key.clone()).collect();
    let asked: Vec<String> = [vec!["nobody's".to_owned()], keys, vec![entries[0].key.clone()]].concat();
    let back = catalogue.entries(&asked).await.unwrap();
    let expected: Vec<Entry> = entries.iter().rev().chain(&entries[..1]).cloned().collect();
    assert_eq!(back, expected);
    assert_eq!(catalogue.entry("nobody's").await.unwrap(), None);
    assert_eq!(catalogue.entries(&[]).await.unwrap(), []);
    let state = catalogue.all_state().await.unwrap();
    let expected = entries.iter().map(|entry| State {
        key: entry.key.clone(),
        lines: entry.lines,
        chain: entry.chain.clone(),
        run: entry.run.clone(),
        folder: entry.folder.clone(),
    });
    assert_eq!(state, expected.collect::<Vec<_>>());
    catalogue.check().await.unwrap();
    catalogue.close().await;
}

async fn keeps_the_newest(place: Place) {
    let catalogue = Catalogue::open(&place).await.unwrap();
    let first = invented::run(1);
    let put = async |entries: &[Entry]| {
        let put = catalogue.put(entries).await.unwrap();
        (put.new, put.replaced, put.kept)
    };
    assert_eq!(put(std::slice::from_ref(&first)).await, (1, 0, 0));
    assert_eq!(put(std::slice::from_ref(&first)).await, (0, 0, 1), "the same again");
    let mut newer = first.clone();
    newer.lines += 5;
    newer.ratings.pop();
    newer.ratings[0].clean.pop();
    newer.findings.push(first.findings[0].clone());
    newer.instruments.clear();
    assert_eq!(put(std::slice::from_ref(&newer)).await, (0, 1, 0));
    assert_eq!(catalogue.entry(&first.key).await.unwrap(), Some(newer.clone()));
    assert_eq!(put(std::slice::from_ref(&first)).await, (0, 0, 1), "an older copy");
    assert_eq!(catalogue.entry(&first.key).await.unwrap(), Some(newer.clone()));
    // As old as what is there, but told otherwise: its folder was moved.
    let mut moved = newer.clone();
    moved.folder = "/mnt/elsewhere".to_owned();
    assert_eq!(put(std::slice::from_ref(&moved)).await, (0, 1, 0));
    assert_eq!(catalogue.entry(&first.key).await.unwrap(), Some(moved.clone()));
    // In one batch too the newest stays, wherever it stands.
    let mut newest = moved.clone();
    newest.lines += 1;
    newest.steps = 7;
    assert_eq!(put(&[first.clone(), newest.clone(), newer]).await, (0, 1, 2));
    assert_eq!(catalogue.entry(&first.key).await.unwrap(), Some(newest));
    assert_eq!(catalogue.count(&Question::default()).await.unwrap(), 1);
    assert_eq!(put(&[]).await, (0, 0, 0));
}

async fn forgets(place: Place) {
    let (catalogue, entries) = filled(&place, 3).await;
    assert!(catalogue.forget(&entries[1].key).await.unwrap());
    assert!(!catalogue.forget(&entries[1].key).await.unwrap());
    assert_eq!(catalogue.entry(&entries[1].key).await.unwrap(), None);
    assert_eq!(catalogue.entry(&entries[2].key).await.unwrap().as_ref(), Some(&entries[2]));
    // Nothing of it was left to be in the way.
    catalogue.put(&entries).await.unwrap();
    assert_eq!(catalogue.entry(&entries[1].key).await.unwrap().as_ref(), Some(&entries[1]));
}

/// What a question means, said once more in another way.
fn wanted(question: &Question, entry: &Entry) -> bool {
    let text = |wanted: &Option<Wanted>, text: &str| match wanted {
        None => true,
        Some(Wanted::Exactly(exactly)) => text == exactly,
        Some(Wanted::Containing(part)) => text.to_lowercase().contains(&part.to_lowercase()),
    };
    let same = |wanted: &Option<String>, text: &str| wanted.as_ref().is_none_or(|wanted| wanted == text);
    same(&question.script, &entry.script)
        && same(&question.bench, &entry.bench)
        && question.serial.as_ref().is_none_or(|serial| entry.serial.as_ref() == Some(serial))
        && text(&question.maker, &entry.maker)
        && text(&question.model, &entry.model)
        && question.from_utc.as_ref().is_none_or(|from| *entry.started_utc >= **from)
        && question
            .to_utc
            .as_ref()
            .is_none_or(|to| *entry.started_utc <= **to || entry.started_utc.starts_with(to))
        && question
            .verdict
            .as_ref()
            .is_none_or(|verdict| entry.verdict.as_deref().unwrap_or("none") == verdict)
        && question
            .cause
            .as_ref()
            .is_none_or(|cause| entry.ratings.iter().any(|rating| rating.cause.as_ref() == Some(cause)))
        && question.invented.is_none_or(|invented| invented == entry.invented)
        && question.golden.is_none_or(|golden| golden == entry.golden)
}

async fn finds_what_is_asked_for(place: Place) {
    let (catalogue, entries) = filled(&place, 200).await;
    let exactly = |text: &str| Some(Wanted::Exactly(text.to_owned()));
    let some = |text: &str| Some(text.to_owned());
    let any = Question::default;
    let questions = [
        any(),
        Question { serial: some("SN0012"), ..any() },
        Question { serial: some("sn0012"), ..any() },
        Question { maker: exactly("Invented Maker"), model: exactly("Invented Example 102"), ..any() },
        Question { maker: exactly("invented maker"), ..any() },
        Question { model: Some(Wanted::Containing("EXAMPLE 10".to_owned())), ..any() },
        Question { from_utc: some("2031-03"), to_utc: some("2031-04"), ..any() },
        Question { from_utc: some("2031-03-05T10:05:00.061Z"), ..any() },
        Question { to_utc: some("2031-03-05T10:01:00.061Z"), ..any() },
        Question { to_utc: some("2031-03-05"), verdict: some("short"), ..any() },
        Question { verdict: some("none"), ..any() },
        Question { verdict: some("undecided"), cause: some("sag"), ..any() },
        Question { cause: some("clipping"), invented: Some(true), ..any() },
        Question { script: some("script1.rhai"), bench: some("bench 2"), ..any() },
        Question { invented: Some(false), golden: Some(true), ..any() },
        Question { serial: some("' OR 1 = 1 --"), ..any() },
    ];
    let mut hits = 0;
    for question in questions {
        let found = catalogue.find(&question).await.unwrap();
        let mut expected: Vec<&Entry> = entries.iter().filter(|entry| wanted(&question, entry)).collect();
        expected.sort_by(|a, b| (&a.started_utc, &a.key).cmp(&(&b.started_utc, &b.key)));
        let keys = |keys: Vec<&String>| keys.into_iter().cloned().collect::<Vec<_>>();
        let found_keys = keys(found.iter().map(|brief| &brief.key).collect());
        assert_eq!(found_keys, keys(expected.iter().map(|entry| &entry.key).collect()), "{question:?}");
        assert_eq!(catalogue.count(&question).await.unwrap(), found.len() as u64);
        hits += usize::from(!found.is_empty());
        let page = Question { limit: Some(3), offset: 1, ..question };
        let page = catalogue.find(&page).await.unwrap();
        assert_eq!(page, found.iter().skip(1).take(3).cloned().collect::<Vec<_>>());
    }
    assert_eq!(hits, 13, "three of the questions find nothing");
    let brief = &catalogue.find(&any()).await.unwrap()[0];
    let entry = entries.iter().find(|entry| entry.key == brief.key).unwrap();
    let short =
        entry.ratings.iter().filter(|rating| rating.verdict.as_deref() == Some("short")).count() as u64;
    assert_eq!((brief.ratings, brief.ratings_short, brief.findings), (2, short, 3));
    assert_eq!((&brief.run, &brief.folder, &brief.ended_utc), (&entry.run, &entry.folder, &entry.ended_utc));
    assert_eq!((brief.steps, brief.price, &brief.currency), (entry.steps, entry.price, &entry.currency));
}

async fn puts_in_order(place: Place) {
    let (catalogue, entries) = filled(&place, 60).await;
    let ratio = |entry: &Entry, rating: usize| entry.ratings[rating].ratio_db;
    for descending in [false, true] {
        let question = Question { sort: Sort::RatioOf(2), descending, ..Question::default() };
        let found = catalogue.find(&question).await.unwrap();
        let ratios: Vec<Option<f64>> = found.iter().map(|brief| brief.ratio_db).collect();
        let mut expected: Vec<f64> = entries.iter().filter_map(|entry| ratio(entry, 1)).collect();
        expected.sort_by(f64::total_cmp);
        if descending {
            expected.reverse();
        }
        let absent = entries.len() - expected.len();
        assert!(absent > 0, "some were left out");
        let expected: Vec<Option<f64>> = expected.into_iter().map(Some).chain(vec![None; absent]).collect();
        assert_eq!(ratios, expected);
        let by = |sort| Question { sort, descending, ..Question::default() };
        let worst = catalogue.find(&by(Sort::Ratio)).await.unwrap();
        assert!(worst.iter().map(|brief| brief.ratio_db_min).is_sorted_by(|a, b| if descending {
            a >= b
        } else {
            a <= b
        }));
        for sort in
            [Sort::Date, Sort::Maker, Sort::Model, Sort::Serial, Sort::Script, Sort::Bench, Sort::Verdict]
        {
            let found = catalogue.find(&by(sort)).await.unwrap();
            let severity = |verdict: &Option<String>| match verdict.as_deref() {
                Some("short") => "1",
                Some("undecided") => "2",
                Some("meets") => "3",
                _ => "",
            };
            let mut keys = found.iter().map(|brief| match sort {
                Sort::Date => brief.started_utc.clone(),
                Sort::Maker => brief.maker.clone(),
                Sort::Model => brief.model.clone(),
                Sort::Serial => brief.serial.clone().unwrap_or_default(),
                Sort::Script => brief.script.clone(),
                Sort::Bench => brief.bench.clone(),
                _ => severity(&brief.verdict).to_owned(),
            });
            // What is not known comes last, either way.
            let keys: Vec<String> = keys.by_ref().collect();
            let known = keys.iter().position(String::is_empty).unwrap_or(keys.len());
            assert!(keys[known..].iter().all(String::is_empty), "{sort:?}");
            assert!(keys[..known].is_sorted_by(|a, b| if descending { a >= b } else { a <= b }), "{sort:?}");
        }
    }
}

async fn compares_text_by_bytes(place: Place) {
    let catalogue = Catalogue::open(&place).await.unwrap();
    // In the order of their bytes in UTF-8, which no language sorts by.
    let serials = [
        "",
        " ",
        "-1",
        "10",
        "9",
        "A",
        "Z",
        "_",
        "a",
        "a b",
        "ab",
        "z",
        "Ä",
        "é",
        "ü",
        "ß\u{301}",
        "中",
        "😀",
    ];
    let mut serials = serials.map(str::to_owned);
    serials.sort_by(|a, b| a.as_bytes().cmp(b.as_bytes()));
    let entries: Vec<Entry> = (1_u64..)
        .zip(serials.iter().rev())
        .map(|(number, serial)| Entry { serial: Some(serial.clone()), ..invented::run(number) })
        .collect();
    catalogue.put(&entries).await.unwrap();
    let found = catalogue.find(&Question { sort: Sort::Serial, ..Question::default() }).await.unwrap();
    let found: Vec<String> = found.into_iter().filter_map(|brief| brief.serial).collect();
    assert_eq!(found, serials);
    for serial in &serials {
        let found =
            catalogue.find(&Question { serial: Some(serial.clone()), ..Question::default() }).await.unwrap();
        assert_eq!(found.len(), 1, "{serial:?}");
    }
}

async fn finds_text_in_capitals_or_not(place: Place) {
    let catalogue = Catalogue::open(&place).await.unwrap();
    let models =
        ["Größe 5", "GRÖSSE 5", "Ёлка", "100% pure", "100 pure", "a_b", "axb", "wow!", "back\\slash", "ΑΣ"];
    let entries: Vec<Entry> = (1_u64..)
        .zip(models)
        .map(|(number, model)| Entry { model: model.to_owned(), ..invented::run(number) })
        .collect();
    catalogue.put(&entries).await.unwrap();
    let finds = [
        ("GRÖ", vec!["GRÖSSE 5", "Größe 5"]),
        ("ёЛК", vec!["Ёлка"]),
        ("0%", vec!["100% pure"]),
        ("a_B", vec!["a_b"]),
        ("w!", vec!["wow!"]),
        ("K\\s", vec!["back\\slash"]),
        ("ας", vec!["ΑΣ"]),
        ("nothing", vec![]),
    ];
    for (part, expected) in finds {
        let model = Some(Wanted::Containing(part.to_owned()));
        let found =
            catalogue.find(&Question { model, sort: Sort::Model, ..Question::default() }).await.unwrap();
        let mut found: Vec<String> = found.into_iter().map(|brief| brief.model).collect();
        found.sort();
        assert_eq!(found, expected, "{part}");
    }
    let all = Question { model: Some(Wanted::Containing(String::new())), ..Question::default() };
    assert_eq!(catalogue.count(&all).await.unwrap(), models.len() as u64);
}

async fn keeps_numbers_that_are_not_finite_as_absent(place: Place) {
    let catalogue = Catalogue::open(&place).await.unwrap();
    let mut entry = invented::run(1);
    entry.price = Some(f64::NAN);
    entry.gap_s = Some(f64::INFINITY);
    entry.ratings[0].measured = Some(f64::NEG_INFINITY);
    entry.ratings[0].load_ohm = f64::NAN;
    entry.ratings[0].clean[1].delivered = f64::INFINITY;
    entry.findings[0].value = f64::NAN;
    entry.findings[1].value = -0.0;
    catalogue.put(std::slice::from_ref(&entry)).await.unwrap();
    let back = catalogue.entry(&entry.key).await.unwrap().unwrap();
    assert_eq!((back.price, back.gap_s, back.ratings[0].measured), (None, None, None));
    let needed = [back.ratings[0].load_ohm, back.ratings[0].clean[1].delivered, back.findings[0].value];
    assert!(needed.iter().all(|number| number.is_nan()), "{needed:?}");
    assert_eq!(back.findings[1].value, 0.0);
    // What was given back is the same as what was put, and so is what was written as text in between.
    assert_eq!(catalogue.put(std::slice::from_ref(&back)).await.unwrap().kept, 1);
    let text = serde_json::to_string(&back).unwrap();
    let read: Entry = serde_json::from_str(&text).unwrap();
    assert_eq!(catalogue.put(&[read]).await.unwrap().kept, 1);
    let measured = catalogue.population(&entry.maker, &entry.model, &entry.script).await.unwrap();
    assert!(measured.iter().all(|measured| measured.value.is_finite()));
    assert_eq!(measured.len(), 1 + 2);
}

async fn takes_absent_numbers_before_present_ones(place: Place) {
    // A statement that was prepared with an absent number must take a present one later on the same connection.
    let catalogue = Catalogue::open(&place).await.unwrap();
    let mut absent = invented::run(1);
    (absent.price, absent.gap_s, absent.serial, absent.operator) = (None, None, None, None);
    absent.ratings.truncate(1);
    let rating = &mut absent.ratings[0];
    (rating.rated, rating.measured, rating.expanded_u, rating.ratio_db) = (None, None, None, None);
    absent.findings.truncate(1);
    (absent.findings[0].channel, absent.findings[0].expanded_u) = (None, None);
    let mut present = invented::run(2);
    present.ratings.truncate(1);
    present.findings.truncate(2);
    present.findings.remove(0);
    for entry in [&absent, &present, &absent, &present] {
        let entry = Entry { lines: entry.lines, ..entry.clone() };
        catalogue.put(std::slice::from_ref(&entry)).await.unwrap();
        catalogue.forget(&entry.key).await.unwrap();
        catalogue.put(std::slice::from_ref(&entry)).await.unwrap();
        assert_eq!(catalogue.entry(&entry.key).await.unwrap(), Some(entry));
    }
}

async fn refuses_what_cannot_be_kept(place: Place) {
    let catalogue = Catalogue::open(&place).await.unwrap();
    let good = invented::run(1);
    let long = "x".repeat(801);
    let unfit = [
        Entry { key: String::new(), ..invented::run(2) },
        Entry { serial: Some(long.clone()), ..invented::run(2) },
        Entry { model: long.clone(), ..invented::run(2) },
        Entry { script: long, ..invented::run(2) },
    ];
    for entry in unfit {
        let refused = catalogue.put(&[good.clone(), entry]).await.unwrap_err();
        assert!(matches!(refused, Error::Unfit { .. }), "{refused}");
    }
    assert_eq!(catalogue.count(&Question::default()).await.unwrap(), 0, "all or none");
    // The longest that is taken, in characters of several bytes, and a character that PostgreSQL has no place for.
    let widest = "ж".repeat(400);
    let mut odd =
        Entry { maker: widest.clone(), model: widest.clone(), serial: Some(widest), ..invented::run(3) };
    odd.findings[0].note = "before\0after".to_owned();
    odd.lines = u64::MAX;
    catalogue.put(std::slice::from_ref(&odd)).await.unwrap();
    let back = catalogue.entry(&odd.key).await.unwrap().unwrap();
    assert_eq!(back.findings[0].note, "before\u{fffd}after");
    assert_eq!(back.lines, i64::MAX as u64);
    let question = Question { serial: Some("a\0b".to_owned()), ..Question::default() };
    assert_eq!(catalogue.find(&question).await.unwrap(), []);
}

async fn tells_the_history_of_a_unit(place: Place) {
    let catalogue = Catalogue::open(&place).await.unwrap();
    let unit = |number: u64, maker: &str, day: u64| Entry {
        serial: Some("SN1".to_owned()),
        maker: maker.to_owned(),
        started_utc: format!("2031-01-{day:02}T00:00:00.000Z"),
        ..invented::run(number)
    };
    catalogue.put(&[unit(1, "A", 9), unit(2, "B", 5), unit(3, "A", 2), invented::run(4)]).await.unwrap();
    let runs = async |maker, model| {
        let history = catalogue.history("SN1", maker, model).await.unwrap();
        history.into_iter().map(|brief| brief.run).collect::<Vec<_>>()
    };
    assert_eq!(runs(None, None).await, ["run-000003", "run-000002", "run-000001"]);
    assert_eq!(runs(Some("A"), None).await, ["run-000003", "run-000001"]);
    assert_eq!(runs(Some("A"), Some("Invented Example 101")).await, ["run-000001"]);
}

async fn tells_the_population_of_a_model(place: Place) {
    let catalogue = Catalogue::open(&place).await.unwrap();
    let unit = |number: u64, serial: Option<&str>, day: u64| Entry {
        serial: serial.map(str::to_owned),
        model: "M".to_owned(),
        script: "s.rhai".to_owned(),
        started_utc: format!("2031-01-{day:02}T00:00:00.000Z"),
        ..invented::run(number)
    };
    let empty = |mut entry: Entry| {
        entry.findings.clear();
        entry.ratings.iter_mut().for_each(|rating| rating.measured = None);
        entry
    };
    let entries = [
        unit(1, Some("SN1"), 1),
        unit(2, Some("SN1"), 3),
        unit(3, Some("SN2"), 2),
        unit(4, None, 1),
        unit(6, None, 1),
        empty(unit(7, Some("SN2"), 4)),
        Entry { script: "other.rhai".to_owned(), ..unit(8, Some("SN3"), 1) },
        Entry { model: "m".to_owned(), ..unit(9, Some("SN4"), 1) },
        Entry { golden: true, ..unit(10, Some("SN5"), 1) },
    ];
    catalogue.put(&entries).await.unwrap();
    let measured = catalogue.population("Invented Maker", "M", "s.rhai").await.unwrap();
    let latest = [1, 2, 3, 4, 8].map(|i| entries[i].clone());
    assert_eq!(
        measured.len(),
        latest.iter().map(|entry| entry.ratings.len() + entry.findings.len()).sum::<usize>()
    );
    for entry in &latest {
        let of = || measured.iter().filter(|measured| measured.key == entry.key);
        let mut values: Vec<f64> = of().map(|measured| measured.value).collect();
        let ratings = entry.ratings.iter().filter_map(|rating| rating.measured);
        let mut expected: Vec<f64> =
            ratings.chain(entry.findings.iter().map(|finding| finding.value)).collect();
        values.sort_by(f64::total_cmp);
        expected.sort_by(f64::total_cmp);
        assert_eq!(values, expected, "to the last bit");
        assert!(of().all(|measured| measured.golden == entry.golden && measured.serial == entry.serial));
    }
    let first = &measured[0];
    assert_eq!((first.name.as_str(), first.rating, first.unit.as_str()), ("rating", Some(1), "W"));
    assert_eq!(first.at, "8 ohm, 230 V, 1000 Hz, driven all, thdn 0.1 %");
    assert_eq!(first.serial.as_deref(), Some("SN1"));
    let gain = measured.iter().find(|measured| measured.name == "gain").unwrap();
    assert_eq!((gain.channel, gain.unit.as_str(), gain.at.as_str()), (Some(1), "dB", "1 kHz, 8 ohm"));
    assert_eq!((gain.rating, gain.expanded_u), (None, Some(0.05)));
    assert_eq!(catalogue.population("Invented Maker", "none", "s.rhai").await.unwrap(), []);
}

async fn is_still_there_when_opened_again(place: Place) {
    let (catalogue, entries) = filled(&place, 3).await;
    catalogue.close().await;
    let (one, other) = (Catalogue::open(&place).await.unwrap(), Catalogue::open(&place).await.unwrap());
    assert_eq!(one.entry(&entries[0].key).await.unwrap().as_ref(), Some(&entries[0]));
    // Two programs at once: what one puts, the other finds.
    one.put(&[invented::run(9)]).await.unwrap();
    assert_eq!(other.count(&Question::default()).await.unwrap(), 4);
}

async fn takes_many_at_once(place: Place) {
    let catalogue = Catalogue::open(&place).await.unwrap();
    let entries: Vec<Entry> = (1..=120).map(invented::run).collect();
    let backwards: Vec<Entry> = entries.iter().rev().cloned().collect();
    let (a, b) = tokio::join!(catalogue.put(&entries), catalogue.put(&backwards));
    assert_eq!(a.unwrap().new + b.unwrap().new, 120);
    let keys: Vec<String> = entries.iter().map(|entry| entry.key.clone()).collect();
    assert_eq!(catalogue.entries(&keys).await.unwrap(), entries);
}
