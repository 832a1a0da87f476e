"""From the device's own milliseconds to UTC, afterwards, through clock marks.

The device never steps its clock; a clock mark says what UTC it was when it read so many
milliseconds in one boot. Between marks the relation is taken as a straight line; before
the first and after the last the nearest stretch is continued. The uncertainty grows away
from the marks: see `ClockModel.sigma_s`.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dialbench.errors import UserError

PRIOR_PPM = 50.0  # how far off a crystal's rate may be before two marks tell it
WANDER_PPM = 5.0  # how far the rate strays within a stretch, with the day's temperature
IMPLAUSIBLE_PPM = 200.0  # no crystal that works at all is so far off
_FAR_SIGMAS = 5.0  # marks further apart than this share of their sigmas disagree


class ClockError(UserError):
    """A time cannot be told; one sentence."""


@dataclass(frozen=True)
class Mark:
    """In a boot the device's clock read device_ms when UTC was utc_us, within sigma_us.

    source says where the mark was found: made over the link, or read from the log.
    """

    boot: int
    device_ms: int
    utc_us: int
    sigma_us: int
    source: Literal["link", "log"]


@dataclass(frozen=True)
class Rejected:
    """A mark the model does not use; reason is one sentence."""

    mark: Mark
    reason: str


class SystemClock:
    """The computer's clock: Unix UTC in microseconds, running at speed 1."""

    speed = 1.0

    def utc_us(self) -> int:
        return time.time_ns() // 1000


class ClockModel:
    """Device time to UTC for every boot that has a mark.

    `rejected` lists the marks that contradict others by far more than their sigmas and
    any plausible rate allow.
    """

    def __init__(self, marks: Iterable[Mark]) -> None:
        self.rejected: list[Rejected] = []
        self._lines: dict[int, _Line] = {}
        boots: dict[int, list[Mark]] = {}
        for mark in marks:
            boots.setdefault(mark.boot, []).append(mark)
        for boot, found in sorted(boots.items()):
            kept, rejected = _agreeing(sorted(found, key=lambda mark: mark.device_ms))
            self.rejected += rejected
            self._lines[boot] = _Line(_knots(kept))

    def covers(self, boot: int) -> bool:
        """Whether times of this boot can be told."""
        return boot in self._lines

    def utc_us(self, boot: ArrayLike, device_ms: ArrayLike) -> NDArray[np.int64]:
        """UTC in microseconds; boot and device_ms broadcast together and give the shape.

        Raises ClockError for a boot without a mark.
        """
        boots, times = _together(boot, device_ms)
        out = np.empty(times.shape, np.int64)
        for where, line in self._lines_of(boots):
            out[where] = line.utc_us(times[where])
        return out

    def sigma_s(self, boot: ArrayLike, device_ms: ArrayLike) -> NDArray[np.float64]:
        """Standard uncertainty of utc_us in seconds; arguments and errors as there.

        Two parts, combined quadratically. First the marks' own sigmas: between two marks
        weighted by nearness and never averaged out (one slow path makes both late alike),
        beyond the outermost growing with the lever arm of the stretch continued. Second
        the rate: WANDER_PPM times the distance to the outermost mark, or between marks at
        distances a and b times a b / (a + b); where a mark stands alone, PRIOR_PPM times
        the distance to it.
        """
        boots, times = _together(boot, device_ms)
        out = np.empty(times.shape, np.float64)
        for where, line in self._lines_of(boots):
            out[where] = line.sigma_us(times[where]) * 1e-6
        return out

    def _lines_of(self, boots: NDArray[np.int64]) -> Iterator[tuple[NDArray[np.bool_], _Line]]:
        for boot in np.unique(boots).tolist():
            if boot not in self._lines:
                raise ClockError(
                    f"boot {boot} of the board has no clock mark, so its times cannot be turned"
                    " into UTC: leave that boot out"
                )
            yield np.asarray(boots == boot), self._lines[boot]


def _together(boot: ArrayLike, device_ms: ArrayLike) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    boots, times = np.broadcast_arrays(
        np.asarray(boot, dtype=np.int64), np.asarray(device_ms, dtype=np.int64)
    )
    return boots, times


