"""The store a command is to look at, and the log in it, and the dial it is of."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TypeVar

from dialbench import dialfile
from dialbench.commands import screen
from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.logged import Logged, board_log, foreign_log
from dialbench.store import Store, StoredBoard, StoredForeign

_SQLITE = b"SQLite format 3\0"
_Log = TypeVar("_Log", StoredBoard, StoredForeign)


def is_store(path: Path) -> bool:
    """Whether a file is a database, and so a store or nothing; one that cannot be opened is none:
    who reads it as what else it may be says why."""
    try:
        with path.open("rb") as stream:
            return stream.read(len(_SQLITE)) == _SQLITE
    except (OSError, ValueError):
        return False


def existing(path: Path) -> Path:
    """path, where there is something. Raises UserError otherwise: looking makes no store."""
    try:
        there = path.exists()
    except ValueError:  # NUL in the name
        there = False
    if not there:
        raise UserError(f"{path}: there is no such store; dialbench pull makes one")
    return path


def looked_at(path: Path) -> Store:
    """The store at path, to be read; nothing in it is written but what an older decoder read.

    Raises UserError.
    """
    store = Store.look(existing(path))
    if not store.outdated():
        return store
    store.close()
    return Store.open(path)


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


def logged_with_dial(
    store: Store, path: Path, uid: str | None, log_hash: str | None, dial_path: Path | None
) -> tuple[dict[str, str], Logged, Dial]:
    """The log that is meant: how it is named, what it says, and the dial it is held against.

    Raises UserError where there is no such log, or no dial that it can be of.
    """
    log = chosen_log(store, path, uid, log_hash)
    named = {"board": log.uid} if isinstance(log, StoredBoard) else {"log": log.hash}
    what = " ".join(*named.items())
    if dial_path is not None:
        dial = dialfile.load(dial_path)
    elif log.dial_toml is not None:
        dial = dialfile.parse(log.dial_toml, f"dial of {what}")
    else:
        raise UserError(f"{path} does not know the dial of {what}: name it with --dial")
    if len(dial.channels) != log.channels:
        raise UserError(
            f"--dial {dial_path}: has {len(dial.channels)} channels, {what} has"
            f" {log.channels}: it cannot be the dial this log was made with"
        )
    if dial.hash != log.dial_hash:
        screen.note(
            f"the log was made with dial {log.dial_hash}; it is compared with dial {dial.hash}"
        )
    if isinstance(log, StoredBoard):
        with store.reading():  # a pull may be writing
            return named, board_log(store, log.uid, log.dial_hash), dial
    return named, foreign_log(store.foreign.get(log.hash), log.dial_hash), dial


def digest_of(store: Store, named: dict[str, str]) -> str:
    """SHA-256 of the log that is meant, 64 hex digits."""
    if "board" in named:
        return store.digest(named["board"])
    log = next(one for one in store.foreign.logs() if one.hash == named["log"])
    return store.foreign.get(log.hash).sha256(log.dial_hash)


def _boards(store: Store) -> dict[str, StoredBoard]:
    return {board.uid: board for board in store.boards()}


def _named(found: Mapping[str, _Log], option: str, name: str, path: Path) -> _Log:
    if name.lower() not in found:
        raise UserError(f"{option} {name}: {path} holds {', '.join(found) or 'none'}")
    return found[name.lower()]
