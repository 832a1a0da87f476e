"""Ghosts of a year: light on channels that should be dark and whose own bores are.

A ghost here is all such light on one channel in one step of the plan, whatever the day:
where the body lets it in, it comes back on every day with the same declination.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from dialbench.audit.minutes import MINUTE_US, Bools, Floats, Ints, Looked, PlanTime
from dialbench.audit.ways import Way, Ways
from dialbench.lit import Light
from dialbench.path import Place

LEAST = 0.01  # of an exit: below that, the field of stray light is a count of too few rays
OWN_DARK = 1e-3  # own bores that light less are dark
TRACED = 12  # strongest ghosts whose way is looked for
_LOOKS = 41  # instants between a minute before the brightest one and a minute after it


@dataclass(frozen=True)
class Sightings:
    """Minutes of ghost light; arrays of one length."""

    day: Ints
    step: Ints
    channel: Ints
    utc_us: Ints
    lit: Floats


@dataclass(frozen=True)
class Ghost:
    """Stray light on one channel in one step.

    peak: the greatest lit fraction, at peak_us, under a Sun at peak_hour_angle_deg and
    peak_declination_deg. minutes: a year with LEAST and more; minutes_lit: with a half and
    more. hour_angle_deg, declination_deg: from, to. dates: first and last of each stretch of
    days. through: the bores by which it comes at its peak; empty where not looked for.
    """

    channel: int
    step: int
    peak: float
    peak_us: int
    peak_hour_angle_deg: float
    peak_declination_deg: float
    minutes: int
    minutes_lit: int
    hour_angle_deg: tuple[float, float]
    declination_deg: tuple[float, float]
    dates: tuple[tuple[date, date], ...]
    through: tuple[Way, ...]


def sightings(time: PlanTime, wants: Bools, seen: Looked) -> Sightings:
    """The minutes of ghost light in the runs in seen."""
    stray = seen.inside[:, None] & ~wants[seen.step] & (seen.lit >= LEAST) & (seen.own < OWN_DARK)
    minute, channel = np.nonzero(stray)
    return Sightings(
        time.day[seen.run[minute]],
        seen.step[minute],
        channel,
        seen.utc_us[minute],
        seen.lit[minute, channel],
    )


def ghosts(light: Light, time: PlanTime, found: Sightings) -> tuple[Ghost, ...]:
    """All ghosts, the strongest first; for the strongest few, through which bores."""
    steps = time.steps
    key = found.channel * steps + found.step
    order = np.lexsort((found.utc_us, key))
    groups = np.split(order, np.flatnonzero(np.diff(key[order])) + 1) if len(order) else []
    listed = sorted(
        (_ghost(light, time, found, group) for group in groups), key=lambda g: (-g.peak, g.channel)
    )
    ways = Ways(light.dial) if listed else None
    return tuple(
        _traced(light, time, ways, ghost) if ways and k < TRACED else ghost
        for k, ghost in enumerate(listed)
    )


def _ghost(light: Light, time: PlanTime, found: Sightings, group: Ints) -> Ghost:
    channel, step = int(found.channel[group[0]]), int(found.step[group[0]])
    place = time.place(found.utc_us[group])
    hours, falls = np.degrees(place.hour_angle), np.degrees(place.declination)
    brightest = group[found.lit[group].argmax()]
    peak, peak_us = _peak(light, time, found, int(brightest))
    at = time.place(np.array([peak_us]))
    days = np.unique(found.day[group])
    ends = np.flatnonzero(np.diff(days) > 1)
    firsts, lasts = days[np.append(0, ends + 1)], days[np.append(ends, len(days) - 1)]
    return Ghost(
        channel,
        step,
        peak,
        peak_us,
        float(np.degrees(at.hour_angle[0])),
        float(np.degrees(at.declination[0])),
        len(group),
        int((found.lit[group] >= 0.5).sum()),
        (float(hours.min()), float(hours.max())),
        (float(falls.min()), float(falls.max())),
        tuple(
            (time.dates[a], time.dates[b])
            for a, b in zip(firsts.tolist(), lasts.tolist(), strict=True)
        ),
        (),
    )


def _peak(light: Light, time: PlanTime, found: Sightings, brightest: int) -> tuple[float, int]:
    """The most light about the brightest minute, and when: between two minutes there is more."""
    middle_us, channel = int(found.utc_us[brightest]), int(found.channel[brightest])
    utc_us = middle_us + np.linspace(-MINUTE_US, MINUTE_US, _LOOKS).astype(np.int64)
    day = np.full(_LOOKS, found.day[brightest])
    place, channels = time.place(utc_us), np.full(_LOOKS, channel)
    own = light.bores.lit(place.hour_angle, place.declination, place.semidiameter, channels)
    lit = light.at(place, channels)
    run = int(np.searchsorted(time.begin_us, middle_us, side="right")) - 1
    still = (utc_us >= time.begin_us[run]) & (utc_us < time.end_us[run])
    still &= (time.step_of(day, utc_us) == found.step[brightest]) & (own < OWN_DARK)
    lit = np.where(still, lit, -1.0)
    best = int(lit.argmax())
    return float(lit[best]), int(utc_us[best])


def _traced(light: Light, time: PlanTime, ways: Ways, ghost: Ghost) -> Ghost:
    at: Place = time.place(np.array([ghost.peak_us]))
    through = ways.through(
        ghost.channel,
        float(at.hour_angle[0]),
        float(at.declination[0]),
        float(at.semidiameter[0]),
    )
    return replace(ghost, through=tuple(through))
