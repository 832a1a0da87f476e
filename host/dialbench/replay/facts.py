"""A replayed day as JSON's own types, and as a table."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from dialbench.reading import zone_time
from dialbench.replay.timeline import Instant, Stretch, Timeline

SCHEMA = "dialbench.replay/1"


def as_dict(timeline: Timeline) -> dict[str, Any]:
    """All of a day but what it is of. Instants are microseconds of Unix UTC.

    changes: which channels come to which state, and when; the first names all of them.
    stretches: the same day by what the dial reads, and what is not as predicted.
    """
    return {
        "schema": SCHEMA,
        "dial": {
            "name": timeline.dial.name,
            "hash": timeline.dial.hash,
            "site": timeline.dial.site.name,
        },
        "day": timeline.day.isoformat(),
        "kind": timeline.kind,
        "start_us": timeline.start_us,
        "end_us": timeline.end_us,
        "channels": timeline.states.channels,
        "changes": [
            {
                "utc_us": utc_us,
                "states": {str(channel): state.value for channel, state in together},
            }
            for utc_us, together in timeline.changes()
        ],
        "stretches": [_stretch(one) for one in timeline.stretches],
    }


def _stretch(one: Stretch) -> dict[str, Any]:
    return {
        "start_us": one.start_us,
        "end_us": one.end_us,
        "observed": one.observed,
        "reads": one.reads.spells if one.reads else None,
        "missing": list(one.missing),
        "stray": list(one.stray),
    }


def instant_dict(instant: Instant) -> dict[str, Any]:
    """One instant of it."""
    return {
        "utc_us": instant.utc_us,
        "zone_time": instant.zone_time.isoformat(),
        "states": [state.value for state in instant.states],
        "reads": instant.reads.spells if instant.reads else None,
        "should_read": instant.should_read.spells if instant.should_read else None,
        "difference_min": instant.difference_min,
        "sun": asdict(instant.sun),
    }


def rows(timeline: Timeline) -> list[tuple[str, ...]]:
    """Stretch by stretch, times of the zone's standard time; the first row is the heading."""
    told: list[tuple[str, ...]] = [("from", "to", "reads", "missing", "stray")]
    for one in timeline.stretches:
        start, end = (zone_time(timeline.dial, at) for at in (one.start_us, one.end_us))
        told.append(
            (
                f"{start:%H:%M:%S}",
                f"{end:%H:%M:%S}",
                reading(one),
                _numbers(one.missing),
                _numbers(one.stray),
            )
        )
    return told


def reading(one: Stretch | Instant) -> str:
    """What the dial reads, in words."""
    if not one.observed:
        return "not observed"
    return one.reads.spells if one.reads is not None else "no face"


def _numbers(channels: tuple[int, ...]) -> str:
    return " ".join(map(str, channels))
