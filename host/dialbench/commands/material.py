"""dialbench material"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from dialbench import dialfile
from dialbench.commands import options, screen
from dialbench.commands.storefile import logged_with_dial, looked_at
from dialbench.material import MATERIALS, Conditions, effects, facts, named

SCHEMA = "dialbench.material/1"


@click.command("material")
@click.argument("dial_path", metavar="DIAL", type=click.Path(path_type=Path))
@click.option(
    "--of", "name", required=True, metavar="NAME", help=f"One of: {', '.join(MATERIALS)}."
)
@click.option("--warmer", "warmer_K", type=options.Finite(-100, 100), default=20.0, metavar="K")
@click.option("--gradient", "gradient_K", type=options.Finite(0, 100), default=10.0, metavar="K")
@click.option(
    "--moister",
    "moister_percent",
    type=options.Finite(0, 100),
    default=5.0,
    metavar="PERCENT",
    help="Of its dry weight.",
)
@click.option("--film", "film_mm", type=options.Finite(0, 10), default=0.1, metavar="MM")
@click.option("--sunk", "sunk_mm", type=options.Finite(0, 100), default=0.5, metavar="MM")
@click.option("--footing", "footing_mm", type=options.Finite(1, 10000), default=200.0, metavar="MM")
@click.option(
    "--store",
    "store_path",
    type=click.Path(path_type=Path),
    help="A campaign's log: what its trends say of the real body.",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.material/1" object.')
def command(
    dial_path: Path, name: str, store_path: Path | None, as_json: bool, **met: float
) -> None:
    """Which changes of DIAL's body alter what it reads, and by how much at most.

    Expansion that is the same everywhere and in all directions changes no angle and so no
    reading; gradients, swelling, dirt and settling do.
    """
    dial = dialfile.load(dial_path)
    material, conditions = named(name), Conditions(**met)
    trend = _trend(store_path, dial_path) if store_path is not None else None
    if as_json:
        told = {"schema": SCHEMA, **facts(dial, material, conditions), "health": trend}
        click.echo(json.dumps(told, allow_nan=False))
        return
    rows = [("change", "reading, at most", "why")]
    for one in effects(dial, material, conditions):
        rows.append((one.change, f"{one.reading_s:.1f} s", one.why))
    screen.columns(rows)
    if material.creeps:
        screen.say(
            f"{material.name} creeps under its own weight in a summer's sun. No figure of a handbook"
            " says how far: only a campaign does (dialbench health)."
        )
    for sentence in trend["sentences"] if trend else ():
        screen.say(sentence)


def _trend(store_path: Path, dial_path: Path) -> dict[str, Any]:
    """What dialbench health finds in a log."""
    from dialbench.health import health  # heavy
    from dialbench.sky import Sky
    from dialbench.solve.suspicion import sound

    with looked_at(store_path) as store:
        _, logged, dial = logged_with_dial(store, store_path, None, None, dial_path)
    sky = Sky(dial.site)
    logged, doubts = sound(logged, dial, sky)
    for doubt in doubts:
        screen.note(doubt.sentence)
    with screen.progress() as step:
        found = health(logged, dial, sky, progress=step)
    return {**found.as_dict(), "sentences": list(found.sentences())}
