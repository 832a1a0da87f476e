"""The correction card: what to add to a dial's reading on each day of a year.

A reading is the middle of the step that the lit pixels spell. The rest of what parts it from
the clock is the same for a whole day, but for seconds: the equation of time and the place in
its zone, as far as the dial's plan does not allow for them, and the way the body stands.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dialbench import ephemeris
from dialbench.days import DAY_MIN, folded_min
from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.layout import plan_edges_deg
from dialbench.sky import Sky, from_us
from dialcore import frames

Floats = NDArray[np.float64]
Pose = tuple[float, float, float]  # about P's axes, degrees

_MIN_PER_DEG = 4.0
_SAMPLES = 9  # instants over the plan's hours
_US_PER_DEG = 240_000_000
_CYCLE = 4  # years in which the calendar comes round to the Sun again
_WEEK, MONTH = 7, 30


class CardError(UserError):
    """A card that cannot be made; str() is one sentence for the user."""


@dataclass(frozen=True)
class Day:
    """One day. add_min: what to add to the reading for the zone's standard time, the median over
    the plan's hours; legal_min: for the time that clocks show. swing_s: how far the morning's or
    evening's own value is from add_min at most, as the Sun goes through the plan's hours; None
    where the Sun stays below the horizon all through them. equation_of_time_min and
    declination_deg: at the Sun's transit. east_deg: turned so far to the east about its polar
    axis, the dial needs nothing added for standard time."""

    day: date
    add_min: float
    legal_min: float
    swing_s: float | None
    equation_of_time_min: float
    declination_deg: float

    @property
    def east_deg(self) -> float:
        return self.add_min / _MIN_PER_DEG

    @property
    def summer_min(self) -> float:
        """Minutes that clocks are ahead of standard time."""
        return self.legal_min - self.add_min


@dataclass(frozen=True)
class Card:
    """A dial's card for a year; `after` are the first days of the next. jitter_s: how far the same dates of the years around it, which
    stand elsewhere between two leap days, are from this card at most."""

    dial: Dial
    year: int
    pose_deg: Pose
    days: tuple[Day, ...]
    after: tuple[Day, ...]
    jitter_s: float

    @property
    def step_min(self) -> float:
        return self.dial.plan.step_min

    @property
    def changes(self) -> tuple[tuple[date, float], ...]:
        """The first day and each on which clocks go over to another time, with the minutes
        they are then ahead of standard time."""
        out: list[tuple[date, float]] = []
        for day in self.days:
            if not out or round(day.summer_min) != round(out[-1][1]):
                out.append((day.day, round(day.summer_min)))
        return tuple(out)

    def forgotten_min(self, days: int) -> float:
        """How wrong a dial is at most that was turned right so many days ago, 1 to MONTH."""
        add = np.array([day.add_min for day in (*self.days, *self.after[:days])])
        return float(abs(add[days:] - add[:-days]).max())

    def as_dict(self) -> dict[str, Any]:
        """The same as JSON's own types."""
        return {
            "dial": {"name": self.dial.name, "hash": self.dial.hash},
            "site": self.dial.site.name,
            "zone": self.dial.site.zone,
            "year": self.year,
            "pose_deg": list(self.pose_deg),
            "step_min": self.step_min,
            "half_step_min": self.step_min / 2,
            "leap_year_jitter_s": self.jitter_s,
            "summer_time": [
                {"from": day.isoformat(), "ahead_min": ahead} for day, ahead in self.changes
            ],
            "forgotten_min": {str(n): self.forgotten_min(n) for n in (_WEEK, MONTH)},
            "days": [
                {
                    "day": day.day.isoformat(),
                    "add_min": day.add_min,
                    "legal_min": day.legal_min,
                    "swing_s": day.swing_s,
                    "equation_of_time_min": day.equation_of_time_min,
                    "declination_deg": day.declination_deg,
                    "turned_east_deg": day.east_deg,
                }
                for day in self.days
            ],
            "sources": ephemeris.facts(),
        }

    def weekly(self) -> tuple[Day, ...]:
        """Every seventh day, from the first."""
        return self.days[::_WEEK]

    def table(self) -> tuple[tuple[str, ...], ...]:
        """A heading, and a row a week."""
        head = ("day", "add", "for clocks add", "+- within the day", "or turn the dial")
        return (head, *(_row(day) for day in self.weekly()))

    def sentences(self) -> tuple[str, ...]:
        half = self.step_min / 2
        worst = max(self.days, key=lambda day: abs(day.add_min))
        swings = [day.swing_s for day in self.days if day.swing_s is not None]
        swing = f"; within a day it changes by {max(swings):.0f} s at most" if swings else ""
        dark = sum(day.swing_s is None for day in self.days)
        told = [
            (
                f"Take the time that the pixels spell, add half a step ({half:g} min) for the middle of"
                " the step, and what the card says: that is the time within half a step either way, and"
                " what the card's value changes by within the day."
            ),
            (
                f"Most is to be added, or taken off, on {_date(worst.day)}: {minutes(worst.add_min)}"
                f"{swing}."
            ),
            *self._clocks(),
            (
                "Instead the dial may be turned about its polar axis, its noon side so far to the east"
                " (E) or west (W) of the placing that the card is for: one that was set right a week"
                f" ago is wrong by {self.forgotten_min(_WEEK):.1f} min at most, after {MONTH} days by"
                f" {self.forgotten_min(MONTH):.1f}."
            ),
            (
                f"The card is of {self.year}. On the same dates of the years around it, nearer to a"
                f" leap day or farther, it is off by {self.jitter_s:.0f} s at most."
            ),
        ]
        if dark:
            told.append(f"On {dark} days the Sun stays down through all of the plan's hours.")
        return tuple(told)

    def _clocks(self) -> tuple[str, ...]:
        if len(self.changes) == 1 and not self.changes[0][1]:
            return ("Clocks keep the zone's standard time all the year.",)
        parts = [f"from {_date(day)} {minutes(ahead)}" for day, ahead in self.changes]
        return (f"What clocks show is ahead of the zone's standard time: {'; '.join(parts)}.",)


