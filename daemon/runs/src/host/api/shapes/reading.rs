//! What is computed from one capture of one channel.

use super::Holds::{Map, MayMap, MayNumber, MayNumbers, Number, Numbers, Texts};
use super::{Field, Shape, field};

/// Everything computed from one capture of one channel.
pub const READING: Shape = Shape {
    name: "reading",
    what: "everything computed from one capture of one channel; what could not be told is `()`, never 0, and `flags` says why",
    fields: &FIELDS,
};

const FIELDS: [Field; 37] = [
    field("fundamental_hz", MayNumber, "frequency of the fundamental"),
    field("fundamental_vrms", MayNumber, "rms of the voltage's fundamental"),
    field("fundamental_phase_deg", MayNumber, "phase of the voltage's fundamental at the first sample"),
    field("out_vrms", MayNumber, "true rms voltage over whole cycles, full bandwidth, dc included"),
    field("out_irms", MayNumber, "true rms current in A, likewise"),
    field("out_vpk", MayNumber, "largest magnitude of the voltage"),
    field("out_apk", MayNumber, "largest magnitude of the current"),
    field("band_vrms", MayNumber, "rms voltage from 20 Hz to 20 kHz, without dc"),
    field("dc_v", MayNumber, "mean voltage"),
    field(
        "active_w",
        MayNumber,
        "power: mean of volts times amperes over whole cycles; `()` without a current input",
    ),
    field("apparent_va", MayNumber, "rms voltage times rms current"),
    field("power_factor", MayNumber, "active over apparent power"),
    field(
        "phase_deg",
        MayNumber,
        "phase of the voltage's fundamental over the current's; positive where the current lags",
    ),
    field("load_ohm_measured", MayNumber, "real part of the load's impedance at the fundamental"),
    field("load_x_ohm", MayNumber, "imaginary part of it; inductive is positive"),
    field("harmonics_pct", Numbers, "harmonics in the band from the 2nd, each in % of the fundamental"),
    field(
        "harmonics_db",
        MayNumbers,
        "the same in dB of the fundamental; `()` where nothing at all was found",
    ),
    field("thd_pct", MayNumber, "harmonics in the band over the fundamental"),
    field("thdn_pct", MayNumber, "everything in the band but the fundamental, over everything in the band"),
    field("noise_vrms", MayNumber, "what is in the band and neither fundamental nor harmonic"),
    field("noise_a_vrms", MayNumber, "the same, A-weighted (IEC 61672-1)"),
    field("noise_468_vrms", MayNumber, "the same, weighted by ITU-R BS.468, with an rms detector"),
    field(
        "noise_468_qp_v",
        MayNumber,
        "quasi-peak reading of ITU-R BS.468; of a bench's captures always `()`",
    ),
    field("hum_pct", MayNumber, "at the mains frequency and its multiples, in % of the fundamental"),
    field("residue_vrms", MayNumber, "everything above the band: switching residue"),
    field("crest_factor", MayNumber, "peak over rms of the voltage"),
    field("flat_top_pct", MayNumber, "share of samples within 1 % of the peak; 9.0 for a sine"),
    field("even_share", MayNumber, "share of the harmonics' power in even orders, 0 to 1"),
    field("envelope", MayMap(&ENVELOPE), "the fundamental against time within the capture"),
    field("u", Map(&U), "standard uncertainties by this capture's own noise alone (type A)"),
    field(
        "flags",
        Texts,
        "why numbers are absent, or what to know: `no_signal`, `invalid_samples`, `too_short`, `wrong_frequency`, `missing_samples`, `dropout`, and with numbers `adc_overrange`, `frequency_drift`",
    ),
    field("fundamental_active_w", MayNumber, "active power of the fundamentals alone (IEEE Std 1459)"),
    field("fundamental_apparent_va", MayNumber, "apparent power of the fundamentals alone"),
    field(
        "fundamental_reactive_var",
        MayNumber,
        "reactive power of the fundamentals; positive where the current lags",
    ),
    field("displacement_power_factor", MayNumber, "cosine of the fundamentals' phase"),
    field("harmonic_active_w", MayNumber, "active power of all but the fundamentals"),
    field("nonfundamental_va", MayNumber, "apparent power of all but the fundamentals"),
];

const ENVELOPE: Shape = Shape {
    name: "envelope",
    what: "the voltage's fundamental against time within one capture",
    fields: &[
        field("block_s", Number, "length of a block"),
        field("fundamental_vrms", Numbers, "rms of the fundamental in each block, V"),
        field("droop_db", MayNumber, "mean level of the last quarter over that of the first"),
        field("onset_s", MayNumber, "when the level rises from rest"),
        field("peak_vrms", MayNumber, "highest level of a block"),
        field("settled_vrms", MayNumber, "level that it settles at"),
        field("attack_s", MayNumber, "time from the onset to 63.2 % of the way there"),
    ],
};

const U: Shape = Shape {
    name: "u",
    what: "standard uncertainty (k = 1) of the field of the same name, by the noise of this capture alone; calibration is not in it. `harmonic_pct` is that of each of `harmonics_pct`",
    fields: &[
        field("out_vrms", MayNumber, ""),
        field("active_w", MayNumber, ""),
        field("thdn_pct", MayNumber, ""),
        field("fundamental_vrms", MayNumber, ""),
        field("fundamental_hz", MayNumber, ""),
        field("thd_pct", MayNumber, ""),
        field("dc_v", MayNumber, ""),
        field("phase_deg", MayNumber, ""),
        field("load_ohm_measured", MayNumber, ""),
        field("out_irms", MayNumber, ""),
        field("band_vrms", MayNumber, ""),
        field("fundamental_phase_deg", MayNumber, ""),
        field("apparent_va", MayNumber, ""),
        field("power_factor", MayNumber, ""),
        field("load_x_ohm", MayNumber, ""),
        field("harmonic_pct", MayNumber, ""),
        field("noise_vrms", MayNumber, ""),
        field("noise_a_vrms", MayNumber, ""),
        field("noise_468_vrms", MayNumber, ""),
        field("hum_pct", MayNumber, ""),
        field("residue_vrms", MayNumber, ""),
        field("fundamental_active_w", MayNumber, ""),
        field("fundamental_apparent_va", MayNumber, ""),
        field("fundamental_reactive_var", MayNumber, ""),
        field("displacement_power_factor", MayNumber, ""),
    ],
};
