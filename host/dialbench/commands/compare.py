"""dialbench compare"""

from __future__ import annotations

import json
from pathlib import Path

import click

from dialbench.analysis import analysed
from dialbench.commands import options, screen
from dialbench.commands.storefile import logged_with_dial, looked_at
from dialbench.sky import Sky
from dialbench.solve.suspicion import of_crossings


@click.command("compare")
@options.which_log
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.analysis/1" object.')
def command(
    store_path: Path, uid: str | None, log_hash: str | None, dial_path: Path | None, as_json: bool
) -> None:
    """Compare what STORE holds with the ephemeris, and say how the dial did."""
    with looked_at(store_path) as store:
        named, logged, dial = logged_with_dial(store, store_path, uid, log_hash, dial_path)
    sky = Sky(dial.site)
    found, doubts = analysed(logged, dial, sky), of_crossings(logged, dial, sky)
    if as_json:
        told = [one.as_dict() for one in doubts]
        click.echo(json.dumps({**named, **found.as_dict(), "suspicions": told}))
        return
    screen.table(f"{dial.name}, {dial.site.name}", found.rows)
    for sentence in found.sentences:
        screen.say(sentence)
    for doubt in doubts:
        screen.say(doubt.sentence)
