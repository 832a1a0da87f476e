"""Which way stray light comes: the bores through which it enters the body.

A plain march along a few rays, for a handful of ghosts: all voids are asked at each step.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from dialbench.audit.minutes import Bools, Floats
from dialbench.dial import Bore, Dial
from dialbench.rays.tracer import ray_points
from dialbench.rays.voids import A, U, V, Vectors, Voids, way_out
from dialcore import frames

Point = tuple[float, ...]  # x, y, z in the body's frame

RAYS = 512
_INSIDE_MM = 1e-6  # so far short of the surface a ray is looked at


@dataclass(frozen=True)
class Way:
    """A bore, and the share of a channel's light that enters the body through it."""

    bore: Bore
    share: float


class Ways:
    """Rays through one dial's body, one Sun and one channel at a time.

    points: those of tracer.ray_points, between which the rays run.
    """

    def __init__(self, dial: Dial, points: tuple[Floats, ...] | None = None) -> None:
        self._dial = dial
        self._voids = Voids.of(dial, 0.0, 1.0)
        self._points = points or ray_points(RAYS, 0.5)

    def through(
        self, channel: int, hour_angle: float, declination: float, semidiameter: float
    ) -> list[Way]:
        """The bores by which light reaches a channel, the largest share first.

        Radians. Where several bores hold a ray at the surface, that counts which leads it
        farthest in.
        """
        start, towards, out, seen = self._rays(channel, hour_angle, declination, semidiameter)
        lit = seen & self._lit(start, towards, out)
        counts: Counter[int] = Counter()
        for ray in np.flatnonzero(lit).tolist():
            at = out[ray] - _INSIDE_MM
            point = tuple(start[k][ray] + at * towards[k][ray] for k in range(3))
            entered = self._entered(point, tuple(-towards[k][ray] for k in range(3)))
            counts.update([] if entered is None else [entered])
        total = sum(counts.values())
        bores = self._dial.bores
        return [Way(bores[k], n / total) for k, n in counts.most_common()]

    def lit(
        self, channel: int, hour_angle: float, declination: float, semidiameter: float
    ) -> Bools:
        """Which rays reach the sky, shape (rays,), an exit's own rim counting as wood."""
        start, towards, out, seen = self._rays(channel, hour_angle, declination, semidiameter)
        return seen & self._lit(start, towards, out)

    def _rays(
        self, channel: int, hour_angle: float, declination: float, semidiameter: float
    ) -> tuple[Vectors, Vectors, Floats, Bools]:
        """Starts, directions and lengths of the rays of an exit, and which of them count."""
        v, body = self._voids, self._dial.body
        sun = np.array(
            [
                float(x)
                for x in frames.direction(hour_angle, declination, self._dial.site.hemisphere, np)
            ]
        )
        mine = np.flatnonzero(v.channel == channel)
        own = mine[(sun @ v.axes[A][:, mine]).argmax()]
        half = v.half[mine].max()
        p, q, e1, e2 = self._points
        exit_mm = self._dial.channels[channel]
        middle = (0.0, exit_mm.y_mm, exit_mm.z_mm)
        side = np.array([-sun[1], sun[0], 0.0]) / np.hypot(sun[0], sun[1])
        beside, size = np.cross(sun, side), np.tan(semidiameter)
        x, y, z = (
            middle[k] + half * (p * v.axes[U, k, own] + q * v.axes[V, k, own]) for k in range(3)
        )
        on_x, on_y, on_z = (sun[k] + size * (e1 * side[k] + e2 * beside[k]) for k in range(3))
        start, towards = (x, y, z), (on_x, on_y, on_z)
        out = way_out(start, towards, body.radius_mm, body.length_mm / 2, body.front_mm)
        seen = on_x > 0
        if v.round[own]:
            seen = seen & (p * p + q * q <= 1)
        return start, towards, out, seen

    def _lit(self, start: Vectors, towards: Vectors, out: Floats) -> Bools:
        v = self._voids
        bores = len(v.half)
        end = np.maximum(0.0, -start[0] / np.maximum(towards[0], 1e-30))
        out = np.where(end < out, out, np.inf)  # none from behind the face: see Tracer
        going = np.arange(len(end))
        while len(going):
            x, y, z = (
                s[going] + end[going] * t[going] for s, t in zip(start, towards, strict=True)
            )
            on_x, on_y, on_z = (t[going] for t in towards)
            bore = np.tile(np.arange(bores), len(going))
            ray = np.repeat(np.arange(len(going)), bores)
            helped, room = v.carried(bore, ray, (x, y, z), (on_x, on_y, on_z))
            on = np.zeros(len(going))
            np.maximum.at(on, helped, room)
            end[going] += on
            going = going[(on > 0) & (end[going] < out[going])]
        lit: Bools = end >= out
        return lit

    def _entered(self, point: Point, inwards: Point) -> int | None:
        """The bore that holds a point at the surface and leads a ray farthest in from there.

        None where only a pocket does: that has no mouth of its own, but lies between two.
        """
        bores = np.arange(len(self._dial.bores))
        x, y, z = (np.full(len(bores), of) for of in point)
        on_x, on_y, on_z = (np.full(len(bores), of) for of in inwards)
        led, room = self._voids.carried(bores, bores, (x, y, z), (on_x, on_y, on_z))
        return int(led[room.argmax()]) if len(led) else None
