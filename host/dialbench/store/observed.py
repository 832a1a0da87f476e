"""Observed time: when the board saw direct sun and lost nothing of what it saw."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from dialcore import records

Span = tuple[int, int]  # start_ms, end_ms


@dataclass(frozen=True)
class PageEvents:
    """What one page says about observed time.

    events are (device_ms, tag, payload) in the order written; last_ms is the time of the
    page's latest record, None if its records cannot be read.
    """

    number: int
    last_ms: int | None
    events: Sequence[tuple[int, int, bytes]]


def observed(pages: Iterable[PageEvents]) -> list[Span]:
    """Spans of observed time in one boot; pages in the order of their numbers.

    Time is observed from the GATE record that opens to the one that closes, at the latest
    to the last record. Where pages are missing or cannot be read, or an OVERFLOW says
    that records were lost, it ends with the last record before and begins anew with the
    first GATE after. A BLIND record takes out the milliseconds before it.
    """
    watch = _Watch()
    following: int | None = None
    for page in pages:
        if page.number != following or page.last_ms is None:
            watch.lose()
        following = page.number + 1
        for device_ms, tag, payload in page.events:
            watch.event(device_ms, tag, payload)
        if page.last_ms is not None:
            watch.know(page.last_ms)
    watch.lose()
    return _without(watch.spans, watch.blind)


class _Watch:
    """The gate as it is followed from record to record."""

    def __init__(self) -> None:
        self.spans: list[Span] = []
        self.blind: list[Span] = []
        self._opened: int | None = None
        self._known: int | None = None  # time of the latest record

    def know(self, device_ms: int) -> None:
        self._known = device_ms if self._known is None else max(self._known, device_ms)

    def lose(self) -> None:
        """Nothing is known from the latest record on, until the next GATE."""
        if self._known is not None:
            self._close(self._known)

    def _close(self, device_ms: int) -> None:
        if self._opened is not None and self._opened < device_ms:
            self.spans.append((self._opened, device_ms))
        self._opened = None

    def event(self, device_ms: int, tag: int, payload: bytes) -> None:
        try:
            if tag == records.GATE:
                is_open, _direct = records.unpack_gate(payload)
                if not is_open:
                    self._close(device_ms)
                elif self._opened is None:
                    self._opened = device_ms
            elif tag == records.BLIND:
                self.blind.append((device_ms - records.unpack_count(payload), device_ms))
            elif tag in (records.BOOT, records.OVERFLOW):
                self.lose()
        except ValueError:
            self.lose()  # a record of a known kind that says nothing readable
        self.know(device_ms)


def _without(spans: list[Span], holes: list[Span]) -> list[Span]:
    """spans less holes; both in any order, spans not overlapping each other."""
    for start, end in holes:
        cut = []
        for a, b in spans:
            if a < min(b, start):
                cut.append((a, min(b, start)))
            if max(a, end) < b:
                cut.append((max(a, end), b))
        spans = cut
    return sorted(spans)
