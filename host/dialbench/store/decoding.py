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
    crossings: list[CrossingRow] = []
    events: list[EventRow] = []
    last_ms: int | None = None
    try:
        for place, record in enumerate(records.records(raw)):
            tag, device_ms = record[:2]
            if abs(device_ms) > LIMIT:
                raise ValueError(f"record of {device_ms} ms after boot")
            last_ms = device_ms if last_ms is None else max(last_ms, device_ms)
            if tag == records.CROSSING:
                if record[3] > 2:
                    raise ValueError(f"crossing of a threshold {record[3]}, which there is not")
                crossings.append((place, device_ms, *record[2:]))
            else:
                events.append((place, device_ms, tag, record[2]))
    except ValueError as wrong:
        return Decoded([], [], None, str(wrong))
    return Decoded(crossings, events, last_ms, "")
