"""Readings against numpy and scipy on captures whose make-up is known.

Each tolerance is derived beside its check: the accuracy that the project promises for exact records, or four
standard deviations of what two estimators of the same noise may differ by.
"""

import numpy as np
import pytest
from scipy import integrate, signal

import independent

FS_HZ = 192_000.0


def times(seconds=0.1, fs_hz=FS_HZ):
    return np.arange(int(round(seconds * fs_hz))) / fs_hz


def relative(a, b):
    return abs(a / b - 1)


@pytest.mark.parametrize(
    "hz, phase_deg", [(40.37, 10.0), (997.31, -33.3), (1000.0, 90.0), (1234.567, 171.0), (6543.21, -120.0)]
)
def test_a_sine_between_lines(read, hz, phase_deg):
    # Four-parameter sine fit: IEEE Std 1057 (from memory), done by scipy.optimize.curve_fit.
    t = times(0.5 if hz < 100 else 0.1)
    volts = 28.3 * np.cos(2 * np.pi * hz * t + np.radians(phase_deg)) + 0.012
    reading = read(FS_HZ, hz, volts)
    fit_hz, peak, phase, dc = independent.sine_fit(volts, FS_HZ, hz)
    # Promised for exact records: 1e-7 in frequency, 1e-5 in amplitude, 0.001 degree.
    assert relative(reading["fundamental_hz"], fit_hz) < 1e-7
    assert relative(reading["fundamental_vrms"] * np.sqrt(2), peak) < 1e-5
    assert abs((reading["fundamental_phase_deg"] - phase + 180) % 360 - 180) < 1e-3
    assert abs(reading["dc_v"] - dc) < 1e-5 * peak
    assert relative(reading["out_vrms"], np.hypot(28.3 / np.sqrt(2), 0.012)) < 1e-5
    # Floor of -150 dB.
    assert reading["thd_pct"] < 100 * 10 ** (-150 / 20)


def test_a_sine_in_noise(read):
    # As above. Ordinary least squares is efficient on white noise: variance of the amplitude 2s^2/N, of the
    # frequency 24 s^2 / (A^2 w^2 N) with w = 2 pi T (Cramer-Rao bound, Rife and Boorstyn 1974, from memory). A
    # windowed estimator scatters by at most twice that variance more (amplitude) or about four times (frequency).
    rng = np.random.default_rng(11)
    sigma, peak_v, hz = 0.05, 20.0, 997.31
    t = times(0.2)
    volts = peak_v * np.sin(2 * np.pi * hz * t) + sigma * rng.standard_normal(len(t))
    reading = read(FS_HZ, hz, volts)
    fit_hz, peak, _, _ = independent.sine_fit(volts, FS_HZ, hz)
    bound_v = np.sqrt(2 * sigma**2 / len(t))
    bound_hz = np.sqrt(24 * sigma**2 / (peak_v**2 * len(t))) / (2 * np.pi * len(t) / FS_HZ)
    assert abs(reading["fundamental_vrms"] * np.sqrt(2) - peak) < 4 * np.sqrt(2) * bound_v
    assert abs(reading["fundamental_hz"] - fit_hz) < 4 * 2 * bound_hz
    # The reading's own type A uncertainty is of that size.
    assert 0.8 < reading["u"]["fundamental_vrms"] * np.sqrt(2) / bound_v < 2


@pytest.mark.parametrize("seed, sigma", [(1, 0.02), (2, 0.2), (3, 1.0)])
def test_noise_alone_makes_the_thdn(read, seed, sigma):
    # AES17 (from memory) definition of THD+N, by scipy.signal.periodogram.
    hz, t = 997.31, times(1.0)
    noise = sigma * np.random.default_rng(seed).standard_normal(len(t))
    volts = 20.0 * np.sin(2 * np.pi * hz * t) + noise
    reading = read(FS_HZ, hz, volts)
    reference, _ = independent.thdn_pct(volts, FS_HZ, hz)
    # Two windowed estimates of one noise over L lines: each scatters by sqrt(ENBW/L)/2, ENBW below 3 lines.
    lines = 20_000 * len(t) / FS_HZ
    assert relative(reading["thdn_pct"], reference) < 4 * np.sqrt(2 * 3 / lines) / 2
    # White noise of known density: what of it lies in the band.
    expected = sigma * np.sqrt((20_000 - 20) / (FS_HZ / 2))
    assert relative(reading["noise_vrms"], expected) < 4 * np.sqrt(2 / lines) / 2
    above = sigma * np.sqrt((FS_HZ / 2 - 20_000) / (FS_HZ / 2))
    assert relative(reading["residue_vrms"], above) < 4 * np.sqrt(2 / (lines * 3.8)) / 2


