"""The same quantities by numpy and scipy alone, by other routes than the project's own.

Sine and harmonic fit: ordinary (unweighted) least squares, the sine with its frequency free (IEEE Std 1057, from
memory). THD+N: fundamental lobe cut out of a Kaiser-windowed periodogram, as spectrum analysers do it (common
practice, no source).
"""

import warnings

import numpy as np
from scipy import optimize, signal

BAND_HZ = (20.0, 20_000.0)


def sine_fit(samples, fs_hz, near_hz):
    """Frequency, peak amplitude and phase in degrees of a cosine at the first sample, dc."""
    t = np.arange(len(samples)) / fs_hz

    def model(t, hz, in_phase, quadrature, dc):
        turn = 2 * np.pi * hz * t
        return in_phase * np.cos(turn) - quadrature * np.sin(turn) + dc

    # The correlation at the expected frequency starts the search inside its valley.
    start = 2 * np.mean(samples * np.exp(-2j * np.pi * near_hz * t))
    first = [near_hz, start.real, start.imag, np.mean(samples)]
    # An exact fit leaves no scatter to estimate, which scipy warns of.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", optimize.OptimizeWarning)
        found, _ = optimize.curve_fit(model, t, samples, p0=first, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    hz, in_phase, quadrature, dc = found
    return hz, np.hypot(in_phase, quadrature), np.degrees(np.arctan2(quadrature, in_phase)), dc


def harmonic_fit(samples, fs_hz, near_hz, orders):
    """Frequency and complex peak amplitudes (index = order, 0 is dc) of a tone with harmonics."""
    t = np.arange(len(samples)) / fs_hz

    def solve(hz):
        turns = 2 * np.pi * hz * np.outer(t, np.arange(1, orders + 1))
        columns = np.hstack([np.ones((len(t), 1)), np.cos(turns), -np.sin(turns)])
        # Harmonics over many cycles are all but orthogonal: the normal equations lose nothing.
        solution = np.linalg.solve(columns.T @ columns, columns.T @ samples)
        return solution, samples - columns @ solution

    width = 0.2 * fs_hz / len(samples)
    search = optimize.minimize_scalar(
        lambda hz: np.sum(solve(hz)[1] ** 2),
        bounds=(near_hz - width, near_hz + width),
        method="bounded",
        options={"xatol": 1e-9 * near_hz},
    )
    solution, _ = solve(search.x)
    return search.x, np.concatenate([solution[:1], solution[1 : orders + 1] + 1j * solution[orders + 1 :]])


def power_lines(samples, fs_hz):
    """Frequencies and mean square of each line, so that a sum over lines is a mean square.

    The mean is left in: over broken cycles it is no dc, and taking it away would put one in.
    """
    hz, density = signal.periodogram(samples, fs_hz, window=("kaiser", 20), detrend=False, scaling="density")
    return hz, density * hz[1]


def thdn_pct(samples, fs_hz, tone_hz):
    """Everything in the band but the fundamental's lobe over everything in the band, and the first in volts rms."""
    hz, power = power_lines(samples, fs_hz)
    inside = (hz >= BAND_HZ[0]) & (hz <= BAND_HZ[1])
    # The main lobe of this window is sqrt(1 + (20 / pi)^2) = 6.4 lines to either side, its side lobes lie 150 dB
    # down (Kaiser's own formulas, from memory).
    lobe = np.abs(hz - tone_hz) <= 8 * hz[1]
    rest = np.sum(power[inside & ~lobe])
    return 100 * np.sqrt(rest / np.sum(power[inside])), np.sqrt(rest)


def whole_cycles(fs_hz, hz, length):
    """Samples that hold a whole number of cycles most nearly."""
    cycles = np.arange(1, int(length * hz / fs_hz) + 1)
    samples = cycles * fs_hz / hz
    off = np.abs(samples - np.round(samples))
    # Of equally good ones the longest.
    best = np.flatnonzero(off <= off.min() + 1e-9)[-1]
    return int(round(samples[best]))
