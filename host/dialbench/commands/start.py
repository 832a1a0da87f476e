"""dialbench start"""

from __future__ import annotations

import json

import click

from dialbench.clock import SystemClock
from dialbench.commands import screen
from dialbench.link import ports
from dialbench.link.start import start

SCHEMA = "dialbench.start/1"


@click.command("start")
@click.argument("port", required=False)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.start/1" object.')
def command(port: str | None, as_json: bool) -> None:
    """Have the board on PORT, at its MicroPython prompt, run the firmware."""
    clock = SystemClock()
    board, started = start(port or ports.find(clock), clock)
    with board:
        hello = board.hello
    facts = {
        "schema": SCHEMA,
        "port": board.port,
        "board": hello.uid,
        "started": started,
        "boot": hello.boot,
        "trouble": hello.trouble,
    }
    if as_json:
        click.echo(json.dumps(facts))
        return
    how = "has started" if started else "was running already"
    screen.say(f"Board {hello.uid} on {board.port} {how}: boot {hello.boot}.")
    if hello.trouble:
        screen.note(f"it does not log: {hello.trouble}")
