"""dialbench release"""

from __future__ import annotations

import json

import click

from dialbench.clock import SystemClock
from dialbench.commands import screen
from dialbench.link import ports
from dialbench.link.client import Board

SCHEMA = "dialbench.release/1"


@click.command("release")
@click.argument("port", required=False)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.release/1" object.')
def command(port: str | None, as_json: bool) -> None:
    """Have the board on PORT store its log and go to its MicroPython prompt.

    Until it is started again (dialbench start, or power) it logs nothing.
    """
    clock = SystemClock()
    with Board.open(port or ports.find(clock), clock) as board:
        board.release()
    facts = {"schema": SCHEMA, "port": board.port, "board": board.hello.uid}
    if as_json:
        click.echo(json.dumps(facts))
        return
    screen.say(
        f"Board {board.hello.uid} has stored its log and is at its prompt on {board.port}; it logs"
        f" nothing until: dialbench start {board.port}"
    )
