"""The virtual bench driven with pyserial alone: none of the project's own controller, reading or maths.

Messages are those of SCPI-1999 and IEEE 488.2 (both from memory) in the table of drivers/dialects/README.md. The
amplifier's known answer comes from its model's own solver (`--truth`), which shares no code with the samples' path.
"""

import json
import subprocess
import time
import tomllib

import numpy as np
import pytest
import serial

import independent

FS_WANTED_HZ = 192_000
POINTS = 19_200
ROLES = ["source", "load", "supply", "digitizer", "thermometer"]


class Instrument:
    """One instrument on a serial port."""

    def __init__(self, path):
        self.port = serial.Serial(path, baudrate=921_600, timeout=5)

    def write(self, message):
        self.port.write(message.encode("ascii") + b"\n")

    def query(self, message):
        self.write(message)
        answer = self.port.read_until(b"\n")
        assert answer.endswith(b"\n"), f"{message}: {answer!r} is no whole answer"
        return answer[:-1].decode("ascii")

    def block(self, message):
        """A definite length block (IEEE 488.2, 8.7.9, from memory): #, digits of the length, length, bytes, LF."""
        self.write(message)
        assert self.port.read(1) == b"#"
        length = int(self.port.read(int(self.port.read(1))))
        content = self.port.read(length)
        assert len(content) == length and self.port.read(1) == b"\n"
        return content

    def no_error(self):
        assert self.query("SYST:ERR?") == '0,"No error"'


@pytest.fixture
def bench(wattproof, tmp_path):
    """The served instruments by role, and the bench file that goes with them."""
    path = tmp_path / "bench.toml"
    command = [wattproof, "virtual-bench", "--amplifier", "honest", "--write-bench", path, "--until-stdin-closes"]
    serving = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    instruments = {}
    try:
        for line in serving.stdout:
            if line.startswith("ready"):
                break
            role, _, port = line.strip().partition(" ")
            instruments[role] = Instrument(port.strip())
        assert sorted(instruments) == sorted(ROLES), f"served: {sorted(instruments)}"
        yield instruments, tomllib.loads(path.read_text())
    finally:
        for instrument in instruments.values():
            instrument.port.close()
        serving.stdin.close()
        try:
            code = serving.wait(timeout=10)
        finally:
            serving.kill()
        assert code == 0


@pytest.fixture(scope="module")
def truth(wattproof):
    """What the model itself says of each rating of the amplifier."""
    command = [wattproof, "virtual-bench", "--amplifier", "honest", "--truth"]
    return json.loads(subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stdout)


def switch_on(instruments, rating):
    """Everything at the conditions of a rating, signal last."""
    source, load, supply = (instruments[role] for role in ("source", "load", "supply"))
    for channel in (1, 2):
        load.write(f"SOUR{channel}:RES {rating['load_ohm']}")
        assert load.query("*OPC?") == "1"
        load.write(f"INP{channel} ON")
        assert load.query("*OPC?") == "1"
        assert float(load.query(f"SOUR{channel}:RES?")) == pytest.approx(rating["load_ohm"], rel=1e-3)
        assert load.query(f"INP{channel}?") == "1"
    supply.write(f"VOLT {rating['supply_v']}")
    supply.write(f"CURR {supply.query('CURR? MAX')}")
    supply.write("OUTP ON")
    assert supply.query("*OPC?") == "1"
    assert supply.query("OUTP?") == "1"
    time.sleep(0.5)
    for channel in (1, 2):
        source.write(f"SOUR{channel}:FREQ 1000")
        source.write(f"SOUR{channel}:VOLT {rating['source_vrms']:.9f}")
        source.write(f"OUTP{channel} ON")
        assert float(source.query(f"SOUR{channel}:VOLT?")) == pytest.approx(rating["source_vrms"], rel=1e-4)
    time.sleep(0.5)
    for instrument in instruments.values():
        instrument.no_error()


