"""dialbench predict"""

from __future__ import annotations

import json
import sys
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dialbench import dialfile
from dialbench.commands import screen
from dialbench.commands.options import Finite
from dialbench.errors import UserError

if TYPE_CHECKING:
    from dialbench.prediction import Prediction

SCHEMA = "dialbench.predict/1"
_LISTED_H = 26  # a longer time is told channel by channel


@click.command("predict")
@click.argument("dial_path", metavar="DIAL", type=click.Path(path_type=Path))
@click.option("--from", "first", required=True, metavar="WHEN", help="First day, or instant.")
@click.option("--to", "last", metavar="WHEN", help="Last day, or instant; left out: one day.")
@click.option(
    "--threshold",
    "thresholds",
    type=Finite(0.01, 0.99),
    multiple=True,
    default=(0.5,),
    show_default=True,
    help="Lit fraction from which a channel counts as lit; may be given several times.",
)
@click.option("--channel", "channels", type=int, multiple=True, help="Only this one; or several.")
@click.option(
    "--csv", "csv_path", type=click.Path(path_type=Path), help="Spans to a file, - stdout."
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.predict/1" object.')
def command(
    dial_path: Path,
    first: str,
    last: str | None,
    thresholds: tuple[float, ...],
    channels: tuple[int, ...],
    csv_path: Path | None,
    as_json: bool,
) -> None:
    """When each channel of DIAL is lit, ghosts included, as the ephemeris has it.

    WHEN is a day, such as 2027-04-16, from midnight to midnight of the site's zone, or an
    instant with its zone, such as 2027-04-16T12:00-01:00. A span begins and ends with a
    crossing, or with the Sun's rise or set, or behind the skyline. Beside it stands what
    the channel's own bores would do by themselves: a span that they know nothing of is a
    ghost. A year takes a minute the first time, while the dial's borders are worked out;
    they are kept.
    """
    dial = dialfile.load(dial_path)
    wrong = [number for number in channels if not 0 <= number < len(dial.channels)]
    if wrong:
        raise UserError(
            f"--channel {wrong[0]}: {dial_path} has channels 0 to {len(dial.channels) - 1}"
        )
    begin, _ = _when("--from", first, dial.site.tz)
    _, end = _when("--to" if last else "--from", last or first, dial.site.tz)
    if last is None and begin == end:
        end = begin + timedelta(days=1)
    if end <= begin:
        raise UserError(f"--to {last}: is not after --from {first}")
    from dialbench.prediction import predicted  # heavy

    with screen.progress() as progress:
        found = predicted(dial, begin, end, tuple(sorted(set(thresholds))), progress)
    if as_json and csv_path is not None and str(csv_path) == "-":
        raise UserError("--csv - and --json: only one of them can have stdout")
    if channels:
        found = found.only(channels)
    if csv_path is not None:
        if str(csv_path) == "-":
            found.write_csv(sys.stdout)
        else:
            with csv_path.open("w", encoding="utf-8", newline="") as stream:
                found.write_csv(stream)
    if as_json:
        click.echo(json.dumps({"schema": SCHEMA, **found.as_dict()}))
    elif csv_path is None:
        _show(found, end - begin <= timedelta(hours=_LISTED_H))


def _when(option: str, text: str, zone: Any) -> tuple[datetime, datetime]:
    """The beginning and the end of what a text names: a day of the zone, or an instant."""
    try:
        if len(text) == len("2027-04-16"):
            day = date.fromisoformat(text)
            midnight = datetime.combine(day, time(0), tzinfo=zone)
            return midnight, datetime.combine(day + timedelta(days=1), time(0), tzinfo=zone)
        instant = datetime.fromisoformat(text)
    except (ValueError, OverflowError) as error:
        raise UserError(
            f"{option} {text}: is no day such as 2027-04-16, nor an instant such as "
            "2027-04-16T12:00-01:00"
        ) from error
    if instant.utcoffset() is None:
        raise UserError(
            f"{option} {text}: says no zone; write an instant such as 2027-04-16T12:00-01:00, "
            "or a day such as 2027-04-16"
        )
    return instant, instant


def _show(found: Prediction, listed: bool) -> None:
    """On a terminal: a day span by span, a longer time channel by channel."""
    site = found.dial.site
    screen.say(
        f"{found.dial.name}, {site.name}: air of {site.pressure_mbar:.0f} mbar and "
        f"{site.temperature_C:.1f} deg C; {len(found.spans)} lit spans, {found.crossings} "
        f"crossings, {int(found.ghost.sum())} ghosts, {int(found.grazing.sum())} grazing."
    )
    if listed:
        screen.columns(found.span_rows())
    else:
        screen.columns(found.channel_rows())
        screen.say("Span by span: --csv FILE, or a single day.")
