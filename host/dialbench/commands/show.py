"""dialbench show"""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import click

from dialbench import dialfile
from dialbench.commands import screen

SCHEMA = "dialbench.show/1"


@click.command("show")
@click.argument("dial_path", metavar="DIAL", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.show/1" object.')
def command(dial_path: Path, as_json: bool) -> None:
    """Check the dial.toml DIAL and say what it describes; all mistakes are listed."""
    dial = dialfile.load(dial_path)
    shapes = Counter(bore.shape for bore in dial.bores)
    facts = {
        "schema": SCHEMA,
        "name": dial.name,
        "hash": dial.hash,
        "site": dial.site.name,
        "latitude_deg": dial.site.latitude_deg,
        "longitude_deg": dial.site.longitude_deg,
        "channels": len(dial.channels),
        "steps": len(dial.plan.steps),
        "step_min": dial.plan.step_min,
        "first_step": dial.plan.steps[0].spells,
        "last_step": dial.plan.steps[-1].spells,
        "bores": len(dial.bores),
        "slots": shapes["slot"],
        "round_bores": shapes["round"],
        "radius_mm": dial.body.radius_mm,
        "length_mm": dial.body.length_mm,
        "depth_mm": dial.body.front_mm,
        "wall_mm": dial.body.wall_mm,
    }
    if as_json:
        click.echo(json.dumps(facts))
        return
    screen.table(
        dial.name, [(key.replace("_", " "), str(value)) for key, value in facts.items()][2:]
    )
