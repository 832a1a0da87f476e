"""dialbench backup"""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import click

from dialbench.commands import screen
from dialbench.commands.storefile import existing

SCHEMA = "dialbench.backup/1"


@click.command("backup")
@click.argument("store_path", metavar="STORE", type=click.Path(path_type=Path))
@click.argument("out_path", metavar="OUT", type=click.Path(path_type=Path))
@click.option("--replace", is_flag=True, help="Write over an earlier backup at OUT.")
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.backup/1" object.')
def command(store_path: Path, out_path: Path, replace: bool, as_json: bool) -> None:
    """Copy STORE to OUT, also while a pull is writing it.

    The copy is of one moment; it is checked before it is put in its place, and where
    anything goes wrong nothing is left of it. Do not copy a store's file by hand: part of
    it stands in the files beside it.
    """
    from dialbench.store.backup import backup

    existing(store_path)
    made = backup(store_path, out_path, replace)
    if as_json:
        facts = {"schema": SCHEMA, "store": str(store_path), "backup": str(out_path)}
        click.echo(json.dumps({**facts, **asdict(made)}))
        return
    screen.say(
        f"{out_path} holds all of {store_path}: boards {made.boards}, pages {made.pages}, foreign"
        f" logs {made.foreign_logs}; {made.bytes} bytes, checked."
    )
