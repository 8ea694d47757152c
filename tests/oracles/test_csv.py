"""The tables of a run, read by Python's csv module: can anybody use them, and do they agree with each other?

Format: RFC 4180. Physics: P = V^2/R in a resistor (definition). Column names are the project's own promise.
"""

import csv
import json
import math
import subprocess
from pathlib import Path

import numpy as np
import pytest

import capture_file

ROOT = Path(__file__).resolve().parents[2]
STEPS = """step at_s purpose rating channel driven level_vrms level_dbv hz load_ohm supply_v_set fundamental_hz
    fundamental_vrms out_vrms out_irms out_vpk out_apk band_vrms dc_v active_w apparent_va power_factor phase_deg
    load_ohm_measured load_x_ohm gain_db thd_pct thdn_pct noise_vrms hum_pct residue_vrms crest_factor flat_top_pct
    supply_v supply_a supply_w efficiency_pct heatsink_c flags noise_a_vrms noise_468_vrms
    fundamental_active_w fundamental_apparent_va fundamental_reactive_var displacement_power_factor
    harmonic_active_w nonfundamental_va heatsink_others_c load_c supply_c ambient_c bridged positive_vrms negative_vrms""".split()
RATINGS = """rating rated_w load_ohm supply_v_set driven hz limit_by limit_pct measured_w expanded_u_w coverage_factor
    ratio ratio_db verdict cause evidence out_vrms level_vrms distortion_pct load_ohm_measured supply_v efficiency_pct
    captures indicated_w effective_degrees probability_met seconds_at_power joules
    load_ohm_set calibration not_measured rated_vrms measured_vrms expanded_u_vrms""".split()
CURVE = """rating load_ohm supply_v_set hz point level_vrms active_w thdn_pct thd_pct residue_vrms gain_db supply_v
    supply_a efficiency_pct heatsink_c step out_vrms""".split()
COLUMNS = {"steps": STEPS, "ratings": RATINGS, "curve": CURVE}
WORDS = {"purpose", "driven", "flags", "limit_by", "verdict", "cause", "evidence", "point", "calibration"}
WORDS |= {"bridged", "not_measured"}


@pytest.fixture(scope="module")
def run(wattproof, tmp_path_factory):
    """The folder of a whole run on the virtual bench."""
    out = tmp_path_factory.mktemp("results")
    command = [wattproof, "demo", "--amplifier", "honest", "--out", out]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, stdin=subprocess.DEVNULL)
    assert done.returncode == 0, done.stdout + done.stderr
    folders = [path for path in out.iterdir() if path.is_dir()]
    assert len(folders) == 1
    return folders[0]


@pytest.fixture(scope="module")
def tables(run):
    """Rows of each table, numbers as floats, absent ones as None."""

    def value(column, text):
        if column in WORDS:
            return text
        return float(text) if text else None

    found = {}
    for name in COLUMNS:
        with (run / f"{name}.csv").open(newline="", encoding="utf-8") as file:
            rows = csv.DictReader(file, strict=True)
            found[name] = [{column: value(column, text) for column, text in row.items()} for row in rows]
        assert found[name], f"{name}.csv has no row"
    return found


@pytest.mark.parametrize("name", COLUMNS)
def test_form(run, name):
    # RFC 4180: every record has as many fields as the header; quotes are doubled inside quoted fields (strict).
    content = (run / f"{name}.csv").read_bytes()
    assert content.endswith(b"\n") and not content.startswith(b"\xef\xbb\xbf")
    # RFC 4180 ends records with CR LF; LF alone is as widely read, a mixture is not.
    assert content.count(b"\r\n") in (0, content.count(b"\n"))
    rows = list(csv.reader(content.decode("utf-8").splitlines(keepends=True), strict=True))
    # New columns may be added at the end; these stay, in this order.
    assert rows[0][: len(COLUMNS[name])] == COLUMNS[name]
    assert len(set(rows[0])) == len(rows[0])
    assert {len(row) for row in rows} == {len(rows[0])}


@pytest.mark.parametrize("name", COLUMNS)
def test_the_front_page_lists_the_columns(name):
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    row = next(line for line in text.splitlines() if line.startswith(f"| `{name}.csv` |"))
    listed = row.split("|")[3].strip(" `").split(", ")
    assert listed[: len(COLUMNS[name])] == COLUMNS[name]


