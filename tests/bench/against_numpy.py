"""Times a full reading against the same quantities by numpy and scipy, in turn, and compares their numbers.

    cargo build --release -p wattproof-tests
    .venv/bin/python tests/bench/against_numpy.py

The other side is written the way a person in a hurry for speed would write it: one windowed transform a channel, one
Gauss-Newton fit with its Jacobian known, harmonics off the transform's lines, no loop over samples. It is allowed to be
less exact than the reading (its harmonics are off by what neighbours leak). Common practice, no source.
"""

import json
import os
import statistics
import subprocess
import tempfile
import time
from pathlib import Path

import numpy as np
from scipy import fft, signal

ROOT = Path(__file__).resolve().parents[2]
READING = Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target")) / "release" / "reading"
LEN = 131_072
ROUNDS = 15
CASES = [("1 kHz at 192 kHz", 192_000.0, 1000.3), ("6 kHz at 192 kHz", 192_000.0, 6000.7), ("40 Hz at 48 kHz", 48_000.0, 40.013)]


def made_once(fs_hz):
    """Windows, frequencies and weighting curves: as on our side, not counted."""
    window = signal.windows.blackmanharris(LEN, sym=False)
    hz = fft.rfftfreq(LEN, 1 / fs_hz)
    square = hz**2
    a = 12194.217**2 * square**2 / (square + 20.598997**2) / (square + 12194.217**2)
    a /= np.sqrt((square + 107.65265**2) * (square + 737.86223**2))
    a *= 10 ** (2.0 / 20)
    real = 1 + square * (-1.363894795463638e-7 + square * (2.043828333606125e-15 - square * 4.737338981378384e-24))
    imaginary = hz * (5.559488023498642e-4 + square * (-2.118150887518656e-11 + square * 1.306612257412824e-19))
    itu = 1.246332637532143e-4 * hz * 8.128305161640991 / np.hypot(real, imaginary)
    return {"window": window, "hz": hz, "a": a**2, "itu": itu**2, "t": np.arange(LEN) / fs_hz, "fs": fs_hz}


def sine_fit(samples, start_hz, once):
    """Four-parameter fit of IEEE Std 1057 (from memory): frequency, amplitude in phase, in quadrature, dc."""
    t, found_hz = once["t"], start_hz
    for step in range(8):
        turn = 2 * np.pi * found_hz * t
        cosine, sine = np.cos(turn), np.sin(turn)
        columns = np.stack([cosine, sine, np.ones_like(t)])
        if step == 0:
            solution = np.linalg.solve(columns @ columns.T, columns @ samples)
        columns = np.vstack([columns, 2 * np.pi * t * (solution[1] * cosine - solution[0] * sine)])
        full = np.linalg.solve(columns @ columns.T, columns @ samples)
        solution, found_hz = full[:3], found_hz + full[3]
        if abs(full[3]) < 1e-9 * found_hz:
            break
    return found_hz, solution


def channel(samples, once, tone_hz=None):
    """Lines, tone and harmonics of one channel."""
    lines = fft.rfft(samples * once["window"])
    power = np.abs(lines) ** 2 * 2 / (LEN * np.sum(once["window"] ** 2))
    if tone_hz is None:
        inside = (once["hz"] >= 20) & (once["hz"] <= 20_000)
        top = np.argmax(np.where(inside, power, 0))
        low, mid, high = np.log(power[top - 1 : top + 2])
        beside = 0.5 * (low - high) / (low - 2 * mid + high)
        tone_hz, _ = sine_fit(samples, (top + beside) * once["hz"][1], once)
    bin_hz = once["hz"][1]
    orders = np.arange(1, int(min(20_000.0 * 1.0005, once["fs"] / 2 - 5 * bin_hz) / tone_hz) + 1)
    places = np.rint(orders * tone_hz / bin_hz).astype(int)
    lobes = places[:, None] + np.arange(-4, 5)
    return tone_hz, lines, power, orders, lobes, np.sqrt(power[lobes].sum(axis=1))


