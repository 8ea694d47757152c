"""Who may ask the daemon what. Sources: Fetch standard (Origin, Sec-Fetch-Site), RFC 9110 (Host, 421), RFC 6750 (bearer
tokens); DNS rebinding, traversal, slow heads and floods of bytes: common practice, no source."""

import json
import os
import re
import socket
import stat
import subprocess
import time

import pytest
import requests
from daemon import running


@pytest.fixture(scope="module")
def daemon(wattproof, tmp_path_factory):
    with running(wattproof, tmp_path_factory.mktemp("daemon")) as daemon:
        yield daemon


def ask(daemon, method, path, **more):
    """A request of nobody: without the token unless it is given."""
    return requests.request(method, f"{daemon.base}{path}", timeout=15, allow_redirects=False, **more)


def refused(answer, status):
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    told = answer.json()
    assert told["status"] == status and told["detail"] and told["next"]
    return told


def bearer(daemon):
    return {"Authorization": f"Bearer {daemon.token}"}


CHANGES = [
    ("/api/v1/jobs", {"bench": "x"}),
    ("/api/v1/jobs/1/cancel", None),
    ("/api/v1/jobs/1/move", {"before": None}),
    ("/api/v1/jobs/1/hold", {"hold": None}),
    ("/api/v1/stop", None),
    ("/api/v1/benches/any/stop", None),
    ("/api/v1/benches/any/reset", {"number": "1"}),
]


def test_every_change_that_is_described_is_tried_here(daemon):
    paths = daemon.get("openapi.json")["paths"]
    described = {path.split("{")[0] + "|" + path.split("}")[-1] for path, of in paths.items() if "post" in of}
    tried = set()
    for path, _ in CHANGES:
        for one in described:
            head, tail = one.split("|")
            if path == head or (path.startswith(head) and path.endswith(tail) and head.endswith("/")):
                tried.add(one)
    assert tried == described


@pytest.mark.parametrize("path,body", CHANGES)
@pytest.mark.parametrize("token", [None, "", "wrong", "0" * 48])
def test_no_change_without_the_token(daemon, path, body, token):
    headers = {} if token is None else {"Authorization": f"Bearer {token}"}
    answer = ask(daemon, "POST", path, json=body, headers=headers)
    refused(answer, 401)
    assert answer.headers["www-authenticate"] == "Bearer"


def test_the_token_is_not_taken_from_elsewhere(daemon):
    for more in ({"params": {"token": daemon.token}}, {"cookies": {"token": daemon.token}}):
        refused(ask(daemon, "POST", "/api/v1/stop", **more), 401)
    basic = {"Authorization": f"Basic {daemon.token}"}
    refused(ask(daemon, "POST", "/api/v1/stop", headers=basic), 401)


