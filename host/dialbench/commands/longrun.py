"""dialbench longrun"""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path

import click

from dialbench import dialfile
from dialbench.commands import outfile, screen
from dialbench.errors import UserError

SCHEMA = "dialbench.longrun/1"
_YEAR = re.compile(r"([+-]?\d{1,5})|(\d{1,5}) ?BC", re.IGNORECASE | re.ASCII)


@click.command("longrun")
@click.argument("dial_path", metavar="DIAL", type=click.Path(path_type=Path))
@click.option("--to", "to_text", required=True, metavar="YEAR", help="Such as 3000, -699 or 700BC.")
@click.option(
    "--from",
    "from_text",
    metavar="YEAR",
    help="The year in which the dial is right.  [default: this one]",
)
@click.option(
    "--plot", "plot_path", type=click.Path(path_type=Path), help="A figure to an SVG file."
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.longrun/1" object.')
def command(
    dial_path: Path, to_text: str, from_text: str | None, plot_path: Path | None, as_json: bool
) -> None:
    """How far DIAL, right in one year, is off in another, and by what.

    Against a clock that follows the Earth a dial drifts with the orbit alone; against uniform
    time it loses all that the slowing Earth loses. Years from 700BC to 10000, year 0 being 1 BC.
    """
    outfile.checked("--plot", plot_path, (".svg",))
    dial = dialfile.load(dial_path)
    base = _year("--from", from_text) if from_text else datetime.now(UTC).year
    to = _year("--to", to_text)
    from dialbench.longrun.account import long_run  # heavy

    with screen.progress() as step:
        run = long_run(dial, base, to, lambda share: step("following the years", share))
        if plot_path is not None:
            from dialbench.plots import figure
            from dialbench.plots.longrun import drawn

            with figure.styled():
                title = f"{dial.name}: the long run"
                made = figure.svg(drawn(run), title, " ".join(run.sentences()))
            outfile.write("--plot", plot_path, made)
    if as_json:
        click.echo(json.dumps({"schema": SCHEMA, **run.as_dict()}, allow_nan=False))
        return
    screen.columns(run.table())
    for sentence in run.sentences():
        screen.say(sentence)


def _year(option: str, text: str) -> int:
    told = _YEAR.fullmatch(text.strip())
    if told is None or (told[2] and int(told[2]) == 0):
        raise UserError(f"{option} {text}: is no year such as 3000, -699 or 700BC")
    return int(told[1]) if told[1] else 1 - int(told[2])
