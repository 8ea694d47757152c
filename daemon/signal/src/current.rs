//! Everything that needs the current: power, load, and their uncertainties.

use std::f64::consts::SQRT_2;

use crate::analysis::{Amps, Analysis};
use crate::capture::Capture;
use crate::power::impedance;
use crate::reading::{Reading, finite};
use crate::scatter::Noise;

/// Fills in what the current tells; the voltage's part is there already.
pub(crate) fn report(
    capture: &Capture,
    analysis: &Analysis,
    amps: &Amps,
    peak_a: f64,
    reading: &mut Reading,
) {
    let out_irms = analysis.means.amps_squared.sqrt();
    let active_w = analysis.means.watts;
    reading.out_irms = finite(out_irms);
    reading.out_apk = finite(peak_a);
    reading.active_w = finite(active_w);
    let apparent_va = reading.out_vrms.and_then(|vrms| finite(vrms * out_irms));
    reading.apparent_va = apparent_va;
    let volts_noise = Noise::of(capture, analysis.cycles_per_sample, &analysis.residue);
    let amps_noise = Noise::of(capture, analysis.cycles_per_sample, &amps.residue);
    let (vrms, irms) = (analysis.volts.rms(1), amps.fit.rms(1));
    let u_irms = amps_noise.mean_ms().sqrt();
    reading.u.out_irms = finite(u_irms);
    reading.u.active_w =
        reading.u.out_vrms.and_then(|u_vrms| finite((out_irms * u_vrms).hypot(vrms * u_irms)));
    reading.u.apparent_va = reading
        .u
        .out_vrms
        .zip(reading.out_vrms)
        .and_then(|(u_vrms, out_vrms)| finite((out_irms * u_vrms).hypot(out_vrms * u_irms)));
    // A current that does not rise out of its own noise tells neither load nor phase.
    let (v1, i1) = (analysis.volts.coefficients[1], amps.fit.coefficients[1]);
    if irms < 10_f64.powf(0.3) * amps.residue.noise.sqrt() || i1.norm() * SQRT_2 <= 0.0 {
        return;
    }
    reading.power_factor = apparent_va.and_then(|va| finite(active_w / va));
    let angle = (v1 * i1.conj()).arg();
    reading.phase_deg = finite(angle.to_degrees());
    let u_turn = volts_noise.turn(vrms).hypot(amps_noise.turn(irms));
    reading.u.phase_deg = finite(u_turn.to_degrees());
    // Noise that lengthens both alike leaves the factor alone; what is left is the angle's, here over all samples evenly.
    let share = apparent_va.map(|va| vrms * irms / va);
    let u_even = (volts_noise.mean_ms().sqrt() / vrms).hypot(amps_noise.mean_ms().sqrt() / irms);
    reading.u.power_factor = share.and_then(|share| finite(share * angle.sin().abs() * u_even));
    fundamentals(angle, (vrms, irms), (&volts_noise, &amps_noise), reading);
    if let Some((resistance, reactance)) = impedance(v1, i1) {
        reading.load_ohm_measured = finite(resistance);
        reading.load_x_ohm = finite(reactance);
        reading.u.load_ohm_measured = finite(resistance.hypot(reactance) * u_turn);
        reading.u.load_x_ohm = reading.u.load_ohm_measured;
    }
}

/// The quantities of IEEE Std 1459 that part the fundamental from the rest.
fn fundamentals(
    angle: f64,
    (vrms, irms): (f64, f64),
    (volts_noise, amps_noise): (&Noise, &Noise),
    reading: &mut Reading,
) {
    let (sine, cosine) = angle.sin_cos();
    let apparent_va = vrms * irms;
    reading.fundamental_apparent_va = finite(apparent_va);
    reading.fundamental_active_w = finite(apparent_va * cosine);
    reading.fundamental_reactive_var = finite(apparent_va * sine);
    reading.displacement_power_factor = finite(cosine);
    reading.harmonic_active_w = reading.active_w.and_then(|watts| finite(watts - apparent_va * cosine));
    reading.nonfundamental_va =
        reading.apparent_va.and_then(|va| finite((va * va - apparent_va * apparent_va).max(0.0).sqrt()));
    // Noise at right angles to one fundamental turns power into reactive power and back: one figure for all three.
    let u_va = (irms * volts_noise.fit_ms().sqrt()).hypot(vrms * amps_noise.fit_ms().sqrt());
    reading.u.fundamental_apparent_va = finite(u_va);
    reading.u.fundamental_active_w = finite(u_va);
    reading.u.fundamental_reactive_var = finite(u_va);
    let u_turn = volts_noise.turn(vrms).hypot(amps_noise.turn(irms));
    reading.u.displacement_power_factor = finite(sine.abs() * u_turn);
}
