"""A virtual bench served for a test."""

import contextlib
import subprocess


@contextlib.contextmanager
def served(wattproof, *further):
    """Paths of the ports by role."""
    command = [wattproof, "virtual-bench", "--amplifier", "honest", "--until-stdin-closes", *further]
    serving = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    ports = {}
    roles = ("source", "load", "supply", "digitizer", "thermometer")
    try:
        for line in serving.stdout:
            if line.startswith("ready"):
                break
            role, _, port = line.strip().partition(" ")
            if role in roles:
                ports[role] = port.strip()
        assert sorted(ports) == sorted(roles), f"served: {sorted(ports)}"
        yield ports
    finally:
        serving.stdin.close()
        try:
            code = serving.wait(timeout=10)
        finally:
            serving.kill()
        assert code == 0
