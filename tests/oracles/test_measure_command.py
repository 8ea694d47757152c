"""`wattproof measure` on recordings made without any of the project's code.

WAV by scipy.io.wavfile and the standard library's wave module, CSV by the csv module. Levels and harmonics are known by
construction; distortion with noise is compared with numpy's periodogram (see independent.py).
"""

import csv
import json
import struct
import subprocess
import wave
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from scipy.io import wavfile

import independent

PEAK = 0.8
HARMONICS_PCT = {2: 1.0, 3: 0.3, 5: 0.05}


def tone(fs_hz, hz, seconds, peak=PEAK):
    """A tone with known harmonics, in percent of it."""
    turn = 2 * np.pi * hz * np.arange(int(fs_hz * seconds)) / fs_hz
    return peak * (np.sin(turn) + sum(pct / 100 * np.sin(k * turn + k) for k, pct in HARMONICS_PCT.items()))


@pytest.fixture
def measure(wattproof):
    def measure(*arguments):
        command = [wattproof, "measure", *map(str, arguments)]
        return subprocess.run(command, capture_output=True, text=True, timeout=120, stdin=subprocess.DEVNULL)

    return measure


@pytest.fixture
def reading(measure):
    """The JSON of one file that can be measured."""

    def reading(*arguments):
        done = measure("--json", *arguments)
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)

    return reading


def write_wave(path, fs_hz, bits, channels):
    """Integers by the standard library; 24 bits packed by hand."""
    codes = np.round(np.stack(channels, axis=1) * 2 ** (bits - 1)).astype("<i4")
    width = bits // 8
    data = codes.reshape(-1, 1).view(np.uint8)[:, :width].tobytes()
    with wave.open(str(path), "wb") as file:
        file.setnchannels(len(channels))
        file.setsampwidth(width)
        file.setframerate(fs_hz)
        file.writeframes(data)


def write_scipy(path, fs_hz, kind, channels):
    samples = np.stack(channels, axis=1)
    if kind != "float32":
        samples = np.round(samples * 2 ** (8 * np.dtype(kind).itemsize - 1))
    wavfile.write(path, fs_hz, samples.astype(kind))


def check(reading, hz, peak, tolerance_pct):
    assert abs(reading["fundamental_hz"] / hz - 1) < 1e-6
    assert abs(reading["fundamental_vrms"] * np.sqrt(2) / peak - 1) < 1e-4
    for order, pct in enumerate(reading["harmonics_pct"][:9], start=2):
        assert abs(pct - HARMONICS_PCT.get(order, 0)) < tolerance_pct, order
    expected = np.sqrt(sum(pct**2 for pct in HARMONICS_PCT.values()))
    assert abs(reading["thd_pct"] - expected) < 0.01 * expected


@pytest.mark.parametrize("fs_hz", [44_100, 96_000, 2_000_000])
@pytest.mark.parametrize("kind", ["wave 16", "wave 24", "wave 32", "int16", "int32", "float32"])
def test_wav_of_every_format(reading, tmp_path, kind, fs_hz):
    # Truth by construction. Rounding to 16 bits leaves lines of about 2^-16 / sqrt(6 N) (IEEE Std 1241, from memory),
    # far below a hundredth of the smallest harmonic's tolerance.
    path = tmp_path / "tone.wav"
    channels = [0.1 * np.ones(int(fs_hz * 0.1)), tone(fs_hz, 997.31, 0.1)]
    name, _, bits = kind.partition(" ")
    write_wave(path, fs_hz, int(bits), channels) if bits else write_scipy(path, fs_hz, kind, channels)
    found = reading(path, "--volts-channel", 2, "--volts-full-scale", 50)
    check(found, 997.31, 50 * PEAK, 1e-3)
    assert (found["channel"], found["sample_rate_hz"], found["samples"]) == (2, fs_hz, int(fs_hz * 0.1))
    assert abs(found["duration_s"] - 0.1) < 1e-9 and found["file"] == str(path)
    assert found["flags"] == [] and not found["volts_relative"]


