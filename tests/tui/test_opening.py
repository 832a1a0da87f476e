"""The first frame, and the terminal given back if nothing follows it."""

import os
import pty
import re
import subprocess
import sys
import termios

import pytest

from dialbench.errors import UserError
from dialbench.watch.opening import check_terminal, frame

FAILING = """
import sys
from dialbench.watch.opening import opening
with opening() as say:
    say("Reading the dial")
    assert not {"numpy", "textual", "rich"} & set(sys.modules)
    raise SystemExit("that is no dial")
"""


def shown(text):
    """Rows by their number, without what steers."""
    rows = re.findall(r"\x1b\[(\d+);1H([^\x1b]*(?:\x1b\[7m)?[^\x1b]*)", text)
    return {int(y): row.replace("\x1b[7m", "") for y, row in rows}


@pytest.mark.parametrize("size", [(80, 24), (200, 60), (10, 3)])
def test_the_frame_fits_and_says_what_is_done(size):
    width, height = size
    rows = shown(frame("Reading the dial", width, height))
    assert all(len(row) <= width for row in rows.values())
    if height > 3:
        assert rows[height // 2].startswith("  Reading the dial ...")
    assert "Ctrl-C" in rows[height]


def test_no_room_is_no_frame():
    assert frame("Reading the dial", 80, 2) == frame("Reading the dial", 0, 24) == ""


def test_a_terminal_is_given_back_as_it_was():
    terminal, near = pty.openpty()
    termios.tcsetwinsize(near, (24, 80))
    program = subprocess.Popen(
        [sys.executable, "-c", FAILING],
        stdin=near,
        stdout=near,
        stderr=near,
        env={**os.environ, "TERM": "linux"},
    )
    said = b""
    while b"that is no dial" not in said:
        said += os.read(terminal, 4096)
    assert program.wait(10) == 1
    lflag = termios.tcgetattr(near)[3]
    os.close(near)
    os.close(terminal)
    assert said.index(b"\x1b[?1049h") < said.index(b"Reading the dial")
    assert said.index(b"\x1b[?25h\x1b[?1049l") < said.index(b"that is no dial")
    assert lflag & termios.ECHO and lflag & termios.ICANON


@pytest.mark.parametrize("kind", [{"TERM": "dumb"}, {"TEXTUAL_DRIVER": "x"}, {}])
def test_without_a_terminal_nothing_is_drawn(run, kind):
    done = run([sys.executable, "-c", FAILING], **kind)
    assert (done.stdout, done.stderr) == ("", "that is no dial\n")


@pytest.mark.parametrize(
    ("keyboard", "terminal", "term", "told"),
    [
        (True, True, "dumb", "TERM=dumb"),
        (False, True, "linux", "needs a terminal"),
        (True, False, "linux", "needs a terminal"),
        (True, True, "linux", None),
    ],
)
def test_a_screen_that_nobody_could_see_or_steer_is_refused(
    monkeypatch, keyboard, terminal, term, told
):
    far, near = pty.openpty()
    monkeypatch.setenv("TERM", term)
    monkeypatch.delenv("TEXTUAL_DRIVER", raising=False)
    with open(near, "w") as screen, open(os.devnull) as nobody, open(os.devnull, "w") as nowhere:
        monkeypatch.setattr(sys, "__stdin__", screen if keyboard else nobody)
        monkeypatch.setattr(sys, "__stderr__", screen if terminal else nowhere)
        if told is None:
            check_terminal()
        else:
            with pytest.raises(UserError, match=told):
                check_terminal()
        monkeypatch.undo()
    os.close(far)
