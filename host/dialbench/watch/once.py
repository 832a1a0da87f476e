"""The same facts without a screen: one look, as JSON's own types or as plain text."""

from __future__ import annotations

import os
import queue
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from typing import Any

from dialbench.dial import Dial
from dialbench.errors import UserError, inert
from dialbench.shares import Shift
from dialbench.states import State
from dialbench.watch import glyphs, panel
from dialbench.watch.events import Connected, Event, Lost
from dialbench.watch.feed import Feed
from dialbench.watch.forecast import Forecast
from dialbench.watch.known import Known, heard
from dialbench.watch.model import LiveState, live_state

SCHEMA = "dialbench.watch/1"
WAIT_S = 10.0
_FACE = (72, 24)  # characters the plain text's face may take


def look(
    feed: Feed,
    forecast: Forecast,
    clock_us: Callable[[], int],
    stored: Callable[[str], Shift | None] = lambda uid: None,
) -> LiveState:
    """One live state: waits for the board's counters, clock mark and first look.

    stored: how late crossings come by what the store holds of the board of that uid.
    Raises UserError where there is no board. A board that sends no look within WAIT_S is
    told of as it is, with "no data".
    """
    heard_of: queue.SimpleQueue[Event] = queue.SimpleQueue()
    known = Known(changes=forecast.changes(clock_us()))
    until_s = time.monotonic() + WAIT_S
    feed.start(heard_of.put)
    try:
        while known.frame is None:
            try:
                event = heard_of.get(timeout=max(0.0, until_s - time.monotonic()))
            except queue.Empty:
                break
            if isinstance(event, Lost):
                raise UserError(event.reason)
            known = heard(known, event, clock_us(), forecast.dial)
    finally:
        feed.stop()
    if known.ours:
        known = replace(known, stored=stored(known.seen.uid))
    now_us = clock_us()
    now = forecast.moment(now_us)
    at_frame = None if known.frame is None else forecast.moment(known.frame.utc_us)
    return live_state(forecast.dial, known, now, at_frame, time.monotonic())


def snapshot(live: LiveState) -> dict[str, Any]:
    """Everything the screen shows as one "dialbench.watch/1" object. Instants are
    microseconds of Unix UTC, None stands for what is not known."""
    connection = live.connection
    change = live.change
    return {
        "schema": SCHEMA,
        "dial": {
            "name": live.dial.name,
            "hash": live.dial.hash,
            "site": live.dial.site.name,
        },
        "utc": live.utc.isoformat(),
        "utc_us": live.utc_us,
        "zone_time": live.zone_time.isoformat(),
        "observed": not live.why_unobserved,
        "why_unobserved": live.why_unobserved,
        "states": [state.value for state in live.states],
        "counts": {
            state.value: count for state, count, _ in panel.tally(live.states, live.why_unobserved)
        },
        "reads": live.reads.spells if live.reads else None,
        "should_read": live.should_read.spells if live.should_read else None,
        "difference_min": live.difference_min,
        "shares": live.shares.as_dict(),
        "next_change": asdict(change) if change else None,
        "sun": asdict(live.sun),
        "link": {
            "connected": isinstance(connection, Connected),
            "port": connection.port if connection else None,
            "board": asdict(connection) if isinstance(connection, Connected) else None,
            "lost": connection.reason if isinstance(connection, Lost) else None,
            "frame_age_s": live.frame_age_s,
            "dropped": live.dropped,
            "unshown": live.unshown,
        },
        "log": asdict(live.health) if live.health else None,
        "clock_mark": asdict(live.mark) if live.mark else None,
        "pulling": asdict(live.pulling) if live.pulling else None,
        "comparing": live.comparing,
        "events": [{"utc_us": utc_us, "text": text} for utc_us, text in live.happened],
    }


def plain(live: LiveState, blocks: bool | None = None) -> str:
    """The same as text for a terminal or a file, no colours and nothing that steers.

    blocks: whether it may show them; None asks standard output and its terminal.
    """
    if blocks is None:
        blocks = shows_blocks()
    lines = [f"{inert(live.dial.name)}, {inert(live.dial.site.name)}", ""]
    sections = panel.sections(live, roomy=True)
    lines += drawn(live.dial, live.states, live.why_unobserved, sections, blocks)
    if live.happened:
        lines += ["", "events"]
        lines += [f"  {panel.stamp(live, utc_us)}  {inert(text)}" for utc_us, text in live.happened]
    return joined(lines, blocks)


def drawn(
    dial: Dial,
    states: Sequence[State],
    why_unobserved: str,
    sections: Sequence[panel.Section],
    blocks: bool,
) -> list[str]:
    """A face, its legend and the facts beside it, line by line."""
    lines = []
    size = glyphs.fit(dial.channels, *_FACE, blocks)
    if size is not None:
        rows = glyphs.face(dial.channels, states, size)
        lines += ["".join(text for text, _ in runs) for runs in rows]
        lines.append("")
    for state, count, meaning in panel.tally(states, why_unobserved):
        top, bottom = glyphs.sample(state, 3, blocks)
        lines += [f"{top} {state.value} {count}", f"{bottom} {meaning}"]
    for section in sections:
        lines += ["", section.title]
        for row in section.rows:
            lines.append(f"  {row.label:14}{'!' if row.alert else ' '}{row.value}")
    return lines


def joined(lines: Sequence[str], blocks: bool) -> str:
    """Lines as one text, in ASCII where there are no blocks."""
    text = "\n".join(line.rstrip() for line in lines)
    return text if blocks else glyphs.ascii_only(text)


def shows_blocks() -> bool:
    """Whether standard output and its terminal can show more than ASCII."""
    return glyphs.can_show_blocks(sys.stdout.encoding, os.environ.get("TERM", ""))