def clipped(ratio, phase):
    """A unit sine, hard-clipped at `ratio` of its peak."""
    return np.clip(np.sin(phase), -ratio, ratio)


def clipped_series(ratio, orders):
    """Odd Fourier coefficients of it, by quadrature."""
    knee = np.arcsin(ratio)
    b = np.zeros(orders + 1)
    for n in range(1, orders + 1, 2):
        # Odd and symmetric about a quarter: four times the first quarter, split at the knee.
        parts = [(0, knee), (knee, np.pi / 2)]
        pieces = [
            integrate.quad(lambda x: clipped(ratio, x) * np.sin(n * x), *part, epsabs=1e-13, limit=400)[0]
            for part in parts
        ]
        b[n] = 4 / np.pi * sum(pieces)
    return b


@pytest.mark.parametrize("ratio", [0.999, 0.9714869, 0.9, 0.7786512, 0.4])
@pytest.mark.parametrize("hz", [997.31, 1703.7])
def test_a_clipped_sine(read, hz, ratio):
    # Fourier coefficients of a hard-clipped sine by scipy.integrate.quad; the capture is their sum up to the
    # Nyquist frequency, as an ideal anti-alias filter leaves it. Ratios 0.9714869 and 0.7786512 are 1 % and 10 %
    # in an unlimited band (closed form, textbook Fourier series).
    t = times()
    orders = int(FS_HZ / 2 / hz)
    b = clipped_series(ratio, orders)
    volts = 30 * sum(b[n] * np.sin(n * 2 * np.pi * hz * t + n * 0.3) for n in range(1, orders + 1, 2))
    reading = read(FS_HZ, hz, volts)
    in_band = int(20_000 / hz)
    expected = 100 * np.sqrt(np.sum(b[2 : in_band + 1] ** 2)) / b[1]
    # Promised: each harmonic above -140 dB within 0.01 dB, and THD within 0.1 % of reading.
    for n in range(3, in_band + 1, 2):
        if abs(b[n] / b[1]) > 1e-7:
            db = 20 * np.log10(reading["harmonics_pct"][n - 2] / 100 / abs(b[n] / b[1]))
            assert abs(db) < 0.01, f"harmonic {n}"
    assert len(reading["harmonics_pct"]) == in_band - 1
    assert relative(reading["thd_pct"], expected) < 1e-3
    # By another route: the capture's own samples through ordinary least squares and a periodogram.
    _, lines = independent.harmonic_fit(volts, FS_HZ, hz, orders)
    assert relative(reading["thd_pct"], 100 * np.linalg.norm(lines[2 : in_band + 1]) / abs(lines[1])) < 1e-3
    # No noise, and side lobes far below the least THD+N here (0.008 %): as for THD.
    reference, _ = independent.thdn_pct(volts, FS_HZ, hz)
    assert relative(reading["thdn_pct"], reference) < 1e-3
    share = expected / 100
    assert relative(reading["thdn_pct"], 100 * share / np.hypot(1, share)) < 1e-3


def test_distortion_noise_and_hum_together(read):
    # AES17 THD+N (from memory) by periodogram; hum by ordinary least squares at the mains' multiples.
    rng = np.random.default_rng(5)
    hz, t = 1013.7, times(1.0)
    volts = 25 * np.sin(2 * np.pi * hz * t) + 0.05 * np.cos(2 * np.pi * 2 * hz * t) + 0.11 * np.sin(6 * np.pi * hz * t)
    volts += 0.03 * np.sin(2 * np.pi * 50 * t + 1) + 0.015 * np.sin(2 * np.pi * 150 * t)
    volts += 0.02 * rng.standard_normal(len(t))
    reading = read(FS_HZ, hz, volts)
    reference, _ = independent.thdn_pct(volts, FS_HZ, hz)
    # Noise is a fortieth of the residue's power; its two estimates differ as in the test of noise alone.
    assert relative(reading["thdn_pct"], reference) < 1e-3
    turns = 2 * np.pi * np.outer(t, [50, 150, hz, 2 * hz, 3 * hz])
    solution, *_ = np.linalg.lstsq(np.hstack([np.cos(turns), np.sin(turns)]), volts, rcond=None)
    peaks = np.hypot(solution[:5], solution[5:])
    hum_pct = 100 * np.hypot(peaks[0], peaks[1]) / peaks[2]
    # Noise of one multiple: 20 multiples of about 8 lines of 1 Hz at 0.02^2/96000 V^2/Hz each.
    noise_pct = 100 * np.sqrt(20 * 8 * 0.02**2 / 96_000) / (25 / np.sqrt(2))
    assert abs(reading["hum_pct"] - hum_pct) < np.hypot(hum_pct, noise_pct) - hum_pct + 4e-3 * hum_pct
    assert relative(reading["harmonics_pct"][0], 100 * peaks[3] / peaks[2]) < 2e-3
    assert relative(reading["harmonics_pct"][1], 100 * peaks[4] / peaks[2]) < 2e-3


