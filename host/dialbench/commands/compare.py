"""dialbench compare"""

from __future__ import annotations

import json
from pathlib import Path

import click

from dialbench import dialfile
from dialbench.analysis import analyse
from dialbench.commands import screen
from dialbench.commands.storefile import chosen, existing
from dialbench.errors import UserError
from dialbench.sky import Sky
from dialbench.store import Store


@click.command("compare")
@click.argument("store_path", metavar="STORE", type=click.Path(path_type=Path))
@click.option("--board", "uid", help="Which board, where the store holds several.")
@click.option(
    "--dial",
    "dial_path",
    type=click.Path(path_type=Path),
    help="Another dial.toml than the one that came with the log.",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.analysis/1" object.')
def command(store_path: Path, uid: str | None, dial_path: Path | None, as_json: bool) -> None:
    """Compare what STORE holds with the ephemeris, and say how the dial did."""
    with Store.open(existing(store_path)) as store:
        board = chosen(store, store_path, uid)
        uid = board.uid
        kept = board.dial_toml
        if dial_path is not None:
            dial = dialfile.load(dial_path)
        elif kept is not None:
            dial = dialfile.parse(kept, f"dial of board {uid}")
        else:
            raise UserError(f"{store_path} does not know board {uid}'s dial: name it with --dial")
        logged_with = board.dial_hash
        if len(dial.channels) != board.channels:
            raise UserError(
                f"--dial {dial_path}: has {len(dial.channels)} channels, the board "
                f"{board.channels}: it cannot be the dial this log was made with"
            )
        if dial.hash != logged_with:
            screen.note(
                f"the log was made with dial {logged_with}; it is compared with dial {dial.hash}"
            )
        found = analyse(store, uid, dial, Sky(dial.site), logged_with)
    if as_json:
        click.echo(json.dumps({"board": uid, **found.as_dict()}))
        return
    screen.table(f"{dial.name}, {dial.site.name}", found.rows)
    for sentence in found.sentences:
        screen.say(sentence)