def reading(volts, amps, once):
    """Most of what a reading holds; a few quantities less than ours."""
    hz, bin_hz = once["hz"], once["hz"][1]
    tone_hz, lines, power, orders, lobes, levels = channel(volts, once)
    _, amps_lines, amps_power, _, amps_lobes, amps_levels = channel(amps, once, tone_hz)
    cycles = np.floor(LEN * tone_hz / once["fs"])
    whole = int(round(cycles * once["fs"] / tone_hz))
    v, i = volts[:whole], amps[:whole]
    vrms, irms, watts = np.sqrt(np.mean(v * v)), np.sqrt(np.mean(i * i)), np.mean(v * i)
    phase = np.angle(lines[lobes[0, 4]] / amps_lines[amps_lobes[0, 4]])
    noise = power.copy()
    noise[lobes] = 0
    noise[:4] = 0
    inside = (hz >= 20) & (hz <= 20_000)
    mains = np.rint(np.arange(1, 21) * 50 / bin_hz).astype(int)
    per_block = int(np.ceil(cycles / 128)) * int(round(once["fs"] / tone_hz))
    turned = volts * np.exp(-2j * np.pi * tone_hz * once["t"])
    blocks = turned[: LEN // per_block * per_block].reshape(-1, per_block).mean(axis=1)
    peak = np.max(np.abs(volts))
    rest = np.sum(noise[inside]) + np.sum(levels[1:] ** 2)
    impedance = levels[0] / amps_levels[0] * np.exp(1j * phase)
    return {
        "fundamental_hz": tone_hz,
        "fundamental_vrms": levels[0],
        "out_vrms": vrms,
        "out_irms": irms,
        "dc_v": np.mean(v),
        "active_w": watts,
        "apparent_va": vrms * irms,
        "power_factor": watts / vrms / irms,
        "phase_deg": np.degrees(phase),
        "load_ohm_measured": impedance.real,
        "load_x_ohm": impedance.imag,
        "harmonics_pct": 100 * levels[1:] / levels[0],
        "thd_pct": 100 * np.sqrt(np.sum(levels[1:] ** 2)) / levels[0],
        "thdn_pct": 100 * np.sqrt(rest / (rest + levels[0] ** 2)),
        "noise_vrms": np.sqrt(np.sum(noise[inside])),
        "noise_a_vrms": np.sqrt(np.sum((noise * once["a"])[inside])),
        "noise_468_vrms": np.sqrt(np.sum((noise * once["itu"])[inside])),
        "residue_vrms": np.sqrt(np.sum(power[hz > 20_000])),
        "hum_pct": 100 * np.sqrt(np.sum(power[mains[:, None] + np.arange(-4, 5)])) / levels[0],
        "crest_factor": peak / vrms,
        "flat_top_pct": 100 * np.mean(np.abs(volts) >= 0.99 * peak),
        "envelope": np.abs(blocks) * np.sqrt(2),
        "amps_noise": np.sqrt(np.sum(amps_power[inside])),
    }


def ours(files, fs_hz, *more):
    done = subprocess.run([READING, repr(fs_hz), "-", *files, *more], capture_output=True, text=True, check=True, timeout=120)
    return json.loads(done.stdout)


def run(name, fs_hz, tone_hz, folder):
    rng = np.random.default_rng(1)
    once = made_once(fs_hz)
    turn = 2 * np.pi * tone_hz * once["t"]
    volts = 20 * np.sin(turn) + 0.02 * np.sin(2 * turn) + 0.03 * np.sin(3 * turn + 0.4) + 6e-4 * rng.standard_normal(LEN)
    amps = volts / 4 + 1.5e-4 * rng.standard_normal(LEN)
    files = [folder / "volts.f64", folder / "amps.f64"]
    for path, samples in zip(files, (volts, amps), strict=True):
        samples.astype("<f8").tofile(path)
    theirs = reading(volts, amps, once)
    mine = ours(files, fs_hz)
    for key, tolerance in [("fundamental_hz", 1e-7), ("fundamental_vrms", 1e-4), ("active_w", 1e-3), ("thd_pct", 0.01), ("thdn_pct", 0.03)]:
        assert abs(mine[key] / theirs[key] - 1) < tolerance, (key, mine[key], theirs[key])
    numpy_ms, ours_ms = [], []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        reading(volts, amps, once)
        numpy_ms.append(1e3 * (time.perf_counter() - start))
        ours_ms += ours(files, fs_hz, "--rounds", "5")
    slow, fast = statistics.median(numpy_ms), statistics.median(ours_ms)
    print(f"{name}, 2 x {LEN} samples: numpy and scipy {slow:.1f} ms / reading {fast:.2f} ms = {slow / fast:.1f}")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        for case in CASES:
            run(*case, Path(folder))
