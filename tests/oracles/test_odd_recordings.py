"""`wattproof measure` on recordings as odd as they come: every rate and word, many channels, headers with extras, tables
as scopes in other countries write them, and signals that are not what was ordered. Truth by construction.
"""

import json
import struct
import subprocess

import numpy as np
import pytest

RATES = [8_000, 11_025, 16_000, 22_050, 44_100, 48_000, 88_200, 176_400, 250_000, 500_000, 1_234_567, 2_000_000]
STEPS = {16: 2**-15, 24: 2**-23, 32: 2**-24}


@pytest.fixture
def measure(wattproof):
    def measure(*arguments):
        command = [wattproof, "measure", "--json", *map(str, arguments)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60, stdin=subprocess.DEVNULL)
        assert "panicked" not in done.stderr
        return json.loads(done.stdout) if done.stdout else None, done.stderr

    return measure


def write_wav(path, fs_hz, channels, bits, floats=False, extensible=False):
    """RIFF WAVE by hand (the format's own published layout, from memory), with a chunk that is none of our business."""
    samples = np.stack(channels, axis=1)
    if floats:
        data, bits = samples.astype("<f4").tobytes(), 32
    else:
        half = 2 ** (bits - 1)
        codes = np.clip(np.round(samples * half), -half, half - 1).astype("<i4")
        data = codes.reshape(-1, 1).view(np.uint8)[:, : bits // 8].tobytes()
    frame = samples.shape[1] * bits // 8
    kind = 3 if floats else 1
    form = struct.pack("<HIIHH", samples.shape[1], fs_hz, fs_hz * frame % 2**32, frame, bits)
    if extensible:
        rest = struct.pack("<HHIH", 22, bits, 0, kind) + b"\0\0\0\0\x10\0\x80\0\0\xaa\0\x38\x9b\x71"
        form = struct.pack("<H", 0xFFFE) + form + rest
    else:
        form = struct.pack("<H", kind) + form
    chunks = b"WAVE" + b"LIST" + struct.pack("<I", 4) + b"INFO"
    chunks += b"fmt " + struct.pack("<I", len(form)) + form + b"data" + struct.pack("<I", len(data)) + data
    path.write_bytes(b"RIFF" + struct.pack("<I", len(chunks)) + chunks)


@pytest.mark.parametrize("batch", range(4))
def test_any_wav(measure, tmp_path, batch):
    for seed in range(batch * 20, batch * 20 + 20):
        rng = np.random.default_rng(seed)
        fs_hz, count, bits = int(rng.choice(RATES)), int(rng.integers(2, 17)), int(rng.choice([16, 24, 32]))
        length = int(rng.integers(3_000, 20_000))
        hz = np.exp(rng.uniform(np.log(max(25, 6 * fs_hz / length)), np.log(min(19_000, 0.45 * fs_hz))))
        turn, peak, dc = 2 * np.pi * hz * np.arange(length) / fs_hz, rng.uniform(0.05, 0.8), rng.uniform(-0.05, 0.05)
        phases, shift = rng.uniform(-3, 3, 3), rng.uniform(-1.2, 1.2)
        shares = {order: 10 ** rng.uniform(-4, -1.5) for order in (2, 3) if order * hz < 0.48 * fs_hz}
        wave = np.cos(turn + phases[0]) + sum(a * np.cos(k * turn + phases[k - 1]) for k, a in shares.items())
        # The others hold noise; the current may be wired the wrong way round.
        channels = [0.01 * rng.standard_normal(length) for _ in range(count)]
        volts_at, amps_at = rng.permutation(count)[:2]
        sense = rng.choice([1, -1])
        channels[volts_at] = peak * wave + dc
        channels[amps_at] = sense * 0.5 * np.cos(turn + phases[0] - shift)
        path = tmp_path / "odd.wav"
        write_wav(path, fs_hz, channels, bits, floats=bits == 32 and rng.random() < 0.5, extensible=rng.random() < 0.5)
        scale = ["--volts-full-scale", 80, "--amps-full-scale", 20]
        found, said = measure(path, "--volts-channel", volts_at + 1, "--amps-channel", amps_at + 1, *scale)
        what = (seed, fs_hz, count, bits, length, hz, said)
        assert found and found["flags"] == [], what
        # Rounding to a step leaves errors of a third of it, spread over the record.
        step = STEPS[bits] / peak
        cycles = length * hz / fs_hz
        assert abs(found["fundamental_hz"] / hz - 1) < 1e-7 + 2 * step / cycles / np.sqrt(length), what
        assert abs(found["fundamental_vrms"] / (80 * peak / np.sqrt(2)) - 1) < 1e-5 + step, what
        assert abs(found["dc_v"] / 80 - dc) < (1e-5 + step) * peak, what
        mean_square = peak**2 / 2 * (1 + sum(a**2 for a in shares.values())) + dc**2
        assert abs(found["out_vrms"] / 80 / np.sqrt(mean_square) - 1) < 2e-5 + step, what
        for order, share in shares.items():
            if order * hz <= 20_000:
                found_share = found["harmonics_pct"][order - 2] / 100
                assert abs(found_share - share) < 1e-3 * share + 9 * step / np.sqrt(length), what
        watts = 400 * peak * np.cos(shift) * sense
        assert abs(found["active_w"] - watts) < (4e-5 + 2 * step) * 400 * peak, what
        expected_deg = np.degrees(shift) + (0 if sense > 0 else 180)
        assert abs((found["phase_deg"] - expected_deg + 180) % 360 - 180) < 1e-3 + 60 * step, what


T = np.arange(4_000) / 100_000
VOLTS = 10 * np.sin(2 * np.pi * 1234.5 * T)
ROWS = [(f"{t:.6f}", f"{v:.7f}") for t, v in zip(T, VOLTS, strict=True)]
COMMAS = [tuple(text.replace(".", ",") for text in row) for row in ROWS]


@pytest.mark.parametrize(
    "text",
    [
        "\n".join(",".join(row) for row in ROWS),
        "# any remark, with commas\ntime,volts\n" + "\n".join(",".join(row) for row in ROWS) + "\n# end\n",
        "Zeit;Spannung\r\n" + "\r\n".join(";".join(row) for row in COMMAS),
        "Zeit\tSpannung\n" + "\n".join("\t".join(row) for row in COMMAS),
        '"Zeit","Spannung"\n' + "\n".join(f'"{t}","{v}"' for t, v in COMMAS),
        "Record Length,4000\nSample Interval,1e-5\n\nTIME,CH1\n" + "\n".join(f"{t:.6e},{v:.9e}" for t, v in zip(T - 0.02, VOLTS, strict=True)),
        "Time,CH1\n(us),(V)\n" + "\n".join(f"{t * 1e6:.1f},{v:.8f}," for t, v in zip(T, VOLTS, strict=True)),
    ],
    ids=["bare", "remarks", "semicolons", "tabs", "quotes", "preamble", "microseconds"],
)
def test_any_table(measure, tmp_path, text):
    path = tmp_path / "scope.csv"
    path.write_text(text, encoding="utf-8", newline="")
    found, said = measure(path)
    assert found and found["flags"] == [], said
    assert abs(found["sample_rate_hz"] / 100_000 - 1) < 1e-9
    # Seven decimals of ten volts.
    assert abs(found["fundamental_hz"] / 1234.5 - 1) < 1e-8
    assert abs(found["fundamental_vrms"] * np.sqrt(2) / 10 - 1) < 1e-7
    assert found["thd_pct"] < 1e-5


def fs48(*parts):
    return sum(a * np.sin(2 * np.pi * f * np.arange(48_000) / 48_000) for f, a in parts)


@pytest.mark.parametrize(
    "samples, order, flag",
    [
        (fs48((997, 0.5)), ["--hz", 1200], "wrong_frequency"),
        (fs48((997, 0.3), (1500, 0.5)), ["--hz", 997], "wrong_frequency"),
        (fs48((21_000, 0.5)), [], "no_signal"),
        (fs48((23_999, 0.5)), ["--band", "20..24000"], "no_signal"),
        (0.5 + 0 * fs48((1, 1)), [], "no_signal"),
        (np.where(np.arange(48_000) == 777, np.nan, fs48((997, 0.5))), [], "invalid_samples"),
        (np.where(np.arange(48_000) == 777, np.inf, fs48((997, 0.5))), [], "invalid_samples"),
        (fs48((997, 0.5))[:200], [], "too_short"),
        (np.delete(fs48((997, 0.5)), range(20_000, 20_020)), [], "missing_samples"),
    ],
    ids=["elsewhere", "stronger", "above", "nyquist", "dc", "nan", "inf", "short", "gap"],
)
def test_what_must_be_refused(measure, tmp_path, samples, order, flag):
    # Project definition: refused with a reason, and without a number.
    path = tmp_path / "refused.wav"
    write_wav(path, 48_000, [samples], 32, floats=True)
    found, said = measure(path, *order)
    assert found["flags"] == [flag] and len(found["remarks"]) == 1 and found["remarks"][0] in said
    assert all(found[key] is None for key in ("fundamental_hz", "out_vrms", "thdn_pct", "noise_vrms"))


def test_hum_beside_a_tone_of_the_mains_own_harmonics(measure, tmp_path):
    # A tone of 100 Hz with mains of 50 Hz: what falls on its harmonics can't be told from them, the rest is hum.
    path = tmp_path / "hum.wav"
    write_wav(path, 48_000, [fs48((100, 0.5), (50, 0.005), (150, 0.003), (200, 0.001))], 32, floats=True)
    found, _ = measure(path)
    assert abs(found["hum_pct"] / (100 * np.hypot(0.005, 0.003) / 0.5) - 1) < 1e-3
    assert abs(found["thd_pct"] - 0.2) < 1e-5


@pytest.mark.parametrize("weighting, key", [("a", "noise_a_vrms"), ("468", "noise_468_vrms"), ("none", "noise_vrms")])
def test_the_noise_that_is_reported(measure, wattproof, tmp_path, weighting, key):
    # Project definition of the option; the curves themselves are checked against their tables in daemon/signal/tests.
    rng = np.random.default_rng(2)
    path = tmp_path / "noise.wav"
    write_wav(path, 48_000, [fs48((997, 0.5)) + 1e-3 * rng.standard_normal(48_000)], 24)
    found, _ = measure(path, "--weighting", weighting)
    assert found["weighting"] == weighting and found["weighted_noise_vrms"] == found[key]
    assert abs(found["signal_to_noise_db"] - 20 * np.log10(found["fundamental_vrms"] / found[key])) < 1e-9
    assert len({found[name] for name in ("noise_vrms", "noise_a_vrms", "noise_468_vrms")}) == 3
    plain, _ = measure(path)
    assert plain["thdn_pct"] == found["thdn_pct"], "THD+N is never weighted"
    shown = subprocess.run([wattproof, "measure", path, "--weighting", weighting], capture_output=True, text=True, timeout=60)
    assert sum(line.strip().startswith("noise") for line in shown.stdout.splitlines()) == 1
