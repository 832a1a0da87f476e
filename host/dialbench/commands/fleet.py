"""dialbench fleet"""

from __future__ import annotations

import json
import time
from pathlib import Path

import click

from dialbench import dialfile
from dialbench.commands import screen
from dialbench.commands.storefile import looked_at
from dialbench.errors import UserError

SCHEMA = "dialbench.fleet/1"
PULL_SCHEMA = "dialbench.fleet-pull/1"


@click.command("fleet")
@click.argument("places", metavar="STORE... | PORT...", nargs=-1, required=True)
@click.option(
    "--dial",
    "dial_path",
    type=click.Path(path_type=Path),
    help="Another dial.toml than those that came with the logs; with --pull, that of all boards.",
)
@click.option("--pull", "pulling", is_flag=True, help="Pull the boards on PORTs, all at once.")
@click.option(
    "--store",
    "store_path",
    type=click.Path(path_type=Path),
    help="With --pull: the store to bring the logs into; made if it is not there.",
)
@click.option(
    "--json", "as_json", is_flag=True, help='One "dialbench.fleet/1" or "...fleet-pull/1" object.'
)
@click.pass_context
def command(
    context: click.Context,
    places: tuple[str, ...],
    dial_path: Path | None,
    pulling: bool,
    store_path: Path | None,
    as_json: bool,
) -> None:
    """Hold all boards of STOREs against each other, or pull those on PORTs at once.

    Told are clock faults that several boards share, whether they saw one weather, and boards that
    stand out. With --pull, exit status 1 where not all that the boards have came.
    """
    if pulling:
        _pull(context, places, dial_path, store_path, as_json)
        return
    if store_path is not None:
        raise UserError("--store: goes with --pull; name the stores to compare without it")
    from dialbench.fleet.compared import compared  # heavy
    from dialbench.fleet.member import Member, member

    dial = None if dial_path is None else dialfile.load(dial_path)
    stores = {Path(place).resolve(): place for place in places}  # each once, however it is spelt
    members: list[Member] = []
    with screen.progress() as step:
        for number, place in enumerate(stores.values()):
            with looked_at(Path(place)) as store:
                boards = store.boards()
                for k, board in enumerate(boards):
                    step("comparing", (number + k / len(boards)) / len(stores))
                    members.append(member(store, place, board, dial))
        step("comparing", 1.0)
    if not members:
        raise UserError(f"{', '.join(places)}: hold no board: pull first")
    found = compared(members)
    if as_json:
        click.echo(json.dumps({"schema": SCHEMA, **found.as_dict()}, allow_nan=False))
        return
    screen.columns(found.rows())
    for sentence in found.sentences():
        screen.say(sentence)


def _pull(
    context: click.Context,
    ports: tuple[str, ...],
    dial_path: Path | None,
    store_path: Path | None,
    as_json: bool,
) -> None:
    if dial_path is None or store_path is None:
        raise UserError("--pull: name --store, and with --dial the dial.toml of the boards")
    twice = sorted({port for port in ports if ports.count(port) > 1})
    if twice:
        raise UserError(f"{', '.join(twice)}: named twice: name each port once")
    from dialbench.clock import SystemClock
    from dialbench.fleet.pulls import pull_all

    dial = dialfile.load(dial_path)
    begun_s = time.monotonic()
    with screen.progress() as step:
        brought = pull_all(ports, dial, store_path, SystemClock(), step)
    whole = all(one.whole for one in brought)
    if as_json:
        facts = [
            {
                "port": one.port,
                "board": one.board,
                "pages_pulled": one.pulled.pages if one.pulled else 0,
                "bytes_pulled": one.pulled.bytes if one.pulled else 0,
                "pages_absent": one.pulled.absent if one.pulled else None,
                "pages_lacking": one.pulled.lacking if one.pulled else None,
                "unsealed": one.pulled.unsealed if one.pulled else None,
                "why_not": one.why_not,
            }
            for one in brought
        ]
        told = {"schema": PULL_SCHEMA, "store": str(store_path), "whole": whole, "ports": facts}
        click.echo(json.dumps({**told, "seconds": round(time.monotonic() - begun_s, 3)}))
    else:
        for one in brought:
            if one.pulled is None:
                screen.note(f"{one.port}: {one.why_not}")
                continue
            screen.say(f"{one.pulled.pages} new pages from board {one.board} on {one.port}.")
            if one.pulled.absent:
                screen.note(f"{one.port}: pages the board should hold: {one.pulled.absent} absent")
            if not one.whole:
                rest = one.pulled.unsealed or f"{one.pulled.lacking} pages did not come through"
                screen.note(f"{one.port}: {rest}: pull again")
        screen.say(f"To compare the boards: dialbench fleet {store_path}")
    if not whole:
        context.exit(1)
