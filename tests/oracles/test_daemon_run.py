"""A whole run through the daemon, seen by programs that are not ours: requests, the csv module, Prometheus' own parser."""

import csv
import json
import signal
import time

import pytest
from daemon import Listener, running
from prometheus_client.parser import text_string_to_metric_families


@pytest.fixture
def daemon(wattproof, tmp_path):
    with running(wattproof, tmp_path) as daemon:
        yield daemon


def metrics(daemon):
    """Every sample by name and labels; the text format's own parser refuses what is not in it (exposition format 0.0.4)."""
    answer = daemon.session.get(f"{daemon.base}/metrics", timeout=10)
    assert answer.headers["content-type"].startswith("text/plain; version=0.0.4")
    families = text_string_to_metric_families(answer.text)
    return {(one.name, *sorted(one.labels.values())): one.value for family in families for one in family.samples}


def same(told, cell):
    """Whether a number of JSON is the very number of a CSV cell; what is absent is empty."""
    return cell == "" if told is None else float(cell) == told


def test_a_run_is_told_live_as_its_tables_have_it(daemon):
    listener = Listener(daemon)
    job = daemon.ended(daemon.submit())
    assert (job["outcome"], job["error"], job["selfcheck"].split(",")[0]) == ("meets", None, "36 ok")
    folder = daemon.results / job["run"]
    daemon.until(lambda: listener.of("job")[-1]["state"] == "ended")
    with (folder / "steps.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    told = [(event["step"], channel) for event in listener.of("step") for channel in event["step"]["channels"]]
    assert len(told) == len(rows) > 20
    for (step, channel), row in zip(told, rows, strict=True):
        for name, value in {**step, **channel}.items():
            if name in ("channels", "purpose", "flags", "driven"):
                continue
            assert same(value, row[name]), (step["step"], name, value, row[name])
        assert (step["purpose"], str(channel["driven"]).lower()) == (row["purpose"], row["driven"])
    ratings = [event["rating"] for event in listener.of("rating")]
    assert ratings == json.loads((folder / "ratings.json").read_text())["ratings"]
    asked = daemon.get(f"runs/{job['run']}/steps?after=0")["steps"]
    assert asked == [event["step"] for event in listener.of("step")], "live and asked for later: the same"
    guards = [bench["guard"] for bench in listener.of("bench")]
    assert "running" in guards and guards[-1] == "closed"
    assert listener.of("bench")[-1]["outputs"] == "off"
    counted = metrics(daemon)
    assert counted["wattproof_steps_total", daemon.bench] == len(listener.of("step"))
    assert counted["wattproof_runs_ended_total", *sorted([daemon.bench, "meets"])] == 1
    assert counted["wattproof_bench_outputs_off", daemon.bench] == 1
    assert counted["wattproof_event_listeners",] == 1
    # Saved files are the files.
    for file in daemon.get(f"runs/{job['run']}/files")["files"]:
        got = daemon.session.get(daemon.url(f"runs/{job['run']}/files/{file['name']}"), timeout=10)
        assert got.content == (folder / file["name"]).read_bytes(), file
        assert got.headers["content-disposition"].startswith("attachment")


def test_a_stop_is_off_within_a_second_and_nothing_else_begins(daemon):
    first, second = daemon.submit(), daemon.submit()
    daemon.until(lambda: daemon.get("benches")["benches"][0]["outputs"] == "live")
    asked = time.monotonic()
    daemon.post("stop", status=202)
    daemon.until(lambda: daemon.get("benches")["benches"][0]["outputs"] == "off")
    assert time.monotonic() - asked < 1.0
    assert daemon.ended(first)["outcome"] == "stopped"
    time.sleep(1.5)
    held = daemon.job(second)
    assert (held["state"], held["hold"]) == ("held", {"by_person": True})
    daemon.post(f"jobs/{second}/hold", {"hold": None})
    daemon.until(lambda: daemon.job(second)["state"] == "running")


def test_a_listener_that_was_away_misses_nothing_or_is_told_so(daemon):
    listener = Listener(daemon)
    job = daemon.submit()
    daemon.until(lambda: len(listener.of("step")) > 3)
    known = [one for one in listener.events if one[2]]
    middle = known[len(known) // 2][2]
    daemon.post("stop", status=202)
    daemon.ended(job)
    again = Listener(daemon, last=middle)
    known = [one for one in listener.events if one[2]]
    after = known[[one[2] for one in known].index(middle) + 1 :]
    daemon.until(lambda: len([one for one in again.events if one[2]]) >= len(after))
    assert [one for one in again.events if one[2]][: len(after)] == after and not again.of("gap")
    stranger = Listener(daemon, last="other-7")
    daemon.until(lambda: stranger.of("gap"), 5)
    elsewhere = Listener(daemon, bench="nowhere", last=known[0][2])
    time.sleep(2.5)
    assert {kind for kind, _, _ in elsewhere.events} == {"beat"}, "another bench is not heard"


def test_a_trip_waits_for_a_person_who_quotes_its_number(daemon):
    text = daemon.bench_file.read_text()
    assert "out_arms_max = 35.0" in text
    daemon.bench_file.write_text(text.replace("out_arms_max = 35.0", "out_arms_max = 0.5"))
    first, second = daemon.submit(), daemon.submit()
    assert "out_arms_max" in daemon.ended(first)["error"]
    latch = daemon.get(f"benches/{daemon.bench}/latch")
    assert "out_arms_max" in latch["latched"]["cause"] and latch["may_reset"]
    assert daemon.get("benches")["benches"][0]["latched"] == latch["latched"]
    wrong = daemon.post(f"benches/{daemon.bench}/reset", {"number": "no"}, status=409)
    assert "out of date" in wrong["detail"]
    # Nothing begins while it stands, even let go by a person; and a reset energises nothing.
    daemon.post(f"jobs/{second}/hold", {"hold": None})
    time.sleep(1.5)
    assert daemon.job(second)["state"] == "waiting"
    daemon.post(f"jobs/{second}/hold", {"hold": {"by_person": True}})
    bench = daemon.post(f"benches/{daemon.bench}/reset", {"number": latch["number"]})
    assert (bench["latched"], bench["outputs"], bench["guard"]) == (None, "off", "closed")
    replayed = daemon.post(f"benches/{daemon.bench}/reset", {"number": latch["number"]}, status=409)
    assert "no trip" in replayed["detail"]


def test_sigterm_ends_safe_with_the_record_closed_and_what_waits_waits_for_a_person(daemon):
    first, second = daemon.submit(), daemon.submit()
    daemon.until(lambda: daemon.job(first)["steps"] > 2)
    run = daemon.job(first)["run"]
    assert daemon.end() == 0, "a daemon that is told to end ends well (systemd.kill(5))"
    record = json.loads((daemon.results / run / "run.json").read_text())
    assert record["outcome"] == "stopped" and record["safe"]["source_off"] and record["safe"]["supply_off"]
    daemon.start("--log-json", "-v")
    assert daemon.job(first)["outcome"] == "stopped"
    assert (daemon.job(second)["state"], daemon.job(second)["hold"]) == ("held", {"by_person": True})
    daemon.post(f"jobs/{second}/cancel")
    daemon.post("stop", status=202)
    assert daemon.end(signal.SIGINT) == 0
    lines = [line for line in (daemon.folder / "log").read_text().splitlines() if line.startswith("{")]
    assert any("stopped by" in json.loads(line)["fields"]["message"] for line in lines)


def test_a_killed_daemon_leaves_no_run_behind_it(daemon):
    job = daemon.submit()
    daemon.until(lambda: daemon.job(job)["steps"] > 2)
    run = daemon.results / daemon.job(job)["run"]
    daemon.end(signal.SIGKILL)
    end = time.monotonic() + 10
    while (record := json.loads((run / "run.json").read_text()))["outcome"] is None:
        assert time.monotonic() < end, "the run goes on without its daemon"
        time.sleep(0.05)
    assert record["outcome"] == "stopped" and "daemon" in record["error"]
    assert record["safe"]["source_off"] and record["safe"]["supply_off"]
    daemon.start()
    cut = daemon.job(job)
    assert cut["outcome"] == "failed" and f"wattproof resume {run.name}" in cut["error"]


def test_several_benches_run_at_once_and_one_stop_is_one_benchs(daemon):
    second = daemon.folder / "second.toml"
    daemon.serve_bench(second)
    assert daemon.end() == 0
    daemon.start("--bench", second)
    benches = [bench["bench"] for bench in daemon.get("benches")["benches"]]
    jobs = [daemon.submit(bench=bench) for bench in benches]
    daemon.until(lambda: all(daemon.job(job)["steps"] > 2 for job in jobs))
    daemon.post(f"benches/{benches[1]}/stop", status=202)
    assert daemon.ended(jobs[1])["outcome"] == "stopped"
    assert daemon.job(jobs[0])["state"] == "running", "the other bench goes on"
    assert daemon.ended(jobs[0])["outcome"] == "meets"


def test_a_run_waits_for_the_heatsink_with_everything_off(daemon):
    job = daemon.submit(hold={"heatsink_c_max": 20.0})
    daemon.until(lambda: "waiting for the heatsink" in (daemon.job(job)["doing"] or ""), 20)
    bench = daemon.get("benches")["benches"][0]
    assert (bench["outputs"], bench["job"]) == ("off", job)
    daemon.post(f"benches/{daemon.bench}/stop", status=202)
    assert daemon.ended(job)["outcome"] == "stopped"
    warm = daemon.submit(hold={"heatsink_c_max": 40.0})
    daemon.until(lambda: daemon.job(warm)["steps"] > 0)
