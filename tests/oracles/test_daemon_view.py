"""A read-only view: it finds what the command line finds, holds no bench, refuses whatever would change anything, and
leaves the database as it is. PostgreSQL's own programs say what is in there. What is right is project definition
(daemon/serve/README.md).

The server is the test's own (Debian package postgresql); WATTPROOF_TESTS_WITHOUT_POSTGRESQL=1 leaves it out."""

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
import requests
from daemon import running

NOBODY = 65534


@pytest.fixture(scope="module")
def results(wattproof, tmp_path_factory):
    """A folder with a run that was stopped, and the catalogue of it."""
    with running(wattproof, tmp_path_factory.mktemp("bench")) as daemon:
        job = daemon.submit()
        daemon.until(lambda: daemon.job(job)["steps"] > 1)
        daemon.post("stop", status=202)
        daemon.ended(job)
        daemon.until(lambda: daemon.get("find")["found"] == 1)
    return daemon.results


class View:
    def __init__(self, wattproof, folder, *over, env=None):
        command = [wattproof, "serve", "--view", *over, "--state", folder / "state", "--listen", "127.0.0.1:0"]
        self.log = folder / "log"
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=self.log.open("w"), text=True, env=os.environ | (env or {}))
        lines = [self.process.stdout.readline(), self.process.stdout.readline()]
        found = re.search(r"(http://[^/]+)/#token=(\w+)", lines[0])
        assert found, f"{lines}; {self.log.read_text()}"
        self.said = "".join(lines)
        self.base, self.token = found.groups()
        self.headers = {"Authorization": f"Bearer {self.token}"}

    def get(self, path, status=200):
        answer = requests.get(f"{self.base}/api/v1/{path}", timeout=15)
        assert answer.status_code == status, answer.text
        return answer.json()

    def end(self):
        self.process.send_signal(signal.SIGTERM)
        assert self.process.wait(timeout=20) == 0, self.log.read_text()


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    """A PostgreSQL server on a unix socket of its own."""
    at = shutil.which("postgres")
    found = [Path(at).resolve().parent] if at else []
    found += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    found = [folder for folder in found if all((folder / name).is_file() for name in ("initdb", "postgres", "psql"))]
    if not found:
        assert os.environ.get("WATTPROOF_TESTS_WITHOUT_POSTGRESQL") == "1", "install the package postgresql"
        pytest.skip("no PostgreSQL server is installed")
    programs = found[0]
    # The path of a unix socket must stay short, and nobody must get there.
    folder = Path(subprocess.run(["mktemp", "-d", "/tmp/wpv-XXXXXX"], capture_output=True, text=True, check=True).stdout.strip())
    folder.chmod(0o755)
    data = folder / "data"
    data.mkdir()
    own = []
    if os.geteuid() == 0:
        os.chown(data, NOBODY, NOBODY)
        own = ["setpriv", f"--reuid={NOBODY}", f"--regid={NOBODY}", "--clear-groups", "--"]
    initdb = [programs / "initdb", "--no-sync", "--auth=trust", "--username=wattproof", "--encoding=UTF8", "--locale=C.UTF-8"]
    subprocess.run([*own, *initdb, "--pgdata", data], check=True, capture_output=True, cwd="/")
    command = [programs / "postgres", "-D", data, "-k", data, "-c", "listen_addresses=", "-c", "fsync=off"]
    process = subprocess.Popen([*own, *command], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd="/")

    def psql(sql, database="wattproof"):
        asked = [programs / "psql", "-h", data, "-U", "wattproof", "-d", database, "-XAtc", sql]
        return subprocess.run(asked, capture_output=True, text=True, timeout=30)

    try:
        end = time.monotonic() + 60
        while psql("SELECT 1", "postgres").returncode != 0:
            assert time.monotonic() < end and process.poll() is None, "postgres does not answer"
            time.sleep(0.1)
        assert psql("CREATE DATABASE wattproof", "postgres").returncode == 0
        # Who may only look, by the server's own rights.
        psql("CREATE ROLE onlooker LOGIN; ALTER DEFAULT PRIVILEGES GRANT SELECT ON TABLES TO onlooker")
        yield psql, data
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(timeout=30)
        shutil.rmtree(folder, ignore_errors=True)


def by_command(wattproof, place):
    command = [wattproof, "find", "--catalogue", place, "--json"]
    return json.loads(subprocess.run(command, capture_output=True, text=True, timeout=60, check=True).stdout)


