"""The store a command is to look at, and the board or the imported log in it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TypeVar

from dialbench.errors import UserError
from dialbench.store import Store, StoredBoard, StoredForeign

_Log = TypeVar("_Log", StoredBoard, StoredForeign)


def existing(path: Path) -> Path:
    """path, where there is something. Raises UserError otherwise: looking makes no store."""
    try:
        there = path.exists()
    except ValueError:  # NUL in the name
        there = False
    if not there:
        raise UserError(f"{path}: there is no such store; dialbench pull makes one")
    return path


def chosen_board(store: Store, path: Path, uid: str | None) -> StoredBoard:
    """The board named uid, or the only one. Raises UserError where that is none."""
    boards = _boards(store)
    if uid is not None:
        return _named(boards, "--board", uid, path)
    if len(boards) != 1:
        raise UserError(
            f"{path} holds {len(boards)} boards: "
            + (f"choose one with --board: {', '.join(boards)}" if boards else "pull first")
        )
    return next(iter(boards.values()))


def chosen_log(
    store: Store, path: Path, uid: str | None, log_hash: str | None
) -> StoredBoard | StoredForeign:
    """The board or imported log that is named, or the only one. Raises UserError likewise."""
    if uid is not None and log_hash is not None:
        raise UserError("--board and --log: name only one of them")
    boards = _boards(store)
    logs = {log.hash: log for log in store.foreign.logs()}
    if uid is not None:
        return _named(boards, "--board", uid, path)
    if log_hash is not None:
        return _named(logs, "--log", log_hash, path)
    every: list[StoredBoard | StoredForeign] = [*boards.values(), *logs.values()]
    if len(every) != 1:
        choice = ", ".join(
            [f"--board {name}" for name in boards] + [f"--log {name}" for name in logs]
        )
        raise UserError(
            f"{path} holds {len(boards)} boards and {len(logs)} imported logs: "
            + (f"choose one, {choice}" if every else "pull first")
        )
    return every[0]


def _boards(store: Store) -> dict[str, StoredBoard]:
    return {board.uid: board for board in store.boards()}


def _named(found: Mapping[str, _Log], option: str, name: str, path: Path) -> _Log:
    if name.lower() not in found:
        raise UserError(f"{option} {name}: {path} holds {', '.join(found) or 'none'}")
    return found[name.lower()]