def switch_off(instruments):
    for message in ("OUTP1 OFF", "OUTP2 OFF"):
        instruments["source"].write(message)
    instruments["supply"].write("OUTP OFF")
    assert instruments["source"].query("OUTP1?") == instruments["supply"].query("OUTP?") == "0"


def capture(digitizer, form="REAL,32", order="NORM", range_v=5):
    """Sample rate, and volts at the converter of all four channels."""
    digitizer.write(f"SENS:SWE:POIN {POINTS}")
    digitizer.write(f"SENS:SWE:TINT {1 / FS_WANTED_HZ:.12e}")
    for channel in range(1, 5):
        digitizer.write(f"SENS{channel}:VOLT:RANG {range_v}")
    digitizer.write(f"FORM {form}")
    digitizer.write(f"FORM:BORD {order}")
    assert int(float(digitizer.query("SENS:SWE:POIN?"))) == POINTS
    # Its clock ticks every 10 ns: the interval that it took is what counts.
    interval_s = float(digitizer.query("SENS:SWE:TINT?"))
    assert interval_s == pytest.approx(1 / FS_WANTED_HZ, abs=5.1e-9)
    digitizer.write("INIT")
    assert digitizer.query("*OPC?") == "1"
    content = digitizer.block("FETC? (@1:4)")
    kind = {"REAL,32": "f4", "INT,32": "i4"}[form]
    samples = np.frombuffer(content, {"NORM": ">", "SWAP": "<"}[order] + kind).astype(float)
    assert len(samples) == 4 * POINTS
    digitizer.no_error()
    channels = samples.reshape(4, POINTS)
    if form == "INT,32":
        ranges = [float(digitizer.query(f"SENS{channel}:VOLT:RANG?")) for channel in range(1, 5)]
        channels = channels / 2**31 * np.array(ranges)[:, None]
    return 1 / interval_s, channels


def scaled(captured, bench_file):
    """Volts and amperes of each amplifier channel, by the bench file's gains, and the sample rate beside them."""
    fs_hz, channels = captured
    found = {}
    for row in bench_file["digitizer"]["channel"]:
        found[row["amplifier_channel"], row["measures"]] = row["gain"] * channels[row["adc"] - 1]
    return [(found[channel, "volts"], found[channel, "amps"], fs_hz) for channel in (1, 2)]


@pytest.mark.parametrize("role", ROLES)
def test_common_commands(bench, role):
    # IEEE 488.2 common commands and the SCPI-1999 error queue (from memory).
    instrument = bench[0][role]
    assert len(instrument.query("*IDN?").split(",")) == 4
    assert instrument.query("SYST:VERS?") == "1999.0"
    assert instrument.query("*OPC?") == "1"
    instrument.write("*CLS")
    instrument.no_error()
    # Undefined header, command error: -113, and bit 5 of the event status register.
    instrument.write("NONS:SUCH 1")
    assert instrument.query("SYST:ERR?").startswith("-113,")
    instrument.no_error()
    assert int(instrument.query("*ESR?")) & 32
    assert int(instrument.query("*ESR?")) == 0
    # The event status summary (bit 5) rises in the status byte where it is enabled; an error is queued (bit 2).
    instrument.write("*ESE 32")
    assert int(instrument.query("*STB?")) & 36 == 0
    instrument.write("NONS:SUCH 1")
    assert int(instrument.query("*STB?")) & 36 == 36
    instrument.write("*CLS")
    assert int(instrument.query("*STB?")) & 36 == 0
    assert instrument.query("*ESE 7;*ESE?") == "7"


def test_settings_keep_their_limits(bench):
    # SCPI-1999 (from memory): -222 data out of range, and the setting stays as it was.
    source = bench[0]["source"]
    highest = float(source.query("SOUR1:VOLT? MAX"))
    source.write("SOUR1:VOLT 0.25")
    source.write(f"SOUR1:VOLT {highest * 10}")
    assert source.query("SYST:ERR?").startswith("-222,")
    assert float(source.query("SOUR1:VOLT?")) == pytest.approx(0.25, rel=1e-4)
    # Long form, any case, and a unit suffix mean the same.
    source.write("source1:voltage 500 mV")
    source.no_error()
    assert float(source.query("SOUR1:VOLT?")) == pytest.approx(0.5, rel=1e-4)


