"""Two hundred records drawn at random, each read by the project and by scipy.

Sine fits: scipy.optimize.least_squares on the four-parameter model of IEEE Std 1057 (from memory). Mixtures: ordinary
least squares over dc, harmonics and residue at their known frequencies, noise by scipy.signal.periodogram of what
that leaves over. What two estimators of the same noise may differ by is derived beside each tolerance.
"""

import numpy as np
import pytest
from scipy import optimize, signal

SEEDS = 200


def least_squares_sine(samples, fs_hz, start_hz):
    """Frequency, peak, phase in degrees of a cosine at the first sample, dc; by Levenberg and Marquardt's method."""
    t = (np.arange(len(samples)) - (len(samples) - 1) / 2) / fs_hz

    def parts(p):
        turn = 2 * np.pi * p[0] * t
        return np.cos(turn), np.sin(turn), turn

    def rest(p):
        cosine, sine, _ = parts(p)
        return p[1] * cosine - p[2] * sine + p[3] - samples

    def slopes(p):
        cosine, sine, _ = parts(p)
        return np.stack([-2 * np.pi * t * (p[1] * sine + p[2] * cosine), cosine, -sine, np.ones_like(t)], axis=1)

    first = 2 * np.mean(samples * np.exp(-2j * np.pi * start_hz * t))
    start = [start_hz, first.real, first.imag, np.mean(samples)]
    scale, least = [1 / np.ptp(t), 1, 1, 1], {"xtol": 1e-15, "ftol": 1e-15, "gtol": 1e-15}
    found = optimize.least_squares(rest, start, jac=slopes, method="lm", x_scale=scale, **least).x
    middle = np.angle(found[1] + 1j * found[2]) + 2 * np.pi * found[0] * t[0]
    return found[0], np.hypot(found[1], found[2]), np.degrees(middle), found[3]


def apart_deg(a, b):
    return abs((a - b + 180) % 360 - 180)