def looks(view, wattproof, place):
    """What every view is, over a file or a server."""
    told = view.get("find")
    assert told["found"] == len(told["runs"]) > 0
    for run in told["runs"]:
        assert run.pop("here") is False
    assert told == by_command(wattproof, place)
    entry = view.get(f"entries/{told['runs'][0]['key']}")
    assert entry["run"] == told["runs"][0]["run"] and entry["instruments"] and entry["files"]
    status = view.get("status")
    assert status["benches"] == status["jobs"] == [] and status["may_change"] is False
    document = view.get("openapi.json")
    assert {method for path in document["paths"].values() for method in path} == {"get"}
    for path in ("stop", "jobs", "jobs/1/cancel", "benches/any/stop", "benches/any/reset", "find"):
        for headers in ({}, view.headers):
            for method in ("post", "put", "delete", "patch"):
                answer = requests.request(method, f"{view.base}/api/v1/{path}", json={}, headers=headers, timeout=10)
                assert answer.status_code == 403 and "read-only view" in answer.json()["detail"], (path, answer.text)
                assert answer.headers["content-type"] == "application/problem+json"
    for path in ("runs", "jobs", "benches", "scripts"):
        view.get(path, status=404)
    # Another site's page and another name are refused as at every daemon.
    cross = requests.get(f"{view.base}/api/v1/find", headers={"Origin": "http://elsewhere.example"}, timeout=10)
    other = requests.get(f"{view.base}/api/v1/find", headers={"Host": "elsewhere.example"}, timeout=10)
    assert (cross.status_code, other.status_code) == (403, 421)
    return status


def test_over_a_folder_of_runs(wattproof, results, tmp_path):
    view = View(wattproof, tmp_path, "--results", results)
    try:
        place = str(results / "catalogue.sqlite")
        assert looks(view, wattproof, place)["view"] == place
        listed = subprocess.run(
            [sys.executable, "-m", "schemathesis.cli", "run", f"{view.base}/api/v1/openapi.json", "--url", view.base, "--seed", "1",
             "--max-examples", "10", "--exclude-path", "/api/v1/events", "--request-timeout", "10",
             "--exclude-checks", "positive_data_acceptance", "--phases", "examples,coverage"],
            capture_output=True, text=True, timeout=300, cwd=tmp_path)
        assert listed.returncode == 0, listed.stdout[-5000:]
    finally:
        view.end()


def test_over_a_server(wattproof, results, server, tmp_path):
    psql, data = server
    owner, onlooker = (f"postgres://{user}@localhost/wattproof?host={data}" for user in ("wattproof", "onlooker"))
    secret = "s3cr3t-Pa55"
    view = View(wattproof, tmp_path, "--catalogue", onlooker.replace("onlooker@", f"onlooker:{secret}@"))
    try:
        # No bench has published yet: said, and no table is made.
        empty = requests.get(f"{view.base}/api/v1/find", timeout=15)
        assert empty.status_code == 500 and empty.json()["next"], empty.text
        assert psql("SELECT count(*) FROM pg_tables WHERE schemaname = 'public'").stdout.strip() == "0"
        subprocess.run([wattproof, "publish", "--all", "--results", results, "--to", owner], check=True, timeout=120, capture_output=True)
        before = psql("SELECT n_tup_ins, n_tup_upd, n_tup_del, relname FROM pg_stat_user_tables ORDER BY relname").stdout
        rows = psql("SELECT key, revision FROM run ORDER BY key").stdout
        status = looks(view, wattproof, owner)
        assert rows == psql("SELECT key, revision FROM run ORDER BY key").stdout and rows
        assert before.count("\n") == psql("SELECT relname FROM pg_stat_user_tables").stdout.count("\n")
        read_only = psql("SELECT count(*) FROM pg_stat_activity WHERE usename = 'onlooker'").stdout.strip()
        assert int(read_only) > 0
        assert "onlooker@localhost" in status["view"]
        for text in (view.said, json.dumps(status), empty.text, view.log.read_text()):
            assert secret not in text
    finally:
        view.end()


def test_a_server_that_says_nothing_is_told(wattproof, tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as silent:
        view = View(wattproof, tmp_path, "--catalogue", f"postgres://w@127.0.0.1:{silent.getsockname()[1]}/wattproof")
        try:
            began = time.monotonic()
            answer = requests.get(f"{view.base}/api/v1/find", timeout=20)
            assert answer.status_code == 503 and answer.json()["next"], answer.text
            assert time.monotonic() - began < 14
            view.get("status")
        finally:
            view.end()


@pytest.mark.parametrize("further", [
    ["--bench", "bench.toml"], ["--out", "results"], ["--catalogue", "a.sqlite", "--results", "results"], ["--scripts", "scripts"]])
def test_a_view_is_nothing_else(wattproof, further, tmp_path):
    done = subprocess.run([wattproof, "serve", "--view", *further], capture_output=True, text=True, timeout=20, cwd=tmp_path)
    assert done.returncode == 2 and "cannot be used with" in done.stderr, done.stderr
    alone = subprocess.run([wattproof, "serve", "--catalogue", "a.sqlite"], capture_output=True, text=True, timeout=20, cwd=tmp_path)
    assert alone.returncode == 2, alone.stderr
