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
    crossing = records.CROSSING
    try:
        found = list(records.records(raw))
        times = [record[1] for record in found]
        for device_ms in (min(times, default=0), max(times, default=0)):
            if abs(device_ms) > LIMIT:
                raise ValueError(f"record of {device_ms} ms after boot")
        # A pull waits for this loop: no record is taken apart and put together more than once.
        for place, record in enumerate(found):
            if record[0] == crossing:
                _, device_ms, channel, threshold, rise = record
                if threshold > 2:
                    raise ValueError(f"crossing of a threshold {threshold}, which there is not")
                crossings.append((place, device_ms, channel, threshold, rise))
            else:
                tag, device_ms, payload = record
                events.append((place, device_ms, tag, payload))
    except ValueError as wrong:
        return Decoded([], [], None, str(wrong))
    return Decoded(crossings, events, max(times, default=None), "")
