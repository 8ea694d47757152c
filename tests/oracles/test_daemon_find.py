"""The catalogue over HTTP says what the command line says of the same file, and what SQLite itself holds.

RFC 4180 is read by Python's own csv. Everything else is project definition (daemon/serve/README.md)."""

import csv
import io
import json
import os
import sqlite3
import subprocess
import time
from concurrent.futures import ThreadPoolExecutor

import pytest
from daemon import running

# Two words that a spreadsheet takes for formulas (OWASP, "CSV Injection").
HOSTILE = "=1+2"


@pytest.fixture(scope="module")
def daemon(wattproof, tmp_path_factory):
    with running(wattproof, tmp_path_factory.mktemp("daemon")) as daemon:
        job = daemon.submit()
        daemon.until(lambda: daemon.job(job)["steps"] > 1)
        daemon.post("stop", status=202)
        run = daemon.ended(job)["run"]
        catalogue = daemon.results / "catalogue.sqlite"
        daemon.until(lambda: catalogue.exists() and daemon.get("find")["found"] == 1)
        daemon.run = run
        # Further runs, whose folders are elsewhere: copies of the first row under names, numbers and days of their own.
        with sqlite3.connect(catalogue) as rows:
            rows.execute("PRAGMA busy_timeout = 5000")
            rows.row_factory = sqlite3.Row
            first = dict(rows.execute("SELECT * FROM run").fetchone())
            for number in range(1, 61):
                row = first | {
                    "key": f"{number:064x}", "run": f"elsewhere-{number}", "serial": f"SN{number % 7:04}",
                    "started_utc": f"2031-{1 + number % 12:02}-11T10:00:00.000Z", "bench": HOSTILE,
                    "verdict": ["short", "undecided", "meets", None][number % 4], "outcome": "finished",
                    "ratio_db_min": -number / 10,
                }
                names = ", ".join(row)
                rows.execute(f"INSERT INTO run ({names}) VALUES ({', '.join('?' * len(row))})", list(row.values()))
        yield daemon


def by_command(daemon, *further):
    # A copy, since the command takes out runs whose folders are gone.
    place = f"sqlite:{daemon.results / 'catalogue.sqlite'}"
    command = [daemon.wattproof, "find", "--catalogue", place, "--json", *further]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    return json.loads(done.stdout)


@pytest.mark.parametrize("asked, flags", [
    ("", []),
    ("?serial=SN0003", ["--serial", "SN0003"]),
    ("?verdict=short&sort=ratio", ["--verdict", "short", "--sort", "ratio"]),
    ("?verdict=none&sort=serial&order=desc", ["--verdict", "none", "--sort", "serial", "--reverse"]),
    ("?from=2031-03&to=2031-05", ["--from", "2031-03", "--to", "2031-05"]),
    ("?order=asc&limit=3", ["--reverse", "--limit", "3"]),
    ("?model=EXAMPLE&maker=nobody", ["--model", "EXAMPLE", "--maker", "nobody"]),
    ("?script=rated_power.rhai&bench=%3D1%2B2&cause=sag", ["--script", "rated_power.rhai", "--bench", HOSTILE, "--cause", "sag"]),
])
def test_the_same_as_the_command_line(daemon, asked, flags):
    told = daemon.get(f"find{asked}")
    for run in told["runs"]:
        assert run.pop("here") == (run["run"] == daemon.run)
    assert told == by_command(daemon, *flags)


def test_pages_lie_side_by_side(daemon):
    whole = daemon.get("find?limit=1000&sort=model")
    assert whole["found"] == len(whole["runs"]) == 61
    parts = [daemon.get(f"find?limit=25&offset={offset}&sort=model")["runs"] for offset in (0, 25, 50, 75)]
    assert [len(part) for part in parts] == [25, 25, 11, 0]
    assert sum(parts, []) == whole["runs"]


def test_csv(daemon, tmp_path):
    file = tmp_path / "found.csv"
    by_command(daemon, "--csv", str(file), "--limit", "1000")
    for answer in (
        daemon.session.get(daemon.url("find?format=csv"), timeout=10),
        daemon.session.get(daemon.url("find"), headers={"Accept": "text/csv"}, timeout=10),
    ):
        assert answer.status_code == 200 and answer.headers["content-type"].startswith("text/csv")
        assert answer.content == file.read_bytes()
    assert answer.content.endswith(b"\r\n") and answer.content.count(b"\r\n") == 62
    rows = list(csv.DictReader(io.StringIO(answer.content.decode(), newline="")))
    assert {row["bench"] for row in rows if row["run"] != daemon.run} == {f"'{HOSTILE}"}
    shown = daemon.get("find?limit=1000")["runs"]
    assert [row["key"] for row in rows] == [run["key"] for run in shown]
    assert [row["ratio_db_min"] and float(row["ratio_db_min"]) for row in rows] == [
        "" if run["ratio_db_min"] is None else run["ratio_db_min"] for run in shown]


