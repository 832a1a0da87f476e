"""The facts of a replayed instant, as titled rows of text: for the page and for plain print."""

from __future__ import annotations

from dialbench.errors import inert
from dialbench.replay.facts import reading
from dialbench.replay.timeline import Instant, Timeline
from dialbench.states import State
from dialbench.watch import once
from dialbench.watch.panel import Row, Section, numbers, offset, sun_rows


def sections(timeline: Timeline, instant: Instant) -> tuple[Section, ...]:
    """Everything beside the face, in reading order."""
    due = instant.should_read.spells if instant.should_read else "nothing now"
    away = "-" if instant.difference_min is None else f"{instant.difference_min:+.1f} min"
    clock = instant.zone_time
    missing, stray = (instant.channels(state) for state in (State.MISSING, State.STRAY))
    return (
        Section(
            "time",
            (
                Row("dial reads", reading(instant), alert=bool(missing or stray)),
                Row("should read", due),
                Row("zone clock", f"{clock:%H:%M:%S}  {offset(clock)}"),
                Row("dial - clock", away),
            ),
        ),
        Section(
            "not as predicted",
            (
                Row("missing", numbers(missing), alert=bool(missing)),
                Row("stray", numbers(stray), alert=bool(stray)),
            ),
        ),
        Section("Sun, deg", sun_rows(instant.sun)),
        Section("day", (Row("day", f"{timeline.day}"), Row("shown", timeline.kind))),
    )


def plain(timeline: Timeline, instant: Instant, blocks: bool | None = None) -> str:
    """An instant as text for a terminal or a file; blocks as once.plain."""
    if blocks is None:
        blocks = once.shows_blocks()
    dial = timeline.dial
    lines = [f"{inert(dial.name)}, {inert(dial.site.name)}", ""]
    lines += once.drawn(dial, instant.states, "", sections(timeline, instant), blocks)
    return once.joined(lines, blocks)
