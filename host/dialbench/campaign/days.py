"""The days that may be logged, and what each would tell if it were clear."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from dialbench import predict
from dialbench.campaign.weather import Weather
from dialbench.crossing import NOMINAL, Crossings, Pose
from dialbench.solve.information import Information, Model

Floats = NDArray[np.float64]

# Below it even a clear sky's beam is weaker than the 120 W/m2 from which the Sun shines
# (WMO-No. 8; the beam after Meinel and Meinel, Applied Solar Energy, 1976, from memory).
_LOWEST_DEG = 3.0
_GRID = 72  # of all days, so many are looked at first, then those near the best
_SECOND_US = 1_000_000


class Days:
    """From a first to a last day, both in; days are given by their ordinals.

    before: what is known already; weather: how likely a day is clear. What a day tells is worked out when it is first asked for.
    Raises SkyError for days out of reach.
    """

    def __init__(
        self,
        model: Model,
        first: date,
        last: date,
        pose_deg: Pose = NOMINAL,
        before: Information | None = None,
        weather: Weather | None = None,
        progress: Callable[[str, float], None] | None = None,
    ) -> None:
        self.model = model
        self.first, self.last = first.toordinal(), last.toordinal()
        self._before = model.nothing() if before is None else before
        self.weather = weather or Weather()
        self._pose_deg, self._progress = pose_deg, progress
        self._told: dict[int, Information] = {}
        self._covariance: dict[frozenset[int], Floats] = {}
        self._expected: dict[frozenset[int], Floats] = {}

    @property
    def step(self) -> int:
        """Between the days of the grid."""
        return max(1, -(-(self.last + 1 - self.first) // _GRID))

    def grid(self, last: int | None = None) -> range:
        """Some days, evenly, up to a last one."""
        return range(self.first, (self.last if last is None else last) + 1, self.step)

    def near(self, days: Iterable[int], last: int | None = None) -> set[int]:
        """The grid's days, and all that are nearer to any of some days than the grid's are."""
        found = set(self.grid(last))
        for day in days:
            found.update(range(day + 1 - self.step, day + self.step))
        highest = self.last if last is None else last
        found = {day for day in found if self.first <= day <= highest}
        self.look_at(found)
        return found

    @cached_property
    def _crossings(self) -> Crossings:
        sky = self.model.sky
        begin_us = sky.noon_us(date.fromordinal(self.first)) - 43_200 * _SECOND_US
        end_us = sky.noon_us(date.fromordinal(self.last)) + 43_200 * _SECOND_US
        # No plan rests on ghosts; and where they begin and end takes minutes to work out.
        found = predict.spans(
            self.model.dial,
            sky,
            begin_us,
            end_us,
            self._pose_deg,
            ghosts=False,
            progress=self._progress,
        )
        return predict.crossings_of(found)

    def declination_deg(self, day: int) -> float:
        """The Sun's, at noon."""
        sky = self.model.sky
        return float(sky.sun(np.array([sky.noon_us(date.fromordinal(day))])).declination_deg[0])

    def crossings(self, day: int) -> Crossings:
        """Those of one day, while a clear sky's Sun shines."""
        span = self.model.sky.daylight(date.fromordinal(day))
        if span is None:
            return self._crossings.only(np.zeros(len(self._crossings.utc_us), np.bool_))
        low, high = np.searchsorted(self._crossings.utc_us, span)
        here = np.arange(low, high)
        up = self.model.sky.sun(self._crossings.utc_us[here]).altitude_deg >= _LOWEST_DEG
        return self._crossings.only(here[up])

    def look_at(self, days: Iterable[int]) -> None:
        """Work out together what some days tell: the quicker way, if there are many."""
        new = sorted(set(days) - set(self._told))
        if new:
            found = self.model.foreseen([self.crossings(day) for day in new])
            self._told.update(zip(new, found, strict=True))

    def told(self, day: int) -> Information:
        """What the day tells if it is clear."""
        self.look_at((day,))
        return self._told[day]

    def known(self, days: Iterable[int]) -> Information:
        """What is known after these days, all of them clear."""
        total = self._before
        for day in sorted(days):
            total = total + self.told(day)
        return total

    def pose_deg2(self, days: frozenset[int]) -> Floats:
        """The pose's covariance after these days, all of them clear, (3, 3)."""
        if days not in self._covariance:
            self._covariance[days] = self.model.pose_deg2(self.known(days))
        return self._covariance[days]

    def expected_deg2(self, days: frozenset[int]) -> Floats:
        """The same from each day's information times its chance to be clear."""
        if days not in self._expected:
            total = self._before
            for day in sorted(days):
                total = total + self.told(day) * self.weather.chance(day)
            self._expected[days] = self.model.pose_deg2(total)
        return self._expected[days]

    def every(self) -> Information:
        """What is known if every day is clear and logged, by those of the grid."""
        total = self._before
        self.look_at(self.grid())
        for day in self.grid():
            total = total + self.told(day) * float(self.step)
        return total