@pytest.mark.parametrize("residue_v", [0.1, 2.0])
def test_switching_residue_is_told_apart(read, residue_v):
    # Residue above the band by periodogram; low-pass measurement of switching amplifiers: AES17 (from memory).
    hz, t = 997.31, times()
    clean = 28 * np.sin(2 * np.pi * hz * t) + 0.02 * np.sin(6 * np.pi * hz * t + 0.4)
    residue = residue_v * np.sin(2 * np.pi * 43_021.7 * t)
    with_residue, without = read(FS_HZ, hz, clean + residue), read(FS_HZ, hz, clean)
    # 40 dB above the distortion, it moves THD by less than 1e-4 of its value.
    assert relative(with_residue["thd_pct"], without["thd_pct"]) < 1e-4
    lines_hz, power = independent.power_lines(clean + residue, FS_HZ)
    reference = np.sqrt(np.sum(power[lines_hz > 20_000]))
    assert relative(with_residue["residue_vrms"], reference) < 1e-3
    # True rms sees all of it.
    assert relative(with_residue["out_vrms"], np.sqrt(with_residue["fundamental_vrms"] ** 2 + reference**2)) < 1e-4


@pytest.mark.parametrize("shift_deg", [0.0, 30.0, -60.0, 89.0])
def test_power_of_a_shifted_current(read, shift_deg):
    # Active power as the mean of v*i, apparent power, power factor: IEEE Std 1459 (from memory). The mean by
    # scipy.integrate.quad over one cycle of the waveforms themselves.
    hz, t = 997.31, times()

    def volts(turn):
        return 28 * np.cos(turn + 0.2) + 1.5 * np.cos(3 * turn + 1.0) + 0.05

    def amps(turn):
        return 7 * np.cos(turn + 0.2 - np.radians(shift_deg)) + 0.4 * np.cos(3 * turn + 0.3) + 0.01

    def mean(of):
        return integrate.quad(of, 0, 2 * np.pi, epsabs=1e-12)[0] / (2 * np.pi)

    turn = 2 * np.pi * hz * t
    reading = read(FS_HZ, hz, volts(turn), amps(turn))
    active_w = mean(lambda x: volts(x) * amps(x))
    apparent_va = np.sqrt(mean(lambda x: volts(x) ** 2) * mean(lambda x: amps(x) ** 2))
    # Promised: 2e-5 of the power; where the factor is small, of the apparent power.
    assert abs(reading["active_w"] - active_w) < 2e-5 * apparent_va
    assert relative(reading["apparent_va"], apparent_va) < 2e-5
    assert abs(reading["power_factor"] - active_w / apparent_va) < 4e-5
    assert abs(reading["phase_deg"] - shift_deg) < 1e-3
    impedance = 4 * np.exp(1j * np.radians(shift_deg))
    assert abs(reading["load_ohm_measured"] - impedance.real) < 4 * 2e-5
    assert abs(reading["load_x_ohm"] - impedance.imag) < 4 * 2e-5
    # And by plain averaging of the samples over whole cycles: v*i at both ends of the record differs by at
    # most its peak, over half a sample that does not fit.
    count = independent.whole_cycles(FS_HZ, hz, len(t))
    plain = np.mean(volts(turn[:count]) * amps(turn[:count]))
    assert abs(reading["active_w"] - plain) < 0.5 / count * 30 * 8


def test_power_into_a_filtered_load(read):
    # A clipped voltage across a resistor and inductor in series: the current by scipy.signal.lsim, its power by
    # the resistor's own heat, R * mean(i^2) (energy balance; an inductor consumes nothing).
    fs_hz, hz, ohm, henry = 1_536_000.0, 1000.0, 4.0, 0.3e-3
    t = np.arange(int(0.06 * fs_hz)) / fs_hz
    volts = 30 * np.clip(1.3 * np.sin(2 * np.pi * hz * t), -1, 1)
    _, amps, _ = signal.lsim(([1.0], [henry, ohm]), volts, t)
    settled = t >= 0.03  # 400 time constants
    volts, amps = volts[settled], amps[settled]
    reading = read(fs_hz, hz, volts, amps)
    # The sampled voltage is taken as straight between samples: an error of (w h)^2 / 12 at each harmonic, 1e-6.
    assert relative(reading["active_w"], ohm * np.mean(amps**2)) < 1e-4
    assert relative(reading["load_ohm_measured"], ohm) < 1e-4
    assert relative(reading["load_x_ohm"], 2 * np.pi * hz * henry) < 1e-3
