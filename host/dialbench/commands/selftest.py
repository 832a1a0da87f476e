"""dialbench selftest"""

from __future__ import annotations

import json
import tempfile
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from dialbench.clock import SystemClock
from dialbench.commands import screen
from dialbench.errors import UserError
from dialbench.link import ports
from dialbench.link.client import Board, Clock
from dialbench.store import Store

SCHEMA = "dialbench.selftest/1"


@click.command("selftest")
@click.argument("port", required=False)
@click.option("--virtual", is_flag=True, help="Test a virtual dial's board.")
@click.option(
    "--store",
    "store_path",
    type=click.Path(path_type=Path),
    help="Keep what was found in this store; made if it is not there.",
)
@click.option(
    "--last",
    "last_path",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    metavar="STORE",
    help="No test: show the last one that STORE keeps of each board.",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.selftest/1" object.')
@click.pass_context
def command(
    context: click.Context,
    port: str | None,
    virtual: bool,
    store_path: Path | None,
    last_path: Path | None,
    as_json: bool,
) -> None:
    """Test the board on PORT: select lines, channels, clock chip, storage, supply, link.

    It takes some ten seconds and changes nothing on the board. Exit status 0: it is sound;
    1: faults were named, each with its mend. Without PORT, the one board that the system sees.
    """
    if last_path is not None:
        if virtual or port is not None or store_path is not None:
            raise UserError("--last shows what is kept, and goes with no PORT and no other test")
        told = _kept(last_path)
    else:
        if virtual and port is not None:
            raise UserError("selftest needs either a PORT or --virtual")
        told = [_tested(port, virtual, store_path)]
    for facts in told:
        if as_json:
            click.echo(json.dumps(facts))
        else:
            _show(facts)
    if not all(facts["passed"] for facts in told):
        context.exit(1)


def _kept(path: Path) -> list[dict[str, Any]]:
    with Store.look(path) as store:
        texts = [store.selftest(board.uid) for board in store.boards()]
    told = []
    for text in filter(None, texts):
        facts = json.loads(text)
        if facts.get("schema") != SCHEMA:
            raise UserError(f"{path} keeps a self-test of another version: test the board anew")
        told.append(facts)
    if not told:
        raise UserError(f"{path} keeps no self-test: dialbench selftest PORT --store {path}")
    return told


def _tested(port: str | None, virtual: bool, store_path: Path | None) -> dict[str, Any]:
    from dialbench.selftest.figures import measure
    from dialbench.selftest.told import told

    with ExitStack() as stack:
        clock: Clock = SystemClock()
        if virtual:
            from dialbench import demo
            from dialbench.commands.virtualsource import VIRTUAL_START, virtual_source

            scratch = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="dialbench-")))
            dial = demo.in_daylight(SystemClock().utc_us())
            source = stack.enter_context(
                virtual_source(dial, scratch, VIRTUAL_START, 1.0, 0.0, False, 1)
            )
            port, clock = source.port, source.clock
        progress = stack.enter_context(screen.progress())
        board = stack.enter_context(Board.open(port or ports.find(clock), clock))
        figures = measure(board, clock.utc_us, lambda share: progress("testing", share))
        utc_us = clock.utc_us()
        facts = {"schema": SCHEMA, "port": board.port, "utc_us": utc_us, **told(figures)}
        if store_path is not None:
            with Store.open(store_path) as store:
                store.add_board(board.hello)
                store.add_selftest(board.hello.uid, utc_us, json.dumps(facts))
    return facts


def _show(facts: dict[str, Any]) -> None:
    from dialbench.selftest.told import rows

    screen.table(f"Board {facts['board']}", rows(facts))
    if facts["channels"]:
        heading = ("channel", "counts", "noise", "least", "most")
        screen.columns(
            [
                heading,
                *(
                    (
                        str(c["channel"]),
                        str(c["mean"]),
                        f"{c['spread']:.1f}",
                        str(c["least"]),
                        str(c["most"]),
                    )
                    for c in facts["channels"]
                ),
            ]
        )
    for fault in facts["faults"]:
        screen.say(f"FAULT: {fault['sentence']}.")
    screen.say("PASSED." if facts["passed"] else "NOT PASSED.")
