//! Prints how the ceiling search does over invented amplifier families: `cargo bench -p wattproof-method`.
//!
//! `SEEDS=200` sets the seeds per family, `FIRST=0` the first one, `LIMIT=1.0` the limit in percent, `SHOW=Thermal`
//! (with `ONLY=Thermal`, `REACH=Probe`) tells the story of that family's worst search. `QUIET=0.1` scales all scatter,
//! `SHARED=1` gives the transfer curves the distortion readings' scatter, `PLAIN=0` leaves the plain ways out, `DECLARED=60` sets the declared maximum in watts.

#[path = "../tests/amplifiers/mod.rs"]
#[allow(dead_code)]
mod amplifiers;

use amplifiers::fair::expected;
use amplifiers::plain::{Plain, plain};
use amplifiers::play::{RATED_W, Scatter, Trial, USUAL, trial};
use amplifiers::{FAMILIES, Family};
use std::ops::Range;
use std::thread;
use wattproof_method::{Cause, Reach, Sought};

fn number(name: &str, usual: f64) -> f64 {
    std::env::var(name).ok().and_then(|v| v.parse().ok()).unwrap_or(usual)
}

fn quantile(mut v: Vec<f64>, q: f64) -> f64 {
    v.sort_by(f64::total_cmp);
    if v.is_empty() { f64::NAN } else { v[((v.len() - 1) as f64 * q).round() as usize] }
}

fn sought(reach: Reach, limit_pct: f64) -> Sought {
    let mut sought = Sought::usual(RATED_W, 8.0, limit_pct);
    sought.out_w_max = number("DECLARED", 4.0 * RATED_W);
    sought.reach = reach;
    sought.ramps = true;
    sought
}

fn row(name: &str, done: &[Trial], failed: usize) {
    let pick = |f: fn(&Trial) -> f64| done.iter().map(f).collect::<Vec<_>>();
    let share = |f: &dyn Fn(&Trial) -> bool| {
        100.0 * done.iter().filter(|t| f(t)).count() as f64 / (done.len() + failed).max(1) as f64
    };
    println!(
        "{name:14} {:5} {failed:4} {:5.0} / {:2.0} {:9.3} / {:.3} {:7.1} {:6.1} {:7.1} {:7.3} {:7.3} {:7.2} {:7.2} {:7.2}",
        done.len(),
        quantile(pick(|t| t.captures as f64), 0.5),
        quantile(pick(|t| t.captures as f64), 1.0),
        quantile(pick(|t| t.power_error_db.abs()), 0.5),
        quantile(pick(|t| t.power_error_db.abs()), 0.95),
        share(&|t| t.power_error_db.abs() <= 0.05),
        share(&|t| t.power_error_db.abs() <= 0.1),
        share(&|t| (t.ceiling.power_w - t.truth_w).abs() <= 2.0 * t.ceiling.u_interpolation_w),
        quantile(
            pick(|t| 20.0 / std::f64::consts::LN_10 * t.ceiling.u_interpolation_w / t.ceiling.power_w),
            0.5
        ),
        quantile(pick(|t| if clips(t) { t.nearest_db } else { 0.0 }), 1.0),
        quantile(pick(|t| t.energy_s), 0.5),
        quantile(pick(|t| t.worst_thdn_pct), 1.0),
        quantile(pick(|t| t.loudest_w), 1.0),
    );
}

fn clips(t: &Trial) -> bool {
    matches!(t.ceiling.cause, Cause::Clipping | Cause::SoftClipping)
}

