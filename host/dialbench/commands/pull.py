"""dialbench pull"""

from __future__ import annotations

import json
import time
from dataclasses import asdict
from pathlib import Path

import click

from dialbench import dialfile
from dialbench.clock import SystemClock
from dialbench.commands import screen
from dialbench.errors import UserError
from dialbench.link import Pulled, patience, ports
from dialbench.link.client import Board
from dialbench.store import Losses, Store

SCHEMA = "dialbench.pull/1"


@click.command("pull")
@click.argument("port", required=False)
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
@click.option(
    "--wait",
    is_flag=True,
    help="Wait for a board that is not there, is busy, or goes away and comes back.",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.pull/1" object.')
@click.pass_context
def command(
    context: click.Context,
    port: str | None,
    dial_path: Path,
    store_path: Path,
    wait: bool,
    as_json: bool,
) -> None:
    """Bring the log of the board on PORT into a store.

    Without PORT, the one board that the system sees is taken. A pull can be interrupted and
    repeated: nothing is lost or doubled. Exit status 0: all that the board has is in the
    store; 1: some of it is still on the board, and why was said.
    """
    dial = dialfile.load(dial_path)
    brought = []  # pages and bytes of each attempt
    begun_s = time.monotonic()
    with screen.progress() as progress:

        def work(board: Board) -> tuple[Board, Pulled, Losses]:
            hello = board.hello
            if hello.dial_hash != dial.hash:
                raise UserError(
                    f"{board.port}: the board was set up for another dial ({hello.dial_hash}) "
                    f"than {dial_path} describes ({dial.hash}): name the right dial.toml"
                )
            brought.append((0, 0))

            def tell(done: int, total: int, size: int) -> None:
                brought[-1] = (done, size)
                progress("pulling", done / max(total, 1))

            # In this order: where no board answers, no store is made.
            with Store.open(store_path) as store:
                store.add_board(hello, dialfile.dump(dial))
                return board, board.pull(store, tell), store.losses(hello.uid)

        clock = SystemClock()
        if wait:
            board, pulled, losses = patience.with_board(port, clock, work, screen.note)
        else:
            with Board.open(port or ports.find(clock), clock) as found:
                board, pulled, losses = work(found)
    pages, size = (sum(counts) for counts in zip(*brought, strict=True))
    uid = board.hello.uid
    facts = {
        "schema": SCHEMA,
        "port": board.port,
        "board": uid,
        "store": str(store_path),
        "pages_pulled": pages,
        "bytes_pulled": size,
        "seconds": round(time.monotonic() - begun_s, 3),
        "records_lost": losses.overflow_records,
        "losses": asdict(losses),
        "pages_absent": pulled.absent,
        "pages_lacking": pulled.lacking,
        "unsealed": pulled.unsealed,
    }
    if as_json:
        click.echo(json.dumps(facts))
    else:
        screen.say(f"{pages} new pages ({size} bytes) from board {uid} are in {store_path}.")
        _tell(pulled, losses)
        screen.say(f"To see what they say: dialbench compare {store_path}")
    if pulled.lacking or pulled.unsealed:
        context.exit(1)


def _tell(pulled: Pulled, losses: Losses) -> None:
    """What is not in the store."""
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
