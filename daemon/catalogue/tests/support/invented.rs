//! Invented runs.

use wattproof_catalogue::{CleanPower, Entry, FileEntry, FindingEntry, InstrumentEntry, RatingEntry};

/// An invented run with everything in it, told apart by a number.
pub fn run(number: u64) -> Entry {
    let day = 1 + number % 28;
    Entry {
        key: format!("{number:064x}"),
        lines: 100 + number % 7,
        chain: format!("{:064x}", number * 31),
        run: format!("run-{number:06}"),
        folder: format!("/srv/invented/run-{number:06}"),
        bench: format!("bench {}", number % 3),
        maker: "Invented Maker".to_owned(),
        model: format!("Invented Example {}", 100 + number % 5),
        serial: (number % 4 != 3).then(|| format!("SN{:04}", number % 40)),
        invented: !number.is_multiple_of(2),
        golden: number.is_multiple_of(10),
        price: Some(199.5 + number as f64),
        currency: Some("EUR".to_owned()),
        script: format!("script{}.rhai", number % 2),
        script_sha256: "ab".repeat(32),
        operator: None,
        started_utc: format!(
            "2031-{:02}-{day:02}T10:{:02}:00.{:03}Z",
            1 + number / 28 % 12,
            number % 60,
            number % 1000
        ),
        ended_utc: (number % 5 != 4).then(|| format!("2032-01-{day:02}T11:00:00.000Z")),
        outcome: (number % 5 != 4).then(|| "finished".to_owned()),
        error: None,
        verdict: verdict(number),
        steps: 100,
        gaps: number % 2,
        gap_s: Some(0.1 * number as f64),
        calibration: Some("valid".to_owned()),
        selfcheck: Some("made".to_owned()),
        wattproof_version: "0.1.0".to_owned(),
        ratings: (1..=2).map(|rating| self::rating(number, rating)).collect(),
        findings: (1..=3).map(|finding| self::finding(number, finding)).collect(),
        instruments: vec![InstrumentEntry {
            role: "source".to_owned(),
            idn: "Invented,Source 1,0,1.0".to_owned(),
            dialect: "plain".to_owned(),
        }],
        files: vec![
            FileEntry { name: "journal.jsonl".to_owned(), bytes: 12_345 + number, sha256: None },
            FileEntry { name: "run.json".to_owned(), bytes: 678, sha256: Some("cd".repeat(32)) },
        ],
    }
}

fn verdict(number: u64) -> Option<String> {
    [Some("meets"), Some("short"), Some("undecided"), None][(number % 4) as usize].map(str::to_owned)
}

fn rating(number: u64, rating: u64) -> RatingEntry {
    let left_out = number % 6 == 5 && rating == 2;
    let measured = 95.0 + number as f64 / 7.0 + rating as f64;
    RatingEntry {
        rating,
        rated: Some(100.0),
        measured: (!left_out).then_some(measured),
        expanded_u: (!left_out).then_some(0.25),
        unit: "W".to_owned(),
        ratio_db: (!left_out).then(|| 10.0 * (measured / 100.0).log10()),
        load_ohm: 8.0 / rating as f64,
        supply_v: 230.0,
        hz: 1000.0,
        driven: "all".to_owned(),
        limit_by: "thdn".to_owned(),
        limit_pct: 0.1,
        verdict: if left_out { None } else { verdict(number + rating) },
        cause: (!left_out).then(|| if number.is_multiple_of(3) { "sag" } else { "clipping" }.to_owned()),
        out_vrms: Some(28.3),
        efficiency_pct: None,
        heatsink_c: Some(45.25),
        not_measured: left_out.then(|| "the load goes no lower".to_owned()),
        clean: vec![
            CleanPower { limit_pct: 1.0, delivered: measured + 1.0 },
            CleanPower { limit_pct: 10.0, delivered: measured + 5.0 },
        ],
    }
}

fn finding(number: u64, finding: u64) -> FindingEntry {
    FindingEntry {
        finding,
        name: if finding == 1 { "noise" } else { "gain" }.to_owned(),
        channel: (finding > 1).then_some(finding - 1),
        value: 26.0 + number as f64 / 9.0,
        unit: "dB".to_owned(),
        expanded_u: Some(0.05),
        at: "1 kHz, 8 ohm".to_owned(),
        low: None,
        high: Some(30.0),
        verdict: verdict(number + finding),
        note: String::new(),
    }
}
