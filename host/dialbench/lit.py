"""The lit fraction of a dial's channels under any Sun, light that strays between bores included.

What each channel's own bores let through is known in closed form (`dialbench.ideal`).
What gets in through the bores of others is not: rays find it (`dialbench.rays.stray`), as
a field over the directions of the body's frame, and it comes on top. Where bores keep
apart it is nothing, to the last digit. Where they do not it is much: near its exits a body
of many bores is more hole than wood, and bores taken one by one would be minutes off.

The field is the same on every day and at every site: it is worked out once, in bands of
declination as they are asked for, and kept on disk.
"""

from __future__ import annotations

import math
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from dialbench import ideal, kept
from dialbench.dial import Dial
from dialbench.path import CUBIC, Place
from dialbench.rays.stray import FORMAT, STEP_DEG, Stray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BAND = 2  # rows of the field that are worked out and kept together
_STEP = np.radians(STEP_DEG)
_FAR_DEG, _LARGEST_DEG = 45.0, 0.272  # the Sun never stands so far out, nor is larger


class Light:
    """Lit fractions of one dial: with what strays between bores, or each bore by itself."""

    def __init__(self, dial: Dial, ghosts: bool = True) -> None:
        self.dial = dial
        self.ghosts = ghosts and len({bore.channel for bore in dial.bores}) > 1
        self.bores = ideal.bores_of(dial)
        self._bands: dict[int, NDArray[np.float16]] = {}

    @property
    def name(self) -> str:
        return "ghosts" if self.ghosts else "alone"

    @property
    def key(self) -> dict[str, str]:
        """What lit fractions depend on besides the dial."""
        return {"light": self.name, "ideal": ideal.FORMAT, "stray": FORMAT}

    @property
    def near_deg(self) -> float:
        """Hour angle on either side beyond which no channel's own bores let light in."""
        far = self.bores.reach(math.radians(_FAR_DEG), math.radians(_LARGEST_DEG))
        return min(math.degrees((np.abs(self.bores.hour_angle) + far).max()) + 1.0, 180.0)

    @property
    def reach_deg(self) -> float:
        """Hour angle on either side beyond which every channel is dark for certain."""
        if len(self.hours_deg):
            return max(self.near_deg, float(np.abs(self.hours_deg).max()) + 1.0)
        return self.near_deg

    @cached_property
    def stray(self) -> Stray:
        return Stray(self.dial)

    @cached_property
    def hours_deg(self) -> Floats:
        """Hour angles of the nodes of stray light; none where nothing strays."""
        if not self.ghosts:
            return np.zeros(0)
        name, key = f"stray-{self.dial.hash}-nodes", {"dial": self.dial.hash, "stray": FORMAT}
        known = kept.load(name, key)
        if known is None:
            known = {"hours_deg": self.stray.hours_deg}
            kept.save(name, key, known)
        hours_deg: Floats = known["hours_deg"]
        return hours_deg

    def at(self, place: Place, channel: Ints) -> Floats:
        """Lit fraction 0..1 of one channel each under one Sun each, shape (n,).

        Whether the Sun is up is not asked.
        """
        own = self.bores.lit(place.hour_angle, place.declination, place.semidiameter, channel)
        if not self.ghosts:
            return own
        stray = self.strayed(place.hour_angle, place.declination, channel)
        return np.clip(own + stray, 0.0, 1.0)

    def strayed(self, hour_angle: Floats, declination: Floats, channel: Ints) -> Floats:
        """What strays from bore to bore, of one channel each under one Sun each, shape (n,).

        Radians, in the body's frame. None where ghosts are off.
        """
        hours_deg = self.hours_deg
        strayed = np.zeros(len(channel))
        if not len(hours_deg):
            return strayed
        x = (hour_angle - np.radians(hours_deg[0])) / _STEP
        inside = np.flatnonzero((x >= 1) & (x < len(hours_deg) - 2))
        if not len(inside):
            return strayed
        x, y, channel = x[inside], declination[inside] / _STEP, channel[inside]
        column, row = np.floor(x).astype(np.int64), np.floor(y).astype(np.int64)
        across, along = _weights(x - column), _weights(y - row)
        used = np.unique(np.unique(row)[:, None] + np.arange(-1, 3))
        values = np.stack([self._band(n // BAND)[n % BAND] for n in used.tolist()])
        first = np.searchsorted(used, row - 1)
        total = np.zeros(len(x))
        for k in range(4):
            for j in range(4):
                total += along[k] * across[j] * values[first + k, column - 1 + j, channel]
        strayed[inside] = total
        return strayed

    def _band(self, number: int) -> NDArray[np.float16]:
        if number not in self._bands:
            self._bands[number] = self._found(number)
        return self._bands[number]

    def _found(self, number: int) -> NDArray[np.float16]:
        name = f"stray-{self.dial.hash}-{number:+d}"
        key = {"dial": self.dial.hash, "stray": FORMAT}
        known = kept.load(name, key, mapped=True)
        if known is None:
            rows = self.stray.rows(number * BAND, BAND).astype(np.float16)
            known = {"rows": rows}
            kept.save(name, key, known)
        return known["rows"]


def _weights(u: Floats) -> Floats:
    """Shares (4, n) that the nodes at -1, 0, 1, 2 have in a cubic's value at u."""
    weights: Floats = CUBIC.T @ np.stack((np.ones_like(u), u, u * u, u * u * u))
    return weights


@lru_cache(maxsize=8)
def light_of(dial: Dial, ghosts: bool = True) -> Light:
    return Light(dial, ghosts)
