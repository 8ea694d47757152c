//! Whatever is observed, the search ends without panicking; and against the closed form of a hard clip.

use proptest::prelude::*;
use wattproof_method::{
    CeilingSearch, ChannelObservation, Look, LookChannel, Next, Observation, Reach, Sought, TransferCurve,
};

fn any_number() -> impl Strategy<Value = Option<f64>> {
    prop_oneof![
        1 => Just(None),
        1 => any::<f64>().prop_map(Some),
        1 => prop_oneof![Just(f64::NAN), Just(f64::INFINITY), Just(0.0), Just(-1.0), Just(1e-300)].prop_map(Some),
        8 => (0.0001f64..100.0).prop_map(Some),
    ]
}

fn any_curve() -> impl Strategy<Value = Option<TransferCurve>> {
    let wave = (0.05f64..2.0, -0.4f64..0.4, 0.1f64..100.0).prop_map(|(rail, cubic, scale)| {
        let f = |u: f64| scale * (u - cubic * u * u * u).clamp(-rail, rail);
        let phase =
            |m: i32| -std::f64::consts::FRAC_PI_2 + std::f64::consts::PI * (f64::from(m) + 0.5) / 64.0;
        TransferCurve::from_phases((0..64).map(|m| f(phase(m).sin())).collect())
    });
    prop_oneof![1 => Just(None), 1 => wave, 1 => prop::collection::vec(-1e3f64..1e3, 32).prop_map(TransferCurve::from_phases)]
}

fn any_looks() -> impl Strategy<Value = Vec<Look>> {
    let look =
        (any_number(), any_number(), any_number(), any_curve()).prop_map(|(level, f, d, curve)| Look {
            level_vrms: level.unwrap_or(0.1),
            channels: vec![LookChannel { fundamental_vrms: f, thd_pct: d, curve }],
        });
    prop::collection::vec(look, 0..4)
}

fn any_channel() -> impl Strategy<Value = ChannelObservation> {
    let numbers =
        (any_number(), any_number(), any_number(), any_number(), any_number(), any_number(), any_number());
    (numbers, any_curve()).prop_map(|((f, p, d, n, c, e, l), curve)| ChannelObservation {
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
        curve,
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
        any_looks(),
    )
        .prop_map(|(channels, level, v, tripped, refused, obey, looks)| {
            let level_vrms = level.unwrap_or(0.1);
            let seen = Observation {
                level_vrms,
                held_s: v.unwrap_or(0.1),
                record_s: v.unwrap_or(0.1),
                looks,
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
    fn always_ends(
        seen in prop::collection::vec(any_observation(), 60),
        reach in prop_oneof![Just(Reach::Steps), Just(Reach::Probe), Just(Reach::Streamed)],
        ramps in any::<bool>(),
    ) {
        let sought = Sought { reach, ramps, ..Sought::usual(100.0, 8.0, 1.0) };
        let mut search = CeilingSearch::new(sought).unwrap();
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
                Next::Probe { level_vrms, burst_vrms, hold_s, .. } => {
                    prop_assert!(level_vrms > 0.0 && burst_vrms > level_vrms && burst_vrms <= 10.0 * (1.0 + 1e-9));
                    prop_assert!((0.0..=60.0).contains(&hold_s));
                    last = Some(next.clone());
                }
                Next::Ramp { from_vrms, to_vrms, db_per_s, .. } => {
                    prop_assert!(from_vrms > 0.0 && from_vrms.is_finite() && to_vrms <= 10.0 * (1.0 + 1e-9));
                    prop_assert!(db_per_s > 0.0);
                    last = Some(next.clone());
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
