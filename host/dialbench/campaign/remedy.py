"""What would mend a pose that the data cannot tell: the fewest clear days, and when."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np

from dialbench.campaign.days import Days
from dialbench.campaign.known import after
from dialbench.campaign.weather import Weather
from dialbench.sky import Sky, from_us
from dialbench.solve import Solved
from dialbench.solve.observe import WIDE_DEG, Combination

_WELL_DEG = 0.02  # a standard deviation with which all is well
_MOST = 5  # days; what they do not mend is not mended by a few
_ALMOST = 1.25  # where all is not well with the most days, this much worse with fewer will do
_AHEAD = timedelta(days=364)

NO_REMEDY = (
    f"no {_MOST} clear days in a row of the year after this log bring it below {WIDE_DEG:g} deg"
)


@dataclass(frozen=True)
class Remedy:
    """So many clear days, one after the other, begun in a span of days, tell a combination.

    first, last: the span, the last of the days in it; sigma_deg: how uncertain the
    combination is then, at most.
    """

    days: int
    first: date
    last: date
    sigma_deg: float

    @property
    def sentence(self) -> str:
        many = "1 clear day" if self.days == 1 else f"{self.days} clear days in a row"
        verb = "brings" if self.days == 1 else "bring"
        return (
            f"{many} between {_named(self.first)} and {_named(self.last)} {verb} it to"
            f" {self.sigma_deg:.2g} deg"
        )

    def as_dict(self) -> dict[str, Any]:
        return {
            "days": self.days,
            "from": self.first.isoformat(),
            "until": self.last.isoformat(),
            "sigma_deg": self.sigma_deg,
        }


def remedies(
    found: Solved, sky: Sky, progress: Callable[[str, float], None] | None = None
) -> list[Remedy | None]:
    """For each combination that is not told, the widest first, what mends it within the year
    after the log's last day; None where a few days do not. Raises SkyError."""
    if not found.pose.untold:
        return []
    last_us = int(found.comparison.measured.utc_us[found.places].max())
    first = from_us(last_us).astimezone(found.dial.site.tz).date() + timedelta(days=1)
    days = after(found, sky, first, first + _AHEAD, {}, Weather(), progress)
    return [_remedy(days, one) for one in found.pose.untold]


def _named(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


def _remedy(days: Days, combination: Combination) -> Remedy | None:
    parts = np.array(combination.parts)

    def sigma_deg(start: int, many: int) -> float:
        covariance = days.pose_deg2(frozenset(range(start, start + many)))
        return float(np.sqrt(parts @ covariance @ parts))

    sigmas: dict[int, list[float]] = {}
    starts = [start for start in days.grid() if start + _MOST - 1 <= days.last]
    for many in range(1, _MOST + 1):
        days.look_at(start + many - 1 for start in starts)
        sigmas[many] = [sigma_deg(start, many) for start in starts]
        if min(sigmas[many]) <= _WELL_DEG:
            return _first_span(days, sigma_deg, many, starts, sigmas[many], _WELL_DEG)
    enough = _ALMOST * min(sigmas[_MOST])
    if enough > WIDE_DEG:
        return None
    many = next(many for many in sigmas if min(sigmas[many]) <= enough)
    return _first_span(days, sigma_deg, many, starts, sigmas[many], enough)


def _first_span(
    days: Days,
    sigma_deg: Callable[[int, int], float],
    many: int,
    starts: list[int],
    sigmas: list[float],
    enough: float,
) -> Remedy:
    """The first span of the starts that are enough, its beginning to the day."""
    begin = next(at for at, sigma in enumerate(sigmas) if sigma <= enough)
    end = begin
    while end + 1 < len(starts) and sigmas[end + 1] <= enough:
        end += 1
    low, high = (starts[begin - 1] if begin else starts[0] - 1), starts[begin]
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if sigma_deg(middle, many) <= enough else (middle, high)
    worst = max([sigma_deg(high, many), *sigmas[begin : end + 1]])
    return Remedy(many, date.fromordinal(high), date.fromordinal(starts[end] + many - 1), worst)
