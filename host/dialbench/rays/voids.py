"""The holes in a body: where rays run inside them, and where they leave.

A void holds the points with along >= -behind, |u| <= half + widen * along and
|v| <= half + rise * along, in its bore's frame (dialcore.bores.axes) about the exit; a
round one is the circle of radius half + widen * along. It goes on outwards for ever, and
inwards by half its exit, for the bore is drilled through to the sensor.

Bores come first. After them come pockets (dialbench.pockets), which end at `front`, and
belong to no channel: light that needs one is stray.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench.dial import Dial
from dialbench.pockets import pockets
from dialcore import bores

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Vectors = tuple[Floats, Floats, Floats]  # x, y, z in the body's frame

A, U, V = range(3)  # a bore's axes: along, and across it both ways

NO_CHANNEL = -2  # of pockets

_TINY = 1e-30
_ROUNDED = 1e-12  # more than rounding takes away
_GAIN_MM = 1e-9  # a void must carry a ray at least so far on


@dataclass(frozen=True, eq=False)
class Voids:
    """All bores of one body; arrays over bores, lengths in mm."""

    channel: Ints
    axes: Floats  # (axis, component, bores)
    origin: Floats  # (axis, bores): the bore's exit along its own axes
    half: Floats
    widen: Floats
    rise: Floats
    behind: Floats
    front: Floats
    round: NDArray[np.bool_]
    drawn_mm2: Floats  # area of the exit as drawn

    @classmethod
    def of(cls, dial: Dial, axis_error_deg: Floats | float, width_factor: Floats | float) -> Voids:
        """The bores as drawn, their axes off by axis_error_deg (bores, 2: hour angle,
        declination) and exit and entry made wider by width_factor (bores,)."""
        extra = pockets(dial)
        listed = (*dial.bores, *extra)
        channel = np.array([b.channel for b in listed], np.int64)
        drawn = np.radians([(b.hour_angle_deg, b.declination_deg) for b in listed]).reshape(-1, 2)
        count = len(dial.bores)
        drawn[:count] += np.radians(axis_error_deg)
        factor = np.ones(len(listed))
        factor[:count] = width_factor
        hour, declination = drawn.T
        triad = bores.axes(hour, declination, dial.site.hemisphere, np)
        axes = np.array([np.broadcast_arrays(*axis, hour)[:3] for axis in triad])
        exits = np.array([(0.0, c.y_mm, c.z_mm) for c in dial.channels]).reshape(-1, 3)
        exit_mm = np.array([b.exit_mm for b in listed])
        half = factor * exit_mm / 2
        entry_half = factor * np.array([b.entry_mm for b in listed]) / 2
        length_mm = np.array([b.length_mm for b in listed])
        widen = (entry_half - half) / length_mm
        opening = np.tan(np.radians([b.opening_deg for b in listed]) / 2)
        circular = np.array([b.shape == "round" for b in listed], np.bool_)
        is_pocket = np.arange(len(listed)) >= count
        return cls(
            channel=np.where(is_pocket, NO_CHANNEL, channel),
            axes=axes,
            origin=np.einsum("akb,bk->ab", axes, exits[channel]),
            half=half,
            widen=widen,
            rise=np.where(circular, widen, opening),
            behind=half,
            front=np.where(is_pocket, length_mm, np.inf),
            round=circular,
            drawn_mm2=np.where(circular, np.pi / 4, 1.0) * exit_mm**2,
        )

    def fat_stretch(
        self, bore: Ints, at: Floats, slope: Floats, start: Floats, grow: Floats
    ) -> tuple[Floats, Floats]:
        """From where to where on a fat ray a thin one may run inside a void, in mm.

        bore (m,); at, slope (3, m): the middle ray, at + t slope in the bore's frame;
        start, grow (m,): the fat ray's radius is start + grow t. Low is above high where
        it misses the void. A round void counts with the square around it.
        """
        low, high = np.full(len(bore), -np.inf), np.full(len(bore), np.inf)
        _cut(low, high, -at[A] - self.behind[bore] - start, -slope[A] - grow)
        _cut(low, high, at[A] - self.front[bore] - start, slope[A] - grow)
        for axis, spreading in ((U, self.widen), (V, self.rise)):
            k = spreading[bore]
            lean = np.sqrt(1 + k * k)
            wall = self.half[bore] + k * at[A] + lean * start
            recede = k * slope[A] + lean * grow
            _cut(low, high, at[axis] - wall, slope[axis] - recede)
            _cut(low, high, -at[axis] - wall, -slope[axis] - recede)
        return low, high

    def hold(self, bore: Ints, a: Floats | float, u: Floats, v: Floats) -> NDArray[np.bool_]:
        """Whether points (a, u, v) in the frames of bores lie inside these."""
        wall = self.half[bore] + self.widen[bore] * a
        inside = (np.abs(u) <= wall) & (np.abs(v) <= self.half[bore] + self.rise[bore] * a)
        if self.round.any():
            inside &= ~self.round[bore] | (u * u + v * v <= wall * wall)
        return inside & (a >= -self.behind[bore]) & (a <= self.front[bore])

    def keep(self, bore: Ints, towards: Floats, grow: Floats) -> NDArray[np.bool_]:
        """Whether rays that begin inside a void never leave it: for certain where it says so.

        bore (m,); towards (m, 3): a unit vector; grow (m,): how far rays stray from it. The
        rays run between the walls' own directions, and a void is convex.
        """
        a, u, v = np.einsum("akm,mk->am", self.axes[:, :, bore], towards)
        across = np.where(self.round[bore], np.hypot(u, v), np.abs(u))
        kept: NDArray[np.bool_] = (a - grow > _ROUNDED) & np.isinf(self.front[bore])
        for aside, spreading in ((across, self.widen), (np.abs(v), self.rise)):
            k = spreading[bore]
            kept &= k * a - aside - np.sqrt(1 + k * k) * grow > _ROUNDED
        return kept

    def carried(
        self, bore: Ints, ray: Ints, point: Vectors, towards: Vectors
    ) -> tuple[Ints, Floats]:
        """Which rays are carried on by voids that hold their points, and how far.

        bore, ray (m,): couples to look at; ray indexes points and directions (n,).
        Returns (ray, mm from the point to where the ray leaves the void) of those
        couples that help; a ray may come more than once.
        """
        a, u = self._places((A, U), bore, ray, point)
        wall = self.half[bore] + self.widen[bore] * a
        held = np.flatnonzero(np.abs(u) <= wall)  # most couples end here
        bore, ray, a, u, wall = bore[held], ray[held], a[held], u[held], wall[held]
        (v,) = self._places((V,), bore, ray, point)
        top = self.half[bore] + self.rise[bore] * a
        held = np.flatnonzero(
            (np.abs(v) <= top) & (a >= -self.behind[bore]) & (a <= self.front[bore])
        )
        bore, ray, a, u, wall = bore[held], ray[held], a[held], u[held], wall[held]
        v, top = v[held], top[held]
        on_a, on_u, on_v = self._parts((A, U, V), bore, ray, towards)
        recede, climb = self.widen[bore] * on_a, self.rise[bore] * on_a
        room = np.minimum(
            (a + self.behind[bore]) / np.maximum(-on_a, _TINY),
            (self.front[bore] - a) / np.maximum(on_a, _TINY),
        )
        for space, use in (
            (wall - u, on_u - recede),
            (wall + u, -on_u - recede),
            (top - v, on_v - climb),
            (top + v, -on_v - climb),
        ):
            room = np.minimum(room, space / np.maximum(use, _TINY))
        if self.round.any():
            within = _room_in_circle(
                on_u * on_u + on_v * on_v - recede * recede,
                u * on_u + v * on_v - wall * recede,
                u * u + v * v - wall * wall,
            )
            room = np.where(self.round[bore], np.minimum(room, within), room)
        helps = np.flatnonzero(room > _GAIN_MM)
        return ray[helps], room[helps]

    def _parts(
        self, axes: tuple[int, ...], bore: Ints, ray: Ints, vectors: Vectors
    ) -> list[Floats]:
        """Each couple's vector along some of its bore's axes."""
        x, y, z = (component[ray] for component in vectors)
        return [
            self.axes[axis, 0][bore] * x
            + self.axes[axis, 1][bore] * y
            + self.axes[axis, 2][bore] * z
            for axis in axes
        ]

    def _places(
        self, axes: tuple[int, ...], bore: Ints, ray: Ints, points: Vectors
    ) -> list[Floats]:
        """Each couple's point in its bore's frame."""
        parts = self._parts(axes, bore, ray, points)
        return [part - self.origin[axis, bore] for axis, part in zip(axes, parts, strict=True)]


def way_out(
    start: Vectors,
    towards: Vectors,
    radius_mm: Floats | float,
    half_length_mm: Floats | float,
    front_mm: Floats | float,
    grow: Floats | float = 0.0,
) -> Floats:
    """Distance to where rays leave the body, its rim, ends and front drawn in by grow per mm.

    0 for a ray that starts outside.
    """
    x, y, z = start
    a = np.maximum(towards[0] ** 2 + towards[1] ** 2 - grow**2, _TINY)
    b = x * towards[0] + y * towards[1] + grow * radius_mm
    c = x * x + y * y - radius_mm**2
    rim = (np.sqrt(np.maximum(b * b - a * c, 0.0)) - b) / a
    up = np.where(towards[2] < 0, -z, z)
    end = (half_length_mm - up) / np.maximum(np.abs(towards[2]) + grow, _TINY)
    front = (front_mm - x) / np.maximum(towards[0] + grow, _TINY)
    way = np.minimum(np.minimum(rim, end), front)
    return np.where(c > 0, 0.0, np.maximum(way, 0.0))


def covered(end: Floats, low: Floats, high: Floats, group: Ints) -> Floats:
    """How far each group's stretches low..high reach from `end` on without a gap."""
    end = end.copy()
    while True:
        live = high > end[group]
        low, high, group = low[live], high[live], group[live]
        reach = low <= end[group]
        if not reach.any():
            return end
        np.maximum.at(end, group[reach], high[reach])


def _cut(low: Floats, high: Floats, at: Floats, slope: Floats) -> None:
    """Narrow low..high, in place, to where at + t slope <= 0."""
    slope = np.where(slope == 0, _TINY, slope)
    root = -at / slope
    rising = slope > 0
    np.minimum(high, np.where(rising, root, np.inf), out=high)
    np.maximum(low, np.where(rising, -np.inf, root), out=low)


def _room_in_circle(a: Floats, b: Floats, c: Floats) -> Floats:
    """How far until a t^2 + 2 b t + c, not above 0 at first, comes to 0; below 0 if it is."""
    square = b * b - a * c
    sink = b + np.sqrt(np.maximum(square, 0.0))
    ahead = np.where((square < 0) | (sink <= 0), np.inf, -c / np.maximum(sink, _TINY))
    return np.where(c > 0, -1.0, ahead)
