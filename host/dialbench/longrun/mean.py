"""The equation of time far from now: apparent less UT1, from the mean orbit.

UT1 is what it is by definition: the Earth's rotation angle, a linear function of it (IAU
2000), counted from the point of the moving equator that does not turn with it (the
celestial intermediate origin). Its place follows from the pole's way alone (Capitaine and
others 2003, Astronomy and Astrophysics 400, 1145): ds = -(X dY - Y dX) / (1 + Z).
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from dialbench.longrun import orbit, slowing

Floats = NDArray[np.float64]

FIRST_YEAR, LAST_YEAR = -720, 10_020
_TURN_DAY_S = 86400.0
_ROTATED = 0.7790572732640  # of a turn at J2000.0 UT1, IAU 2000
_GAINS = 0.00273781191135448  # of a turn a day of UT1, beyond the whole one
_STEP = 0.02  # centuries: the origin's place is summed up in such steps


def equation_of_time_s(centuries: Floats) -> tuple[Floats, Floats]:
    """(apparent less mean time in seconds, declination in degrees) of the geocentric Sun at
    Julian centuries of TT from J2000.0; mean is UT1, and dial fast is positive."""
    t = np.atleast_1d(np.asarray(centuries, float))
    place, _ = orbit.sun(t)
    pole = orbit.equator_pole(t)
    ascension, declination = _from_origin(place, pole, origin(t))
    ut1_days = t * 36525 - slowing.delta_t_s(2000 + 100 * t) / 86400
    ahead = (_ROTATED + _GAINS * ut1_days - ascension / (2 * np.pi) + 0.5) % 1 - 0.5
    return ahead * _TURN_DAY_S, np.degrees(declination)


def origin(centuries: Floats) -> Floats:
    """The locator s of the celestial intermediate origin, radians."""
    grid, summed = _summed()
    found: Floats = np.interp(centuries, grid, summed)
    return found


@cache
def _summed() -> tuple[Floats, Floats]:
    first, last = (FIRST_YEAR - 2000) / 100 - 1, (LAST_YEAR - 2000) / 100 + 1
    count = round((last - first) / _STEP)
    grid = np.linspace(first, last, count + 1)
    x, y, _z = orbit.equator_pole(grid)
    middle = orbit.equator_pole((grid[:-1] + grid[1:]) / 2)
    pieces = -(middle[0] * np.diff(y) - middle[1] * np.diff(x)) / (1 + middle[2])
    summed = np.concatenate(([0.0], np.cumsum(pieces)))
    return grid, summed - np.interp(0.0, grid, summed)


def _from_origin(place: Floats, pole: Floats, s: Floats) -> tuple[Floats, Floats]:
    """Right ascension from that origin, and declination, radians."""
    x, y, z = pole
    a = 1 / (1 + z)
    east = (1 - a * x * x) * place[0] - a * x * y * place[1] - x * place[2]
    north = -a * x * y * place[0] + (1 - a * y * y) * place[1] - y * place[2]
    up = x * place[0] + y * place[1] + z * place[2]
    return np.arctan2(north, east) + s, np.arcsin(up)
