"""The slowing Earth: delta T, the length of the day, and how well each is known.

Delta T, TT less UT1, is that of Stephenson, Morrison and Hohenkerk (2016, with the revision of
2020) as Skyfield carries it: measured since 1962 (IERS), splines through eclipses and
occultations from 720 BC on, and beyond both ends their long-term parabola.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dialbench import de421

Floats = NDArray[np.float64]

# Day and month by constant tides: what the parabola says, and what tides alone would do.
LENGTHENING_MS = 1.78  # a century, over 2,700 years: Stephenson, Morrison, Hohenkerk 2016
TIDAL_MS = 2.3  # a century, by tides without the land that rises after the ice: from memory
MEASURED = (1962.0, 2025.0)
_TELESCOPE = 1620.0


def delta_t_s(year: Floats) -> Floats:
    """TT less UT1 in seconds at years of the Julian era (2000.0 is J2000.0), shape (n,)."""
    return de421.delta_t_s(np.atleast_1d(np.asarray(year, float)))


def delta_t_sigma_s(year: Floats) -> Floats:
    """Its standard uncertainty in seconds, shape (n,); all from memory.

    Before the telescope 0.8 s times the square of centuries from 1820 (Morrison and Stephenson
    2004); from then to 1962 at most 1 s; measured years count as certain. After them the
    random walk of the day's length of Huber (2006): 365.25 N sqrt(N Q / 3 (1 + N / M)) ms, N
    years on, with Q = 0.058 ms2 a year and M = 2500.
    """
    year = np.atleast_1d(np.asarray(year, float))
    old = 0.8 * ((year - 1820) / 100) ** 2
    on = np.maximum(year - MEASURED[1], 0)
    walk = 0.36525 * on * np.sqrt(on * 0.058 / 3 * (1 + on / 2500))
    sigma: Floats = np.where(year < _TELESCOPE, old, np.minimum(old, 1.0))
    return np.where(year < MEASURED[0], sigma, walk)


def day_s(year: Floats) -> Floats:
    """The mean length of a solar day in SI seconds at years of the Julian era, shape (n,);
    over a decade to either side, as far as delta T tells it."""
    year = np.atleast_1d(np.asarray(year, float))
    gained: Floats = delta_t_s(year + 10) - delta_t_s(year - 10)
    return 86400 + gained / (20 * 365.25)


def day_long_ago_h(years_ago: float, lengthening_ms: float) -> float:
    """The day's length in hours so many years ago, had it always grown at that rate a century."""
    return 24 - lengthening_ms / 1000 * years_ago / 100 / 3600


def years_to_lock(lengthening_ms: float, locked_day_s: float = 47 * 86400.0) -> float:
    """Years until the day, growing at a constant rate a century, is as long as the month would
    be by then: about 47 of today's days, as the angular momentum of Earth and Moon allows
    (from memory). The rate will not be constant: tides weaken with the Moon's distance and
    depend on the seas, which the Sun will have boiled away long before."""
    return (locked_day_s - 86400) / (lengthening_ms / 1000) * 100
