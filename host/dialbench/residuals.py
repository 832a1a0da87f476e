"""Residuals one by one: how late each crossing came, and by channel, by hour and by day."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dialbench.compare import Comparison
from dialbench.days import local_days
from dialbench.dial import Dial
from dialbench.sky import Sky

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

SCHEMA = "dialbench.residuals/1"


@dataclass(frozen=True)
class Group:
    """Crossings that have something in common: where, and how late they came, in seconds.

    low_s, high_s: the middle half of them lies between. points: their indices, by time.
    """

    name: str
    median_s: float
    low_s: float
    high_s: float
    points: Ints

    def as_dict(self) -> dict[str, Any]:
        """As JSON's own types, with a count for the points."""
        facts = {key: value for key, value in asdict(self).items() if key != "points"}
        return {**facts, "crossings": len(self.points)}


@dataclass(frozen=True)
class Residuals:
    """Matched crossings by time; all arrays of shape (n,).

    utc_us: when it was measured; late_s: measured less predicted, the common shift
    included; solar_hour: the Sun's hour angle in hours after midnight, 12 at noon, 0..24; day: in
    the site's zone, as an ordinal of the calendar.
    """

    utc_us: Ints
    channel: Ints
    threshold: Ints
    rise: NDArray[np.bool_]
    late_s: Floats
    solar_hour: Floats
    day: Ints

    def __len__(self) -> int:
        return len(self.utc_us)

    def by_channel(self) -> list[Group]:
        return self._groups(self.channel, str)

    def by_hour(self) -> list[Group]:
        """By whole hours of apparent solar time, named by the hour that begins them."""
        return self._groups(self.solar_hour.astype(np.int64) % 24, lambda hour: f"{hour:02} h")

    def by_day(self) -> list[Group]:
        return self._groups(self.day, lambda day: date.fromordinal(day).isoformat())

    def _groups(self, keys: Ints, name: Callable[[int], str]) -> list[Group]:
        order = np.argsort(keys, kind="stable")
        found, first = np.unique(keys[order], return_index=True)
        groups = []
        ends = np.append(first, len(order))[1:]
        for key, begin, end in zip(found.tolist(), first, ends, strict=True):
            points = order[begin:end]
            low, median, high = np.percentile(self.late_s[points], (25, 50, 75)).tolist()
            groups.append(Group(name(key), median, low, high, points))
        return groups

    def as_dict(self) -> dict[str, Any]:
        """Everything as JSON's own types; SCHEMA names its form. points is a table, column by
        column, of the crossings in order of time."""
        return {
            "schema": SCHEMA,
            "points": {
                "utc_us": self.utc_us.tolist(),
                "channel": self.channel.tolist(),
                "threshold": self.threshold.tolist(),
                "rise": self.rise.tolist(),
                "late_s": self.late_s.tolist(),
                "solar_hour": self.solar_hour.tolist(),
            },
            "by_channel": [group.as_dict() for group in self.by_channel()],
            "by_hour": [group.as_dict() for group in self.by_hour()],
            "by_day": [group.as_dict() for group in self.by_day()],
        }


def residuals(found: Comparison, dial: Dial, sky: Sky) -> Residuals:
    """The residuals of a comparison's pairs. Raises SkyError."""
    order = np.argsort(found.measured.utc_us[found.measured_index], kind="stable")
    at = found.measured_index[order]
    measured = found.measured
    utc_us = measured.utc_us[at]
    return Residuals(
        utc_us=utc_us,
        channel=measured.channel[at],
        threshold=measured.threshold[at],
        rise=measured.rise[at],
        late_s=found.residual_s[order],
        solar_hour=(sky.sun(utc_us).hour_angle_deg / 15 + 12) % 24,
        day=local_days(utc_us, dial.site.tz),
    )
