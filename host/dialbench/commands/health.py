"""dialbench health"""

from __future__ import annotations

import json
from pathlib import Path

import click

from dialbench.commands import options, screen
from dialbench.commands.storefile import logged_with_dial, looked_at
from dialbench.health import PER_YEAR, health
from dialbench.sky import Sky
from dialbench.solve.suspicion import sound


@click.command("health")
@options.which_log
@click.option(
    "--false-alarms",
    "per_year",
    type=options.Finite(1e-6, 365.0),
    default=PER_YEAR,
    show_default=True,
    metavar="RATE",
    help="How many a year may be by chance, of all channels together.",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.health/1" object.')
def command(
    store_path: Path,
    uid: str | None,
    log_hash: str | None,
    dial_path: Path | None,
    per_year: float,
    as_json: bool,
) -> None:
    """What slowly changed in the dial of STORE: bores that clog, sensors that fade, a body that
    settles.

    Channels are told apart from what all of them do alike, and change from chance.
    """
    with looked_at(store_path) as store:
        named, logged, dial = logged_with_dial(store, store_path, uid, log_hash, dial_path)
    sky = Sky(dial.site)
    logged, doubts = sound(logged, dial, sky)
    for doubt in doubts:
        screen.note(doubt.sentence)
    with screen.progress() as step:
        found = health(logged, dial, sky, per_year, step)
    if as_json:
        click.echo(json.dumps({**named, **found.as_dict()}, allow_nan=False))
        return
    screen.table(f"{dial.name}, {dial.site.name}", found.rows())
    for sentence in found.sentences():
        screen.say(sentence)
