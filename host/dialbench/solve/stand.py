"""What to do to the base so that the body stands as it was meant to.

A pose is a rotation about P's axes. To undo it in a workshop takes a turn of the whole about
the vertical and a tilt of the plate on which it stands, by shims under its feet: a rotation is
one of each, in any order as long as the ground is level. Whatever the body's nominal placing,
only the matrix that takes east, north, up to P knows of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.solve.observe import RANGE
from dialcore import frames

Floats = NDArray[np.float64]
Foot = tuple[float, float]  # east and north of where the base stands, mm

SHIM_MM = 0.05  # sheets of brass or paper come so thin (common practice, no source)
TURN_DEG = 0.01
_FEWEST, _MOST = 3, 12
_FLAT_MM = 20.0  # feet nearer to one line than this hold no plate
_STEP = 1e-6


class FeetError(UserError):
    """Why feet cannot be what a base stands on."""


@dataclass(frozen=True)
class Told:
    """A value with half of its 95% interval."""

    value: float
    half_width: float

    @property
    def sure(self) -> bool:
        """Whether zero lies outside the interval."""
        return abs(self.value) > self.half_width


@dataclass(frozen=True)
class Move:
    """Turn the base, then shim it.

    turn_deg: about the vertical, anticlockwise as seen from above; shims_mm: what comes under
    each foot in feet's order. Those that the data do not tell apart from nothing are 0 in
    `turn` and `shims`, which is what is to be done, in steps of TURN_DEG and SHIM_MM.
    """

    feet: tuple[Foot, ...]
    turn_deg: Told
    shims_mm: tuple[Told, ...]

    @property
    def turn(self) -> float:
        return round(self.turn_deg.value / TURN_DEG) * TURN_DEG if self.turn_deg.sure else 0.0

    @property
    def shims(self) -> tuple[float, ...]:
        return tuple(
            round(one.value / SHIM_MM) * SHIM_MM if one.sure else 0.0 for one in self.shims_mm
        )

    @property
    def nothing(self) -> bool:
        return self.turn == 0 and not any(self.shims)

    def after(self, pose: Floats, to_polar: Floats) -> Floats:
        """The pose, a rotation vector in P, of a body that had another and was moved so."""
        spot = np.array([(east, north, 1.0) for east, north in self.feet])
        rise = np.linalg.lstsq(spot, np.array(self.shims), rcond=None)[0]
        # The plate's plane rises so steeply to the east and to the north: tip it so.
        steep = math.atan(math.hypot(rise[0], rise[1]))
        across = np.array([rise[1], -rise[0], 0.0])
        size = float(np.linalg.norm(across))
        tip = _rotation(across / size * steep) if size else np.eye(3)
        moved = tip @ _rotation(np.array([0.0, 0.0, math.radians(self.turn)]))
        return _vector(to_polar @ moved @ to_polar.T @ _rotation(pose))

    def sentence(self) -> str:
        """What to do, for a workshop."""
        words = []
        if self.turn:
            way = "anticlockwise" if self.turn > 0 else "clockwise"
            words.append(
                f"turn the base {abs(self.turn):.2f} +- {self.turn_deg.half_width:.2f} deg {way} as"
                f" seen from above ({self._way_mm():.1f} mm at {foot_name(self.feet, self._far)}, if"
                f" {foot_name(self.feet, 0)} stays)"
            )
        words += [
            f"put {shim:.2f} +- {one.half_width:.2f} mm under {foot_name(self.feet, n)}"
            for n, (shim, one) in enumerate(zip(self.shims, self.shims_mm, strict=True))
            if shim
        ]
        return f"{', '.join(words[:-1])} and {words[-1]}" if len(words) > 1 else words[0]

    @property
    def _far(self) -> int:
        return max(range(len(self.feet)), key=lambda n: math.dist(self.feet[0], self.feet[n]))

    def _way_mm(self) -> float:
        return math.dist(self.feet[0], self.feet[self._far]) * math.radians(abs(self.turn))


def move(pose: Floats, covariance: Floats, to_polar: Floats, feet: Sequence[Foot]) -> Move:
    """What undoes a pose, a rotation vector in P with its covariance (3, 3), in radians.

    to_polar, shape (3, 3): takes east, north, up to P.
    """
    best = _wanted(pose, to_polar, feet)
    slopes = np.stack(
        [
            (_wanted(pose + step, to_polar, feet) - _wanted(pose - step, to_polar, feet))
            / (2 * _STEP)
            for step in _STEP * np.eye(3)
        ],
        axis=1,
    )
    low = 1 + int(np.argmin(best[1:]))
    best[1:] -= best[low]  # the lowest foot gets nothing, and the others what they need beyond it
    slopes[1:] -= slopes[low]
    wide = RANGE * np.sqrt(np.einsum("ij,jk,ik->i", slopes, covariance, slopes))
    told = [Told(float(value), float(half)) for value, half in zip(best, wide, strict=True)]
    turn = Told(math.degrees(told[0].value), math.degrees(told[0].half_width))
    return Move(tuple(feet), turn, tuple(told[1:]))


def foot_name(feet: Sequence[Foot], number: int) -> str:
    """A foot by its number and where it stands."""
    middle = np.mean(feet, axis=0)
    east, north = np.asarray(feet[number]) - middle
    ways = [
        name
        for size, other, name in (
            (north, east, "north" if north > 0 else "south"),
            (east, north, "east" if east > 0 else "west"),
        )
        if abs(size) > 0.3 * abs(other)
    ]
    return f"foot {number + 1} ({'-'.join(ways)})"


def _wanted(pose: Floats, to_polar: Floats, feet: Sequence[Foot]) -> Floats:
    """The turn in radians, and by how much each foot must come up, in mm."""
    stands = to_polar.T @ _rotation(pose) @ to_polar  # east, north, up
    spot = np.array([(east, north, 0.0) for east, north in feet])
    # Of the way back, the part about the vertical: swing and twist.
    vector = _vector(stands.T)
    angle = float(np.linalg.norm(vector))
    up = float(vector[2]) / angle if angle else 0.0
    turn = 2 * math.atan2(up * math.sin(angle / 2), math.cos(angle / 2))
    return np.append(turn, -(spot @ stands.T)[:, 2])


def to_polar(dial: Dial) -> Floats:
    """The matrix (3, 3) that takes east, north, up to the dial's frame P."""
    return np.array(frames.polar_from_enu(math.radians(dial.site.latitude_deg), math))