def test_an_entry_is_what_the_folder_tells(daemon):
    [brief] = [run for run in daemon.get("find?limit=1000")["runs"] if run["here"]]
    entry = daemon.get(f"entries/{brief['key']}")
    run = daemon.get(f"runs/{daemon.run}")
    assert entry["here"] and entry["run"] == daemon.run
    for name in ("maker", "model", "serial", "started_utc", "outcome", "steps", "bench"):
        assert entry[name] == run[name], name
    sizes = {file["name"]: file["bytes"] for file in daemon.get(f"runs/{daemon.run}/files")["files"]}
    assert {file["name"]: file["bytes"] for file in entry["files"]}.items() <= sizes.items()
    missing = daemon.session.get(daemon.url("entries/nobodys"), timeout=10)
    assert missing.status_code == 404 and missing.headers["content-type"] == "application/problem+json"


def test_units_and_populations(daemon):
    runs = daemon.get("units/SN0003")["runs"]
    assert [run["run"] for run in runs] == [
        run["run"] for run in by_command(daemon, "--serial", "SN0003", "--reverse")["runs"]]
    assert len(runs) == 9 and daemon.get("units/nobodys") == {"serial": "nobodys", "runs": []}
    run = runs[0]
    side = f"population?maker={run['maker']}&model={run['model']}&script={run['script']}"
    assert isinstance(daemon.get(side)["measured"], list)


@pytest.mark.parametrize("wrong", [
    "find?verdict=good", "find?sort=colour", "find?order=up", "find?limit=0", "find?limit=10001", "find?offset=-1", "find?offset=1000000001",
    "find?from=yesterday", "find?to=24.05.2031", "find?serail=SN1", "population?maker=A", "units/SN1?whose=A",
])
def test_what_is_not_understood_is_refused(daemon, wrong):
    answer = daemon.session.get(daemon.url(wrong), timeout=10)
    assert answer.status_code == 400, answer.text
    assert answer.headers["content-type"] == "application/problem+json" and answer.json()["next"]


def test_a_catalogue_that_does_not_answer_holds_up_no_stop(daemon):
    # Opening a pipe that nobody writes to waits for ever (open(2), fifo(7)), as a disk that hangs does.
    file = daemon.results / "catalogue.sqlite"
    aside = file.with_suffix(".meanwhile")
    file.rename(aside)
    os.mkfifo(file)
    with ThreadPoolExecutor(12) as pool:
        try:
            asked = [pool.submit(daemon.session.get, daemon.url("find"), timeout=20) for _ in range(12)]
            time.sleep(0.5)
            waited = []
            for _ in range(5):
                began = time.monotonic()
                daemon.post("stop", status=202)
                daemon.get("status")
                waited.append(time.monotonic() - began)
            answers = [answer.result() for answer in asked]
        finally:
            # Whoever waits in the pipe goes on.
            writing = os.open(file, os.O_RDWR | os.O_NONBLOCK)
            file.unlink()
            aside.rename(file)
            os.close(writing)
    assert max(waited) < 1.0, waited
    for answer in answers:
        assert answer.status_code == 503 and answer.json()["next"], answer.text
    daemon.until(lambda: daemon.session.get(daemon.url("find"), timeout=20).status_code == 200, 20)


def test_no_catalogue_is_an_empty_answer_and_a_damaged_one_is_told(daemon):
    """The last test of this file: it takes the catalogue away."""
    file = daemon.results / "catalogue.sqlite"
    aside = file.with_suffix(".aside")
    file.rename(aside)
    for end in ("-wal", "-shm"):
        file.with_name(file.name + end).unlink(missing_ok=True)
    assert daemon.get("find") == {"runs": [], "found": 0}
    assert daemon.get("units/SN0003") == {"serial": "SN0003", "runs": []}
    assert daemon.get("population?maker=a&model=b&script=c") == {"measured": []}
    assert not file.exists(), "asking makes no file"
    file.write_bytes(b"no database at all" * 1000)
    answer = daemon.session.get(daemon.url("find"), timeout=20)
    assert answer.status_code == 500, answer.text
    assert "wattproof reindex --anew" in answer.json()["next"]
    # Made anew, it is asked again without a restart.
    command = [daemon.wattproof, "reindex", "--anew", "--results", daemon.results]
    subprocess.run(command, check=True, timeout=60, capture_output=True)
    assert [run["run"] for run in daemon.get("find")["runs"]] == [daemon.run]
