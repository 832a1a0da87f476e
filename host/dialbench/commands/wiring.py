"""dialbench wiring"""

from __future__ import annotations

import json
from pathlib import Path

import click

from dialbench import dialfile
from dialbench.commands import screen

SCHEMA = "dialbench.wiring/1"


@click.command("wiring")
@click.argument("dial_path", metavar="DIAL", type=click.Path(path_type=Path))
@click.option(
    "--workshop",
    "workshop_path",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Board, sensors and light, as TOML; see dialbench fabricate --help.",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.wiring/1" object.')
def command(dial_path: Path, workshop_path: Path | None, as_json: bool) -> None:
    """What electronics DIAL takes: parts, resistors, settling, supply, each with its arithmetic.

    dialbench fabricate writes the same to files, with the drawings. Read the cautions in
    hardware/README.md before you build: Sun and eyes, lithium cells, mains, tools.
    """
    dial = dialfile.load(dial_path)
    from dialbench.fabricate import workshop  # heavy
    from dialbench.fabricate.fabricate import electronics  # heavy
    from dialbench.fabricate.parts import electronic_parts  # heavy

    settings = workshop.Workshop() if workshop_path is None else workshop.load(workshop_path)
    _, sized, wired = electronics(dial, settings)
    needed = electronic_parts(dial, wired)
    if as_json:
        facts = {
            "schema": SCHEMA,
            "name": dial.name,
            "hash": dial.hash,
            "board": wired.board,
            "channels": wired.channels,
            "parts": [vars(part) for part in needed],
            "joints": [{"net": net, "part": part, "pin": pin} for net, part, pin in wired.joints()],
            "sizing": sized.as_dict(),
        }
        click.echo(json.dumps(facts, allow_nan=False))
        return
    screen.columns(
        [
            ["part", "number", "unit", "which"],
            *([part.name, f"{part.quantity:g}", part.unit, part.detail] for part in needed),
        ]
    )
    screen.columns(
        [
            ["figure", "value", "what it is", "numbers or source"],
            *(
                [
                    line.name,
                    f"{line.value:.4g} {line.unit}".rstrip(),
                    line.meaning,
                    line.numbers or line.source,
                ]
                for line in sized.lines
            ),
        ]
    )
    for sentence in sized.problems:
        screen.say(sentence)
