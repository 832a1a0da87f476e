"""Start: have a board at its prompt run the firmware."""

from __future__ import annotations

import time
from contextlib import closing

from dialbench.errors import inert
from dialbench.link import prompt
from dialbench.link.client import Board, Clock
from dialbench.link.errors import AtPrompt, LinkError
from dialbench.link.transport import open_line

_STARTING_S = 1.0  # a board that starts is left alone for so long
_TRIES = 4


def start(port: str, clock: Clock) -> tuple[Board, bool]:
    """The board on port, open, and whether it had to be started.

    Raises LinkError, also where the firmware does not answer after the start.
    """
    try:
        return Board.open(port, clock), False
    except AtPrompt:
        pass
    with closing(open_line(port)) as line:
        prompt.leave(line, inert(port))
    why = ""
    for _ in range(_TRIES):
        time.sleep(_STARTING_S)
        try:
            return Board.open(port, clock), True
        except LinkError as wrong:
            why = str(wrong)
            if isinstance(wrong, AtPrompt):
                break
    raise LinkError(
        f"the board at {inert(port)} was started, and its firmware does not answer: is main.py on"
        f" it? ({why})"
    )
