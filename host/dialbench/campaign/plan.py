"""A plan: the fewest days that reach a goal, and of such plans one that is soonest done.

Where days may be cloudy, those are chosen whose expected information is best, and so many
that the goal is reached under 95 of 100 possible skies.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dialbench.campaign.choice import added, exchanged
from dialbench.campaign.days import Days
from dialbench.campaign.goal import PROBABILITY, Goal
from dialbench.campaign.odds import Odds
from dialbench.campaign.weather import Skies
from dialbench.solve.information import Assumed, Model
from dialbench.solve.observe import ANGLES, Pose
from dialbench.solve.unknowns import AXIS, KINDS, TILT

SCHEMA = "dialbench.campaign/1"
_SPARSE = 3  # of the grid's days, every third is looked at where clouds are reckoned with
_YEAR = 360  # days; longer shows no other declinations
_NOTHING_DEG = 5.0  # wider is as good as not told at all
_WELL_MADE = 0.01  # of the scatter of axes: as good as none

Floats = NDArray[np.float64]
Set = frozenset[int]


@dataclass(frozen=True)
class Plan:
    """Days to log; where the goal is not reached, chosen is None, and why says why.

    chosen: ordinals; probability: that the goal is reached if all of them are logged.
    """

    days: Days
    goal: Goal
    chosen: Set | None
    probability: float
    why: str | None

    @property
    def reached(self) -> bool:
        return self.chosen is not None

    def listed(self) -> list[dict[str, Any]]:
        """Each day with what is told after it, if it and all before it are clear."""
        found = []
        done: Set = frozenset()
        for day in sorted(self.chosen or ()):
            done |= {day}
            found.append(
                {
                    "date": date.fromordinal(day).isoformat(),
                    "declination_deg": round(self.days.declination_deg(day), 2),
                    "clear": self.days.weather.chance(day),
                    "crossings": round(self.days.told(day).count),
                    "half_width_95_deg": _told_deg(self.days.pose_deg2(done)),
                }
            )
        return found

    def rows(self) -> list[tuple[str, ...]]:
        """A table with its heading; half-widths are of 95% intervals."""
        cloudy = not self.days.weather.sure
        head = ("day", "declination", *(("clear",) if cloudy else ()), *ANGLES)
        rows: list[tuple[str, ...]] = [head]
        for each in self.listed():
            widths = [
                "not told" if wide is None else f"+-{wide:.3f} deg"
                for wide in each["half_width_95_deg"].values()
            ]
            clear = (f"{each['clear']:.0%}",) if cloudy else ()
            rows.append((each["date"], f"{each['declination_deg']:+.1f} deg", *clear, *widths))
        return rows

    def sentences(self) -> list[str]:
        """What the plan comes to, and what it takes for granted."""
        if self.chosen is None:
            return [self.why or ""]
        many = len(self.chosen)
        names = _listed(self.goal.angles)
        within = f"within {self.goal.within_deg:g} deg"
        together = " all at once" if len(self.goal.angles) > 1 else ""
        if not many:
            return [f"No more need be logged: {names} {_are(names)} {within} already."]
        if self.days.weather.sure:
            what = f"{_days(many)}, clear from sunrise to sunset, will tell"
        else:
            what = (
                f"{_days(many)} to log, clear or not as it comes: with {self.probability:.0%}"
                " probability enough of them are clear to tell"
            )
        told = [f"{what} {names} {within}{together}, with 95% probability."]
        if not self.days.weather.sure:
            told.append(
                "The table takes every day up to its own for clear. Whether a day is clear is taken"
                " not to depend on its neighbours; where weather lasts, more days are needed."
            )
        return [*told, self._granted()]

    def _granted(self) -> str:
        """What the plan takes for granted of the dial."""
        assumed = self.days.model.assumed
        scatter = dict(zip(KINDS, assumed.scatter.tolist(), strict=True))
        return (
            f"Taken for granted: bores' axes scatter by {np.degrees(scatter['axis']):.2g} deg,"
            f" sensors' gains by {scatter['gain']:.2g} of themselves, a level's noise is"
            f" {assumed.level_noise:.2g} of full light."
        )

    def as_dict(self) -> dict[str, Any]:
        """The same as JSON's own types; SCHEMA names its form.

        null stands for what the days would not tell.
        """
        model = self.days.model
        return {
            "schema": SCHEMA,
            "dial_hash": model.dial.hash,
            "from": date.fromordinal(self.days.first).isoformat(),
            "until": date.fromordinal(self.days.last).isoformat(),
            "goal": {"within_deg": self.goal.within_deg, "angles": list(self.goal.angles)},
            "assumed": _assumed(model.assumed),
            "clear": list(self.days.weather.clear),
            "reached": self.reached,
            "probability": self.probability,
            "days": self.listed(),
            "sentences": self.sentences(),
        }


def plan(
    days: Days,
    goal: Goal,
    most: int = 30,
    progress: Callable[[str, float], None] | None = None,
) -> Plan:
    """The fewest days that reach the goal, at most so many. Raises SkyError."""
    return _Planning(days, goal, most, progress).plan()


class _Planning:
    """A search for days, with what it has learnt of the skies."""

    def __init__(
        self,
        days: Days,
        goal: Goal,
        most: int,
        progress: Callable[[str, float], None] | None,
    ) -> None:
        self.days, self.goal, self.most = days, goal, most
        self.progress = progress or (lambda what, share: None)
        self.odds = Odds(Skies(days.weather), lambda some: goal.met(days.pose_deg2(some)))

    def plan(self) -> Plan:
        every = self.days.model.pose_deg2(self.days.every())
        if not self.goal.met(every):
            return self._no(_never(self.days, self.goal, every))
        chosen = self._enough(self.days.last, self.most)
        if chosen is None:
            return self._no(self._too_few())
        chosen = self._sooner(chosen)
        return Plan(self.days, self.goal, chosen, self.odds.probability(chosen), None)

    def _no(self, why: str) -> Plan:
        return Plan(self.days, self.goal, None, 0.0, why)

    def _cost(self, days: Set) -> float:
        return self.goal.cost(self.days.expected_deg2(days))

    def _enough(self, last: int, most: int) -> Set | None:
        """Few days up to a last one that reach the goal; None where so many do not."""

        def near(days: Set) -> set[int]:
            return self.days.near(days, last)

        chosen: Set = frozenset()
        while not self.odds.enough(chosen):
            more = added(chosen, near, self._cost) if len(chosen) < most else None
            if more is None:
                better = exchanged(chosen, near, self._cost)
                if better == chosen or not self.odds.enough(better):
                    return None
                more = better
            chosen = more
        while chosen:
            fewer = min((chosen - {day} for day in sorted(chosen)), key=self._cost)
            fewer = exchanged(fewer, near, self._cost)
            if not self.odds.enough(fewer):
                break
            chosen = fewer
        return chosen if self.days.weather.sure else self._likely(chosen, last, most)

    def _likely(self, chosen: Set, last: int, most: int) -> Set | None:
        """These days and so many more that enough of them are clear."""
        every = range(self.days.first, last + 1)
        if self.odds.hopeless(len(chosen), every, most, PROBABILITY):
            return None
        while self.odds.probability(chosen) < PROBABILITY:
            self.progress("choosing", len(chosen) / most)
            day = self.odds.best_added(chosen, self._others(chosen, last))
            more = (
                added(chosen, lambda some: self.days.near(some, last), self._cost)
                if day is None
                else chosen | {day}
            )
            if more is None or len(more) > most:
                return None
            chosen = more
        return self.odds.fewer(chosen, PROBABILITY)

    def _others(self, chosen: Set, last: int) -> set[int]:
        """Days to stand in for cloudy ones: all over the time, and next to those chosen."""
        beside = {day + step for day in chosen for step in (-2, -1, 1, 2)}
        within = {day for day in beside if self.days.first <= day <= last}
        return within.union(self.days.grid(last)[::_SPARSE])

    def _sooner(self, chosen: Set) -> Set:
        """As many days that reach the goal and end as early as may be."""
        if not chosen:
            return chosen
        low, high = self.days.first + len(chosen) - 2, max(chosen)
        while high - low > self.days.step:
            middle = (low + high) // 2
            found = self._enough(middle, len(chosen))
            if found is None:
                low = middle
            else:
                chosen, high = found, max(found)
        return chosen

    def _too_few(self) -> str:
        names, within = _listed(self.goal.angles), f"within {self.goal.within_deg:g} deg"
        if not self.days.weather.sure:
            return (
                f"{_days(self.most)} are not enough to tell {names} {within} under 95 of 100 skies:"
                " allow for more of them with --days-at-most, or for more time with --until."
            )
        first, last = map(date.fromordinal, (self.days.first, self.days.last))
        return (
            f"{_days(self.most)} are not enough to tell {names} {within}; all days from {first} to"
            f" {last} together would be: allow for more of them with --days-at-most."
        )


def _never(days: Days, goal: Goal, every: Floats) -> str:
    """Why even every day of the time does not reach the goal."""
    model, total = days.model, days.every()
    short = {
        name: wide
        for name, wide in zip(goal.angles, goal.shares(every) * goal.within_deg, strict=True)
        if wide > goal.within_deg
    }
    wide = [
        f"{name} ({wide:.2g} deg)" if wide < _NOTHING_DEG else name for name, wide in short.items()
    ]
    first, last = map(date.fromordinal, (days.first, days.last))
    left = (
        f"Even every day from {first} to {last}, all of them clear, leaves {_listed(wide)} too"
        f" uncertain for a goal of {goal.within_deg:g} deg"
    )
    if not total.count:
        return f"{left}: no light comes through any bore."
    scatter = model.assumed.scatter.copy()
    scatter[[AXIS, TILT]] *= _WELL_MADE
    assumed = replace(model.assumed, scatter=scatter)
    straight = Model(model.dial, model.sky, assumed, model.zero_us, model.values)
    if (last - first).days < _YEAR and set(short) - {"turn"}:
        return f"{left}: the Sun's declination changes too little; give more time with --until."
    if not goal.met(straight.pose_deg2(total)):
        return f"{left}: the noise of levels and of the clock is too much for that."
    seen = model.bores_seen(total)
    axis_deg = float(np.degrees(model.assumed.scatter[AXIS]))
    return (
        f"{left}: what all bores' axes have in common is as if the body were turned, and axes"
        f" that scatter by {axis_deg:.2g} deg do not average out over {seen} bores, however long"
        " is logged."
    )


def _told_deg(covariance_deg2: Floats) -> dict[str, float | None]:
    pose = Pose.of(np.zeros(len(ANGLES)), np.radians(np.radians(covariance_deg2)))
    return {angle.name: angle.half_width_deg for angle in pose.angles}


def _assumed(assumed: Assumed) -> dict[str, float]:
    in_deg = {"axis", "tilt"}
    scatter = {
        f"{kind}_deg" if kind in in_deg else kind: float(np.degrees(of) if kind in in_deg else of)
        for kind, of in zip(KINDS, assumed.scatter.tolist(), strict=True)
    }
    return {
        **scatter,
        "level_noise": assumed.level_noise,
        "time_noise_s": assumed.time_noise_s,
        "clock_offset_s": assumed.offset_s,
        "clock_rate": assumed.rate,
    }


def _are(names: str) -> str:
    return "are" if " and " in names else "is"


def _days(number: int) -> str:
    return "1 day" if number == 1 else f"{number} days"


def _listed(names: tuple[str, ...] | list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
