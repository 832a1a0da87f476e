"""From a raw page to rows. VERSION moves whenever the same page gives other rows."""

from __future__ import annotations

from dataclasses import dataclass

from dialcore import records

VERSION = 2
LIMIT = 1 << 53  # times beyond it, in whatever unit, are nonsense; floats would round them

CrossingRow = tuple[int, int, int, int, int]  # place, device_ms, channel, threshold, rise
EventRow = tuple[int, int, int, bytes]  # place, device_ms, tag, payload


@dataclass(frozen=True)
class Decoded:
    """One page's records; place counts them in the order written, across both kinds.

    last_ms is the time of the latest. A page whose records cannot be read has none, and
    problem says why.
    """

    crossings: list[CrossingRow]
    events: list[EventRow]
    last_ms: int | None
    problem: str


def decode(raw: bytes) -> Decoded:
    """The rows of one page; whatever it holds, it does not raise."""
    try:
        found = list(records.records(raw))
        times = [record[1] for record in found]
        for device_ms in (min(times, default=0), max(times, default=0)):
            if abs(device_ms) > LIMIT:
                raise ValueError(f"record of {device_ms} ms after boot")
        for record in found:
            if record[0] == records.CROSSING and record[3] > 2:
                raise ValueError(f"crossing of a threshold {record[3]}, which there is not")
    except ValueError as wrong:
        return Decoded([], [], None, str(wrong))
    crossing = records.CROSSING
    return Decoded(
        [(place, *record[1:]) for place, record in enumerate(found) if record[0] == crossing],
        [(place, r[1], r[0], r[2]) for place, r in enumerate(found) if r[0] != crossing],
        max(times, default=None),
        "",
    )
