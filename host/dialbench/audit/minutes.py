"""The plan's time of a year, minute by minute: where the Sun stands, and what it lights.

The plan's time is while the Sun is up and a step of the plan runs. It comes in *runs*: one
a day, more where a skyline cuts the day. Looked at on full minutes of UTC, from somewhat
before each run to somewhat after it; between two minutes the Sun's path is a straight line.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
from numpy.typing import NDArray

from dialbench.dial import Dial
from dialbench.layout import plan_edges_deg
from dialbench.lit import Light
from dialbench.path import DAY_US, Place
from dialbench.sky import Sky, from_us, to_us

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

MINUTE_US = 60_000_000
_BEYOND_MIN = 8  # looked at before and after a run: there its first and last light may lie
_TOGETHER = 8192  # minutes of the Sun worked on together


@dataclass(frozen=True)
class PlanTime:
    """The plan's time of one year.

    edges_us, shape (days, steps + 1): when the plan's steps begin on each day, and the last
    one ends. begin_us, end_us, day: of each run, day being its place among dates.
    """

    dates: tuple[date, ...]
    edges_us: Ints
    begin_us: Ints
    end_us: Ints
    day: Ints
    _grid_us: Ints
    _sun: Floats  # (hour angle, declination, semi-diameter; minutes), radians

    @property
    def steps(self) -> int:
        return int(self.edges_us.shape[1]) - 1

    def minutes(self, run: int) -> Ints:
        """UTC of the minutes of a run, from _BEYOND_MIN before it to as long after it."""
        first = self._minute(int(self.begin_us[run])) - _BEYOND_MIN
        last = self._minute(int(self.end_us[run])) + 1 + _BEYOND_MIN
        return self._grid_us[first : last + 1]

    def _minute(self, utc_us: int) -> int:
        return (utc_us - int(self._grid_us[0])) // MINUTE_US

    def place(self, utc_us: Ints | Floats) -> Place:
        """Where the Sun stands in the body's frame at instants within the year, shape (n,)."""
        x = (utc_us - self._grid_us[0]) / MINUTE_US
        minute = np.clip(x.astype(np.int64), 0, len(self._grid_us) - 2)
        share = x - minute
        here, there = self._sun[:, minute], self._sun[:, minute + 1]
        there[0] += np.where(there[0] < here[0] - np.pi, 2 * np.pi, 0.0)
        hour_angle, declination, semidiameter = here + (there - here) * share
        hour_angle = np.where(hour_angle > np.pi, hour_angle - 2 * np.pi, hour_angle)
        return Place(hour_angle, declination, semidiameter)

    def step_of(self, day: Ints, utc_us: Ints | Floats) -> Ints:
        """The step that runs at instants of days, both of shape (n,); -1 before the first.

        A step holds its own beginning; after the last one's end it is the number of steps.
        """
        step = np.full(len(day), -1, np.int64)
        for edge_us in self.edges_us.T:
            step += utc_us >= edge_us[day]
        return step


