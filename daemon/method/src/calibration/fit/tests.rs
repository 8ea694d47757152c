use super::*;

const METER: Meter = Meter { pct_of_reading: 0.05, fixed: 0.0 };

fn pair(adc_v: f64, reading: f64) -> Pair {
    Pair { adc_v, u_adc_v: 1e-6, reading, digit: 0.001 }
}

/// Points on a line with this gain and offset.
fn exact(gain: f64, offset_v: f64, readings: &[f64]) -> Vec<Pair> {
    readings.iter().map(|reading| pair(reading / gain + offset_v, *reading)).collect()
}

const BOTH_SIDES: [f64; 7] = [-30.0, -20.0, -10.0, 0.0, 10.0, 20.0, 30.0];

/// numpy 2.4.6, `polyfit(x, y, 1, w=1/u, cov="unscaled")`: slope, intercept, their standard uncertainties, and the reduced
/// residual; times the latter where it is above 1 (JCGM 100:2008, H.3.5).
#[test]
fn a_weighted_line_agrees_with_numpy() {
    let x = [-2.0, -1.0, 0.0, 1.0, 2.0, 3.0];
    let y = [-41.19, -20.62, 0.013, 20.58, 41.22, 61.77];
    let u = [0.02, 0.01, 0.005, 0.01, 0.02, 0.03];
    let pairs: Vec<Pair> =
        (0..6).map(|k| Pair { adc_v: x[k], u_adc_v: u[k] / 20.0, reading: y[k], digit: 0.0 }).collect();
    let perfect = Meter { pct_of_reading: 0.0, fixed: 1e-12 };
    let found = calibrate(&pairs, Kind::Dc, &perfect, (0.0, 0.0), 20.0).unwrap();
    assert!((found.gain - 20.598_833_1).abs() < 1e-6, "{}", found.gain);
    assert!((found.offset_v + 2.504_215_85e-3 / 20.598_833_1).abs() < 1e-10);
    assert!((found.line.scatter - 2.033_888_171_980_326_5).abs() < 1e-6);
    // u_of takes the gain found, 3 % above the stated one, into the points' own uncertainty; the scatter falls as much.
    let u_pct = 100.0 * 0.004_479_67 / 20.598_833_1 * 2.033_888;
    assert!((found.u_gain_pct / (u_pct * 20.598_833_1 / 20.0) - 1.0).abs() < 1e-3, "{}", found.u_gain_pct);
}

/// numpy 2.4.6, `linalg.lstsq` of one column.
#[test]
fn a_line_through_zero_agrees_with_numpy() {
    let pairs: Vec<Pair> = [(0.1, 2.061), (0.2, 4.118), (0.4, 8.242), (0.8, 16.477)]
        .map(|(adc_v, reading)| Pair { adc_v, u_adc_v: 0.0, reading, digit: 0.001 })
        .into();
    let perfect = Meter { pct_of_reading: 0.0, fixed: 1e-12 };
    let found = calibrate(&pairs, Kind::Ac, &perfect, (1e-4, 2e-6), 20.0).unwrap();
    assert!((found.gain - 20.597_764_71).abs() < 1e-7, "{}", found.gain);
    assert!((found.line.scatter - 7.416_991_62).abs() < 1e-5, "{}", found.line.scatter);
    let u_pct = 100.0 * 0.000_313_112_145_5 * 7.416_991_62 / 20.597_764_71;
    assert!((found.u_gain_pct / u_pct - 1.0).abs() < 1e-6, "{}", found.u_gain_pct);
    assert_eq!((found.offset_v, found.u_offset_v), (1e-4, 2e-6));
}

/// What a meter's specification makes of gain and offset: JCGM 100:2008, 4.3.7 (√3) and F.1.2.3 (common to all points).
#[test]
fn the_meters_own_error_goes_into_gain_and_offset_whole() {
    let meter = Meter { pct_of_reading: 0.1, fixed: 0.02 };
    let found = calibrate(&exact(20.6, 0.001, &BOTH_SIDES), Kind::Dc, &meter, (0.0, 0.0), 20.0).unwrap();
    assert!((found.gain - 20.6).abs() < 1e-9 && (found.offset_v - 0.001).abs() < 1e-12);
    assert!((found.u_gain_pct - 0.1 / 3f64.sqrt()).abs() < 1e-3, "{}", found.u_gain_pct);
    assert!((found.u_offset_v / (0.02 / 3f64.sqrt() / 20.6) - 1.0).abs() < 1e-2, "{}", found.u_offset_v);
    assert!(found.linearity_v < 1e-12);
    assert_eq!(found.highest, 30.0);
    // Through zero, one error in all readings turns the gain by Σx/Σx²: with equal x it is o/y.
    let alike = [pair(0.5, 10.0), pair(1.0, 20.0), pair(1.0, 20.0), pair(1.0, 20.0)];
    let fixed = Meter { pct_of_reading: 0.0, fixed: 0.02 };
    let found = calibrate(&alike, Kind::Ac, &fixed, (0.0, 0.0), 20.0).unwrap();
    let expected = 0.02 / 3f64.sqrt() * (0.5 + 3.0) / (0.25 + 3.0) / 20.0;
    assert!((found.u_gain_pct / 100.0 / expected - 1.0).abs() < 1e-3, "{}", found.u_gain_pct);
}

