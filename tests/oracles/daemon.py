"""The daemon on a virtual bench, for a test, and what a listener of its events hears."""

import contextlib
import json
import os
import re
import signal
import subprocess
import threading
import time
from pathlib import Path

import requests

ROOT = Path(__file__).resolve().parents[2]


class Daemon:
    """One daemon with one virtual bench."""

    def __init__(self, wattproof, folder):
        self.wattproof, self.folder = wattproof, folder
        self.bench_file, self.plates = folder / "bench.toml", folder / "plates"
        self.plates.mkdir()
        self.results = folder / "results"
        self.instruments = []
        self.serve_bench(self.bench_file)
        self.start()

    def serve_bench(self, bench_file, *further):
        command = [self.wattproof, "virtual-bench", "--until-stdin-closes", "--write-bench", bench_file]
        command += ["--write-nameplate", self.plates / "amplifier.toml", *further]
        serving = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.instruments.append(serving)
        for line in serving.stdout:
            if line.startswith("ready"):
                break

    def start(self, *further):
        command = [self.wattproof, "serve", "--bench", self.bench_file, "--scripts", ROOT / "scripts"]
        command += ["--nameplates", self.plates, "--out", self.results, "--state", self.folder / "state"]
        command += ["--listen", "127.0.0.1:0", *further]
        self.log = (self.folder / "log").open("a")
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=self.log, text=True)
        line = self.process.stdout.readline()
        found = re.search(r"(https?://[^/]+)/#token=(\w+)", line)
        assert found, f"{line!r}; {(self.folder / 'log').read_text()}"
        self.base, self.token = found.groups()
        self.session = requests.Session()
        self.session.headers["Authorization"] = f"Bearer {self.token}"
        self.bench = self.get("benches")["benches"][0]["bench"]

    def url(self, path):
        return f"{self.base}/api/v1/{path}"

    def get(self, path):
        answer = self.session.get(self.url(path), timeout=10)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def post(self, path, body=None, status=200):
        answer = self.session.post(self.url(path), json=body, timeout=60)
        assert answer.status_code == status, answer.text
        return answer.json()

    def submit(self, **further):
        script, plate = {"name": "rated_power.rhai"}, {"name": "amplifier.toml"}
        job = {"bench": self.bench, "script": script, "nameplate": plate, **further}
        return self.post("jobs", job, status=201)["job"]

    def job(self, number):
        return self.get(f"jobs/{number}")

    def until(self, done, seconds=90):
        """Waits until `done()` is true, and returns what it was."""
        end = time.monotonic() + seconds
        while True:
            if found := done():
                return found
            assert time.monotonic() < end, f"not within {seconds} s: {self.get('jobs')} {self.get('benches')}"
            time.sleep(0.05)

    def ended(self, number, seconds=120):
        return self.until(lambda: (job := self.job(number))["state"] == "ended" and job, seconds)

    def end(self, how=signal.SIGTERM):
        self.process.send_signal(how)
        code = self.process.wait(timeout=30)
        self.log.close()
        return code

    def close(self):
        if self.process.poll() is None:
            runs = children(self.process.pid)
            self.process.kill()
            self.process.wait()
            # A run whose daemon is gone still switches its bench off, and holds its ports until it has.
            end = time.monotonic() + 30
            while any(lives(run) for run in runs) and time.monotonic() < end:
                time.sleep(0.02)
        self.log.close()
        for serving in self.instruments:
            serving.stdin.close()
            try:
                serving.wait(timeout=10)
            finally:
                serving.kill()


def children(process):
    """Numbers of the processes that a process has started and not waited for (proc_pid_task(5))."""
    found = []
    for task in Path(f"/proc/{process}/task").iterdir():
        found += [int(number) for number in (task / "children").read_text().split()]
    return found


def lives(process):
    """Whether a process is there and has not ended (proc_pid_stat(5))."""
    with contextlib.suppress(OSError):
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    return False


@contextlib.contextmanager
def running(wattproof, folder):
    os.environ.pop("WATTPROOF_STATE", None)
    daemon = Daemon(wattproof, folder)
    try:
        yield daemon
    finally:
        daemon.close()


class Listener(threading.Thread):
    """Hears events as the HTML standard has them: fields by line, an event at each empty line."""

    def __init__(self, daemon, last=None, **query):
        super().__init__(daemon=True)
        headers = {"Last-Event-ID": last} if last else {}
        self.answer = requests.get(daemon.url("events"), params=query, headers=headers, stream=True, timeout=10)
        assert self.answer.headers["content-type"] == "text/event-stream"
        self.events = []
        self.start()

    def run(self):
        fields = {}
        with contextlib.suppress(requests.RequestException, AttributeError):
            for line in self.answer.iter_lines(chunk_size=1, decode_unicode=True):
                if line:
                    name, _, value = line.partition(": ")
                    fields[name] = value
                elif fields:
                    self.events.append((fields.get("event"), json.loads(fields["data"]), fields.get("id")))
                    fields = {}

    def of(self, kind):
        return [data for event, data, _ in self.events if event == kind]
