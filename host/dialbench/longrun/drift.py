"""How far a dial that was right in one year is off in another, and why.

Two years are compared where the Sun stands at the same declination and moves the same way
through it: there the same light falls into the same bores, and only the time differs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import permutations
from math import factorial

import numpy as np
from numpy.typing import NDArray

from dialbench.longrun import mean, orbit, slowing

Floats = NDArray[np.float64]

# Declinations that the Sun reaches in every year from 700 BC to AD 10,000 (the least obliquity
# is 22.6 degrees), northward and southward.
DECLINATIONS_DEG = np.concatenate((np.arange(-22, 22.5), np.arange(22, -22.5, -1)))
NORTHWARD = np.repeat((True, False), len(DECLINATIONS_DEG) // 2)
CAUSES = ("perihelion", "obliquity", "eccentricity")
_Z95 = 1.96
_SAMPLES = 1481  # of a year and a few days: straight lines between them are within 0.01 s


@dataclass(frozen=True)
class Drift:
    """A dial right in `base`, in the year `year`; positive: it has become fast. Arrays follow
    DECLINATIONS_DEG. earth_s: against UT1, which UTC with leap seconds follows; its shares by
    cause, of the same shape, add up to it ("definition" is what is left: UT1 is defined by the
    Earth's turning against the stars and not by the mean Sun). uniform_s: against TAI, or UTC
    without leap seconds from base on. delta_t_s is what the Earth has lost meanwhile."""

    base: float
    year: float
    earth_s: Floats
    shares_s: dict[str, Floats]
    delta_t_s: float
    delta_t_sigma_s: float

    @property
    def uniform_s(self) -> Floats:
        return self.earth_s - self.delta_t_s

    @property
    def largest_earth_s(self) -> float:
        return _largest(self.earth_s)

    @property
    def largest_uniform_s(self) -> float:
        return _largest(self.uniform_s)

    @property
    def largest_uniform_95_s(self) -> tuple[float, float]:
        """Between which sizes largest_uniform_s lies, at 95%, as delta T is known."""
        size, half = abs(self.largest_uniform_s), _Z95 * self.delta_t_sigma_s
        return max(size - half, 0.0), size + half


def _largest(values: Floats) -> float:
    return float(values[np.argmax(abs(values))])


@lru_cache(maxsize=1024)  # several searches follow the same years
def drift(base: float, year: float) -> Drift:
    """Between two years (Julian era: 2000.0 is J2000.0; the year is the one from then on)."""
    before, now = at_declinations(base), at_declinations(year)
    gone = slowing.delta_t_s(np.array([base, year]))
    earth_s = now - before
    shares = _shares(_figure(base), _figure(year))
    shares["definition"] = earth_s - np.sum(list(shares.values()), axis=0)
    return Drift(
        base,
        year,
        earth_s,
        shares,
        float(gone[1] - gone[0]),
        float(np.hypot(*slowing.delta_t_sigma_s(np.array([base, year])))),
    )


def at_declinations(year: float) -> Floats:
    """The equation of time in seconds at each of DECLINATIONS_DEG, of the year from `year` on."""
    t = (year - 2000 + np.linspace(-0.005, 1.005, _SAMPLES)) / 100
    ahead_s, declination_deg = mean.equation_of_time_s(t)
    return _at(ahead_s, declination_deg)


def _at(ahead_s: Floats, declination_deg: Floats) -> Floats:
    """A year's equation of time at DECLINATIONS_DEG, from samples in order of time."""
    north = np.diff(declination_deg) > 0
    found = np.empty(len(DECLINATIONS_DEG))
    for northward in (True, False):
        which = np.flatnonzero(north == northward)
        a, b = declination_deg[which], declination_deg[which + 1]
        for at in np.flatnonzero(NORTHWARD == northward):
            wanted = DECLINATIONS_DEG[at]
            share = (wanted - a) / (b - a)
            [hit, *_] = np.flatnonzero((share >= 0) & (share <= 1))
            first = which[hit]
            found[at] = ahead_s[first] + share[hit] * (ahead_s[first + 1] - ahead_s[first])
    return found


@dataclass(frozen=True)
class _Figure:
    """The orbit as a dial meets it: angles in radians, perihelion from the equinox of date."""

    perihelion: float
    obliquity: float
    eccentricity: float


def _figure(year: float) -> _Figure:
    t = np.array([(year + 0.5 - 2000) / 100])
    of_orbit, of_equator = orbit.orbit_pole(t)[:, 0], orbit.equator_pole(t)[:, 0]
    equinox = np.cross(of_equator, of_orbit)
    equinox /= np.linalg.norm(equinox)
    east = np.cross(of_orbit, equinox)
    nearest = orbit.perigee(t)[:, 0]
    return _Figure(
        float(np.arctan2(nearest @ east, nearest @ equinox)),
        float(np.arccos(of_orbit @ of_equator)),
        float(orbit.elements(t).eccentricity[0]),
    )


def _shape_s(figure: _Figure) -> Floats:
    """What the figure alone makes of the equation of time at DECLINATIONS_DEG: the mean Sun's
    longitude less the true one's right ascension, in seconds."""
    reach = np.arcsin(np.sin(np.radians(DECLINATIONS_DEG)) / np.sin(figure.obliquity))
    longitude = np.where(NORTHWARD, reach, np.pi - reach)
    ascension = np.arctan2(np.cos(figure.obliquity) * np.sin(longitude), np.cos(longitude))
    anomaly = longitude - figure.perihelion
    e = figure.eccentricity
    half = np.sqrt((1 - e) / (1 + e))
    eccentric = 2 * np.arctan2(half * np.sin(anomaly / 2), np.cos(anomaly / 2))
    mean_longitude = eccentric - e * np.sin(eccentric) + figure.perihelion
    ahead = (mean_longitude - ascension + np.pi) % (2 * np.pi) - np.pi
    ahead_s: Floats = ahead * (43200 / np.pi)
    return ahead_s


def _shares(before: _Figure, now: _Figure) -> dict[str, Floats]:
    """What each cause adds, on average over the orders in which they may be let in."""
    shares = {cause: np.zeros(len(DECLINATIONS_DEG)) for cause in CAUSES}
    for order in permutations(CAUSES):
        figure = before
        for cause in order:
            changed = replace(figure, **{cause: getattr(now, cause)})
            shares[cause] += (_shape_s(changed) - _shape_s(figure)) / factorial(len(CAUSES))
            figure = changed
    return shares


def first_wrong(
    base: float, limit_s: float, years: Sequence[float], size: Callable[[Drift], float]
) -> float | None:
    """The first of `years`, to a year between two of them, in which a drift's size is at least
    limit_s; None if it never is. They must begin at or beyond base, in order."""
    last = base
    for year in years:
        if abs(size(drift(base, year))) >= limit_s:
            while abs(year - last) > 1:
                middle = float(np.trunc((year + last) / 2))
                if abs(size(drift(base, middle))) >= limit_s:
                    year = middle
                else:
                    last = middle
            return year
        last = year
    return None
