"""dialbench compare"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import TypeVar

import click

from dialbench import dialfile
from dialbench.analysis import analyse, analyse_foreign
from dialbench.commands import screen
from dialbench.commands.options import existing_store
from dialbench.errors import UserError
from dialbench.sky import Sky
from dialbench.store import Store, StoredBoard, StoredForeign

_Log = TypeVar("_Log", StoredBoard, StoredForeign)


@click.command("compare")
@click.argument("store_path", metavar="STORE", type=click.Path(path_type=Path))
@click.option("--board", "uid", help="Which board, where the store holds several logs.")
@click.option("--log", "log_hash", help="Which imported log, where the store holds several logs.")
@click.option(
    "--dial",
    "dial_path",
    type=click.Path(path_type=Path),
    help="Another dial.toml than the one that came with the log.",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.analysis/1" object.')
def command(
    store_path: Path, uid: str | None, log_hash: str | None, dial_path: Path | None, as_json: bool
) -> None:
    """Compare what STORE holds with the ephemeris, and say how the dial did."""
    existing_store(store_path)
    with Store.open(store_path) as store:
        log = _chosen(store, store_path, uid, log_hash)
        named = {"board": log.uid} if isinstance(log, StoredBoard) else {"log": log.hash}
        what = " ".join(*named.items())
        if dial_path is not None:
            dial = dialfile.load(dial_path)
        elif log.dial_toml is not None:
            dial = dialfile.parse(log.dial_toml, f"dial of {what}")
        else:
            raise UserError(f"{store_path} does not know the dial of {what}: name it with --dial")
        if len(dial.channels) != log.channels:
            raise UserError(
                f"--dial {dial_path}: has {len(dial.channels)} channels, {what} has"
                f" {log.channels}: it cannot be the dial this log was made with"
            )
        if dial.hash != log.dial_hash:
            screen.note(
                f"the log was made with dial {log.dial_hash}; it is compared with dial {dial.hash}"
            )
        sky = Sky(dial.site)
        if isinstance(log, StoredBoard):
            found = analyse(store, log.uid, dial, sky, log.dial_hash)
        else:
            found = analyse_foreign(store.foreign.get(log.hash), dial, sky)
    if as_json:
        click.echo(json.dumps({**named, **found.as_dict()}))
        return
    screen.table(f"{dial.name}, {dial.site.name}", found.rows)
    for sentence in found.sentences:
        screen.say(sentence)


def _chosen(
    store: Store, path: Path, uid: str | None, log_hash: str | None
) -> StoredBoard | StoredForeign:
    """The log that is meant: the one named, or the only one there is."""
    if uid is not None and log_hash is not None:
        raise UserError("--board and --log: name only one of them")
    boards = {board.uid: board for board in store.boards()}
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


def _named(found: Mapping[str, _Log], option: str, name: str, path: Path) -> _Log:
    if name.lower() not in found:
        raise UserError(f"{option} {name}: {path} holds {', '.join(found) or 'none'}")
    return found[name.lower()]