@pytest.mark.parametrize("name", COLUMNS)
def test_numbers_are_finite(tables, name):
    for row in tables[name]:
        for column, value in row.items():
            assert value is None or isinstance(value, str) or math.isfinite(value), f"{column}: {value}"


def test_steps_hold_what_was_set_and_what_came_of_it(tables):
    driven = [row for row in tables["steps"] if row["driven"] == "true"]
    assert len(driven) >= 3 * 2 * 6
    steps = [row["step"] for row in tables["steps"]]
    assert steps == sorted(steps)
    times = [row["at_s"] for row in tables["steps"]]
    assert times == sorted(times)
    for row in driven:
        needed = "fundamental_hz out_vrms out_irms active_w thd_pct thdn_pct supply_v supply_a heatsink_c".split()
        assert all(row[column] is not None for column in needed), row
        assert row["fundamental_hz"] == pytest.approx(row["hz"], rel=2e-4)
        assert row["level_dbv"] == pytest.approx(20 * math.log10(row["level_vrms"]), abs=1e-9)
        # P = V^2/R in the load that was set (a resistor of 0.05 %, dividers and shunts of some 0.1 %).
        if row["active_w"] > 1:
            assert row["active_w"] == pytest.approx(row["out_vrms"] ** 2 / row["load_ohm"], rel=0.01)
        assert row["apparent_va"] == pytest.approx(row["out_vrms"] * row["out_irms"], rel=1e-9)
        assert row["power_factor"] == pytest.approx(row["active_w"] / row["apparent_va"], rel=1e-9)
        assert row["crest_factor"] == pytest.approx(row["out_vpk"] / row["out_vrms"], rel=1e-9)
        assert row["supply_w"] == pytest.approx(row["supply_v"] * row["supply_a"], rel=1e-9)


def test_efficiency_counts_every_channel(tables):
    by_step = {}
    for row in tables["steps"]:
        by_step.setdefault(row["step"], []).append(row)
    compared = 0
    for rows in by_step.values():
        if rows[0]["efficiency_pct"] is not None:
            # Channels that are not driven put out next to nothing.
            out_w = sum(row["active_w"] or 0 for row in rows)
            assert rows[0]["efficiency_pct"] == pytest.approx(100 * out_w / rows[0]["supply_w"], rel=1e-3, abs=0.01)
            assert 0 <= rows[0]["efficiency_pct"] < 100
            compared += 1
    assert compared > 10


def test_verdicts_follow_from_their_numbers(tables):
    # Guarded acceptance, JCGM 106:2012 (from memory): meets only beyond the uncertainty, short only below it.
    ratings = tables["ratings"]
    assert [row["rating"] for row in ratings] == [1, 2, 3]
    for row in ratings:
        assert row["ratio"] == pytest.approx(row["measured_w"] / row["rated_w"], rel=1e-12)
        assert row["ratio_db"] == pytest.approx(10 * math.log10(row["ratio"]), abs=1e-9)
        # From a rectangle alone (1.65) to a normal sum (2); two channels don't widen it.
        assert 1.65 < row["coverage_factor"] < 2.01
        low, high = row["measured_w"] - row["expanded_u_w"], row["measured_w"] + row["expanded_u_w"]
        verdict = "meets" if low >= row["rated_w"] else "short" if high < row["rated_w"] else "undecided"
        assert row["verdict"] == verdict
        assert 0 < row["expanded_u_w"] < 0.05 * row["measured_w"]
        assert row["cause"] and row["evidence"]
        assert row["measured_w"] == pytest.approx(row["indicated_w"], rel=5e-3)
        assert 0 <= row["probability_met"] <= 1
        assert (row["probability_met"] > 0.97) == (verdict == "meets")
        # Seconds at two channels' power give joules: more than at an eighth, less than well beyond the ceiling.
        assert row["rated_w"] / 4 < row["joules"] / row["seconds_at_power"] < 4 * row["measured_w"]


