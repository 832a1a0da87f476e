"""dialbench replay"""

from __future__ import annotations

import json
import os
import re
from datetime import date, time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dialbench import dialfile
from dialbench.commands import outfile, screen
from dialbench.commands.options import Day, Finite
from dialbench.errors import UserError

if TYPE_CHECKING:
    from dialbench.replay.timeline import Timeline

_TIME = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)(?::([0-5]\d))?", re.ASCII)
_STORE = b"SQLite format 3\x00"
_LONGEST = 86_400.0


@click.command("replay")
@click.argument("path", metavar="DIAL|STORE", type=click.Path(path_type=Path))
@click.option("--on", "day", type=Day(), required=True, metavar="DAY", help="Such as 2027-04-16.")
@click.option("--board", "uid", help="Which board, where the store holds several logs.")
@click.option("--log", "log_hash", help="Which imported log, where the store holds several logs.")
@click.option(
    "--dial",
    "dial_path",
    type=click.Path(path_type=Path),
    help="Another dial.toml than the one that came with the log.",
)
@click.option(
    "--at",
    "at_text",
    metavar="TIME",
    help="The face at one instant, HH:MM or HH:MM:SS by the zone's standard time.",
)
@click.option(
    "--picture",
    "picture_path",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="The day as a moving picture (SVG) that any browser plays.",
)
@click.option(
    "--seconds",
    type=Finite(1, _LONGEST),
    help="How long the picture plays.  [default: 60]",
)
@click.option(
    "--speed",
    type=Finite(1, _LONGEST),
    help="In place of --seconds: how many times as fast as the day itself.",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.replay/1" object.')
def command(
    path: Path,
    day: date,
    uid: str | None,
    log_hash: str | None,
    dial_path: Path | None,
    at_text: str | None,
    picture_path: Path | None,
    seconds: float | None,
    speed: float | None,
    as_json: bool,
) -> None:
    """A day of a dial's face, with all that changes on it.

    Of a dial.toml, DIAL, the day as predicted without a cloud; of a STORE, the day as a board
    logged it (or another make's logger), held against that. Times are of the site's zone,
    without summer time: a dial knows none.
    """
    from dialbench.replay import facts  # heavy, as all that predicts
    from dialbench.replay.picture import SECONDS
    from dialbench.watch.replay import panel

    clock = None if at_text is None else _clock(at_text)
    if picture_path is None and (seconds is not None or speed is not None):
        raise UserError("--seconds and --speed say how fast a picture plays: add --picture FILE")
    if seconds is not None and speed is not None:
        raise UserError("--seconds and --speed: give only one of them")
    if picture_path is not None and os.path.lexists(picture_path):
        raise UserError(
            f"--picture {picture_path}: is there already, and is not written over: name a new file"
        )
    named: dict[str, str] = {}
    left_out: tuple[str, ...] = ()
    if _is_store(path):
        named, timeline, left_out = _stored(path, uid, log_hash, dial_path, day)
    elif uid or log_hash or dial_path:
        raise UserError(f"--board, --log and --dial go with a store, and {path} is none")
    else:
        timeline = _predicted(path, day)

    instant = None if clock is None else timeline.at(_instant_us(timeline, clock))
    if picture_path is not None:
        length_s = timeline.states.span_us / 1e6 / speed if speed else seconds or SECONDS
        size = _draw(timeline, length_s, picture_path)
        screen.note(f"{picture_path}: {size / 1000:.0f} kB, plays for {length_s:.0f} s")
    if as_json:
        more = {
            "at": None if instant is None else facts.instant_dict(instant),
            "left_out": list(left_out),
        }
        click.echo(json.dumps({**named, **facts.as_dict(timeline), **more}, allow_nan=False))
        return
    if instant is not None:
        click.echo(panel.plain(timeline, instant))
    elif picture_path is None:
        screen.say(f"{timeline.dial.name}, {timeline.dial.site.name}: {day}, {timeline.kind}.")
        screen.columns(facts.rows(timeline))
    for sentence in left_out:
        screen.say(sentence)


def _predicted(path: Path, day: date) -> Timeline:
    from dialbench.replay.days import predicted_day
    from dialbench.sky import Sky

    dial = dialfile.load(path)
    with screen.progress() as progress:
        return predicted_day(dial, Sky(dial.site), day, progress)


def _stored(
    path: Path, uid: str | None, log_hash: str | None, dial_path: Path | None, day: date
) -> tuple[dict[str, str], Timeline, tuple[str, ...]]:
    """How the log is named, its day, and what of it does not count."""
    from dialbench.commands.storefile import logged_with_dial, looked_at
    from dialbench.replay.days import stored_day
    from dialbench.sky import Sky

    with looked_at(path) as store:
        named, logged, dial = logged_with_dial(store, path, uid, log_hash, dial_path)
    with screen.progress() as progress:
        return named, stored_day(logged, dial, Sky(dial.site), day, progress), logged.left_out


def _draw(timeline: Timeline, seconds: float, path: Path) -> int:
    """Write the picture; its size in bytes."""
    from dialbench.replay.picture import animated

    text = animated(timeline, seconds)
    outfile.write("--picture", path, text)
    return len(text.encode())


def _is_store(path: Path) -> bool:
    """Whether a file is a store, whatever its name; what cannot be read is taken for a dial's,
    whose reader says what is wrong with it."""
    try:
        with path.open("rb") as stream:
            return stream.read(len(_STORE)) == _STORE
    except (OSError, ValueError):
        return False


def _clock(text: str) -> time:
    match = _TIME.fullmatch(text)
    if match is None:
        raise UserError(f"--at {text}: is no time; write one such as 12:00 or 12:00:30")
    return time(int(match[1]), int(match[2]), int(match[3] or 0))


def _instant_us(timeline: Timeline, clock: time) -> int:
    from dialbench.reading import zone_time

    found = timeline.instant_us(clock)
    if found is None:
        first, last = (zone_time(timeline.dial, at) for at in (timeline.start_us, timeline.end_us))
        raise UserError(
            f"--at {clock}: {timeline.day} goes from {first:%H:%M:%S} to {last:%H:%M:%S} here:"
            " choose a time between"
        )
    return found
