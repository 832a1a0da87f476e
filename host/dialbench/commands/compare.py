"""dialbench compare"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import click

from dialbench.analysis import analysed
from dialbench.commands import options, screen
from dialbench.commands.storefile import logged_with_dial, looked_at
from dialbench.residuals import Group, residuals
from dialbench.sky import Sky
from dialbench.solve.suspicion import of_crossings


@click.command("compare")
@options.which_log
@click.option(
    "--residuals",
    "each",
    is_flag=True,
    help="Also how late the crossings came: by channel, hour and day; with --json every one.",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.analysis/1" object.')
def command(
    store_path: Path,
    uid: str | None,
    log_hash: str | None,
    dial_path: Path | None,
    each: bool,
    as_json: bool,
) -> None:
    """Compare what STORE holds with the ephemeris, and say how the dial did."""
    with looked_at(store_path) as store:
        named, logged, dial = logged_with_dial(store, store_path, uid, log_hash, dial_path)
    sky = Sky(dial.site)
    found, doubts = analysed(logged, dial, sky), of_crossings(logged, dial, sky)
    late = residuals(found.comparison, dial, sky) if each else None
    if as_json:
        facts = {**named, **found.as_dict(), "suspicions": [one.as_dict() for one in doubts]}
        if late is not None:
            facts["residuals"] = late.as_dict()
        click.echo(json.dumps(facts))
        return
    screen.table(f"{dial.name}, {dial.site.name}", found.rows)
    if late is not None:
        for what, groups in (
            ("channel", late.by_channel()),
            ("solar time", late.by_hour()),
            ("day", late.by_day()),
        ):
            screen.columns([(what, "crossings", "median late s", "middle half"), *_rows(groups)])
    for sentence in found.sentences:
        screen.say(sentence)
    for doubt in doubts:
        screen.say(doubt.sentence)


def _rows(groups: Sequence[Group]) -> list[tuple[str, ...]]:
    return [
        (
            group.name,
            str(len(group.points)),
            f"{group.median_s:+.1f}",
            f"{group.low_s:+.1f} to {group.high_s:+.1f}",
        )
        for group in groups
    ]