def card(dial: Dial, year: int, pose_deg: Pose = (0.0, 0.0, 0.0)) -> Card:
    """The card of a year, for a body that stands as pose_deg says (a rotation vector about
    P's axes). Raises CardError for a year the ephemeris does not hold whole."""
    first, last = from_us(ephemeris.first_us()).year + 1, from_us(ephemeris.last_us()).year - 1
    if not first <= year <= last:
        raise CardError(f"--year {year}: a card can be made for {first} to {last}")
    days = _days(dial, _dates(year), pose_deg)
    after = _days(dial, _dates(year + 1)[:MONTH], pose_deg)
    mine = {(day.day.month, day.day.day): day.add_min for day in days}
    jitter_min = 0.0
    for other in range(max(first, year - _CYCLE + 1), min(last, year + _CYCLE) + 1):
        theirs = _days(dial, _dates(other), pose_deg)
        off = [
            day.add_min - mine[(day.day.month, day.day.day)]
            for day in theirs
            if (day.day.month, day.day.day) in mine
        ]
        jitter_min = max(jitter_min, max(map(abs, off)))
    return Card(dial, year, pose_deg, days, after, 60 * jitter_min)


def _dates(year: int) -> list[date]:
    begin = date(year, 1, 1)
    return [begin + timedelta(days=k) for k in range((date(year + 1, 1, 1) - begin).days)]