def test_the_token_and_the_socket_are_this_users_alone(daemon):
    folder = daemon.folder / "state" / "daemon"
    for name, kind in (("token", stat.S_ISREG), ("wattproof.sock", stat.S_ISSOCK)):
        about = os.stat(folder / name)
        assert kind(about.st_mode) and stat.S_IMODE(about.st_mode) == 0o600, name
    assert stat.S_IMODE(os.stat(folder).st_mode) == 0o700


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:80", "localhost.evil.example", "127.0.0.1.evil.example", "", "[::2]", "0.0.0.0"]
)
def test_a_name_that_was_bent_to_this_machine_is_refused(daemon, host):
    headers = {"Host": host, **bearer(daemon)}
    for method, path in (("GET", "/api/v1/status"), ("POST", "/api/v1/stop"), ("GET", "/"), ("GET", "/metrics")):
        assert ask(daemon, method, path, headers=headers).status_code in (400, 421), (method, path)


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "https://{own}"},
        {"Origin": "http://localhost:1"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_another_sites_page_is_refused_even_with_the_token(daemon, headers):
    own = daemon.base.removeprefix("http://")
    headers = {name: value.replace("{own}", own) for name, value in headers.items()}
    for method, path in (("POST", "/api/v1/stop"), ("GET", "/api/v1/status"), ("GET", "/api/v1/events")):
        refused(ask(daemon, method, path, headers={**headers, **bearer(daemon)}), 403)


def test_the_own_page_and_programs_are_let_in(daemon):
    for headers in ({}, {"Origin": daemon.base}, {"Sec-Fetch-Site": "same-origin"}, {"Sec-Fetch-Site": "none"}):
        assert ask(daemon, "POST", "/api/v1/stop", headers={**headers, **bearer(daemon)}).status_code == 202
        assert ask(daemon, "GET", "/api/v1/status", headers=headers).status_code == 200
    # A link on another page opens the page, which then asks for itself.
    assert ask(daemon, "GET", "/", headers={"Sec-Fetch-Site": "cross-site"}).status_code == 200


def test_no_answer_may_be_read_framed_or_guessed_by_another_site(daemon):
    for path in ("/", "/api/v1/status", "/metrics", "/nothing"):
        headers = ask(daemon, "GET", path).headers
        assert "access-control-allow-origin" not in headers
        assert headers["x-content-type-options"] == "nosniff" and headers["referrer-policy"] == "no-referrer"
        assert headers["cross-origin-resource-policy"] == "same-origin"
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy and "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy


PATHS = [
    "/api/v1/runs/../../state/daemon/token",
    "/api/v1/runs/..%2f..%2fstate%2fdaemon/files",
    "/api/v1/runs/%2e%2e/files/token",
    "/api/v1/runs/./files",
    "/api/v1/runs/{run}/files/..%2f..%2fstate%2fdaemon%2ftoken",
    "/api/v1/runs/{run}/files/%2fetc%2fpasswd",
    "/api/v1/runs/{run}/files/captures/..%2fjournal.jsonl",
    "/api/v1/runs/{run}/files/linked.csv",
    "/api/v1/runs/{run}/files/captures%2f..%2f..%2f..%2fstate",
    "/api/v1/runs/linked/files",
    "/api/v1/runs/{run}/figures/..%2f..%2fsecret.svg",
    "/assets/..%2fCargo.toml",
    "/assets/../../Cargo.toml",
    "/api/v1/runs/%00/files",
]


@pytest.fixture(scope="module")
def run(daemon):
    """A folder that looks like a run, with links that lead out of it and beside it."""
    folder = daemon.results / "20270101T000000Z-invented"
    (folder / "captures").mkdir(parents=True)
    (folder / "journal.jsonl").write_text("")
    secret = daemon.folder / "secret"
    secret.mkdir()
    (secret / "journal.jsonl").write_text("a secret")
    (folder / "linked.csv").symlink_to(secret / "journal.jsonl")
    (daemon.results / "linked").symlink_to(secret)
    return folder.name


@pytest.mark.parametrize("path", PATHS)
def test_no_way_leads_out_of_the_runs(daemon, run, path):
    """Sent byte for byte: a library would tidy the path up first."""
    host, _, port = daemon.base.removeprefix("http://").partition(":")
    with socket.create_connection((host, int(port)), timeout=10) as raw:
        head = f"GET {path.replace('{run}', run)} HTTP/1.1\r\nHost: {host}:{port}\r\nConnection: close\r\n\r\n"
        raw.sendall(head.encode())
        answer = b"".join(iter(lambda: raw.recv(65536), b""))
    status = int(answer.split()[1])
    assert status in (400, 404), answer[:400]
    for secret in (b"a secret", daemon.token.encode(), b"root:", b"[package]"):
        assert secret not in answer


@pytest.mark.parametrize("name", ["../../../../etc/passwd", "/etc/passwd", "a/b.rhai", "..", ".hidden.rhai", "-x.rhai", "", "x" * 200])
def test_no_script_or_nameplate_is_read_from_elsewhere(daemon, name):
    good = {"name": "rated_power.rhai"}
    for script, plate in (({"name": name}, {"name": "amplifier.toml"}), (good, {"name": name})):
        job = {"bench": daemon.bench, "script": script, "nameplate": plate}
        refused(ask(daemon, "POST", "/api/v1/jobs", json=job, headers=bearer(daemon)), 400)


def test_huge_deep_and_malformed_bodies_are_refused(daemon):
    headers = {**bearer(daemon), "Content-Type": "application/json"}
    job = {"bench": daemon.bench, "script": {"name": "a.rhai", "text": "x" * (2 << 20)}, "nameplate": {"name": "amplifier.toml"}}
    refused(ask(daemon, "POST", "/api/v1/jobs", data=json.dumps(job), headers=headers), 413)
    for body in ("[" * 100_000, '{"bench":' * 50_000, "{", "", "\x00", '{"bench": 1e999}'):
        assert ask(daemon, "POST", "/api/v1/jobs", data=body, headers=headers).status_code in (400, 422), body[:20]
    plain = {**bearer(daemon), "Content-Type": "text/plain"}
    refused(ask(daemon, "POST", "/api/v1/jobs", data="{}", headers=plain), 415)
    unknown = {"bench": daemon.bench, "script": {"name": "rated_power.rhai"}, "nameplate": {"name": "amplifier.toml"}, "volts": 1}
    refused(ask(daemon, "POST", "/api/v1/jobs", json=unknown, headers=bearer(daemon)), 422)
    deep = {"bench": daemon.bench, "script": {"name": "a.rhai", "text": "[" * 20_000}, "nameplate": {"name": "amplifier.toml"}}
    refused(ask(daemon, "POST", "/api/v1/jobs", json=deep, headers=bearer(daemon)), 400)
    assert daemon.get("status")["jobs"] == [], "nothing of that is in the queue"


@pytest.mark.parametrize("hold", [{"heatsink_c_max": -1}, {"heatsink_c_max": 1000}, {"by_person": False}])
def test_holds_that_can_not_be_kept_are_refused(daemon, hold):
    job = {"bench": daemon.bench, "script": {"name": "rated_power.rhai"}, "nameplate": {"name": "amplifier.toml"}, "hold": hold}
    refused(ask(daemon, "POST", "/api/v1/jobs", json=job, headers=bearer(daemon)), 400)


def test_slow_heads_and_endless_ones_end(daemon):
    host, _, port = daemon.base.removeprefix("http://").partition(":")
    with socket.create_connection((host, int(port)), timeout=30) as slow:
        slow.sendall(b"GET /api/v1/status HTTP/1.1\r\nHost: localhost\r\n")
        began = time.monotonic()
        while slow.recv(4096):
            pass
        assert time.monotonic() - began < 20
    with socket.create_connection((host, int(port)), timeout=30) as endless:
        endless.sendall(b"GET /api/v1/status HTTP/1.1\r\nHost: localhost\r\n")
        answer = b""
        try:
            for _ in range(2000):
                endless.sendall(b"X-Long: " + b"x" * 1000 + b"\r\n")
            answer = endless.recv(4096)
        except OSError:
            pass
        assert answer == b"" or answer.split()[1] in (b"400", b"431")
    assert daemon.get("status")["version"]


def other(daemon, folder, *further):
    """Another daemon beside the first: on the same bench file, which it does not open while nothing runs."""
    command = [daemon.wattproof, "serve", "--bench", daemon.bench_file, "--state", folder / "state", "--out", folder / "results"]
    process = subprocess.Popen([*command, *further], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    line = process.stdout.readline()
    found = re.search(r"(https?)://[^/]+:(\d+)/#token=(\w+)", line)
    assert found, line + process.stderr.read()
    return process, found.group(1), int(found.group(2)), found.group(3)


def test_beyond_this_machine_everything_needs_the_token(daemon, tmp_path):
    process, _, port, token = other(daemon, tmp_path, "--listen", "0.0.0.0:0")
    try:
        base = f"http://127.0.0.1:{port}"
        for path in ("/api/v1/status", "/api/v1/events", "/api/v1/runs", "/metrics", "/api/v1/openapi.json"):
            refused(requests.get(base + path, timeout=10), 401)
        assert requests.get(base + "/", timeout=10).status_code == 200, "the page can ask for the token"
        answer = requests.get(base + "/api/v1/status", headers={"Authorization": f"Bearer {token}"}, timeout=10)
        assert answer.json()["may_change"] is True
    finally:
        process.kill()


def test_tls_where_it_is_asked_for(daemon, tmp_path):
    """By openssl's certificate, and by requests, which checks it."""
    certificate, key = tmp_path / "certificate.pem", tmp_path / "key.pem"
    make = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=bench.example"]
    make += ["-addext", "subjectAltName=IP:127.0.0.1", "-keyout", key, "-out", certificate]
    subprocess.run(make, check=True, capture_output=True)
    where = ["--listen", "127.0.0.1:0", "--tls-certificate", certificate, "--tls-key", key]
    process, scheme, port, token = other(daemon, tmp_path, *where)
    try:
        assert scheme == "https"
        base = f"https://127.0.0.1:{port}"
        assert requests.get(base + "/api/v1/status", verify=certificate, timeout=10).status_code == 200
        own = {"Authorization": f"Bearer {token}", "Origin": base}
        assert requests.post(base + "/api/v1/stop", headers=own, verify=certificate, timeout=10).status_code == 202
        with pytest.raises(requests.exceptions.SSLError):
            requests.get(base + "/api/v1/status", timeout=10)
        with pytest.raises(requests.exceptions.ConnectionError):
            requests.get(f"http://127.0.0.1:{port}/api/v1/status", timeout=10)
    finally:
        process.kill()


def test_a_wrong_token_file_and_a_second_daemon_are_refused(daemon, wattproof):
    command = [wattproof, "serve", "--bench", daemon.bench_file, "--state", daemon.folder / "state", "--listen", "127.0.0.1:0"]
    second = subprocess.run(command, capture_output=True, text=True, timeout=20)
    assert second.returncode == 1 and "a daemon answers" in second.stderr
    assert daemon.get("status")["version"], "the first one is unmoved"