def listed(text: str, hemisphere: int) -> tuple[Foot, ...]:
    """Feet out of "p,y p,y p,y", as base.csv gives them: mm towards the visible pole, and along
    P's y. Raises FeetError."""
    example = '--feet "-33,135 -33,-135 189,0"'
    try:
        pairs = [tuple(float(part) for part in foot.split(",")) for foot in text.split()]
        feet = tuple((hemisphere * y, hemisphere * p) for p, y in pairs)
    except ValueError:
        raise FeetError(
            f"--feet: write p,y of each foot in mm as base.csv has them: {example}"
        ) from None
    if not (_FEWEST <= len(feet) <= _MOST and all(math.hypot(*foot) < 1e5 for foot in feet)):
        raise FeetError(
            f"--feet: {_FEWEST} to {_MOST} feet hold a base, none of them 100 m away; write {example}"
        )
    if np.linalg.svd(np.array(feet) - np.mean(feet, axis=0), compute_uv=False)[1] < _FLAT_MM:
        raise FeetError(f"--feet: these stand all but in one line, and hold no base: {example}")
    return feet


def footprint(dial: Dial) -> tuple[Foot, ...]:
    """The feet of the base that `dialbench fabricate` draws, with settings as they come.

    Raises UserError where it can draw none.
    """
    from dialbench.fabricate import base, carrier, workshop  # heavy

    settings = workshop.Workshop()
    body = dial.body
    rest_mm = math.sqrt(max(body.radius_mm**2 - body.front_mm**2, 0.0))
    area_mm2 = body.front_mm * rest_mm + body.radius_mm**2 * math.asin(
        body.front_mm / body.radius_mm
    )
    wood_mm3 = area_mm2 * body.length_mm  # bores hardly move the feet
    made = base.base(dial, carrier.carrier(dial, settings), settings, wood_mm3)
    side = dial.site.hemisphere
    return tuple((side * y, side * p) for p, y in made.feet)


def _rotation(vector: Floats) -> Floats:
    x, y, z = vector.tolist()
    return np.array(frames.rotation(x, y, z, math))


def _vector(rotation: Floats) -> Floats:
    """The rotation vector of a matrix that turns by less than half a turn."""
    twist = np.array(
        [
            rotation[2, 1] - rotation[1, 2],
            rotation[0, 2] - rotation[2, 0],
            rotation[1, 0] - rotation[0, 1],
        ]
    )
    sine = float(np.linalg.norm(twist)) / 2
    angle = math.atan2(sine, (float(np.trace(rotation)) - 1) / 2)
    return twist / 2 * (angle / sine if sine > 1e-12 else 1.0)
