"""Where voids cut a body's face and its outer surface, as closed lines. Lengths in mm.

The outer surface, round flanks and flat front together, unrolls into a plane: (s, z), s
counted along the rim from the middle of the front, growing with y. Nothing is stretched,
so paper laid round the body shows the lines where they belong.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench.dial import Body, Dial
from dialbench.rays.voids import A, U, V, Voids, way_out

Floats = NDArray[np.float64]

_ROUND = 96  # sides of a round void's outline
_SIDE = 16  # points along one side of a slot's outline


@dataclass(frozen=True)
class Wrap:
    """The outer surface's unrolling: flat_mm is half the flat front, in y."""

    body: Body

    @property
    def flat_mm(self) -> float:
        front = self.body.front_mm
        return math.sqrt(max(self.body.radius_mm**2 - front**2, 0.0))

    @property
    def arris_rad(self) -> float:
        """Angle about the polar axis, from x, at which the flat front ends."""
        return math.acos(min(self.body.front_mm / self.body.radius_mm, 1.0))

    @property
    def reach_mm(self) -> float:
        """s where the outer surface meets the face."""
        return self.flat_mm + self.body.radius_mm * (math.pi / 2 - self.arris_rad)

    def unrolled(self, x: Floats, y: Floats) -> Floats:
        """s of points on the surface, or on the rim carried on behind the face."""
        angle = np.abs(np.arctan2(y, x))
        round_mm = self.flat_mm + self.body.radius_mm * (angle - self.arris_rad)
        found: Floats = np.where(angle <= self.arris_rad, y, np.copysign(round_mm, y))
        return found

    def rolled(self, s: Floats) -> tuple[Floats, Floats]:
        """(x, y) of points at s: unrolled undone."""
        angle = self.arris_rad + (np.abs(s) - self.flat_mm) / self.body.radius_mm
        flat = np.abs(s) <= self.flat_mm
        x = np.where(flat, self.body.front_mm, self.body.radius_mm * np.cos(angle))
        return x, np.where(flat, s, np.copysign(self.body.radius_mm * np.sin(angle), s))


def exits(voids: Voids) -> Floats:
    """The voids' exit points in P, shape (voids, 3)."""
    found: Floats = np.einsum("ab,akb->bk", voids.origin, voids.axes)
    return found


def depths_mm(dial: Dial, voids: Voids) -> Floats:
    """Way along each void's axis from the face to the body's surface, shape (voids,)."""
    x, y, z = exits(voids).T
    body = dial.body
    axis = voids.axes[A]
    return way_out(
        (x, y, z),
        (axis[0], axis[1], axis[2]),
        body.radius_mm,
        body.length_mm / 2,
        body.front_mm,
    )


def on_face(dial: Dial, voids: Voids, k: int) -> Floats:
    """Where void k opens in the face: a closed line of (y, z), shape (points, 2)."""
    half_y, half_z = dial.body.radius_mm, dial.body.length_mm / 2
    line = np.array([(-half_y, -half_z), (half_y, -half_z), (half_y, half_z), (-half_y, half_z)])
    half, widen, rise = voids.half[k], voids.widen[k], voids.rise[k]

    def along(axis: int) -> Floats:
        placed: Floats = line @ voids.axes[axis, 1:, k] - voids.origin[axis, k]
        return placed

    line = _kept(line, along(A) + voids.behind[k])
    if np.isfinite(voids.front[k]):
        line = _kept(line, voids.front[k] - along(A))
    if voids.round[k]:
        for turn in np.arange(_ROUND) * 2 * math.pi / _ROUND:
            beside = math.cos(turn) * along(U) + math.sin(turn) * along(V)
            line = _kept(line, half + widen * along(A) - beside)
        return line
    for sign in (1, -1):
        line = _kept(line, half + widen * along(A) - sign * along(U))
        line = _kept(line, half + rise * along(A) - sign * along(V))
    return line


def on_surface(dial: Dial, voids: Voids, k: int) -> Floats:
    """Where void k opens in the outer surface: a closed line of (s, z), shape (points, 2).

    Empty for a pocket that ends within the body.
    """
    body, wrap = dial.body, Wrap(dial.body)
    across, beside = _ring(bool(voids.round[k]))
    axis = voids.axes[:, :, k]
    at = exits(voids)[k]
    # The walls are made of straight lines: each from its place round the exit outwards.
    start = at + voids.half[k] * (across[:, None] * axis[U] + beside[:, None] * axis[V])
    towards = (
        axis[A]
        + voids.widen[k] * across[:, None] * axis[U]
        + voids.rise[k] * beside[:, None] * axis[V]
    )
    way = _to_rim(start, towards, body.radius_mm)
    ahead = np.maximum(towards[:, 0], 1e-12)
    way = np.minimum(way, np.maximum(body.front_mm - start[:, 0], 0.0) / ahead)
    met = start + way[:, None] * towards
    line = np.column_stack((wrap.unrolled(met[:, 0], met[:, 1]), met[:, 2], way))
    half_z = body.length_mm / 2
    for column, sign, most in (
        (2, 1, float(voids.front[k])),
        (0, 1, wrap.reach_mm),
        (0, -1, wrap.reach_mm),
        (1, 1, half_z),
        (1, -1, half_z),
    ):
        line = _kept(line, most - sign * line[:, column])
    return line[:, :2]


def _ring(is_round: bool) -> tuple[Floats, Floats]:
    """Places round an outline, both ways across it, in halves of its sizes."""
    if is_round:
        turn = np.arange(_ROUND) * 2 * math.pi / _ROUND
        return np.cos(turn), np.sin(turn)
    side = np.linspace(-1, 1, _SIDE, endpoint=False)
    one = np.ones(_SIDE)
    return np.concatenate((side, one, -side, -one)), np.concatenate((-one, side, one, -side))


def _to_rim(start: Floats, towards: Floats, radius_mm: float) -> Floats:
    """Way from points in the rim's circle out to it, shape (n,)."""
    a = towards[:, 0] ** 2 + towards[:, 1] ** 2
    b = start[:, 0] * towards[:, 0] + start[:, 1] * towards[:, 1]
    c = start[:, 0] ** 2 + start[:, 1] ** 2 - radius_mm**2
    way: Floats = (np.sqrt(np.maximum(b * b - a * c, 0.0)) - b) / a
    return np.maximum(way, 0.0)


def _kept(line: Floats, room: Floats) -> Floats:
    """The part of a closed line where room, given at its points, is not below 0."""
    if not len(line) or (room >= 0).all():
        return line
    room = np.where(np.isfinite(room), room, 1e12)
    points: list[Floats] = []
    for k in range(len(line)):
        here, there = room[k - 1], room[k]
        if (here < 0) != (there < 0):
            share = here / (here - there)
            points.append(line[k - 1] + share * (line[k] - line[k - 1]))
        if there >= 0:
            points.append(line[k])
    return np.array(points).reshape(-1, line.shape[1])
