//! Whatever is observed, the search ends without panicking; and against the closed form of a hard clip.

use proptest::prelude::*;
use wattproof_method::{CeilingSearch, ChannelObservation, Next, Observation, Sought};

fn any_number() -> impl Strategy<Value = Option<f64>> {
    prop_oneof![
        1 => Just(None),
        1 => any::<f64>().prop_map(Some),
        1 => prop_oneof![Just(f64::NAN), Just(f64::INFINITY), Just(0.0), Just(-1.0), Just(1e-300)].prop_map(Some),
        8 => (0.0001f64..100.0).prop_map(Some),
    ]
}

fn any_channel() -> impl Strategy<Value = ChannelObservation> {
    (any_number(), any_number(), any_number(), any_number(), any_number(), any_number(), any_number())
        .prop_map(|(f, p, d, n, c, e, l)| ChannelObservation {
            fundamental_vrms: f,
            active_w: p,
            thd_pct: d,
            thdn_pct: d,
            even_share: e,
            flat_top_pct: e,
            crest_factor: c,
            noise_vrms: n,
            envelope_droop_db: e,
            load_ohm_measured: l,
        })
}

fn any_observation() -> impl Strategy<Value = (bool, Observation)> {
    let channels = prop::collection::vec(any_channel(), 0..3);
    (
        channels,
        any_number(),
        any_number(),
        prop::bool::weighted(0.1),
        prop::bool::weighted(0.1),
        any::<bool>(),
    )
        .prop_map(|(channels, level, v, tripped, refused, obey)| {
            let level_vrms = level.unwrap_or(0.1);
            let seen = Observation {
                level_vrms,
                channels,
                supply_v: v,
                supply_a: v,
                heatsink_c: v,
                tripped,
                refused,
            };
            (obey, seen)
        })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1500, failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn always_ends(seen in prop::collection::vec(any_observation(), 60)) {
        let mut search = CeilingSearch::new(Sought::usual(100.0, 8.0, 1.0)).unwrap();
        let mut last: Option<Observation> = None;
        let mut ended = false;
        for (obey, next) in &seen {
            match search.next(last.as_ref()) {
                Next::Set { level_vrms, .. } => {
                    prop_assert!(level_vrms.is_finite() && level_vrms > 0.0 && level_vrms <= 10.0);
                    let mut o = next.clone();
                    if *obey {
                        o.level_vrms = level_vrms;
                    }
                    last = Some(o);
                }
                Next::CoolDown { .. } => last = None,
                Next::Done(_) | Next::Failed(_) => { ended = true; break; }
            }
        }
        prop_assert!(ended, "still running after 60 observations with a budget of 40");
    }
}

// Symmetric hard clip, closed form (tests/data/hard_clip_sine.json: own derivation, FFT-checked):
// r = 0.9714869 gives 1 %, where power is 1.0475 times that at the onset of clipping.
#[test]
fn hard_clip_power_at_one_percent() {
    let (gain, rail, load) = (25.0, 38.0, 8.0);
    let mut search = CeilingSearch::new(Sought::usual(100.0, load, 1.0)).unwrap();
    let mut last = None;
    let ceiling = loop {
        match search.next(last.as_ref()) {
            Next::Set { level_vrms, .. } => {
                let amplitude = gain * level_vrms * 2f64.sqrt();
                let r = (rail / amplitude).min(1.0);
                let alpha = r.asin();
                let pi = std::f64::consts::PI;
                let b1 = amplitude * 2.0 / pi * (alpha + r * (1.0 - r * r).sqrt());
                let ms = amplitude * amplitude * 2.0 / pi
                    * (alpha / 2.0 - (2.0 * alpha).sin() / 4.0 + r * r * (pi / 2.0 - alpha));
                let thd_pct = 100.0 * (2.0 * ms / (b1 * b1) - 1.0).max(1e-8).sqrt();
                last = Some(Observation {
                    level_vrms,
                    channels: vec![ChannelObservation {
                        fundamental_vrms: Some(b1 / 2f64.sqrt()),
                        active_w: Some(ms / load),
                        thdn_pct: Some(thd_pct),
                        ..ChannelObservation::default()
                    }],
                    ..Observation::default()
                });
            }
            Next::Done(c) => break c,
            other => panic!("{other:?}"),
        }
    };
    let onset_w = rail * rail / 2.0 / load;
    // From the table's rows either side of 1 %: 1.0343 at r = 0.98 (0.657 %), 1.0498 at r = 0.97 (1.062 %).
    let ratio = ceiling.power_w / onset_w;
    assert!((ratio / 1.0475 - 1.0).abs() < 0.001, "power {ratio} of onset");
    assert!((ceiling.level_vrms * gain * 2f64.sqrt() * 0.971_486_9 / rail - 1.0).abs() < 0.001);
    assert!(ceiling.captures <= 14, "{} captures", ceiling.captures);
}
