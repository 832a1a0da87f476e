"""dialbench reading"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import numpy as np

from dialbench import dialfile
from dialbench.commands import options, screen
from dialbench.commands.storefile import is_store, logged_with_dial, looked_at
from dialbench.errors import UserError

if TYPE_CHECKING:
    from dialbench.dial import Dial
    from dialbench.reading import Pattern
    from dialbench.sky import Sky


@click.command("reading")
@click.argument("path", metavar="STORE|DIAL", type=click.Path(path_type=Path))
@click.option("--year", type=int, help="Of a DIAL: the year predicted.  [default: this one]")
@click.option("--dial", "dial_path", type=click.Path(path_type=Path), help="Of a STORE.")
@click.option("--board", "uid", help="Of a STORE: which board, where it holds several.")
@click.option("--log", "log_hash", help="Of a STORE: which imported log.")
@click.option(
    "--pose",
    "pose_deg",
    type=options.Finite(-20, 20),
    nargs=3,
    metavar="X Y Z",
    help="How the body stands, in degrees, as solve tells.",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.readings/1" object.')
def command(
    path: Path,
    year: int | None,
    dial_path: Path | None,
    uid: str | None,
    log_hash: str | None,
    pose_deg: tuple[float, float, float] | None,
    as_json: bool,
) -> None:
    """What a dial read: measured, from a STORE, or predicted for a year, from a DIAL.

    The share of the plan's time in which it read right, wrong or not at all, by month and by
    hour; its errors against several kinds of time; what was mistaken for what; and which part
    of the error is whose. The first year of a dial takes a minute or two.
    """
    from dialbench.readings import readings  # heavy
    from dialbench.sky import Sky

    with screen.progress() as step:
        if is_store(path):
            if year is not None:
                raise UserError("--year goes with a DIAL; a STORE is read as it was logged")
            named, dial, lit, sigma_s = _logged(path, uid, log_hash, dial_path)
            sky = Sky(dial.site)
        else:
            for option, given in (("--dial", dial_path), ("--board", uid), ("--log", log_hash)):
                if given is not None:
                    raise UserError(f"{option} goes with a STORE, and {path} is none")
            dial = dialfile.load(path)
            sky = Sky(dial.site)
            named, sigma_s = {}, 0.0
            lit = _predicted(dial, sky, year or datetime.now(UTC).year, step, pose_deg)
        found = readings(dial, sky, lit, pose_deg, sigma_s, lambda share: step("reading", share))
    if as_json:
        click.echo(json.dumps({**named, **found.as_dict()}, allow_nan=False))
        return
    screen.columns(found.table())
    screen.columns(found.error_table())
    for sentence in found.sentences():
        screen.say(sentence)


def _logged(
    path: Path, uid: str | None, log_hash: str | None, dial_path: Path | None
) -> tuple[dict[str, str], Dial, Pattern, float]:
    from dialbench.reading import pattern

    with looked_at(path) as store:
        named, logged, dial = logged_with_dial(store, path, uid, log_hash, dial_path)
    sigma_s = logged.measured.sigma_s
    known = sigma_s[np.isfinite(sigma_s)]
    lit = pattern(logged.measured, logged.observed, logged.snapshots)
    return named, dial, lit, float(np.sqrt((known**2).mean())) if len(known) else 0.0


def _predicted(
    dial: Dial, sky: Sky, year: int, step: Any, pose_deg: tuple[float, float, float] | None
) -> Pattern:
    from dialbench import predict
    from dialbench.crossing import NOMINAL
    from dialbench.reading import pattern
    from dialbench.sky import SkyError, to_us

    try:
        start_us, end_us = (
            to_us(datetime(at, 1, 1, tzinfo=dial.site.tz)) for at in (year, year + 1)
        )
    except ValueError as error:
        raise SkyError(f"--year {year}: is no year of the calendar") from error
    step("predicting", 0.0)
    crossings = predict.crossings(dial, sky, start_us, end_us, pose_deg or NOMINAL)
    step("predicting", 1.0)
    up = sky.up_spans(start_us, end_us)
    days = list(zip(up.begin_us.tolist(), up.end_us.tolist(), strict=True))
    return pattern(crossings, days)
