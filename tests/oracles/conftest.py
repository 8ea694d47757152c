"""Where the programs under test are, and how a raw capture is read with them."""

import json
import os
import subprocess
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[2]
BINARIES = Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target")) / "release"


def binary(name):
    """A built program; these checks have no meaning without it, so its absence is a failure."""
    path = BINARIES / name
    assert path.exists(), f"{path} is not there: run tests/all.sh, which builds it"
    return path


@pytest.fixture(scope="session")
def wattproof():
    """The program itself."""
    return binary("wattproof")


@pytest.fixture
def read(tmp_path):
    """Reads a capture with the project's own code: the thing under test."""

    def read(fs_hz, expected_hz, volts, amps=None):
        command = [binary("reading"), repr(float(fs_hz)), repr(float(expected_hz))]
        for name, samples in (("volts", volts), ("amps", amps)):
            if samples is not None:
                path = tmp_path / f"{name}.f64"
                np.asarray(samples, dtype="<f8").tofile(path)
                command.append(path)
        done = subprocess.run(command, capture_output=True, text=True, timeout=60)
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)

    return read
