"""One log as tables: what was logged, what was predicted, and how late each crossing came."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dialbench.clock import ClockModel
from dialbench.compare import KINDS, Comparison, compare
from dialbench.crossing import Crossings
from dialbench.dial import Dial
from dialbench.exchange.table import NO_TIME, Chunk, Column, Table, cut
from dialbench.logged import Logged, predicted
from dialbench.sky import Sky
from dialbench.store import ForeignLog, Store, WrittenCrossings

_CHANNEL = Column("channel", "integer", "Pixel of the dial and the sensor behind it, from 0.")
_THRESHOLD = Column(
    "threshold",
    "number",
    "Lit fraction that was passed: direct light as a share of the unobstructed beam.",
    decimals=2,
)
_DIRECTION = Column(
    "direction", "string", "rise where the lit fraction grew, fall where it shrank."
)
_SIGMA = Column(
    "sigma_s", "number", "Standard uncertainty of the clock at that time, s; empty: not known."
)
_BOOT = Column("boot", "integer", "How often the board had been started; counts its boots.")
_DEVICE = Column("device_ms", "integer", "The board's own time, ms since that boot; never set.")
_UTC = Column(
    "utc", "datetime", "When it was measured, UTC, to 1e-6 s; empty where no clock tells the time."
)
_DUE = Column("utc", "datetime", "When it is due by the ephemeris for the dial as drawn, UTC.")

_PAGE = Column("page", "integer", "Number of the page of the log it stands on.")
_WHAT = (_CHANNEL, _THRESHOLD, _DIRECTION)
MARK_COLUMNS = (
    _BOOT,
    _DEVICE,
    Column("utc_us", "integer", "UTC at that time, microseconds of Unix time."),
    Column("sigma_us", "integer", "Its standard uncertainty, microseconds."),
    Column("source", "string", "link, log or satellites: where the mark was found."),
)
_LOGGED = "Crossings: instants at which a channel's lit fraction passed a threshold, as logged."
_SEEN = "Observed time: spans of direct sun in which nothing was lost; only in them is one missed."


def board_tables(store: Store, uid: str, clock: ClockModel) -> Iterator[Table]:
    """crossings, observed and marks of a board; rows are read as they are written."""

    def crossings() -> Iterator[Chunk]:
        for part in store.crossings_written(uid):
            utc_us, sigma_s = told(clock, part)
            yield (part.boot, part.page, part.device_ms, *_what(part), utc_us, sigma_s)

    def observed() -> Iterator[Chunk]:
        spans = np.array(store.observed(uid), np.int64).reshape(-1, 3)
        boot = spans[:, 0]
        covered = _covered(clock, boot)
        ends = [np.full(len(spans), NO_TIME) for _ in "be"]
        for end, device_ms in zip(ends, spans.T[1:], strict=True):
            end[covered] = clock.utc_us(boot[covered], device_ms[covered])
        yield from cut((*ends, *spans.T))

    def marks() -> Iterator[Chunk]:
        found = store.marks(uid)
        numbers = np.array(
            [(one.boot, one.device_ms, one.utc_us, one.sigma_us) for one in found], np.int64
        ).reshape(-1, 4)
        yield from cut((*numbers.T, [one.source for one in found]))

    yield Table(
        "crossings",
        f"{_LOGGED} In the order written.",
        (_BOOT, _PAGE, _DEVICE, *_WHAT, _UTC, _SIGMA),
        crossings,
    )
    yield Table(
        "observed",
        _SEEN,
        (
            *_spans("; empty where no clock tells the time"),
            _BOOT,
            Column("start_device_ms", "integer", "The same in the board's own time, ms."),
            Column("end_device_ms", "integer", "The same in the board's own time, ms."),
        ),
        observed,
    )
    yield Table(
        "marks",
        "Clock marks: pairs of the board's own time and UTC, made whenever a host talked to it.",
        MARK_COLUMNS,
        marks,
    )


def foreign_tables(log: ForeignLog) -> Iterator[Table]:
    """crossings and observed of another make's log, in the columns dialbench import reads."""

    def crossings() -> Iterator[Chunk]:
        sigma_s = np.array([np.nan if one is None else one / 1e6 for one in log.sigma_us])
        yield from cut((log.utc_us, *_what(log), sigma_s))

    def observed() -> Iterator[Chunk]:
        yield from cut(tuple(np.array(log.observed, np.int64).reshape(-1, 2).T))

    yield Table("crossings", _LOGGED, (_UTC, *_WHAT, _SIGMA), crossings)
    yield Table("observed", _SEEN, _spans(""), observed)


@dataclass(frozen=True)
class Late:
    """Predictions of one log, and the pairs of measured and predicted crossings."""

    found: Comparison

    @classmethod
    def of(cls, logged: Logged, dial: Dial, sky: Sky) -> Late:
        """Raises SkyError for times out of the ephemeris' reach."""
        due, _ = predicted(logged, dial, sky)
        return cls(compare(due, logged.measured, logged.observed, logged.unlogged))

    def tables(self) -> Iterator[Table]:
        """predictions and residuals."""
        found, due = self.found, self.found.predicted

        def predictions() -> Iterator[Chunk]:
            kinds = np.array(KINDS, object)[found.kind]
            yield from cut((due.utc_us, *_what(due), kinds))

        def residuals() -> Iterator[Chunk]:
            pairs, own = found.predicted_index, found.measured_index
            yield from cut(
                (
                    found.measured.utc_us[own],
                    due.utc_us[pairs],
                    *(cells[pairs] for cells in _what(due)),
                    found.residual_s,
                )
            )

        yield Table(
            "predictions",
            "Every crossing due on the days the log touches, and what became of it.",
            (
                _DUE,
                *_WHAT,
                Column(
                    "kind",
                    "string",
                    "matched; missed, in observed time; unobserved, as there was no direct sun.",
                ),
            ),
            predictions,
        )
        yield Table(
            "residuals",
            "Measured crossings with the predicted ones they were matched with.",
            (
                _UTC,
                Column("predicted_utc", "datetime", _DUE.about),
                *_WHAT,
                Column("late_s", "number", "Measured less predicted time, s; late is positive."),
            ),
            residuals,
        )


def told(
    clock: ClockModel, logged: WrittenCrossings
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """UTC in microseconds and its sigma in seconds, NO_TIME and nan where no clock tells it."""
    utc_us = np.full(len(logged.boot), NO_TIME)
    sigma_s = np.full(len(logged.boot), np.nan)
    known = _covered(clock, logged.boot)
    boot, device_ms = logged.boot[known], logged.device_ms[known]
    utc_us[known] = clock.utc_us(boot, device_ms)
    sigma_s[known] = clock.sigma_s(boot, device_ms)
    return utc_us, sigma_s


def _covered(clock: ClockModel, boot: NDArray[np.int64]) -> NDArray[np.bool_]:
    return np.isin(boot, [one for one in np.unique(boot).tolist() if clock.covers(one)])


def _spans(where: str) -> tuple[Column, ...]:
    return (
        Column("start", "datetime", f"When direct sun began, UTC{where}."),
        Column("end", "datetime", f"When it ended, UTC{where}."),
    )


def _what(
    of: WrittenCrossings | ForeignLog | Crossings,
) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Channel, threshold and direction as they are written."""
    return of.channel, (of.threshold + 1) / 4, np.where(of.rise, "rise", "fall")