def test_nothing_comes_out_of_an_amplifier_without_supply(bench):
    # Common practice, no source.
    instruments, bench_file = bench
    for channel in (1, 2):
        instruments["source"].write(f"SOUR{channel}:VOLT 0.5")
        instruments["source"].write(f"OUTP{channel} ON")
    time.sleep(0.3)
    for volts, _, _ in scaled(capture(instruments["digitizer"]), bench_file):
        assert np.std(volts) < 0.05
    assert 15 < float(instruments["thermometer"].query("MEAS:TEMP? (@1)")) < 40


@pytest.mark.parametrize("index", [0, 1, 2])
def test_power_and_distortion_at_the_ceiling(bench, truth, index):
    # THD+N by periodogram (AES17, from memory), power as the mean of v*i (IEEE Std 1459, from memory).
    instruments, bench_file = bench
    rating = truth[index]
    switch_on(instruments, rating)
    channels = scaled(capture(instruments["digitizer"]), bench_file)
    supply_v = float(instruments["supply"].query("MEAS:VOLT?"))
    supply_a = float(instruments["supply"].query("MEAS:CURR?"))
    switch_off(instruments)
    powers, distortions = [], []
    for volts, amps, fs_hz in channels:
        hz, peak_v, _, _ = independent.sine_fit(volts, fs_hz, 1000)
        count = independent.whole_cycles(fs_hz, hz, POINTS)
        powers.append(np.mean(volts[:count] * amps[:count]))
        distortions.append(independent.thdn_pct(volts, fs_hz, hz)[0])
        # The source's clock may be off by some parts in a million, no more.
        assert hz == pytest.approx(1000, rel=2e-4)
        # A resistive load: volts over amps at the tone.
        _, peak_a, _, _ = independent.sine_fit(amps, fs_hz, hz)
        assert peak_v / peak_a == pytest.approx(rating["load_ohm"], rel=0.01)
    # The weakest channel and the worst distortion stand for the amplifier.
    # Power: what divider, shunt and load are said to be good for (well under 1 %, all told).
    bound = max(row["tolerance_pct"] for row in bench_file["digitizer"]["channel"]) / 100
    bound = 2 * bound + bench_file["load"]["tolerance_pct"] / 100
    assert bound < 0.01
    assert min(powers) == pytest.approx(rating["power_w"], rel=bound)
    # Distortion: near sharp clipping it rises some 50 times as fast as the level, which the source holds to 1e-4.
    assert max(distortions) == pytest.approx(rating["thdn_pct"], rel=50 * 1e-4)
    # More goes in than comes out.
    assert supply_v == pytest.approx(rating["supply_v"], rel=0.02)
    assert sum(powers) < supply_v * supply_a < 3 * sum(powers)


@pytest.mark.parametrize("form, order", [("REAL,32", "SWAP"), ("INT,32", "NORM"), ("INT,32", "SWAP")])
def test_every_block_format_says_the_same(bench, truth, form, order):
    # Two captures of a steady tone: rms alike to within noise and slow heating.
    instruments, bench_file = bench
    switch_on(instruments, {**truth[0], "source_vrms": truth[0]["source_vrms"] / 4})
    plain = scaled(capture(instruments["digitizer"]), bench_file)
    other = scaled(capture(instruments["digitizer"], form, order), bench_file)
    switch_off(instruments)
    for (volts, amps, _), (other_volts, other_amps, _) in zip(plain, other):
        assert np.std(other_volts) == pytest.approx(np.std(volts), rel=1e-3)
        assert np.std(other_amps) == pytest.approx(np.std(amps), rel=1e-3)
        # A sixteenth of the power at the ceiling.
        assert np.mean(other_volts * other_amps) == pytest.approx(truth[0]["power_w"] / 16, rel=0.03)
