"""The store a command is to look at, and the board in it."""

from __future__ import annotations

from pathlib import Path

from dialbench.errors import UserError
from dialbench.store import Store, StoredBoard


def existing(path: Path) -> Path:
    """path, where there is something. Raises UserError otherwise: looking makes no store."""
    if not path.exists():
        raise UserError(f"{path}: there is no such store; dialbench pull makes one")
    return path


def chosen(store: Store, path: Path, uid: str | None) -> StoredBoard:
    """The board named uid, or the only one. Raises UserError where that is none."""
    boards = {board.uid: board for board in store.boards()}
    uid = uid.lower() if uid else None
    if uid is None:
        if len(boards) != 1:
            raise UserError(
                f"{path} holds {len(boards)} boards: "
                + (f"choose one with --board: {', '.join(boards)}" if boards else "pull first")
            )
        uid = next(iter(boards))
    if uid not in boards:
        raise UserError(f"--board {uid}: {path} holds {', '.join(boards) or 'none'}")
    return boards[uid]
