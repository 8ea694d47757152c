"""Readings of simulated output stages against the circuit simulator's own Fourier table and power.

The circuits and their parts are invented. The outside source is ngspice: its `fourier` and `meas` commands work on
the same transient as the capture that is read.
"""

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

import independent

CIRCUITS = Path(__file__).parent / "circuits"
RESISTOR = "RLOAD load 0 4"
SPEAKER = "RLOAD load mid 3.6\nLLOAD mid 0 0.4m"
STEP_S = 0.25e-6
# Dense enough that what the simulator's sharp corners hold above half of it can be neglected (see `simulate`).
FS_HZ = 768_000.0
FROM_S, TO_S = 4e-3, 24e-3

CONTROL = """
.options method=gear reltol=1e-6 abstol=1e-9 vntol=1e-8
.control
tran {step} {to} {start} {step}
set nfreqs=21
set fourgridsize=8192
set polydegree=1
fourier 1k v(load)
let power_now = v(load)*i(vsense)
meas tran power avg power_now from={start} to={to}
meas tran vrms rms v(load) from={start} to={to}
meas tran irms rms i(vsense) from={start} to={to}
set wr_singlescale
set numdgt=15
wrdata capture.txt v(load) i(vsense)
quit
.endc
.end
"""


def simulate(tmp_path, circuit, peak, load):
    """What ngspice says of a circuit, and the capture a digitizer would take of it."""
    program = shutil.which("ngspice")
    assert program, "ngspice is not there: run tests/all.sh, which installs it"
    netlist = (CIRCUITS / f"{circuit}.cir").read_text().replace("{peak}", str(peak)).replace("{load}", load)
    control = CONTROL.format(step=STEP_S, start=FROM_S, to=TO_S)
    (tmp_path / "circuit.cir").write_text(netlist + control)
    done = subprocess.run(
        [program, "-b", "circuit.cir"], cwd=tmp_path, capture_output=True, text=True, timeout=120, stdin=subprocess.DEVNULL
    )
    said = done.stdout + done.stderr
    assert done.returncode == 0, said

    def measured(name):
        found = re.search(rf"^{name}\s*=\s*(\S+)", said, re.MULTILINE)
        assert found, said
        return float(found.group(1))

    rows = re.findall(r"^ (\d+) +([\d.e+-]+) +([\d.e+-]+) +[\d.e+-]+ +([\d.e+-]+) ", said, re.MULTILINE)
    table = {int(order): (float(magnitude), float(share)) for order, _, magnitude, share in rows}
    assert sorted(table) == list(range(21)), said
    thd_pct = float(re.search(r"THD: ([\d.e+-]+) %", said).group(1))
    t, volts, amps = np.loadtxt(tmp_path / "capture.txt").T
    at = FROM_S + STEP_S + np.arange(int((TO_S - FROM_S - 2 * STEP_S) * FS_HZ)) / FS_HZ
    return {
        "table": table,
        "thd_pct": thd_pct,
        **{name: measured(name) for name in ("power", "vrms", "irms")},
        "volts": np.interp(at, t, volts),
        "amps": np.interp(at, t, amps),
    }


@pytest.mark.parametrize("load", [RESISTOR, SPEAKER], ids=["resistor", "speaker"])
@pytest.mark.parametrize(
    "circuit, peak", [("follower", 2.0), ("follower", 12.0), ("follower", 22.0), ("clipper", 9.0), ("clipper", 14.0)]
)
def test_reading_agrees_with_the_simulator(read, tmp_path, circuit, peak, load):
    said = simulate(tmp_path, circuit, peak, load)
    reading = read(FS_HZ, 1000, said["volts"], said["amps"])
    fundamental_v = said["table"][1][0]

    # The table prints six digits; its grid of 8192 points a cycle and the capture's are both read off the transient
    # along straight lines of 0.25 us: (2 pi 1000 * 0.25e-6)^2 / 8 = 3e-7 of the tone, more at corners, which only
    # last for a few of the 4000 steps of a cycle. The solver itself is good to 1e-6.
    assert abs(reading["fundamental_hz"] - 1000) < 1e-3
    assert reading["fundamental_vrms"] * np.sqrt(2) == pytest.approx(fundamental_v, rel=2e-5)
    assert reading["dc_v"] == pytest.approx(said["table"][0][0], abs=2e-5 * fundamental_v)
    for order in range(2, 21):
        share = said["table"][order][1]
        assert reading["harmonics_pct"][order - 2] / 100 == pytest.approx(share, rel=1e-3, abs=1e-5), f"harmonic {order}"
    assert len(reading["harmonics_pct"]) == 19
    # Harmonics 2 to 20 in both; THD of the fundamental in both. Beside it the same sum over the table.
    shares = np.array([said["table"][order][1] for order in range(2, 21)])
    assert reading["thd_pct"] == pytest.approx(100 * np.linalg.norm(shares), rel=1e-3)
    assert reading["thd_pct"] == pytest.approx(said["thd_pct"], rel=1e-3)

    # Means over twenty cycles; the capture lacks at most two samples of them.
    assert reading["active_w"] == pytest.approx(said["power"], rel=5e-5)
    assert reading["out_vrms"] == pytest.approx(said["vrms"], rel=5e-5)
    assert reading["out_irms"] == pytest.approx(said["irms"], rel=5e-5)
    # The impedance is the netlist's.
    ohm, henry = (4.0, 0.0) if load is RESISTOR else (3.6, 0.4e-3)
    assert reading["load_ohm_measured"] == pytest.approx(ohm, rel=1e-4)
    assert reading["load_x_ohm"] == pytest.approx(2 * np.pi * 1000 * henry, abs=4e-4)


@pytest.mark.parametrize("load", [RESISTOR, SPEAKER], ids=["resistor", "speaker"])
def test_a_switching_stage(read, tmp_path, load):
    said = simulate(tmp_path, "pwm", 0.85, load)
    reading = read(FS_HZ, 1000, said["volts"], said["amps"])
    # The simulator's table is of the last cycle alone, and its steps meet the 200 edges of that cycle a little
    # differently each time: other step lengths move its harmonics by up to 7e-4 of the fundamental.
    assert reading["fundamental_vrms"] * np.sqrt(2) == pytest.approx(said["table"][1][0], rel=3e-4)
    for order in range(2, 21):
        share = said["table"][order][1]
        assert reading["harmonics_pct"][order - 2] / 100 == pytest.approx(share, abs=1e-3), f"harmonic {order}"
    assert reading["thd_pct"] == pytest.approx(said["thd_pct"], rel=2e-3)
    # Means over the same twenty cycles, ripple included.
    assert reading["active_w"] == pytest.approx(said["power"], rel=5e-5)
    assert reading["out_vrms"] == pytest.approx(said["vrms"], rel=8e-5)
    assert reading["out_irms"] == pytest.approx(said["irms"], rel=5e-5)
    ohm, henry = (4.0, 0.0) if load is RESISTOR else (3.6, 0.4e-3)
    assert reading["load_ohm_measured"] == pytest.approx(ohm, rel=3e-4)
    assert reading["load_x_ohm"] == pytest.approx(2 * np.pi * 1000 * henry, abs=2e-3)
    # The carrier's ripple stands in the residue, ten times the harmonics' scatter, and in no distortion.
    hz, power = independent.power_lines(said["volts"], FS_HZ)
    ripple = np.sqrt(np.sum(power[hz > 20_000]))
    assert ripple > 0.5 and reading["residue_vrms"] == pytest.approx(ripple, rel=5e-3)
