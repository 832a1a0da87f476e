"""Refraction: how far the air lifts the Sun."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_STEPS = 40_000  # over sin(altitude) from -1 to 1: the curve at the horizon needs that many
_ZENITH = 0.9999  # sin(altitude) above which refraction has to be worked out: see Air


def refracted_deg(altitude_deg: Floats, pressure_mbar: float, temperature_C: float) -> Floats:
    """Apparent altitude of true altitudes, shape kept: Bennett 1982 (formula from memory).

    Bennett gives the refraction of an apparent altitude, so the sum is solved by Newton's
    rule. Below an apparent altitude of -1 degree, where there is nothing to be seen and
    the formula means nothing, the lift is what it is there. It is never negative.
    """
    strength = pressure_mbar / 1010 * 283 / (273 + temperature_C) / 60
    apparent = altitude_deg + 0.0
    for _ in range(8):
        held = np.maximum(apparent, -1.0)
        angle = np.radians(held + 7.31 / (held + 4.4))
        lift = np.maximum(strength / np.tan(angle), 0.0)
        slope = -strength * np.radians(1 - 7.31 / (held + 4.4) ** 2) / np.sin(angle) ** 2
        slope = np.where((apparent > -1) & (lift > 0), slope, 0.0)
        apparent = apparent - (apparent - lift - altitude_deg) / (1 - slope)
    return apparent


class Air:
    """Refraction as a table over u = sin(true altitude), for one pressure and temperature.

    A lift R turns a unit vector v towards the zenith: v cos R + (zenith - u v) sin R / cos
    (altitude). Of sin R / cos(altitude) there is a table, straight between its nodes, and
    cos R follows from it, so that vectors stay of unit length. Near the zenith the
    formula stops at 0 with a corner that no table renders.
    """

    def __init__(self, pressure_mbar: float, temperature_C: float) -> None:
        self._air = (pressure_mbar, temperature_C)
        sines = np.linspace(-1, 1, _STEPS + 1)
        self._values = np.empty(_STEPS + 1)
        self._values[1:-1] = self._exact(sines[1:-1])
        self._values[[0, -1]] = self._values[[1, -2]]
        self._slopes = np.append(np.diff(self._values), 0.0)

    def _exact(self, sine: Floats) -> Floats:
        altitude = np.arcsin(sine)
        altitude_deg = np.degrees(altitude)
        lift_deg = refracted_deg(altitude_deg, *self._air) - altitude_deg
        pull: Floats = np.sin(np.radians(lift_deg)) / np.cos(altitude)
        return pull

    def bent(self, sine: Floats) -> tuple[Floats, Floats]:
        """Shares of v and of the zenith in the refracted vector, of v's share of the zenith."""
        node = (sine + 1) * (_STEPS / 2)
        below = np.clip(node.astype(np.int64), 0, _STEPS)
        node -= below
        pull = self._slopes.take(below)
        pull *= node
        pull += self._values.take(below)
        high = np.flatnonzero(sine > _ZENITH)
        if len(high):
            level = np.sqrt(np.maximum(1 - sine[high] ** 2, 1e-24))
            pull[high] = self._exact(np.sqrt(1 - level**2))
        across = pull * sine
        keep = np.sqrt(1 - pull * pull + across * across)
        keep -= across
        return keep, pull


@lru_cache(maxsize=16)
def over(pressure_mbar: float, temperature_C: float) -> Air:
    """The refraction of one pressure and temperature; made once."""
    return Air(pressure_mbar, temperature_C)
