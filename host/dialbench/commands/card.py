"""dialbench card"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import click

from dialbench import dialfile
from dialbench.commands import options, outfile, screen

SCHEMA = "dialbench.card/1"
_SHEETS = (".svg", ".pdf", ".png")
_DPI = 200.0


@click.command("card")
@click.argument("dial_path", metavar="DIAL", type=click.Path(path_type=Path))
@click.option("--year", type=int, help="[default: this one]")
@click.option(
    "--pose",
    "pose_deg",
    type=options.Finite(-20, 20),
    nargs=3,
    default=(0.0, 0.0, 0.0),
    metavar="X Y Z",
    help="How the body really stands, in degrees, as solve tells.",
)
@click.option(
    "--sheet",
    "sheet_path",
    type=click.Path(path_type=Path),
    help="The card on one page: a file that ends in .svg, .pdf or .png.",
)
@click.option("--json", "as_json", is_flag=True, help='Every day, as a "dialbench.card/1" object.')
def command(
    dial_path: Path,
    year: int | None,
    pose_deg: tuple[float, float, float],
    sheet_path: Path | None,
    as_json: bool,
) -> None:
    """What to add to DIAL's reading on each date of a year, for the time of its zone.

    Or by how many degrees to set it each week, where it can be turned about its polar axis.
    """
    outfile.checked("--sheet", sheet_path, _SHEETS)
    dial = dialfile.load(dial_path)
    from dialbench.card import card  # heavy

    found = card(dial, datetime.now(UTC).year if year is None else year, pose_deg)
    if sheet_path is not None:
        from dialbench.plots import figure
        from dialbench.plots.card import drawn

        title = f"{dial.name}: correction card for {found.year}"
        with figure.styled():
            sheet = drawn(found)
            made = {
                ".svg": lambda: figure.svg(sheet, title, " ".join(found.sentences())),
                ".pdf": lambda: figure.pdf(sheet, title),
                ".png": lambda: figure.png(sheet, _DPI),
            }[sheet_path.suffix.lower()]()
        outfile.write("--sheet", sheet_path, made)
    if as_json:
        click.echo(json.dumps({"schema": SCHEMA, **found.as_dict()}, allow_nan=False))
        return
    screen.columns(found.table())
    for sentence in found.sentences():
        screen.say(sentence)
