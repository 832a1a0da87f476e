"""Whose log of a store is looked at: the watched board's, or the one that is of this dial."""

from __future__ import annotations

from collections.abc import Sequence

from dialbench.dial import Dial
from dialbench.store import StoredBoard


def chosen(boards: Sequence[StoredBoard], uid: str | None, dial: Dial) -> StoredBoard | None:
    """The board uid if the store knows it, else the last one met of the same dial; None without."""
    for board in boards:
        if board.uid == uid:
            return board
    ours = [board for board in boards if board.dial_hash == dial.hash and board.pages]
    return ours[-1] if ours else None
