"""`wattproof prompt` at a terminal: history, completion, pieces over several lines, Ctrl-C.

Keys: ECMA-48 (cursor up is ESC [ A); ASCII (Ctrl-C is ETX, Ctrl-D is EOT, Tab is HT). The bench is a virtual one; the terminal
is Python's own `pty`.
"""

from test_talk_by_hand import END, INTERRUPT, UP, Terminal

TAB = b"\t"


def test_history_completion_and_open_pieces(wattproof, tmp_path):
    environment = {"WATTPROOF_STATE": str(tmp_path), "TERM": "xterm"}
    prompt = [str(wattproof), "prompt", "--without-selfcheck", "--out", str(tmp_path / "results")]
    first = Terminal(prompt, environment)
    first.shows(b"nothing here is real")
    at = first.shows(b"> ")
    first.types(b"heats" + TAB + b")\r")
    at = first.shows(b"25.", at)
    at = first.shows(b"> ", at)
    # A piece goes on until its brackets are closed; Ctrl-C gives it up and ends nothing.
    first.types(b"load(#{\r")
    at = first.shows(b". ", at)
    first.types(INTERRUPT)
    at = first.shows(b"> ", at)
    first.types(b"6 * [\r")
    at = first.shows(b". ", at)
    first.types(b"7][0]\r")
    at = first.shows(b"42", at)
    at = first.shows(b"> ", at)
    assert first.leaves(END) == 0
    assert b"everything is off" in first.shown
    # Another session finds what was typed.
    second = Terminal(prompt, environment)
    second.shows(b"> ")
    at = second.types(UP)
    second.shows(b"7][0]", at)
    second.types(INTERRUPT)
    assert second.leaves(INTERRUPT) in (0, 130)