#[test]
fn a_bent_input_is_no_slip_and_its_departure_is_told() {
    let mut pairs = exact(20.0, 0.0, &BOTH_SIDES);
    for pair in &mut pairs {
        pair.adc_v *= 1.0 + 0.01 * (pair.adc_v / 1.5).powi(2);
    }
    let found = calibrate(&pairs, Kind::Dc, &METER, (0.0, 0.0), 20.0).unwrap();
    // A cubic of 1 % at 1.5 V, 15 mV: what a straight line leaves of it is less, and not nothing.
    assert!((0.001..0.015).contains(&found.linearity_v), "{}", found.linearity_v);
}

#[test]
fn nonsense_is_refused_and_named() {
    let tried = |pairs: &[Pair]| calibrate(pairs, Kind::Dc, &METER, (0.0, 0.0), 20.0).unwrap_err();
    let good = exact(20.0, 0.0, &BOTH_SIDES);
    assert!(matches!(tried(&good[..2]), Refused::TooFew { have: 2, need: 3 }));
    assert!(matches!(tried(&[pair(1.0, 20.0), pair(1.0, 20.0), pair(1.0, 20.0)]), Refused::TooClose));
    let reversed: Vec<Pair> = good.iter().map(|point| pair(-point.adc_v, point.reading)).collect();
    assert_eq!(tried(&reversed), Refused::Reversed);
    let flat: Vec<Pair> = good
        .iter()
        .zip([1e-4, -2e-4, 3e-4, 0.0, -1e-4, 2e-4, 0.0])
        .map(|(p, adc_v)| pair(adc_v, p.reading))
        .collect();
    assert!(matches!(tried(&flat), Refused::Unrelated { .. }), "{:?}", tried(&flat));
    let milli: Vec<Pair> = good.iter().map(|point| pair(point.adc_v, 1000.0 * point.reading)).collect();
    assert!(matches!(tried(&milli), Refused::FarFromFile { ratio } if (ratio - 1000.0).abs() < 1e-6));
    let mut none = good.clone();
    none[3].reading = f64::NAN;
    assert_eq!(tried(&none), Refused::NoNumber { point: 4 });
}

/// The usual slips: two digits exchanged, a point in the wrong place, a sign forgotten.
#[test]
fn a_slip_is_found_wherever_it_is() {
    let readings = [-30.12, -20.45, -10.23, 5.34, 10.19, 20.76, 30.54];
    let good = exact(20.6, 0.001, &readings);
    assert!(calibrate(&good, Kind::Dc, &METER, (0.0, 0.0), 20.0).is_ok());
    for (index, typed) in
        [(0, -31.02), (1, -20.54), (2, -1.023), (3, 53.4), (4, -10.19), (5, 27.06), (6, 30.45)]
    {
        let mut pairs = good.clone();
        pairs[index].reading = typed;
        let refused = calibrate(&pairs, Kind::Dc, &METER, (0.0, 0.0), 20.0).unwrap_err();
        assert!(matches!(refused, Refused::Slip { point, .. } if point == index + 1), "{typed}: {refused}");
    }
}

/// With every input drawn from its stated distribution, gain ± 2u holds the truth in about 95 % (JCGM 101:2008); a
/// rectangle that dominates holds more. Own linear congruence; figures of the test: project definition.
#[test]
fn the_uncertainty_holds_the_truth() {
    let mut state = 42u64;
    let mut uniform = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((state >> 11) as f64 / (1u64 << 53) as f64).mul_add(2.0, -1.0)
    };
    let meter = Meter { pct_of_reading: 0.02, fixed: 0.002 };
    let (gain, offset_v, noise_v) = (20.6, 0.002, 2e-4);
    let (mut gains, mut offsets) = (0, 0);
    let trials = 2000;
    for _ in 0..trials {
        let (share, fixed) = (uniform() * meter.pct_of_reading / 100.0, uniform() * meter.fixed);
        let pairs: Vec<Pair> = BOTH_SIDES
            .map(|truth| {
                // Three rectangles are nearly normal: variance 1.
                let noise = noise_v * (uniform() + uniform() + uniform());
                let reading = truth * (1.0 + share) + fixed;
                let reading = (reading / 0.001).round() * 0.001;
                Pair { adc_v: truth / gain + offset_v + noise, u_adc_v: noise_v, reading, digit: 0.001 }
            })
            .into();
        let found = calibrate(&pairs, Kind::Dc, &meter, (0.0, 0.0), 20.0).unwrap();
        gains += i32::from((found.gain / gain - 1.0).abs() <= 0.02 * found.u_gain_pct);
        offsets += i32::from((found.offset_v - offset_v).abs() <= 2.0 * found.u_offset_v);
    }
    for held in [gains, offsets] {
        let share = f64::from(held) / f64::from(trials);
        assert!((0.94..=1.0).contains(&share), "{share}");
    }
}
