"""dialbench pull"""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import click

from dialbench import dialfile
from dialbench.clock import SystemClock
from dialbench.commands import screen
from dialbench.errors import UserError
from dialbench.link.client import Board
from dialbench.store import Store

SCHEMA = "dialbench.pull/1"


@click.command("pull")
@click.argument("port")
@click.option(
    "--dial",
    "dial_path",
    required=True,
    type=click.Path(path_type=Path),
    help="The dial.toml of the dial the board sits in.",
)
@click.option(
    "--store",
    "store_path",
    required=True,
    type=click.Path(path_type=Path),
    help="The store to bring the log into; made if it is not there.",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.pull/1" object.')
def command(port: str, dial_path: Path, store_path: Path, as_json: bool) -> None:
    """Bring the log of the board on PORT into a store.

    It can be interrupted and repeated: nothing is lost or doubled.
    """
    dial = dialfile.load(dial_path)
    with (
        Board.open(port, SystemClock()) as board,
        Store.open(store_path) as store,
        screen.progress() as progress,
    ):
        hello = board.hello
        if hello.dial_hash != dial.hash:
            raise UserError(
                f"{port}: the board was set up for another dial ({hello.dial_hash}) than "
                f"{dial_path} describes ({dial.hash}): name the right dial.toml"
            )
        store.add_board(hello, dialfile.dump(dial))
        pulled = board.pull(store, lambda done, total, _: progress("pulling", done / max(total, 1)))
        losses = store.losses(hello.uid)
    facts = {
        "schema": SCHEMA,
        "port": port,
        "board": hello.uid,
        "store": str(store_path),
        "pages_pulled": pulled.pages,
        "bytes_pulled": pulled.bytes,
        "records_lost": losses.overflow_records,
        "losses": asdict(losses),
        "pages_absent": pulled.absent,
        "pages_lacking": pulled.lacking,
        "unsealed": pulled.unsealed,
    }
    if as_json:
        click.echo(json.dumps(facts))
        return
    screen.say(
        f"{pulled.pages} new pages ({pulled.bytes} bytes) from board {hello.uid} "
        f"are in {store_path}."
    )
    lost = [
        f"{name.replace('_', ' ')}: {number}" for name, number in asdict(losses).items() if number
    ]
    if pulled.absent:
        lost.append(f"pages the board should hold and does not: {pulled.absent}")
    if lost:
        screen.note(f"not everything is there: {'; '.join(lost)}")
    if pulled.lacking:
        screen.note(f"{pulled.lacking} pages did not come through: pull again")
    if pulled.unsealed:
        screen.note(f"the newest records are still on the board: {pulled.unsealed}")
    screen.say(f"To see what they say: dialbench compare {store_path}")