def plan_time(dial: Dial, year: int, season_deg: tuple[float, float] | None = None) -> PlanTime:
    """The plan's time of a year of the site's zone: all days whose plan has its middle there.

    season_deg: of these only the days in whose middle the Sun's declination lies so.
    Raises SkyError for a year beyond the ephemeris.
    """
    sky, zone = Sky(dial.site), dial.site.tz
    start_us = to_us(datetime(year, 1, 1, tzinfo=zone))
    end_us = to_us(datetime(year + 1, 1, 1, tzinfo=zone))
    # From a day earlier to a day later: a plan's day need not be one of the zone.
    grid_us = np.arange(start_us - DAY_US, end_us + DAY_US, MINUTE_US)
    parts = []
    for begin in range(0, len(grid_us), _TOGETHER):
        sun = sky.sun(grid_us[begin : begin + _TOGETHER])
        parts.append((sun.hour_angle_deg, sun.declination_deg, sun.semidiameter_deg))
    sun_deg = np.concatenate(parts, axis=1)

    turns = np.cumsum(np.diff(sun_deg[0], prepend=sun_deg[0, 0]) < -180)
    ahead_deg = sun_deg[0] + 360 * turns
    hours_deg = plan_edges_deg(dial.site, dial.plan)
    days_deg = 360.0 * np.arange(int(turns[-1]) + 1)
    due_deg = days_deg[:, None] + hours_deg
    due_deg = due_deg[(due_deg[:, 0] > ahead_deg[0]) & (due_deg[:, -1] < ahead_deg[-1])]
    after_us = np.interp(due_deg, ahead_deg, (grid_us - start_us).astype(float))
    middle_us = after_us[:, [0, -1]].mean(axis=1)
    inside = (middle_us >= 0) & (middle_us < end_us - start_us)
    if season_deg is not None:
        middle_deg = np.interp(middle_us, (grid_us - start_us).astype(float), sun_deg[1])
        inside &= (middle_deg >= season_deg[0]) & (middle_deg <= season_deg[1])
    edges_us = start_us + np.rint(after_us[inside]).astype(np.int64)
    middles_us = start_us + np.rint(middle_us[inside]).astype(np.int64)
    dates = tuple(from_us(at).astimezone(zone).date() for at in middles_us.tolist())

    runs: list[tuple[int, int, int]] = []
    if len(edges_us):
        up = sky.up_spans(int(edges_us[0, 0]), int(edges_us[-1, -1]))
        for day, (first_us, last_us) in enumerate(edges_us[:, [0, -1]].tolist()):
            first = int(np.searchsorted(up.end_us, first_us, side="right"))
            last = int(np.searchsorted(up.begin_us, last_us, side="left"))
            for begin_us, end_us in zip(
                up.begin_us[first:last].tolist(), up.end_us[first:last].tolist(), strict=True
            ):
                runs.append((max(first_us, begin_us), min(last_us, end_us), day))
    columns = np.array(runs, np.int64).reshape(-1, 3).T
    begins, ends, days = columns
    return PlanTime(dates, edges_us, begins, ends, days, grid_us, np.radians(sun_deg))


@dataclass(frozen=True)
class Looked:
    """Minutes of some runs, and the light on every channel: run by run, in order of time.

    run (n,); utc_us (n,); lit, own (n, channels): all light, and that of each channel's own
    bores by themselves; step (n,): of the plan; inside (n,): whether within the run.
    """

    run: Ints
    utc_us: Ints
    place: Place
    step: Ints
    inside: Bools
    lit: Floats
    own: Floats


def look(light: Light, time: PlanTime, runs: Ints) -> Looked:
    """What is lit in the minutes of some runs."""
    minutes = [time.minutes(run) for run in runs.tolist()]
    run = np.repeat(runs, [len(each) for each in minutes])
    utc_us = np.concatenate([*minutes, np.zeros(0, np.int64)])
    place = time.place(utc_us)
    own, lit = lit_at(light, place)
    inside = (utc_us >= time.begin_us[run]) & (utc_us < time.end_us[run])
    return Looked(run, utc_us, place, time.step_of(time.day[run], utc_us), inside, lit, own)


def lit_at(light: Light, place: Place) -> tuple[Floats, Floats]:
    """Lit fractions of every channel under Suns (n,): own bores only, and all; (n, channels)."""
    channels = len(light.dial.channels)
    suns = len(place.hour_angle)
    channel = np.tile(np.arange(channels), suns)
    each = Place(
        *(
            np.repeat(of, channels)
            for of in (place.hour_angle, place.declination, place.semidiameter)
        )
    )
    own = light.bores.lit(each.hour_angle, each.declination, each.semidiameter, channel)
    lit = light.at(each, channel)
    return own.reshape(suns, channels), lit.reshape(suns, channels)


def wanted(dial: Dial) -> Bools:
    """Which channels each step of the plan lights: (steps + 1, channels), the last row none.

    So -1 and the number of steps both stand for a time without a step.
    """
    wants = np.zeros((len(dial.plan.steps) + 1, len(dial.channels)), np.bool_)
    for row, step in enumerate(dial.plan.steps):
        wants[row, sorted(step.channels)] = True
    return wants
