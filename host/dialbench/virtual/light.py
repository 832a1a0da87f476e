"""The light on a true dial's channels at any instant."""

from __future__ import annotations

from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from dialbench.rays.tracer import RAYS, Tracer
from dialbench.rays.voids import Floats, Ints
from dialbench.sky import SunPlace
from dialbench.virtual.truth import Truth


def tracer(truth: Truth, rays: int = RAYS) -> Tracer:
    """Rays through the body as it really is and stands."""
    return Tracer(truth.dial, truth.pose_deg, truth.axis_error_deg, truth.width_factor, rays)


class SkyPlace(Protocol):
    """Tells where the Sun stands, as dialbench.sky.Sky does."""

    def sun(self, utc_us: NDArray[np.int64]) -> SunPlace: ...


class InterpolationError(NamedTuple):
    """How far interpolated lit fractions are from traced ones."""

    rms: float
    worst: float


class LightTable:
    """Lit fractions at any instant: traced on a grid of time, straight lines in between.

    The grid is filled as it is asked for; only the latest stretches of it are kept.
    """

    _POINTS = 60  # grid steps filled at a time
    _KEPT = 4

    def __init__(self, truth: Truth, sky: SkyPlace, step_s: float = 10.0, rays: int = RAYS) -> None:
        self._tracer = tracer(truth, rays)
        self._channels = len(truth.dial.channels)
        self._sky = sky
        self._step_us = round(step_s * 1e6)
        self._filled: dict[int, tuple[Floats, Floats]] = {}

    def at(self, utc_us: NDArray[np.int64]) -> tuple[Floats, Floats]:
        """Lit fractions (n, channels) and the Sun's altitude in degrees (n,)."""
        point, inside = np.divmod(utc_us, self._step_us)
        share = inside / self._step_us
        stretch, first = np.divmod(point, self._POINTS)
        parts = []
        for number in np.unique(stretch):
            here = stretch == number
            parts.append((here, *self._between(int(number), first[here], share[here])))
        light = np.empty((len(utc_us), self._channels))
        altitude_deg = np.empty(len(utc_us))
        for here, lit, up in parts:
            light[here], altitude_deg[here] = lit, up
        return light, altitude_deg

    def _between(self, number: int, first: Ints, share: Floats) -> tuple[Floats, Floats]:
        light, altitude_deg = self._stretch(number)
        part = share[:, None]
        return (
            light[first] * (1 - part) + light[first + 1] * part,
            altitude_deg[first] * (1 - share) + altitude_deg[first + 1] * share,
        )

    def _stretch(self, number: int) -> tuple[Floats, Floats]:
        if number not in self._filled:
            points = number * self._POINTS + np.arange(self._POINTS + 1, dtype=np.int64)
            self._filled[number] = self._traced(points * self._step_us)
            while len(self._filled) > self._KEPT:
                del self._filled[next(iter(self._filled))]
        return self._filled[number]

    def _traced(self, utc_us: NDArray[np.int64]) -> tuple[Floats, Floats]:
        sun = self._sky.sun(utc_us)
        light = self._tracer.lit_fractions(sun.polar, sun.semidiameter_deg)
        return light, sun.altitude_deg

    def interpolation_error(self, start_us: int, end_us: int) -> InterpolationError:
        """Of lit fractions half-way between the grid's points from start_us to end_us."""
        first = start_us - start_us % self._step_us + self._step_us // 2
        middles = np.arange(first, end_us, self._step_us, dtype=np.int64)
        off = self.at(middles)[0] - self._traced(middles)[0]
        return InterpolationError(float(np.sqrt(np.mean(off**2))), float(np.abs(off).max()))
