"""dialbench suntime"""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import click

from dialbench.commands import options, screen
from dialbench.commands.storefile import logged_with_dial, looked_at
from dialbench.errors import UserError
from dialbench.sky import Sky, to_us
from dialbench.solve import solve
from dialbench.solve.suspicion import sound
from dialbench.suntime import FARTHEST_S, between, last_sun, suntime

_BEGINNING_US = -(1 << 62)
_APART_US = 12 * 3_600_000_000  # from the time in question, so that it cannot tell on itself


@click.command("suntime")
@options.which_log
@click.option(
    "--known-by",
    "known_path",
    type=click.Path(path_type=Path),
    metavar="STORE",
    help="The store whose log tells the dial.  [default: what STORE holds before]",
)
@click.option(
    "--from",
    "start",
    metavar="TIME",
    help="From when on, by the log's clock, such as 2027-04-16T12:00Z.  [default: the last hour]",
)
@click.option(
    "--hours", type=options.Finite(0.05, 24), default=1.0, show_default=True, help="For how long."
)
@click.option(
    "--within",
    "farthest_min",
    type=options.Finite(1, 720),
    default=FARTHEST_S / 60,
    show_default=True,
    metavar="MINUTES",
    help="How far off the clock may be.",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.suntime/1" object.')
def command(
    store_path: Path,
    uid: str | None,
    log_hash: str | None,
    dial_path: Path | None,
    known_path: Path | None,
    start: str | None,
    hours: float,
    farthest_min: float,
    as_json: bool,
) -> None:
    """UTC by the Sun alone: how far the clock of STORE's log is off, in one clear hour.

    The dial must be known: from an earlier part of the same log, or with --known-by from
    another. The date is taken from the log.
    """
    with looked_at(store_path) as store:
        named, logged, dial = logged_with_dial(store, store_path, uid, log_hash, dial_path)
    span = last_sun(logged, hours) if start is None else _span(start, hours)
    if span is None:
        raise UserError(f"{store_path}: the log holds no crossings, so the Sun tells nothing")
    if known_path is None:
        seasons = between(logged, _BEGINNING_US, span[0] - _APART_US)
        if not len(seasons.measured.utc_us):
            raise UserError(
                f"{store_path}: holds no crossings more than {_APART_US // 3_600_000_000} h before"
                " the time in question, which would tell the dial: name the store that does with"
                " --known-by"
            )
    else:
        with looked_at(known_path) as store:
            whose, seasons, known_dial = logged_with_dial(store, known_path, None, None, dial_path)
        if whose == named:
            raise UserError(
                f"--known-by {known_path}: is the very log in question, which would tell on itself:"
                " leave --known-by out, or name an earlier log"
            )
        if known_dial.hash != dial.hash:
            raise UserError(
                f"--known-by {known_path}: knows dial {known_dial.hash}, and {store_path} was"
                f" made with dial {dial.hash}: name a store of the same dial"
            )
    sky = Sky(dial.site)
    seasons, doubts = sound(seasons, dial, sky)
    for doubt in doubts:
        screen.note(f"of what tells the dial: {doubt.sentence}")
    with screen.progress() as step:
        known = solve(seasons, dial, sky, step)
    if not known.fit.settled:
        screen.note("the known seasons did not settle when they were solved: trust this less")
    found = suntime(between(logged, *span), known, sky, 60.0 * farthest_min)
    if as_json:
        click.echo(json.dumps({**named, **found.as_dict()}, allow_nan=False))
        return
    screen.table(f"{dial.name}, {dial.site.name}", found.rows())
    for sentence in found.sentences():
        screen.say(sentence)


def _span(start: str, hours: float) -> tuple[int, int]:
    try:
        moment = datetime.fromisoformat(start)
    except ValueError:
        raise UserError(
            f"--from {start}: is no time; write one such as 2027-04-16T12:00Z"
        ) from None
    start_us = to_us(moment)
    return start_us, start_us + round(3.6e9 * hours)