def test_sixteen_channels_and_power(reading, tmp_path):
    # Active power of two sines: V I cos(phi) (IEEE Std 1459); load V / I.
    path, fs_hz, hz = tmp_path / "many.wav", 192_000, 1000.0
    turn = 2 * np.pi * hz * np.arange(fs_hz // 10) / fs_hz
    channels = [np.zeros(len(turn))] * 16
    channels[9], channels[15] = 0.5 * np.sin(turn), 0.25 * np.sin(turn - np.radians(30))
    write_scipy(path, fs_hz, "float32", channels)
    scale = ["--volts-full-scale", 100, "--amps-full-scale", 20]
    found = reading(path, "--volts-channel", 10, "--amps-channel", 16, *scale)
    assert abs(found["active_w"] / (50 * 5 / 2 * np.cos(np.radians(30))) - 1) < 1e-5
    assert abs(found["phase_deg"] - 30) < 1e-3
    assert abs(np.hypot(found["load_ohm_measured"], found["load_x_ohm"]) - 10) < 1e-4


def test_distortion_with_noise_and_options(reading, tmp_path):
    # The periodogram's own scatter over 18,000 lines, two estimators: below 2 %.
    rng = np.random.default_rng(5)
    fs_hz, hz = 96_000, 1234.5
    volts = 30 * (tone(fs_hz, hz, 1.0) + 1e-3 * rng.standard_normal(fs_hz))
    path = tmp_path / "noisy.wav"
    wavfile.write(path, fs_hz, volts.astype("float32"))
    found = reading(path, "--hz", 1234)
    expected, _ = independent.thdn_pct(volts, fs_hz, hz)
    assert abs(found["thdn_pct"] / expected - 1) < 0.02
    short = reading(path, "--harmonics", 3)
    assert len(short["harmonics_pct"]) == 2
    assert abs(short["thd_pct"] - np.hypot(1.0, 0.3)) < 0.01
    narrow = reading(path, "--band", "20..3000")
    assert len(narrow["harmonics_pct"]) == 1
    part = reading(path, "--skip", 0.25, "--seconds", 0.5)
    assert part["samples"] == 48_000 and abs(part["fundamental_hz"] - hz) < 1e-2


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_csv(reading, tmp_path, separator):
    path, fs_hz, hz = tmp_path / "scope.csv", 125_000, 440.7
    volts = tone(fs_hz, hz, 0.05, peak=12.0)
    with path.open("w", newline="") as file:
        rows = csv.writer(file, delimiter=separator)
        rows.writerow(["Zeit", "Ausgang links", "Strom"])
        rows.writerows((f"{n / fs_hz:.7f}", repr(float(v)), f"{v / 4:.6f}") for n, v in enumerate(volts))
    found = reading(path, "--amps-channel", 2)
    check(found, hz, 12.0, 1e-4)
    assert abs(found["load_ohm_measured"] - 4) < 1e-4
    assert abs(found["active_w"] / np.mean(volts[: independent.whole_cycles(fs_hz, hz, len(volts))] ** 2 / 4) - 1) < 1e-3


def test_the_schema(reading, tmp_path):
    # The project's own promise: daemon/recordings/README.md has a row for each key, and none for others.
    path = tmp_path / "tone.wav"
    write_scipy(path, 48_000, "int16", [tone(48_000, 1000, 0.2)])
    from conftest import ROOT

    text = (ROOT / "daemon/recordings/README.md").read_text(encoding="utf-8")
    rows = [line.split("`")[1] for line in text.splitlines() if line.startswith("| `")]
    assert list(reading(path)) == rows


def bad_files(folder):
    """Files that can't be measured, and a word of what must be said."""
    good = folder / "whole.wav"
    write_scipy(good, 48_000, "int16", [tone(48_000, 1000, 0.1)])
    whole = good.read_bytes()
    doubles = folder / "double.wav"
    wavfile.write(doubles, 48_000, np.zeros(100, dtype=np.int64))
    contents = {
        "empty.wav": (b"", "empty"),
        "cut.wav": (whole[:3000], "promises"),
        "header.wav": (whole[:20], "header"),
        "huge.wav": (whole[:40] + struct.pack("<I", 0xFFFFFFF0) + whole[44:], "promises"),
        "noise.wav": (bytes(range(256)) * 8, "neither"),
        "double.wav": (doubles.read_bytes(), "bits"),
        "words.csv": (b"a,b\nc,d\n", "time"),
        "gap.csv": (b"t,u\n0,1\n1e-5,\n2e-5,3\n", "line 3"),
        "uneven.csv": (b"t,u\n0,1\n1e-5,2\n2e-5,3\n4e-5,3\n5e-5,2\n6e-5,2\n", "line 5"),
        "silent.csv": (b"".join(b"%d,0\n" % n for n in range(1000)), "no reading"),
    }
    for name, (content, _) in contents.items():
        (folder / name).write_bytes(content)
    return {name: word for name, (_, word) in contents.items()} | {"absent.wav": "check the path"}, good


def test_bad_files_are_told_and_the_others_kept(measure, tmp_path):
    words, good = bad_files(tmp_path)
    done = measure("--json", *[tmp_path / name for name in words], good)
    assert done.returncode == 1
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    check(lines[-1], 1000, PEAK, 2e-3)
    assert lines[-1]["file"] == str(good) and lines[-1]["volts_relative"]
    for name, word in words.items():
        told = [line for line in done.stderr.splitlines() if f"{name}: " in line]
        assert len(told) == 1 and word in told[0], (name, done.stderr)
    assert "panicked" not in done.stderr
    # Silence is read, and refused with a reason.
    assert [line["flags"] for line in lines[:-1]] == [["no_signal"]]


def test_table_and_picture(measure, tmp_path):
    path, plot = tmp_path / "a <b> & c.wav", tmp_path / "plot.svg"
    write_scipy(path, 48_000, "int16", [tone(48_000, 1000, 0.2)])
    done = measure(path, "--plot", plot)
    assert done.returncode == 0, done.stderr
    assert "THD+N" in done.stdout and "worst harmonics" in done.stdout
    picture = ElementTree.parse(plot).getroot()
    assert picture.tag.endswith("svg")
    kinds = [element.tag.rpartition("}")[2] for element in picture.iter()]
    assert kinds.count("polyline") == 2 and kinds.count("circle") >= len(HARMONICS_PCT)
    assert measure(path, path, "--plot", plot).returncode == 0
    assert (tmp_path / "plot-1.svg").exists() and (tmp_path / "plot-2.svg").exists()


def test_wrong_usage(measure):
    for arguments in (["x.wav", "--band", "5..1"], ["x.wav", "--volts-channel", "0"], []):
        assert measure(*arguments).returncode == 2


def test_two_tones_of_the_modulation_method(reading, tmp_path):
    """A sine that is amplitude-modulated by m has sidebands of m/2 each (closed form): a demodulator reads m."""
    at_s = np.arange(131072) / 192_000
    low = np.sin(2 * np.pi * 60.03 * at_s)
    high = np.sin(2 * np.pi * 7000.7 * at_s + 1)
    path = tmp_path / "modulated.wav"
    write_wave(path, 192_000, 32, [0.6 * low + 0.15 * (1 + 0.01 * low) * high])
    two = reading(path, "--two-tones", "60,7000")["two_tone"]
    assert two["imd_pct"] == pytest.approx(1.0, rel=1e-6)
    assert two["second_order_pct"] == pytest.approx(1.0, rel=1e-6)
    assert two["sidebands_rss_pct"] == pytest.approx(1 / np.sqrt(2), rel=1e-6)
    assert two["tone_ratio"] == pytest.approx(4.0, rel=1e-6)
    assert two["flags"] == []


def test_two_tones_close_together(reading, measure, tmp_path):
    """y = x + a x^2 + b x^3 of two tones A: f2-f1 is a A^2, 2f1-f2 and 2f2-f1 are 3/4 b A^3, each tone grows to
    A + 9/4 b A^3 (trigonometric identities)."""
    peak, a, b = 0.3, 0.02, 0.05
    at_s = np.arange(131072) / 192_000
    x = peak * (np.sin(2 * np.pi * 19_000 * at_s) + np.sin(2 * np.pi * 20_000 * at_s))
    path = tmp_path / "twin.wav"
    write_wave(path, 192_000, 32, [x + a * x**2 + b * x**3])
    two = reading(path, "--two-tones", "19000,20000")["two_tone"]
    both = 2 * (peak + 9 / 4 * b * peak**3)
    second, third = 100 * a * peak**2 / both, 100 * 2 * 3 / 4 * b * peak**3 / both
    assert two["second_order_pct"] == pytest.approx(second, rel=1e-6)
    assert two["third_order_pct"] == pytest.approx(third, rel=1e-6)
    assert two["imd_pct"] == pytest.approx(np.hypot(second, third), rel=1e-6)
    # One tone alone is told as such, with no numbers.
    alone = tmp_path / "alone.wav"
    write_wave(alone, 192_000, 32, [peak * np.sin(2 * np.pi * 19_000 * at_s)])
    refused = measure("--json", alone, "--two-tones", "19000,20000")
    assert refused.returncode != 0
    assert json.loads(refused.stdout)["two_tone"]["imd_pct"] is None
