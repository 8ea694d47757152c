"""The API keeps to its own OpenAPI document, as schemathesis tries it: thousands of requests from the document, each
answer checked against it."""

import subprocess
import sys

import pytest
from daemon import running


@pytest.fixture(scope="module")
def daemon(wattproof, tmp_path_factory):
    with running(wattproof, tmp_path_factory.mktemp("daemon")) as daemon:
        # Something to ask about: a run that was stopped.
        job = daemon.submit()
        daemon.until(lambda: daemon.job(job)["steps"] > 1)
        daemon.post("stop", status=202)
        daemon.ended(job)
        yield daemon


def test_schemathesis_finds_nothing(daemon):
    command = [sys.executable, "-m", "schemathesis.cli", "run", daemon.url("openapi.json"), "--url", daemon.base]
    command += ["--header", f"Authorization: Bearer {daemon.token}", "--seed", "1", "--max-examples", "25"]
    command += ["--exclude-path", "/api/v1/events", "--request-timeout", "10", "--phases", "examples,coverage,fuzzing"]
    # A schema can't say that a script must parse or that a nameplate must be one: those are refused with what is wrong.
    command += ["--exclude-checks", "positive_data_acceptance"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, cwd=daemon.folder)
    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-2000:]
    assert daemon.process.poll() is None
    log = (daemon.folder / "log").read_text()
    assert "panicked" not in log, log[-2000:]
