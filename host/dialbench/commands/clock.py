"""dialbench clock"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import click

from dialbench.commands import screen
from dialbench.commands.storefile import chosen_board, looked_at
from dialbench.drift import BootTime, drift


@click.command("clock")
@click.argument("store_path", metavar="STORE", type=click.Path(path_type=Path))
@click.option("--board", "uid", help="Which board, where the store holds several.")
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.clock/1" object.')
def command(store_path: Path, uid: str | None, as_json: bool) -> None:
    """How well the times in STORE are known: drift, marks, readings, and what is uncertain.

    Median and worst half-width over a boot's time of the interval that holds UTC with 95%;
    "read" counts the readings of its clock chip.
    """
    with looked_at(store_path) as store:
        uid = chosen_board(store, store_path, uid).uid
        found = drift(store, uid)
    if as_json:
        click.echo(json.dumps({"board": uid, **found.as_dict(), "sentences": found.sentences}))
        return
    head = ("boot", "from (UTC)", "hours", "marks", "read", "drift ppm", "median s", "worst s")
    screen.columns([head, *(_row(boot) for boot in found.boots)])
    for sentence in found.sentences:
        screen.say(sentence)


def _row(boot: BootTime) -> tuple[str, ...]:
    hours = f"{(boot.last_ms - boot.first_ms) / 3.6e6:.1f}"
    counts = (str(boot.marks), str(boot.readings))
    if not boot.over or boot.drift_ppm is None or boot.drift_sigma_ppm is None:
        return (str(boot.boot), "-", hours, *counts, "-", "-", "-")
    widths = sorted(instant.half_width_s for instant in boot.over)
    return (
        str(boot.boot),
        _shown(boot.over[0].utc_us),
        hours,
        *counts,
        f"{boot.drift_ppm:+.2f} +-{1.96 * boot.drift_sigma_ppm:.2f}",
        f"{widths[len(widths) // 2]:.3f}",
        f"{widths[-1]:.3f}",
    )


def _shown(utc_us: int) -> str:
    """To the minute; a log can also hold what no calendar does."""
    try:
        return f"{datetime.fromtimestamp(utc_us / 1e6, UTC):%Y-%m-%d %H:%M}"
    except (ValueError, OverflowError, OSError):
        return "out of range"