@pytest.mark.parametrize("batch", range(4))
def test_sine_fits(read, batch):
    for seed in range(batch * SEEDS // 4, (batch + 1) * SEEDS // 4):
        rng = np.random.default_rng(1000 + seed)
        fs_hz = rng.choice([44_100, 48_000, 96_000, 192_000, 1_000_000])
        length = int(rng.integers(2_000, 8_000))
        hz = np.exp(rng.uniform(np.log(10), np.log(0.45 * length))) * fs_hz / length
        if hz > 19_000 or hz < 25:
            hz = 10.3 * fs_hz / length if 25 < 10.3 * fs_hz / length < 19_000 else 997.31
        peak, dc, phase = 10 ** rng.uniform(-2, 2), rng.uniform(-1, 1), rng.uniform(-np.pi, np.pi)
        sigma = rng.choice([0.0, 1e-4, 1e-2]) * peak
        t = np.arange(length) / fs_hz
        volts = peak * np.cos(2 * np.pi * hz * t + phase) + dc * peak + sigma * rng.standard_normal(length)
        reading = read(fs_hz, hz, volts)
        assert reading["flags"] == [], (seed, reading["flags"])
        fit_hz, fit_peak, fit_phase_deg, fit_dc = least_squares_sine(volts, fs_hz, hz)
        # Cramer-Rao bounds of ordinary least squares (Rife and Boorstyn 1974, from memory); windowed estimates scatter by
        # 1.4 (amplitude, dc) to twice (frequency, phase at the end) as much. Five standard deviations of the difference.
        # For exact records, the promised 1e-7, 1e-5 and 0.001 degree.
        bound = sigma * np.sqrt(2 / length)
        bound_hz = np.sqrt(24 / length) * sigma / peak / (2 * np.pi * length / fs_hz)
        assert abs(reading["fundamental_hz"] - fit_hz) < 1e-7 * hz + 5 * 2 * bound_hz, seed
        assert abs(reading["fundamental_vrms"] * np.sqrt(2) - fit_peak) < 1e-5 * peak + 5 * 1.4 * bound, seed
        assert apart_deg(reading["fundamental_phase_deg"], fit_phase_deg) < 1e-3 + 5 * 4 * np.degrees(bound / peak), seed
        assert abs(reading["dc_v"] - fit_dc) < 1e-5 * peak + 5 * 1.4 * bound, seed


@pytest.mark.parametrize("batch", range(4))
def test_mixtures(read, batch):
    for seed in range(batch * SEEDS // 4, (batch + 1) * SEEDS // 4):
        rng = np.random.default_rng(5000 + seed)
        fs_hz, length = rng.choice([96_000, 192_000]), int(rng.integers(12_000, 20_000))
        hz = rng.uniform(300, 4_000)
        t = np.arange(length) / fs_hz
        orders = np.arange(1, 1 + int(rng.integers(3, 9)))
        levels = np.where(orders == 1, 1.0, 10 ** rng.uniform(-4, -1, len(orders)))
        sigma, residue = 10 ** rng.uniform(-5, -3), 10 ** rng.uniform(-4, -1)
        volts = sum(a * np.cos(2 * np.pi * k * hz * t + rng.uniform(-3, 3)) for k, a in zip(orders, levels, strict=True))
        residue_hz = rng.uniform(25_000, 0.45 * fs_hz)
        volts = 20 * (volts + residue * np.cos(2 * np.pi * residue_hz * t) + sigma * rng.standard_normal(length))
        amps = volts / 4 + 1e-4 * rng.standard_normal(length)
        reading = read(fs_hz, hz, volts, amps)
        assert reading["flags"] == [], (seed, reading["flags"])

        columns = [np.ones(length)]
        for f in [*(orders * hz), residue_hz]:
            columns += [np.cos(2 * np.pi * f * t), -np.sin(2 * np.pi * f * t)]
        columns = np.stack(columns, axis=1)
        solution = np.linalg.solve(columns.T @ columns, columns.T @ volts)
        peaks = np.hypot(solution[1::2], solution[2::2])
        # Both see the same noise through different weights: their difference scatters by no more than each.
        scatter = 20 * sigma * np.sqrt(2 * 1.944 / length)
        assert abs(reading["fundamental_vrms"] * np.sqrt(2) - peaks[0]) < 1e-5 * peaks[0] + 5 * scatter, seed
        for order, peak in zip(orders[1:], peaks[1:-1], strict=True):
            if order * hz > 20_000:
                continue
            found = reading["harmonics_pct"][order - 2] / 100 * peaks[0]
            assert abs(found - peak) < 1.2e-3 * peak + 5 * scatter, (seed, order)
        # Noise of what is left over, by a periodogram; each estimate scatters by sqrt(ENBW / lines) / 2. Harmonics that
        # were not put in are noise to one and harmonics to the other: a few lines of thousands.
        rest = volts - columns @ solution
        at, density = signal.periodogram(rest, fs_hz, window="hann", detrend=False)
        inside = (at >= 20) & (at <= 20_000)
        noise = np.sqrt(np.sum(density[inside]) * at[1])
        lines = np.count_nonzero(inside)
        assert abs(reading["noise_vrms"] / noise - 1) < 5 * np.sqrt(1.944 / lines) + 0.01, seed
        in_band = orders * hz <= 20_000
        distortion = np.sum((peaks[:-1][in_band][1:]) ** 2) / 2 + noise**2
        thdn = 100 * np.sqrt(distortion / (distortion + peaks[0] ** 2 / 2))
        assert abs(reading["thdn_pct"] / thdn - 1) < 0.012 + 5 * np.sqrt(1.944 / lines), seed
        tones_above = 20**2 * residue**2 / 2 + np.sum(peaks[:-1][~in_band] ** 2) / 2
        above = np.sqrt(tones_above + np.sum(density[at > 20_000]) * at[1])
        assert abs(reading["residue_vrms"] / above - 1) < 0.02, seed
        # Whole-cycle mean of the product, by plain averaging of many whole cycles' worth of samples.
        assert abs(reading["active_w"] / (reading["out_vrms"] ** 2 / 4) - 1) < 1e-4, seed
        assert abs(reading["load_ohm_measured"] - 4) < 4 * 1e-4, seed