def _days(dial: Dial, dates: Sequence[date], pose_deg: Pose) -> tuple[Day, ...]:
    site, plan = dial.site, dial.plan
    sky = Sky(site)
    edges_deg = plan_edges_deg(site, plan)
    offsets_min = np.array([60 * site.standard_offset_h(day) for day in dates])
    noon_us = _noons_us(sky, dates, offsets_min)
    ways_deg = np.linspace(edges_deg[0], edges_deg[-1], _SAMPLES)
    at_us = noon_us[:, None] + np.rint(ways_deg * _US_PER_DEG).astype(np.int64)
    sun = sky.sun(at_us.ravel())
    wx, wy, wz = np.radians(pose_deg)
    turned = frames.rotation(wx, wy, wz, np)
    seen = np.array(frames.apply(frames.transpose(turned), sun.polar))
    hour_angle, _ = frames.place(tuple(seen), site.hemisphere, np)
    read_min = plan.steps[0].start_min + _MIN_PER_DEG * (np.degrees(hour_angle) - edges_deg[0])
    clock_min = at_us.ravel() / 60e6 + np.repeat(offsets_min, _SAMPLES)
    add_min = folded_min(clock_min - read_min).reshape(len(dates), _SAMPLES)
    up = sun.up.reshape(len(dates), _SAMPLES)
    at_noon = sky.sun(noon_us)
    eot_min = sky.equation_of_time_s(noon_us) / 60
    out = []
    for k, day in enumerate(dates):
        lit = add_min[k][up[k]] if up[k].any() else add_min[k]
        lit = lit[0] + folded_min(lit - lit[0])  # not torn where it is half a day
        # Not midway between the extremes: a Sun that only just rises in the plan's hours is lifted
        # by the air so much that the whole day's value would be a minute off for it.
        usual = float(np.median(lit))
        middle = float(folded_min(np.array([usual]))[0])
        moment = from_us(int(noon_us[k])).astimezone(site.tz)
        ahead_min = (moment.utcoffset() or timedelta()) / timedelta(minutes=1) - offsets_min[k]
        out.append(
            Day(
                day,
                middle,
                middle + float(ahead_min),
                60 * float(abs(lit - usual).max()) if up[k].any() else None,
                float(eot_min[k]),
                float(at_noon.declination_deg[k]),
            )
        )
    return tuple(out)


def _noons_us(sky: Sky, dates: Sequence[date], offsets_min: Floats) -> NDArray[np.int64]:
    """The Sun's upper transit nearest to noon of the zone's standard time on each date."""
    days = np.array([(day - date(1970, 1, 1)).days for day in dates], np.int64)
    noon_us = days * 86_400_000_000 + np.rint((720 - offsets_min) * 60e6).astype(np.int64)
    for _ in range(3):  # each round leaves a small share of the day's change
        noon_us = noon_us - np.rint(sky.sun(noon_us).hour_angle_deg * _US_PER_DEG).astype(np.int64)
    return noon_us


def time_of(dial: Dial, card: Card, spells_min: float, moment: datetime) -> float:
    """What the card makes of a reading: minutes after midnight of the time clocks show, from
    the step's beginning as spelled and an instant of its day. Half a step either way."""
    day = card.days[moment.astimezone(dial.site.tz).date().timetuple().tm_yday - 1]
    return (spells_min + dial.plan.step_min / 2 + day.legal_min) % DAY_MIN


def minutes(value: float) -> str:
    """Minutes with their sign, as minutes and seconds: "+4 min 05 s"."""
    seconds = round(abs(value) * 60)
    sign = "-" if value < 0 and seconds else "+"
    return f"{sign}{seconds // 60} min {seconds % 60:02} s"


def _date(day: date) -> str:
    return f"{day.day} {day:%B}"


def _row(day: Day) -> tuple[str, ...]:
    way = "E" if day.east_deg > 0 else "W"
    return (
        day.day.isoformat(),
        minutes(day.add_min),
        minutes(day.legal_min),
        "no Sun" if day.swing_s is None else f"{day.swing_s:.0f} s",
        f"{abs(day.east_deg):.2f} deg {way}",
    )
