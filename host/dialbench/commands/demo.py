"""dialbench demo"""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import click

from dialbench import demo
from dialbench.commands import options, screen
from dialbench.errors import UserError


def _fresh_folder() -> Path:
    """dialbench-demo here, or the first dialbench-demo-N that is not there yet."""
    folder = Path("dialbench-demo")
    number = 2
    while folder.exists():
        folder = Path(f"dialbench-demo-{number}")
        number += 1
    return folder


@click.command("demo")
@click.option(
    "--sky",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="A day of measured irradiance (daily file of the SURFRAD network); "
    "the dial is set up where it was measured.",
)
@click.option(
    "--dial",
    "dial_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="A dial.toml in place of the demo's own dial.",
)
@options.truth
@options.log
@click.option(
    "--on",
    "first_days",
    type=options.Day(),
    multiple=True,
    default=(demo.DAY,),
    metavar="DAY",
    help=f"A day to begin on; or several: the board is taken out on each.  [default: {demo.DAY}]",
)
@click.option(
    "--days",
    type=click.IntRange(1, 366),
    default=1,
    show_default=True,
    help="How many, each time.",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.demo/1" object.')
@click.option(
    "--keep",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Where to keep dial, board, store and result; must not exist.  [default: dialbench-demo, or the first dialbench-demo-N that is free]",
)
def command(
    sky: Path | None,
    dial_file: Path | None,
    cloudy: bool,
    turned: float,
    first_days: tuple[date, ...],
    days: int,
    seed: int,
    storage: str,
    lean: bool,
    as_json: bool,
    keep: Path | None,
) -> None:
    """Run a virtual dial through a day, or through many, and say how it did.

    The board's own firmware, under a real MicroPython, watches a dial of known faults; its
    log is pulled over a serial line, stored, and compared with the ephemeris.
    """
    folder = keep or _fresh_folder()
    if folder.exists():
        raise UserError(f"--keep {folder}: is there already; name a folder that is not")
    settings = demo.Settings(
        folder, days, seed, turned, sky, cloudy, storage, lean, dial_file, first_days
    )
    with screen.progress() as progress:
        result = demo.run(settings, progress)
    if as_json:
        click.echo(json.dumps(result.as_dict()))
        return
    if not result.real_micropython:
        screen.note(screen.NO_MICROPYTHON)
    screen.table(f"{result.dial.name}, {result.dial.site.name}", result.analysis.rows)
    for sentence in result.analysis.sentences:
        screen.say(sentence)
    click.echo()
    screen.say(f"Everything is kept in {folder}. To go on:")
    for line in (
        "dialbench watch --virtual         the dial live, lit and unlit",
        "dialbench demo --turned 0.6       a dial that was set up askew",
        "dialbench demo --clouds --days 3  a sky that does not cooperate",
        f"dialbench compare {folder}/store.sqlite",
    ):
        screen.say(f"  {line}")
