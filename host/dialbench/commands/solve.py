"""dialbench solve"""

from __future__ import annotations

import json
from pathlib import Path

import click

from dialbench.campaign import NO_REMEDY, remedies
from dialbench.commands import options, screen
from dialbench.commands.storefile import logged_with_dial, looked_at
from dialbench.sky import Sky
from dialbench.solve import solve


@click.command("solve")
@options.which_log
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.solve/1" object.')
def command(
    store_path: Path, uid: str | None, log_hash: str | None, dial_path: Path | None, as_json: bool
) -> None:
    """How the dial of STORE really stands and came out, and how well that is known.

    What the data cannot tell is named, and gets no number.
    """
    with looked_at(store_path) as store:
        named, logged, dial = logged_with_dial(store, store_path, uid, log_hash, dial_path)
    sky = Sky(dial.site)
    with screen.progress() as step:
        found = solve(logged, dial, sky, step)
        mends = remedies(found, sky, step)
    if as_json:
        facts = found.as_dict()
        for one, mend in zip(facts["not_told"], mends, strict=True):
            one["mend"] = None if mend is None else mend.as_dict()
        click.echo(json.dumps({**named, **facts}))
        return
    screen.table(f"{dial.name}, {dial.site.name}", found.rows())
    for sentence in found.sentences([mend.sentence if mend else NO_REMEDY for mend in mends]):
        screen.say(sentence)