class _Line:
    """The relation within one boot, through its knots (at least one, in order of time)."""

    def __init__(self, knots: list[Mark]) -> None:
        self._device_ms = np.array([knot.device_ms for knot in knots], dtype=np.int64)
        self._utc_us = np.array([knot.utc_us for knot in knots], dtype=np.int64)
        self._sigma_us = np.array([knot.sigma_us for knot in knots], dtype=np.float64)
        self._length_us = 1e3 * np.diff(self._device_ms)
        self._rate = np.diff(self._utc_us) / self._length_us

    def _stretch(self, device_ms: NDArray[np.int64]) -> NDArray[np.intp]:
        """Index of the knot that begins the stretch each time lies in or is nearest to."""
        last = max(len(self._device_ms) - 2, 0)
        return np.clip(np.searchsorted(self._device_ms, device_ms, side="right") - 1, 0, last)

    def _ahead_us(self, device_ms: NDArray[np.int64], at: NDArray[np.intp]) -> NDArray[np.float64]:
        """How far each time is past its stretch's beginning, by the device's clock."""
        return (device_ms - self._device_ms[at]).astype(np.float64) * 1e3

    def utc_us(self, device_ms: NDArray[np.int64]) -> NDArray[np.int64]:
        at = self._stretch(device_ms)
        ahead_us = self._ahead_us(device_ms, at)
        if len(self._rate):
            ahead_us = ahead_us * self._rate[at]
        utc_us: NDArray[np.int64] = self._utc_us[at] + np.rint(ahead_us).astype(np.int64)
        return utc_us

    def sigma_us(self, device_ms: NDArray[np.int64]) -> NDArray[np.float64]:
        at = self._stretch(device_ms)
        ahead_us = self._ahead_us(device_ms, at)
        if not len(self._rate):
            return np.hypot(self._sigma_us[at], PRIOR_PPM * 1e-6 * ahead_us)
        length_us = self._length_us[at]
        share = ahead_us / length_us
        first = np.abs(1 - share) * self._sigma_us[at]
        second = np.abs(share) * self._sigma_us[at + 1]
        inside = (share >= 0) & (share <= 1)
        marks_us = np.where(inside, first + second, np.hypot(first, second))
        beyond_us = np.maximum(-ahead_us, ahead_us - length_us)
        reach_us = np.where(inside, length_us * share * (1 - share), beyond_us)
        return np.hypot(marks_us, WANDER_PPM * 1e-6 * reach_us)


def _knots(marks: list[Mark]) -> list[Mark]:
    """Of marks too close together to tell a rate better than the prior, the surest."""
    knots: list[Mark] = []
    for mark in marks:
        if knots:
            last = knots[-1]
            spread_us = np.hypot(mark.sigma_us, last.sigma_us)
            apart_us = 1e3 * (mark.device_ms - last.device_ms)
            if spread_us >= PRIOR_PPM * 1e-6 * apart_us:
                if mark.sigma_us < last.sigma_us:
                    knots[-1] = mark
                continue
        knots.append(mark)
    return knots


def _agreeing(marks: list[Mark]) -> tuple[list[Mark], list[Rejected]]:
    """The marks of one boot that can be true together, and the others.

    The one that contradicts most others goes first; of two that only contradict each
    other the less sure one, else the earlier: a computer's clock is set right sooner
    than it is set wrong.
    """
    device_us = 1e3 * np.array([mark.device_ms for mark in marks], dtype=np.float64)
    utc_us = np.array([mark.utc_us - marks[0].utc_us for mark in marks], dtype=np.float64)
    sigma_us = np.array([mark.sigma_us for mark in marks], dtype=np.float64)
    apart_us = device_us[:, None] - device_us
    off_us = np.abs(utc_us[:, None] - utc_us - apart_us)
    allowed_us = IMPLAUSIBLE_PPM * 1e-6 * np.abs(apart_us)
    allowed_us += _FAR_SIGMAS * np.hypot(sigma_us[:, None], sigma_us)
    against = off_us > allowed_us
    kept = list(range(len(marks)))
    rejected = []
    while (votes := against.sum(axis=1)).any():
        worst = max(kept, key=lambda i: (votes[i], sigma_us[i], -i))
        other = int(np.argmax(against[worst]))
        rejected.append(
            Rejected(
                marks[worst],
                f"the mark at {marks[worst].device_ms} ms of boot {marks[worst].boot} differs by"
                f" {off_us[worst, other] * 1e-6:.3f} s from the one at {marks[other].device_ms} ms"
                f" and contradicts {votes[worst]} of {len(kept) - 1} others",
            )
        )
        kept.remove(worst)
        against[worst, :] = against[:, worst] = False
    return [marks[i] for i in kept], rejected
