//! Two tones in a recording: how they are read, and their part of the table.

use std::fmt::Write;

use wattproof_signal::{TwoToneKind, TwoToneReading, TwoToneSettings};

use super::wording::significant;

/// A higher tone of at least so many times the lower is modulated by it; tones closer together beat.
const APART: f64 = 4.0;
/// Products listed in the table.
const WORST: usize = 8;

/// How two tones are read: a low one that modulates a high one (SMPTE RP 120), or two high ones close together
/// (difference frequency, IEC 60268-3; both from memory), whose third-order product above them is counted wherever the
/// band ends.
pub fn settings(tones_hz: (f64, f64), band_hz: (f64, f64)) -> TwoToneSettings {
    let (low_hz, high_hz) = tones_hz;
    if high_hz >= APART * low_hz {
        return TwoToneSettings { low_hz, high_hz, kind: TwoToneKind::Smpte, band_hz };
    }
    let above_hz = 2.0 * high_hz - low_hz;
    let band_hz = (band_hz.0, band_hz.1.max(above_hz + (high_hz - low_hz)));
    TwoToneSettings { low_hz, high_hz, kind: TwoToneKind::TwinTone, band_hz }
}

/// Names, values, units, standard uncertainties.
pub fn rows<'a>(r: &TwoToneReading, volt: &'a str) -> Vec<(&'static str, Option<f64>, &'a str, Option<f64>)> {
    vec![
        ("lower tone", r.low_hz, "Hz", None),
        ("  level", r.low_vrms, volt, r.u_product_vrms),
        ("higher tone", r.high_hz, "Hz", None),
        ("  level", r.high_vrms, volt, r.u_product_vrms),
        ("lower over higher", r.tone_ratio, "", None),
        ("intermodulation", r.imd_pct, "%", r.u_imd_pct),
        ("  second order", r.second_order_pct, "%", None),
        ("  third order", r.third_order_pct, "%", None),
        ("  all sidebands, rms", r.sidebands_rss_pct, "%", None),
        ("noise", r.noise_vrms, volt, None),
    ]
}

/// The strongest products, in percent and dB of the higher tone.
pub fn worst(r: &TwoToneReading, text: &mut String) {
    let Some(high_vrms) = r.high_vrms.filter(|_| !r.products.is_empty()) else { return };
    let mut products = r.products.clone();
    products.sort_by(|a, b| b.vrms.total_cmp(&a.vrms));
    text.push_str("  strongest products\n");
    for product in products.iter().take(WORST) {
        let share = product.vrms / high_vrms;
        let order = format!("{:+} low {:+} high", product.low_order, product.high_order);
        let _ = writeln!(
            text,
            "  {order:>16} {:>12} Hz {:>14} % {:>9.2} dB",
            significant(product.hz, 7),
            significant(100.0 * share, 5),
            20.0 * share.log10()
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_method_follows_from_how_far_the_tones_stand_apart() {
        // 60 Hz + 7 kHz: SMPTE RP 120; 19 + 20 kHz: common practice under IEC 60268-3; both from memory.
        let smpte = settings((60.0, 7000.0), (20.0, 20_000.0));
        assert_eq!(smpte, TwoToneSettings::smpte());
        let twin = settings((19_000.0, 20_000.0), (20.0, 20_000.0));
        assert_eq!(twin, TwoToneSettings::twin_tone());
        let wide = settings((13_000.0, 14_000.0), (20.0, 20_000.0));
        assert_eq!((wide.kind, wide.band_hz), (TwoToneKind::TwinTone, (20.0, 20_000.0)));
    }
}
