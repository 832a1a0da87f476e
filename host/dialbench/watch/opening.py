"""The first frame: drawn at once, while all that the watch needs is still being loaded.

Numbers, ephemeris and screen library take a second to load. Nothing of them is needed to take the
terminal, say what is going on and keep what is typed for later; so nothing of them is
imported here.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from typing import TextIO

from dialbench.errors import UserError, inert

_TAKE = "\x1b[?1049h\x1b[?25l\x1b[H\x1b[2J"  # the other screen, no cursor, empty
_GIVE_BACK = "\x1b[?25h\x1b[?1049l"
_BAND, _PLAIN = "\x1b[7m", "\x1b[0m"


def frame(line: str, width: int, height: int) -> str:
    """What to write for a screen of width x height: a title, what is being done, the keys."""
    if width < 1 or height < 3:
        return ""

    def row(y: int, text: str, band: bool) -> str:
        shown = inert(text)[:width].ljust(width if band else 0)
        return f"\x1b[{y};1H{_BAND if band else ''}{shown}{_PLAIN}\x1b[K"

    return (
        row(1, " dialbench watch", True)
        + row(height // 2, f"  {line} ...", False)
        + row(height, " Ctrl-C quits", True)
    )


@contextmanager
def opening() -> Iterator[Callable[[str], None]]:
    """Gives a function that says on the screen what is being done. The terminal is given back
    if the block fails; else the application has it, and gives it back as it ends.

    Without a terminal, or a simple one, nothing is drawn.
    """
    terminal = sys.__stderr__  # where the application draws too
    if not _can_draw(terminal):
        yield lambda line: None
        return
    import termios

    assert terminal is not None
    keyboard = sys.stdin.fileno()
    before = termios.tcgetattr(keyboard)
    typed_unseen = termios.tcgetattr(keyboard)
    typed_unseen[3] &= ~(termios.ECHO | termios.ICANON)
    termios.tcsetattr(keyboard, termios.TCSANOW, typed_unseen)
    size = os.get_terminal_size(terminal.fileno())
    _write(terminal, _TAKE)
    try:
        yield lambda line: _write(terminal, frame(line, *size))
    except BaseException:
        _write(terminal, _GIVE_BACK)
        raise
    finally:
        termios.tcsetattr(keyboard, termios.TCSANOW, before)


def check_terminal() -> None:
    """Raises UserError where nothing can be drawn or nobody types: the application would draw
    into a file, and wait for keys for ever."""
    if "TEXTUAL_DRIVER" in os.environ:
        return  # drawn elsewhere: in a browser
    terminal, keyboard = sys.__stderr__, sys.__stdin__
    if terminal is None or keyboard is None or not (terminal.isatty() and keyboard.isatty()):
        raise UserError(
            "the live screen needs a terminal on standard input and standard error:"
            " --once and --json are one look without"
        )
    if os.environ.get("TERM") == "dumb":
        raise UserError(
            "the live screen needs a terminal that can be drawn on, and TERM=dumb says this one"
            " cannot: --once and --json are one look without"
        )


def _can_draw(terminal: TextIO | None) -> bool:
    if "TEXTUAL_DRIVER" in os.environ or os.environ.get("TERM", "dumb") == "dumb":
        return False
    if find_spec("termios") is None:
        return False
    return terminal is not None and terminal.isatty() and sys.stdin.isatty()


def _write(terminal: TextIO, text: str) -> None:
    terminal.write(text)
    terminal.flush()
