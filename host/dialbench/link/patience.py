"""Patience: a board that is not there yet, goes away and comes back, maybe on another port."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

from dialbench.link import ports
from dialbench.link.client import Board, Clock
from dialbench.link.errors import Busy, LinkLost, NoAnswer, NotOpen

RETRY_S = 1.0

_Result = TypeVar("_Result")


def with_board(
    port: str | None,
    clock: Clock,
    work: Callable[[Board], _Result],
    note: Callable[[str], None],
    pause: Callable[[float], None] = time.sleep,
) -> _Result:
    """Do work with the board on port (None: wherever it is found), however long it takes.

    While there is none, or it is busy, or it goes away meanwhile, this waits and begins anew
    with the same board, by its uid, on that port or on another that looks right; note is told
    why, and of a board that is another one, once for each reason. Raises whatever else goes
    wrong.
    """
    uid = ""
    told: set[str] = set()
    while True:
        for place in _places(port, uid):
            try:
                with Board.open(place or ports.find(clock), clock) as board:
                    if board.hello.uid == (uid or board.hello.uid):
                        uid = board.hello.uid
                        told.clear()
                        return work(board)
                    why = f"board {board.hello.uid} is at {board.port} now, and not {uid}"
            except (Busy, LinkLost, NoAnswer, NotOpen) as wrong:
                why = str(wrong)
            if why not in told:
                note(f"{why}; waiting")
            told.add(why)
        pause(RETRY_S)


def _places(port: str | None, uid: str) -> list[str | None]:
    """Where to look next. A board that was there once may come back under another name."""
    if not uid:
        return [port]
    return [*([port] if port else []), *(other for other in ports.likely() if other != port)]
