"""dialbench audit"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from dialbench import dialfile
from dialbench.commands import screen
from dialbench.commands.options import Finite
from dialbench.dial import Limits
from dialbench.fabricate import compensate

DESIGN_YEAR = 2027


@click.command("audit")
@click.argument("dial_path", metavar="DIAL", type=click.Path(path_type=Path))
@click.option(
    "--year",
    type=click.IntRange(1900, 2052),
    default=DESIGN_YEAR,
    show_default=True,
    help="Year of the site's zone.",
)
@click.option(
    "--duty",
    type=Finite(0, 1),
    help="Least share of the plan's time with exactly the right face.  [default: DIAL's limit]",
)
@click.option(
    "--wrong",
    type=Finite(0, 1),
    help="Most share of it with a channel lit that should be dark.  [default: DIAL's]",
)
@click.option(
    "--ghost",
    type=Finite(0, 1),
    help="Most lit fraction of a channel whose own bores are dark.  [default: DIAL's]",
)
@click.option(
    "--contrast",
    type=Finite(0, 1e6),
    help="Least ratio, amid a step, of the dimmest lit channel to the brightest dark one.  "
    "[default: DIAL's]",
)
@click.option(
    "--hamming",
    type=click.IntRange(0, 10_000),
    help="Least number of channels in which two faces differ.  [default: DIAL's]",
)
@click.option(
    "--compensation",
    "compensation_path",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Audit what comes out if DIAL is drawn as it is and made with the errors of FILE.",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.audit/1" object.')
@click.pass_context
def command(
    context: click.Context,
    /,
    dial_path: Path,
    year: int,
    compensation_path: Path | None,
    as_json: bool,
    **asked: Any,
) -> None:
    """Hold DIAL to its limits, over every day of a year: exit status 1 if one is broken.

    With the finite Sun and with ghosts: how long exactly the right face stands, and how
    long wrong light; every ghost, with the bores it comes through; contrast and brightness;
    the time between faces; walls, pockets and whether the body is one piece; how far faces
    are from being taken for one another. A channel is lit from a lit fraction of a half on.
    Each broken limit is told in one sentence, with the value found, when and where.

    A year takes some ten seconds, and up to a minute the first time, while the stray
    light of a dial is worked out; it is kept.
    """
    dial = dialfile.load(dial_path)
    if compensation_path is not None:
        dial = compensate.made(dial, compensate.load_for(dial, compensation_path))
    limits = replace(
        dial.limits, **{name: value for name, value in asked.items() if value is not None}
    )
    from dialbench.audit.facts import facts  # heavy
    from dialbench.audit.limits import broken
    from dialbench.audit.result import audited
    from dialbench.audit.tables import headline, remarks, tables

    with screen.progress() as progress:
        found = audited(dial, year, limits, progress)
    faults = broken(found)
    if as_json:
        click.echo(json.dumps(facts(found), allow_nan=False))
    else:
        screen.say(headline(found))
        for title, rows in tables(found):
            screen.say(title)
            screen.columns(rows)
        for sentence in remarks(found):
            screen.say(sentence)
        for fault in faults:
            screen.say(fault.sentence)
        if not faults:
            screen.say(
                "All limits are kept." if limits != Limits() else "No limits are asked of it."
            )
    if faults:
        context.exit(1)
