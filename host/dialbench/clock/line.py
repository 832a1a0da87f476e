"""Device time to UTC within one boot: straight from knot to knot, less sure away from them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

PRIOR_PPM = 50.0  # how far off a crystal's rate may be before two marks tell it
WANDER_PPM = 5.0  # how far the rate strays within a stretch, with the day's temperature


class Knot(NamedTuple):
    """When the device's clock read device_ms UTC was utc_us, within sigma_us (standard)."""

    device_ms: int
    utc_us: int
    sigma_us: float


class Rate(NamedTuple):
    """Microseconds of UTC in one of the device's, and its standard uncertainty in ppm."""

    rate: float
    sigma_ppm: float


class Line:
    """The relation within one boot, through its knots (at least one, in order of time).

    before and after: the rates with which it goes on beyond the outermost knots. Without
    them the outermost stretches are continued, or a lone knot at the nominal rate.
    """

    def __init__(
        self, knots: Sequence[Knot], before: Rate | None = None, after: Rate | None = None
    ) -> None:
        self._device_ms = np.array([knot.device_ms for knot in knots], dtype=np.int64)
        self._utc_us = np.array([knot.utc_us for knot in knots], dtype=np.int64)
        self._sigma_us = np.array([knot.sigma_us for knot in knots], dtype=np.float64)
        self._length_us = 1e3 * np.diff(self._device_ms)
        self._rate = np.diff(self._utc_us) / self._length_us
        if len(knots) == 1:
            before = before or Rate(1.0, PRIOR_PPM)
            after = after or Rate(1.0, PRIOR_PPM)
        self._before, self._after = before, after

    @property
    def reach_ms(self) -> tuple[int, int]:
        """Device time of the outermost knots."""
        return int(self._device_ms[0]), int(self._device_ms[-1])

    @property
    def best_s(self) -> float:
        """The least standard uncertainty anywhere, in seconds."""
        return float(self._sigma_us.min()) * 1e-6

    def drift_ppm(self) -> tuple[float, float]:
        """How fast the device's clock runs over all, and how surely (standard), in ppm."""
        if len(self._rate):
            span_us = float(self._length_us.sum())
            utc_us = int(self._utc_us[-1] - self._utc_us[0])
            ends_us = float(np.hypot(self._sigma_us[0], self._sigma_us[-1]))
            return -(utc_us - span_us) / span_us * 1e6, ends_us / span_us * 1e6
        alone = self._after or Rate(1.0, PRIOR_PPM)
        return (1 - alone.rate) * 1e6, alone.sigma_ppm

    def _stretch(self, device_ms: NDArray[np.int64]) -> NDArray[np.intp]:
        """Index of the knot that begins the stretch each time lies in or is nearest to."""
        last = max(len(self._device_ms) - 2, 0)
        return np.clip(np.searchsorted(self._device_ms, device_ms, side="right") - 1, 0, last)

    def _ahead_us(
        self, device_ms: NDArray[np.int64], at: NDArray[np.intp] | int
    ) -> NDArray[np.float64]:
        """How far each time is past a knot, by the device's clock."""
        return (device_ms - self._device_ms[at]).astype(np.float64) * 1e3

    def utc_us(self, device_ms: NDArray[np.int64]) -> NDArray[np.int64]:
        at = self._stretch(device_ms)
        ahead_us = self._ahead_us(device_ms, at)
        if len(self._rate):
            ahead_us = ahead_us * self._rate[at]
        utc_us: NDArray[np.int64] = self._utc_us[at] + np.rint(ahead_us).astype(np.int64)
        for beyond, knot, end in self._ends(device_ms):
            on_us = np.rint(self._ahead_us(device_ms, knot) * end.rate).astype(np.int64)
            utc_us = np.where(beyond, self._utc_us[knot] + on_us, utc_us)
        return utc_us

    def sigma_us(self, device_ms: NDArray[np.int64]) -> NDArray[np.float64]:
        sigma_us = self._between_us(device_ms)
        for beyond, knot, end in self._ends(device_ms):
            away_us = np.abs(self._ahead_us(device_ms, knot))
            # A lone knot's prior has the wander in it.
            wander = WANDER_PPM if len(self._rate) or end.sigma_ppm < PRIOR_PPM else 0.0
            grown_us = np.hypot(end.sigma_ppm, wander) * 1e-6 * away_us
            sigma_us = np.where(beyond, np.hypot(self._sigma_us[knot], grown_us), sigma_us)
        return sigma_us

    def _ends(self, device_ms: NDArray[np.int64]) -> list[tuple[NDArray[np.bool_], int, Rate]]:
        """(which times lie beyond, the knot there, the rate beyond it) where rates are given."""
        first, last = self.reach_ms
        ends = [(device_ms < first, 0, self._before), (device_ms > last, -1, self._after)]
        return [(beyond, knot, rate) for beyond, knot, rate in ends if rate is not None]

    def _between_us(self, device_ms: NDArray[np.int64]) -> NDArray[np.float64]:
        at = self._stretch(device_ms)
        ahead_us = self._ahead_us(device_ms, at)
        if not len(self._rate):
            return np.broadcast_to(self._sigma_us[0], device_ms.shape).astype(np.float64)
        length_us = self._length_us[at]
        share = ahead_us / length_us
        first = np.abs(1 - share) * self._sigma_us[at]
        second = np.abs(share) * self._sigma_us[at + 1]
        inside = (share >= 0) & (share <= 1)
        marks_us = np.where(inside, first + second, np.hypot(first, second))
        beyond_us = np.maximum(-ahead_us, ahead_us - length_us)
        reach_us = np.where(inside, length_us * share * (1 - share), beyond_us)
        return np.hypot(marks_us, WANDER_PPM * 1e-6 * reach_us)