fn main() {
    let (seeds, first) = (number("SEEDS", 200.0) as u64, number("FIRST", 0.0) as u64);
    let limit_pct = number("LIMIT", 1.0);
    let shared = number("SHARED", 0.0);
    let quiet = number("QUIET", 1.0);
    let scatter = Scatter { shared, distortion: quiet * USUAL.distortion, level_db: quiet * USUAL.level_db };
    let show = std::env::var("SHOW").unwrap_or_default();
    for halving in [false, true].into_iter().filter(|_| number("PLAIN", 1.0) > 0.0) {
        let (mut done, mut failed): (Vec<Plain>, usize) = (Vec::new(), 0);
        for (family, seed) in FAMILIES.into_iter().flat_map(|f| (first..first + seeds).map(move |s| (f, s))) {
            match plain(family, seed, limit_pct, halving, scatter) {
                Some(found) => done.push(found),
                None => failed += 1,
            }
        }
        let pick = |f: fn(&Plain) -> f64| done.iter().map(f).collect::<Vec<_>>();
        let near = |db: f64| {
            let near = done.iter().filter(|t| t.power_error_db.abs() <= db).count();
            100.0 * near as f64 / (done.len() + failed).max(1) as f64
        };
        println!(
            "{}: failed {failed}, captures {:.0} / {:.0}, |power| {:.3} / {:.3} dB, {:.1} % in 0.05, {:.1} % in 0.1, energy {:.2} s, THD+N up to {:.1} %",
            if halving { "halving " } else { "0.5 dB steps" },
            quantile(pick(|t| t.captures as f64), 0.5),
            quantile(pick(|t| t.captures as f64), 1.0),
            quantile(pick(|t| t.power_error_db.abs()), 0.5),
            quantile(pick(|t| t.power_error_db.abs()), 0.95),
            near(0.05),
            near(0.1),
            quantile(pick(|t| t.energy_s), 0.5),
            quantile(pick(|t| t.worst_thdn_pct), 1.0),
        );
    }
    let only = std::env::var("REACH").unwrap_or_default();
    for reach in [Reach::Steps, Reach::Probe, Reach::Streamed] {
        if !only.is_empty() && only != format!("{reach:?}") {
            continue;
        }
        println!("\n{reach:?}, limit {limit_pct} %, {seeds} seeds from {first}");
        println!(
            "family          done fail captures    |power| dB     % in .05   .1    in U    U dB nearest  energy  THD+N   max W"
        );
        let (mut all, mut all_failed) = (Vec::new(), 0);
        for family in FAMILIES {
            if std::env::var("ONLY").is_ok_and(|only| only != format!("{family:?}")) {
                continue;
            }
            let mut question = sought(reach, limit_pct);
            question.distortion_scatter *= quiet;
            question.level_scatter_db *= quiet;
            question.curve_scatter =
                (question.curve_scatter * quiet).max(shared * question.distortion_scatter);
            let (mut done, failed) = searches(family, first..first + seeds, &question, scatter);
            row(&format!("{family:?}"), &done, failed.len());
            if show == format!("{family:?}") {
                tell(&mut done, &failed);
            }
            all.extend(done);
            all_failed += failed.len();
        }
        row("all", &all, all_failed);
        confusion(&all);
    }
}

/// All searches of a family, on two threads; amplifiers that rightly have no ceiling are in neither list.
fn searches(
    family: Family,
    seeds: Range<u64>,
    question: &Sought,
    scatter: Scatter,
) -> (Vec<Trial>, Vec<String>) {
    let run = |rest: u64| {
        let mine = seeds.clone().filter(|seed| seed % 2 == rest);
        mine.map(|seed| trial(family, seed, question.clone(), scatter)).collect::<Vec<_>>()
    };
    let found = thread::scope(|scope| {
        let other = scope.spawn(|| run(1));
        let mut found = run(0);
        found.extend(other.join().unwrap_or_default());
        found
    });
    let (mut done, mut failed) = (Vec::new(), Vec::new());
    for one in found {
        match one {
            Ok(t) => done.extend(t),
            Err(e) => failed.push(e),
        }
    }
    (done, failed)
}

const CAUSES: [Cause; 9] = [
    Cause::Clipping,
    Cause::SoftClipping,
    Cause::Limiting,
    Cause::Sag,
    Cause::Protection,
    Cause::DriveExhausted,
    Cause::CurrentLimit,
    Cause::Thermal,
    Cause::Undetermined,
];

fn confusion(all: &[Trial]) {
    if std::env::var("ONLY").is_ok() {
        return;
    }
    println!("\ncause told    clipping soft limiting  sag prot. exh. current thermal undet.  right %");
    let (mut right, mut clipped) = (0, 0);
    for family in FAMILIES {
        let of_family: Vec<&Trial> = all.iter().filter(|t| t.amplifier.family == family).collect();
        let told = |cause: Cause| of_family.iter().filter(|t| t.ceiling.cause == cause).count();
        let good = of_family.iter().filter(|t| expected(t).contains(&t.ceiling.cause)).count();
        let counts: Vec<String> = CAUSES.iter().map(|c| format!("{:6}", told(*c))).collect();
        let share = 100.0 * good as f64 / of_family.len().max(1) as f64;
        println!("{:14}{} {share:9.1}", format!("{family:?}"), counts.join(""));
        right += good;
        if family.limits() {
            clipped += told(Cause::Clipping) + told(Cause::SoftClipping);
        }
    }
    println!(
        "right {:.1} %, limiters called clipping: {clipped}",
        100.0 * right as f64 / all.len().max(1) as f64
    );
}

/// The worst searches of a family, step by step.
fn tell(done: &mut [Trial], failed: &[String]) {
    for reason in failed.iter().take(2) {
        println!("   failed: {reason}");
    }
    let by = number("BY", 0.0);
    let key = |t: &Trial| if by > 0.0 { t.captures as f64 } else { t.power_error_db.abs() };
    done.sort_by(|a, b| key(b).total_cmp(&key(a)));
    for t in done.iter().take(2) {
        println!(
            "   {:.3} dB, level {:.3} dB, {} captures, se {:.3} dB {:?}",
            t.power_error_db, t.level_error_db, t.captures, t.ceiling.u_level_db, t.ceiling.cause
        );
        for line in &t.story {
            println!("      {line}");
        }
        println!("      {:?}", t.ceiling.evidence);
    }
}