def test_ratings_in_json_add_up_to_those_in_the_table(run, tables):
    # Law of propagation, JCGM 100:2008, equation 12; U as the half-width of 95.45 %, by drawing (JCGM 101:2008).
    records = json.loads((run / "ratings.json").read_text(encoding="utf-8"))["ratings"]
    assert len(records) == len(tables["ratings"])
    draws = np.random.default_rng(1)
    for record, row in zip(records, tables["ratings"], strict=True):
        for key in "rating rated_w measured_w expanded_u_w coverage_factor verdict probability_met joules".split():
            assert record[key] == row[key]
        parts = record["budget"]
        for part in parts:
            u = abs(part["stated"] / part["divisor"] * part["sensitivity"])
            assert part["u_w"] == pytest.approx(u, rel=1e-9, abs=1e-15)
        u_w = math.sqrt(sum(part["u_w"] ** 2 for part in parts))
        assert record["standard_u_w"] == pytest.approx(u_w, rel=1e-9)
        assert sum(part["share_pct"] for part in parts) == pytest.approx(100)
        count = 400_000
        total = np.zeros(count)
        for part in parts:
            if part["distribution"] == "rectangular":
                total += part["u_w"] * math.sqrt(3) * draws.uniform(-1, 1, count)
            else:
                assert part["distribution"] == "normal"
                total += part["u_w"] * draws.standard_normal(count)
        assert np.quantile(np.abs(total), 0.9545) == pytest.approx(record["expanded_u_w"], rel=0.01)


def test_the_ceiling_lies_where_the_measured_points_say(tables):
    # Interpolation by numpy; common practice, no source.
    for rating in tables["ratings"]:
        curve = [row for row in tables["curve"] if row["rating"] == rating["rating"]]
        points = {name: [row for row in curve if row["point"] == name] for name in ("measured", "ceiling", "rated")}
        assert len(points["ceiling"]) == len(points["rated"]) == 1 and len(points["measured"]) >= 6
        ceiling, rated = points["ceiling"][0], points["rated"][0]
        assert ceiling["active_w"] == rating["measured_w"] and rated["active_w"] == rating["rated_w"]
        assert rated["thdn_pct"] == rating["limit_pct"]
        assert ceiling["thdn_pct"] <= rating["limit_pct"] * 1.001
        powers = np.array([row["active_w"] for row in points["measured"]])
        assert np.all(np.diff(powers) >= 0)
        # Where distortion passes the limit, between the highest point below it and the lowest above it: the
        # ceiling's power lies between theirs, and within 1 % of the straight line in log distortion.
        thdn = np.array([row["thdn_pct"] for row in points["measured"]])
        below = np.flatnonzero(thdn <= rating["limit_pct"])
        above = np.flatnonzero(thdn > rating["limit_pct"])
        assert len(above), "an amplifier that clips was driven past its limit at least once"
        low, high = powers[below].max(), powers[above].min()
        assert low * 0.998 <= ceiling["active_w"] <= high * 1.002
        line = np.interp(math.log(rating["limit_pct"]), np.log([thdn[below[-1]], thdn[above[0]]]), [low, high])
        assert ceiling["active_w"] == pytest.approx(line, rel=0.01)


def test_curve_and_steps_are_the_same_measurements(tables):
    for row in tables["curve"]:
        if row["point"] != "measured":
            continue
        channels = [step for step in tables["steps"] if step["step"] == row["step"] and step["driven"] == "true"]
        assert row["active_w"] == min(step["active_w"] for step in channels)
        assert row["thdn_pct"] == max(step["thdn_pct"] for step in channels)
        assert row["supply_v"] == channels[0]["supply_v"]


def test_captures_hold_the_samples_of_their_steps(run, tables):
    # Rms and mean power are those of the definition, over the whole record; the layout is that of the README of runs.
    lines = [json.loads(line) for line in (run / "journal.jsonl").read_text(encoding="utf-8").splitlines()]
    by_step = {}
    for before, line in zip(lines, lines[1:]):
        if line["kind"] == "step":
            assert before["kind"] == "done"
            by_step[line["data"]["step"]] = run / before["data"]["captured"]["capture"]["file"]
    steps = [row for row in tables["steps"] if row["out_vrms"] is not None]
    assert len(steps) >= 2 * 3 * 6
    for row in steps:
        channels = {number: samples for number, _, samples in capture_file.rows(by_step[row["step"]])}
        volts, amps = (channels[int(row["channel"])][quantity] for quantity in ("volts", "amps"))
        # The reading counts whole cycles only.
        assert math.sqrt(np.mean(volts**2)) == pytest.approx(row["out_vrms"], rel=2e-3, abs=1e-4)
        assert np.mean(volts * amps) == pytest.approx(row["active_w"], rel=4e-3, abs=1e-4)
