"""`wattproof talk` at a terminal: keys that move in the history, which outlasts the program.

Keys: ECMA-48 (cursor up is ESC [ A); ASCII (Ctrl-C is ETX, Ctrl-D is EOT). -113 is SCPI-1999's undefined header. The
instrument is a virtual one; the terminal is Python's own `pty`.
"""

import os
import pty
import select
import signal
import time

from serving import served

UP = b"\x1b[A"
END, INTERRUPT = b"\x04", b"\x03"


class Terminal:
    """A person at a terminal."""

    def __init__(self, command, environment):
        self.child, self.fd = pty.fork()
        if self.child == 0:
            # Whoever runs the tests in the background may have it ignored, which a process inherits.
            signal.signal(signal.SIGINT, signal.SIG_DFL)
            os.environ.update(environment)
            os.execv(command[0], command)
        self.shown = b""

    def shows(self, words, since=0):
        """Waits until the words are shown after a place; answers the place behind them."""
        until = time.monotonic() + 10
        while (found := self.shown.find(words, since)) < 0:
            assert time.monotonic() < until, f"no {words!r} in {self.shown[since:]!r}"
            if select.select([self.fd], [], [], 0.1)[0]:
                self.shown += os.read(self.fd, 4096)
        return found + len(words)

    def types(self, keys):
        """Types; answers how much was shown before."""
        before = len(self.shown)
        os.write(self.fd, keys)
        return before

    def leaves(self, key):
        """Leaves by a key; answers the exit code."""
        self.types(key)
        until = time.monotonic() + 10
        while time.monotonic() < until:
            # What is still shown is taken, else the program waits for it.
            if select.select([self.fd], [], [], 0.05)[0]:
                try:
                    self.shown += os.read(self.fd, 4096)
                except OSError:
                    pass
            ended, status = os.waitpid(self.child, os.WNOHANG)
            if ended:
                os.close(self.fd)
                return os.waitstatus_to_exitcode(status)
        raise AssertionError(f"it did not end: {self.shown!r}")


def test_keys_and_history(wattproof, tmp_path):
    environment = {"WATTPROOF_STATE": str(tmp_path), "TERM": "xterm"}
    with served(wattproof) as ports:
        talk = [str(wattproof), "talk", ports["thermometer"]]
        first = Terminal(talk, environment)
        first.shows(b"no guarded path")
        first.shows(b"> ")
        at = first.types(b"*IDN?\r")
        at = first.shows(b"virtual-thermometer", at)
        at = first.shows(b"> ", at)
        # The error queue is asked behind each message.
        first.types(b"NOSUCH\r")
        at = first.shows(b"-113", at)
        at = first.shows(b"> ", at)
        # Two lines back, and the same answer again.
        first.types(UP + UP + b"\r")
        at = first.shows(b"virtual-thermometer", at)
        first.shows(b"> ", at)
        assert first.leaves(END) == 0
        # A second person finds what the first typed.
        second = Terminal(talk, environment)
        second.shows(b"> ")
        at = second.types(UP + b"\r")
        at = second.shows(b"virtual-thermometer", at)
        at = second.shows(b"> ", at)
        # Ended while nobody answers, it has kept what was typed.
        second.types(b"LATE?\r")
        time.sleep(0.3)
        second.leaves(INTERRUPT)
        third = Terminal(talk, environment)
        third.shows(b"> ")
        at = third.types(UP)
        third.shows(b"LATE?", at)
        assert third.leaves(INTERRUPT) == 0
