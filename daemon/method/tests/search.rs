//! The search against invented amplifiers whose true ceiling is computed, in noise.

mod amplifiers;

use amplifiers::{Amplifier, FAMILIES, Family, Rng};
use wattproof_method::{Cause, Ceiling, CeilingSearch, Next, Sought};

const RATED_W: f64 = 100.0;
const SEEDS: u64 = 100;

struct Trial {
    captures: usize,
    level_error_db: f64,
    power_error_pct: f64,
    nearest_db: f64,
    seen: Ceiling,
    cause_right: bool,
    worst_thdn_pct: f64,
}

fn expected(family: Family, a: &Amplifier, level: f64) -> Vec<Cause> {
    match family {
        Family::Limiter | Family::SlowLimiter | Family::LimiterAbove => vec![Cause::Limiting],
        Family::DriveExhausted => vec![Cause::DriveExhausted],
        Family::Trip if a.trip_vrms() <= level * 1.0001 => vec![Cause::Protection],
        Family::Sag => vec![Cause::Sag],
        // Near the dividing slope either word is fair, and so is none.
        _ if (a.slope(level) - 1.3).abs() < 0.3 => {
            vec![Cause::Clipping, Cause::SoftClipping, Cause::Undetermined]
        }
        _ if a.slope(level) > 1.3 => vec![Cause::Clipping],
        _ => vec![Cause::SoftClipping],
    }
}

fn trial(family: Family, seed: u64) -> Result<Trial, String> {
    let mut rng = Rng::new(seed * 31 + family as u64);
    let a = Amplifier::new(family, &mut rng, RATED_W);
    let mut sought = Sought::usual(RATED_W, 8.0, 1.0);
    sought.captures_max = 45;
    sought.out_w_max = 4.0 * RATED_W;
    if family == Family::DriveExhausted {
        sought.level_vrms_max = 0.5 * a.rail / a.gain;
    }
    let truth = a.truth(1.0, sought.level_vrms_max);
    let (out_w_max, captures_max) = (sought.out_w_max, sought.captures_max);
    let mut search = CeilingSearch::new(sought).map_err(|e| e.to_string())?;
    let (mut last, mut levels, mut worst) = (None, Vec::new(), 0f64);
    for _ in 0..3 * captures_max {
        match search.next(last.as_ref()) {
            Next::Set { level_vrms, .. } => {
                let predicted_w = (a.gain * level_vrms).powi(2) / a.load;
                // The gain is known to the scatter of its readings only: 0.1 dB.
                assert!(predicted_w <= out_w_max * 1.023, "{family:?} {seed}: {predicted_w} W commanded");
                let seen = a.observe(level_vrms, &mut rng);
                levels.push(level_vrms);
                let low = 20.0 * (level_vrms / truth).log10() < -6.0;
                if !low && !seen.tripped {
                    worst = worst.max(a.state(level_vrms).thdn_pct);
                }
                last = Some(seen);
            }
            Next::CoolDown { .. } => last = None,
            Next::Failed(f) => return Err(f.to_string()),
            Next::Done(c) => {
                assert!(c.captures <= captures_max);
                let right = expected(family, &a, truth).contains(&c.cause);
                let db = |x: f64, y: f64| 20.0 * (x / y).log10();
                return Ok(Trial {
                    captures: c.captures,
                    level_error_db: db(c.level_vrms, truth),
                    power_error_pct: 100.0 * (c.power_w / a.state(truth).power - 1.0),
                    nearest_db: levels
                        .iter()
                        .map(|l| db(*l, c.level_vrms).abs())
                        .fold(f64::INFINITY, f64::min),
                    cause_right: right,
                    seen: *c,
                    worst_thdn_pct: worst,
                });
            }
        }
    }
    Err("did not end".to_owned())
}

fn quantile(mut v: Vec<f64>, q: f64) -> f64 {
    v.sort_by(f64::total_cmp);
    v[((v.len() - 1) as f64 * q).round() as usize]
}

#[test]
fn thirteen_families_in_noise() {
    println!(
        "family          failed  captures med/worst  |level| dB med/p95  |power| % med/p95  in U  cause  THD+N max"
    );
    let (mut all, mut failed, mut within, mut caused) = (0, 0, 0, 0);
    for family in FAMILIES {
        let results: Vec<_> = (0..SEEDS).map(|s| (s, trial(family, s))).collect();
        let mut done = Vec::new();
        for (seed, r) in results {
            match r {
                Ok(t) => done.push(t),
                Err(e) => {
                    failed += 1;
                    println!("  {family:?} seed {seed}: {e}");
                }
            }
        }
        assert!(!done.is_empty(), "{family:?}: nothing found");
        let pick = |f: fn(&Trial) -> f64| done.iter().map(f).collect::<Vec<_>>();
        // The output is what a rating is about: an error of level where output stands still isn't one.
        let near = done.iter().filter(|t| t.power_error_pct.abs() < 2.33).count();
        let right = done.iter().filter(|t| t.cause_right).count();
        let covered = done
            .iter()
            .filter(|t| (t.power_error_pct / 100.0 * t.seen.power_w).abs() <= 2.0 * t.seen.u_interpolation_w)
            .count();
        println!(
            "{:15} {:5} {:8.0} / {:3.0} {:14.3} / {:.3} {:11.2} / {:.2} {:7} {:6} {:8.2}",
            format!("{family:?}"),
            SEEDS as usize - done.len(),
            quantile(pick(|t| t.captures as f64), 0.5),
            quantile(pick(|t| t.captures as f64), 1.0),
            quantile(pick(|t| t.level_error_db.abs()), 0.5),
            quantile(pick(|t| t.level_error_db.abs()), 0.95),
            quantile(pick(|t| t.power_error_pct.abs()), 0.5),
            quantile(pick(|t| t.power_error_pct.abs()), 0.95),
            covered,
            right,
            quantile(pick(|t| t.worst_thdn_pct), 1.0),
        );
        for t in &done {
            assert!(t.worst_thdn_pct <= 10.0, "{family:?}: a capture at {} % THD+N", t.worst_thdn_pct);
            assert!(t.nearest_db <= 0.06, "{family:?}: nearest capture {} dB away", t.nearest_db);
            let limiter = matches!(family, Family::Limiter | Family::SlowLimiter | Family::LimiterAbove);
            let clip = matches!(t.seen.cause, Cause::Clipping | Cause::SoftClipping);
            assert!(!(limiter && clip), "{family:?} called clipping: {:?}", t.seen.evidence);
        }
        if std::env::var_os("SHOW").is_some() {
            for t in done.iter().filter(|t| !t.cause_right || t.power_error_pct.abs() > 2.33).take(4) {
                println!(
                    "    {:.3} dB {:.2} % {} {:?}",
                    t.level_error_db, t.power_error_pct, t.seen.cause, t.seen.evidence
                );
            }
        }
        all += SEEDS as usize;
        within += near;
        caused += right;
    }
    println!("within 0.1 dB of output: {within}/{all}, cause {caused}/{all}, failed {failed}");
    assert_eq!(failed, 0);
    assert!(within * 100 >= 95 * all, "{within}/{all} within 0.1 dB");
    assert!(caused * 100 >= 90 * all, "{caused}/{all} causes right");
}
