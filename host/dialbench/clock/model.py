"""The clock model: device time to UTC for every boot of which enough is known.

A boot with marks alone is a line through them. Where the board read a clock chip, the
chip carries time from boot to boot (see clock.chip), and a boot's line goes through every
mark and reading, each as sure as all the evidence makes it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dialbench.clock.chip import (
    BAD,
    CHIP,
    CHIP_RATE,
    CRYSTAL_RATE,
    LEAP,
    LINE,
    STEP,
    Carried,
    carry,
)
from dialbench.clock.events import Event, Tied, references, row, sparse, tied
from dialbench.clock.facts import ClockError, Jump, Mark, Reading, Rejected
from dialbench.clock.line import Knot, Line, Rate
from dialbench.clock.marks import agreeing, believable, knots, thinned
from dialbench.clock.mixture import middle_and_sigma

Floats = NDArray[np.float64]

TOLD_S = 10.0  # a boot that is nowhere known better than this is not told
_SHOWN = 0.05  # jumps less likely than this are not worth a word


class ClockModel:
    """Device time to UTC for every boot that a mark or a reading reaches.

    `rejected` lists the marks and readings that contradict others by far more than their
    sigmas and any plausible rate allow; `jumps` where the chip's time stepped, by
    probability; `chip_drift_ppm` how fast the chip runs and how surely that is known
    (standard), None without readings that can be used.
    """

    def __init__(self, marks: Iterable[Mark], readings: Iterable[Reading] = ()) -> None:
        self.rejected: list[Rejected] = []
        self.jumps: list[Jump] = []
        self.chip_drift_ppm: tuple[float, float] | None = None
        self._lines: dict[int, Line] = {}
        self._why_not: dict[int, str] = {}
        boots: dict[int, list[Mark]] = {}
        for mark in marks:
            boots.setdefault(mark.boot, []).append(mark)
        kept: list[Mark] = []
        for boot, found in sorted(boots.items()):
            possible, absurd = believable(sorted(found, key=lambda mark: mark.device_ms))
            agree, rejected = agreeing(thinned(possible))
            self.rejected += absurd + rejected
            kept += knots(agree)
            if not agree:
                self._why_not[boot] = "none of its clock marks can be true"
        read = sorted(readings, key=lambda one: (one.boot, one.device_ms))
        usable = sparse(tied(kept, read))
        if usable:
            self._through_all(kept, usable)
        else:
            self._through_marks(kept)
        for reading in read:
            if not self.covers(reading.boot):
                self._why_not.setdefault(
                    reading.boot,
                    "its clock chip was not read in any boot that has a clock mark, or not since"
                    " it was set anew",
                )

    def _through_marks(self, marks: list[Mark]) -> None:
        for boot in sorted({mark.boot for mark in marks}):
            line = Line([Knot(m.device_ms, m.utc_us, m.sigma_us) for m in marks if m.boot == boot])
            if line.best_s > TOLD_S:
                self._why_not[boot] = f"its marks leave it uncertain by {line.best_s:.0f} s"
            else:
                self._lines[boot] = line

    def _through_all(self, marks: list[Mark], readings: list[Tied]) -> None:
        lines = references(marks, readings)
        events = row(marks, readings, lines)
        carried = carry(events)
        self.chip_drift_ppm = _pooled(carried, len(events) - 1, CHIP_RATE)
        self.rejected += _rejected(events, carried)
        self.jumps += _jumps(events, readings, carried)
        off_s, sigma_s = middle_and_sigma(
            carried.weight, carried.mean[:, :, LINE], carried.variance[:, :, LINE]
        )
        for boot in lines:
            here = [i for i, event in enumerate(events) if event.what.boot == boot]
            if min(sigma_s[here]) > TOLD_S:
                self._why_not[boot] = (
                    f"its clock chip leaves it uncertain by {min(sigma_s[here]):.0f} s"
                )
                continue
            found: list[Knot] = []
            for i in here:
                device_ms = events[i].what.device_ms
                if found and found[-1].device_ms == device_ms:
                    continue
                utc_us = lines[boot] + 1000 * device_ms + round(1e6 * off_s[i])
                found.append(Knot(device_ms, utc_us, 1e6 * sigma_s[i]))
            ends = [_pooled(carried, i, CRYSTAL_RATE) for i in (here[0], here[-1])]
            before, after = (Rate(1 + 1e-6 * ppm, sigma) for ppm, sigma in ends)
            self._lines[boot] = Line(found, before, after)

    def covers(self, boot: int) -> bool:
        """Whether times of this boot can be told."""
        return boot in self._lines

    def why_not(self, boot: int) -> str:
        """Why times of this boot cannot be told: half a sentence; "" where they can."""
        if boot in self._lines:
            return ""
        return self._why_not.get(boot, "it has no clock mark and no reading of a clock chip")

    @property
    def boots(self) -> dict[int, Line]:
        """The line of every boot that can be told, by its number."""
        return dict(sorted(self._lines.items()))

    def utc_us(self, boot: ArrayLike, device_ms: ArrayLike) -> NDArray[np.int64]:
        """UTC in microseconds; boot and device_ms broadcast together and give the shape.

        Raises ClockError for a boot that cannot be told.
        """
        boots, times = _together(boot, device_ms)
        out = np.empty(times.shape, np.int64)
        for where, line in self._lines_of(boots):
            out[where] = line.utc_us(times[where])
        return out

    def sigma_s(self, boot: ArrayLike, device_ms: ArrayLike) -> NDArray[np.float64]:
        """Standard uncertainty of utc_us in seconds; arguments and errors as there.

        Two parts, combined quadratically. First that of the knots the line goes through:
        the marks' own sigmas, or where there are readings half the width in which UTC lies
        with 95%, over 1.96. Between two knots they are weighted by nearness and never
        averaged out (one slow path makes both late alike), beyond the outermost growing
        with the lever arm of the stretch continued or the rate's own sigma. Second the
        rate: WANDER_PPM times the distance to the outermost knot, or between knots at
        distances a and b times a b / (a + b); where a mark stands alone, PRIOR_PPM times
        the distance to it.
        """
        boots, times = _together(boot, device_ms)
        out = np.empty(times.shape, np.float64)
        for where, line in self._lines_of(boots):
            out[where] = line.sigma_us(times[where]) * 1e-6
        return out

    def _lines_of(self, boots: NDArray[np.int64]) -> Iterator[tuple[NDArray[np.bool_], Line]]:
        for boot in np.unique(boots).tolist():
            if boot not in self._lines:
                raise ClockError(
                    f"boot {boot} of the board cannot be turned into UTC, for"
                    f" {self.why_not(boot)}: leave that boot out"
                )
            yield np.asarray(boots == boot), self._lines[boot]


def _together(boot: ArrayLike, device_ms: ArrayLike) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    boots, times = np.broadcast_arrays(
        np.asarray(boot, dtype=np.int64), np.asarray(device_ms, dtype=np.int64)
    )
    return boots, times


def _pooled(carried: Carried, event: int, part: int) -> tuple[float, float]:
    """Mean and standard uncertainty of one part of the state over all histories."""
    mean, variance = carried.mean[:, event, part], carried.variance[:, event, part]
    middle = float(carried.weight @ mean)
    return middle, float(np.sqrt(carried.weight @ (variance + (mean - middle) ** 2)))


def _rejected(events: list[Event], carried: Carried) -> list[Rejected]:
    found = []
    for number in np.flatnonzero(carried.share((BAD,)) > 0.5).tolist():
        event = events[number]
        part, name = (CHIP, "reading of the clock chip") if event.is_reading else (LINE, "mark")
        off_s = event.value_s - _where(carried, number, (BAD,), carried.mean[:, number, part])
        found.append(
            Rejected(
                event.what,
                f"the {name} at {event.what.device_ms} ms of boot {event.what.boot} is"
                f" {off_s:.3f} s off what all others say",
            )
        )
    return found


def _jumps(events: list[Event], readings: list[Tied], carried: Carried) -> list[Jump]:
    share = carried.share((STEP, LEAP))
    found = []
    ahead_us = {(one.reading.boot, one.reading.device_ms): one.ahead_us for one in readings}
    before_us = 0
    for number, event in enumerate(events):
        what = event.what
        if not isinstance(what, Reading):
            continue
        here_us = ahead_us[what.boot, what.device_ms]
        if share[number] > _SHOWN:
            size_s = _where(carried, number, (STEP, LEAP), carried.size_s[:, number])
            size_s += (here_us - before_us) * 1e-6
            found.append(Jump(what, size_s, float(share[number])))
        before_us = here_us
    return found


def _where(carried: Carried, event: int, choices: tuple[int, ...], value: Floats) -> float:
    """Mean of a value (h,) over the histories that made one of these choices at an event."""
    weight = carried.weight * np.isin(carried.choice[:, event], choices)
    return float(weight @ value / weight.sum())
