"""Statistics of a population against scipy and numpy, which share no code with ours.

Definitions: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.6 (MAD) and 1.3.5.17 (modified z-score).
"""

import json
import subprocess

import numpy as np
import pytest
import scipy.stats

from conftest import binary


@pytest.fixture
def place(tmp_path):
    def place(value, others):
        path = tmp_path / "others.f64"
        np.asarray(others, dtype="<f8").tofile(path)
        done = subprocess.run(
            [binary("population"), repr(float(value)), path], capture_output=True, text=True, timeout=60
        )
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)

    return place


@pytest.mark.parametrize("seed", range(20))
def test_spread_score_and_rank_agree(place, seed):
    random = np.random.default_rng(seed)
    others = random.normal(30.0, 0.2, random.integers(5, 60))
    # A few odd units, as shops have them.
    others[: len(others) // 6] += random.normal(0.0, 5.0, len(others) // 6)
    value = random.normal(30.0, 2.0)
    found = place(value, others)
    spread = found["others"]
    mad = scipy.stats.median_abs_deviation(others, scale="normal")
    assert spread["count"] == len(others)
    assert spread["mean"] == pytest.approx(np.mean(others), rel=1e-12)
    assert spread["standard_deviation"] == pytest.approx(np.std(others, ddof=1), rel=1e-9)
    assert spread["median"] == pytest.approx(np.median(others), rel=1e-15)
    assert spread["mad"] == pytest.approx(mad, rel=1e-9)
    score = 0.6745 * (value - np.median(others)) / scipy.stats.median_abs_deviation(others)
    assert found["score"] == pytest.approx(score, rel=1e-9)
    assert found["standing"] == ("outlier" if abs(score) > 3.5 else "usual")
    ranks = scipy.stats.rankdata(np.append(others, value), method="min")
    assert found["rank"] == ranks[-1] and found["of"] == len(others) + 1


def test_too_few_units_name_no_outlier(place):
    """Project definition."""
    assert place(99.0, [1.0, 1.1, 0.9, 1.0])["standing"] == "too_few"
