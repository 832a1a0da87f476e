"""What a store holds of one board: pages and gaps, days and their direct sun, how sure the clock is."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, date, tzinfo
from typing import Any

import numpy as np

from dialbench import dialfile
from dialbench.clock import ClockModel
from dialbench.days import dated, local_days
from dialbench.errors import UserError
from dialbench.store import Losses, Store, StoredBoard
from dialbench.store.check import CLOCK_S, covered
from dialbench.store.selftold import SelfTold, self_told

SCHEMA = "dialbench.holdings/1"
_SHOWN = 5  # gaps or days in a sentence
_TWO_DAYS_US = 172_800_000_000  # the next midnight is nearer, whatever the zone does


@dataclass(frozen=True)
class Day:
    """One day of the zone, "YYYY-MM-DD": seconds of direct sun, and crossings, all thresholds."""

    day: str
    sun_s: float
    crossings: int


@dataclass(frozen=True)
class Holdings:
    """What is in a store of one board's log.

    pages: all of them; gaps: first and last number of each run of pages that the present log
    should hold and the store lacks; first_page, last_page: of the present log, None
    without any page. boots: how many logged anything, dark_boots: those of them whose
    times cannot be told. zone: whose days they are, the site's or UTC where the dial is not
    known. observed_s: direct sun; covered_s: that of it in which the clock is known to
    clock_s, at 95%. told: what the board last logged of itself.
    """

    board: str
    pages: int
    first_page: int | None
    last_page: int | None
    gaps: tuple[tuple[int, int], ...]
    boots: int
    dark_boots: tuple[int, ...]
    zone: str
    days: tuple[Day, ...]
    observed_s: float
    covered_s: float
    clock_s: float
    losses: Losses
    told: SelfTold

    def as_dict(self) -> dict[str, Any]:
        """The same as JSON's own types; SCHEMA names its form."""
        return {"schema": SCHEMA, **asdict(self)}

    @property
    def sentence(self) -> str:
        """The same in words, as far as a line takes it."""
        if self.first_page is None:
            return f"board {self.board}: no page."
        lacking = f"lacks {listed(self.gaps, _SHOWN)}" if self.gaps else "none lacking"
        days = ", ".join(f"{day.day} {day.sun_s / 3600:.1f} h" for day in self.days[-_SHOWN:])
        more = f"{len(self.days) - _SHOWN} days before, " if len(self.days) > _SHOWN else ""
        return (
            f"board {self.board}: pages {self.first_page} to {self.last_page}, {lacking}; boots"
            f" {self.boots}; direct sun {more}{days or 'none'} ({self.zone})."
        )


def listed(gaps: Sequence[tuple[int, int]], most: int) -> str:
    """Runs of numbers in words: "3, 5-9 and 2 more runs"."""
    told = ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in gaps[:most])
    left = len(gaps) - most
    return f"{told} and {left} more runs" if left > 0 else told


def holdings(store: Store, board: StoredBoard) -> Holdings:
    """What store holds of board. Raises StoreError as the store does."""
    with store.reading():  # a pull may be writing
        return _holdings(store, board)


def _holdings(store: Store, board: StoredBoard) -> Holdings:
    uid = board.uid
    numbers, log = store.numbers(uid), store.log_pages(uid)
    clock, spans = store.clock(uid), store.observed(uid)
    observed_s, covered_s, _ = covered(clock, spans)
    boots = sorted(store.extents(uid))
    zone, tz = _zone(board)
    return Holdings(
        board=uid,
        pages=board.pages,
        first_page=numbers[0] if numbers else None,
        last_page=numbers[-1] if numbers else None,
        gaps=tuple((gap.start, gap.stop - 1) for gap in store.missing(uid, log.start, log.stop)),
        boots=len(boots),
        dark_boots=tuple(boot for boot in boots if not clock.covers(boot)),
        zone=zone,
        days=_days(store, uid, clock, spans, tz),
        observed_s=round(observed_s, 3),
        covered_s=round(covered_s, 3),
        clock_s=CLOCK_S,
        losses=store.losses(uid),
        told=self_told(store, uid),
    )


def _zone(board: StoredBoard) -> tuple[str, tzinfo]:
    """The site's zone, as far as the store knows the dial."""
    if board.dial_toml is not None:
        with suppress(UserError):
            site = dialfile.parse(board.dial_toml, f"dial of board {board.uid}").site
            return site.zone, site.tz
    return "UTC", UTC


def _days(
    store: Store, uid: str, clock: ClockModel, spans: Sequence[tuple[int, int, int]], tz: tzinfo
) -> tuple[Day, ...]:
    """Direct sun and crossings day by day, of the boots whose times can be told."""
    sun_us: dict[int, int] = {}
    for boot, start_ms, end_ms in spans:
        if clock.covers(boot):
            start_us, end_us = (int(at) for at in clock.utc_us(boot, [start_ms, end_ms]))
            for day, lasted_us in _by_day(start_us, end_us, tz):
                sun_us[day] = sun_us.get(day, 0) + lasted_us
    logged = store.crossings(uid)
    told = np.isin(logged.boot, [boot for boot in np.unique(logged.boot) if clock.covers(boot)])
    utc_us = clock.utc_us(logged.boot[told], logged.device_ms[told])
    days, counts = np.unique(local_days(utc_us[dated(utc_us)], tz), return_counts=True)
    many = dict(zip(days.tolist(), counts.tolist(), strict=True))
    return tuple(
        Day(date.fromordinal(day).isoformat(), sun_us.get(day, 0) / 1e6, many.get(day, 0))
        for day in sorted(sun_us.keys() | many.keys())
    )


def _by_day(start_us: int, end_us: int, tz: tzinfo) -> Iterator[tuple[int, int]]:
    """A span cut at the zone's midnights: (day, microseconds) of each part."""
    if not dated(np.array([start_us, end_us])).all():
        return  # a broken clock's: of no day
    while start_us < end_us:
        day, last = local_days(np.array([start_us, end_us - 1]), tz).tolist()
        cut_us = end_us
        if day != last:
            low_us, high_us = start_us, min(end_us, start_us + _TWO_DAYS_US)
            while high_us - low_us > 1:
                middle_us = (low_us + high_us) // 2
                same = int(local_days(np.array([middle_us]), tz)[0]) == day
                low_us, high_us = (middle_us, high_us) if same else (low_us, middle_us)
            cut_us = high_us
        yield day, cut_us - start_us
        start_us = cut_us
