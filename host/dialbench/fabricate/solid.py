"""The body as it will be made: a solid cut by the union of its bores and pockets.

Lengths in mm, in the frame P (see dialcore.frames). Flat things are exact. Round ones are
prisms of so many sides that none lies farther than CHORD_MM from its circle, and as large
in area as the circle: they lie as often outside it as inside, and keep its volume.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from manifold3d import CrossSection, Error, Manifold, OpType
from numpy.typing import NDArray

from dialbench.dial import Body, Bore, Dial
from dialbench.errors import UserError
from dialbench.pockets import pockets
from dialcore import bores

CHORD_MM = 0.01  # how far a flat may be from the circle it stands for
CRUMB_MM3 = 1.0  # smaller pieces that fall free are loose crumbs, and left out

_FEWEST_SIDES = 32
_BEYOND_MM = 1.0  # voids stick out so far, so that no skin is left
_NOTHING = 1e-9  # of a sum of cosines; mm of width

Floats = NDArray[np.float64]


class SolidError(UserError):
    """Why a dial's body cannot be made in one piece."""


@dataclass(frozen=True, eq=False)
class Solid:
    """A body in one piece. crumbs are the volumes in mm3 of the pieces left out, largest first."""

    manifold: Manifold
    volume_mm3: float
    crumbs: tuple[float, ...]


def one_solid(dial: Dial, crumb_mm3: float = CRUMB_MM3) -> Solid:
    """The made body without the crumbs that fall free; SolidError if more than crumbs does."""
    parts = _parts(solid_of(dial))
    if not parts or parts[0].volume() <= crumb_mm3:
        raise SolidError("bores: they leave nothing of the body; make them fewer or narrower")
    volumes = [part.volume() for part in parts]
    loose = [volume for volume in volumes[1:] if volume > crumb_mm3]
    if loose:
        raise SolidError(
            f"bores: they cut the body into {len(loose) + 1} pieces, of {volumes[0]:.1f} mm3 "
            f"and, falling free, {_listed(loose)} mm3; make bores narrower, or move channels apart"
        )
    return Solid(parts[0], volumes[0], tuple(volumes[1:]))


def pieces(dial: Dial) -> list[float]:
    """Volumes in mm3 of the parts that the made body falls into, largest first."""
    return [part.volume() for part in _parts(solid_of(dial))]


def solid_of(dial: Dial) -> Manifold:
    """The body less all bores and pockets, with every piece that falls free."""
    voids = [_void(dial, bore, math.inf) for bore in dial.bores]
    voids += [_void(dial, pocket, pocket.length_mm) for pocket in pockets(dial)]
    made = block_of(dial.body) - Manifold.batch_boolean(voids, OpType.Add)
    if made.status() != Error.NoError:
        raise SolidError(f"body: cannot be cut ({made.status().name}); check its sizes")
    return made


def block_of(body: Body) -> Manifold:
    """The body before any bore."""
    sides = sides_of(body.radius_mm, 2)
    turn = np.linspace(-math.pi / 2, math.pi / 2, sides // 2 + 1)
    reach = body.radius_mm * spread(sides)
    rim = CrossSection([reach * np.column_stack((np.cos(turn), np.sin(turn)))])
    block = Manifold.extrude(rim, body.length_mm).translate((0.0, 0.0, -body.length_mm / 2))
    if body.front_mm == body.radius_mm:
        return block
    return block.trim_by_plane((-1.0, 0.0, 0.0), -body.front_mm)


def sides_of(radius_mm: float, times: int = 1) -> int:
    """How many sides stand for a circle, a multiple of times."""
    turn = math.acos(max(1 - CHORD_MM / radius_mm, 0.0)) if radius_mm > 0 else math.pi / 2
    return math.ceil(max(math.pi / turn, _FEWEST_SIDES) / times) * times


def spread(sides: int) -> float:
    """Distance of a regular polygon's corners, of the area of a circle of radius 1."""
    turn = 2 * math.pi / sides
    return math.sqrt(turn / math.sin(turn))


@dataclass(frozen=True)
class Walls:
    """A void in its bore's frame: |u| <= half + widen a, |v| <= half + rise a, start <= a <= end.

    Round: the circle of radius half + widen a. exit is where a is 0, axes are (a, u, v) in P.
    Neither width is below 0 anywhere from start to end.
    """

    exit: Floats
    axes: Floats
    half: float
    widen: float
    rise: float
    start: float
    end: float
    round: bool

    def half_widths(self, a: float) -> tuple[float, float]:
        """Half the width in u and in v."""
        return max(self.half + self.widen * a, 0.0), max(self.half + self.rise * a, 0.0)


def walls_of(dial: Dial, bore: Bore, end_mm: float) -> Walls:
    """Where a bore's void runs: from behind the face to end_mm, at most out of the body.

    Behind, it begins half an exit before the exit's middle, as it does for a ray
    (dialbench.rays.voids); a bore so far aslant that it would not be through the face there
    goes on until it is, or comes to its own edge.
    """
    channel = dial.channels[bore.channel]
    triad = bores.axes(
        math.radians(bore.hour_angle_deg),
        math.radians(bore.declination_deg),
        dial.site.hemisphere,
        math,
    )
    axes = np.array(triad, np.float64)
    exit_ = np.array([0.0, channel.y_mm, channel.z_mm])
    circular = bore.shape == "round"
    half = bore.exit_mm / 2
    widen = (bore.entry_mm - bore.exit_mm) / 2 / bore.length_mm
    rise = widen if circular else math.tan(math.radians(bore.opening_deg) / 2)
    # How far the walls lean towards +x: as large as a corner's way along x for a way of 1.
    out, across, beside = axes[:, 0]
    if circular:
        lean = math.hypot(across, beside)
        near, steep = half * lean, out + widen * lean
    else:
        near = half * (abs(across) + abs(beside))
        steep = out + widen * abs(across) + rise * abs(beside)
    through = near / steep if steep > _NOTHING else math.inf
    edges = [half / slope for slope in (widen, rise) if slope > 0]
    narrows = [half / -slope for slope in (widen, rise) if slope < 0]
    end = min(end_mm, *narrows, _reach_mm(dial.body, exit_, axes[0]))
    behind = min(max(half, through + _NOTHING), *edges, _reach_mm(dial.body, exit_, -axes[0]))
    return Walls(exit_, axes, half, widen, rise, -behind, end, circular)


def _void(dial: Dial, bore: Bore, end_mm: float) -> Manifold:
    """A bore's void: the hull of its two ends."""
    walls = walls_of(dial, bore, end_mm)
    widest = max(walls.half_widths(walls.start)[0], walls.half_widths(walls.end)[0])
    if walls.round:
        sides = sides_of(widest)
        turns = (2 * math.pi * k / sides for k in range(sides))
        corners = [(spread(sides) * math.cos(t), spread(sides) * math.sin(t)) for t in turns]
    else:
        corners = [(1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0)]
    points = []
    for a in (walls.start, walls.end):
        u, v = walls.half_widths(a)
        points += [walls.exit + (a, p * u, q * v) @ walls.axes for p, q in corners]
    return Manifold.hull_points(np.array(points))


def _reach_mm(body: Body, exit_: Floats, axis: Floats) -> float:
    """How far along an axis from its exit a square end lies wholly outside the body."""
    ends = (
        (0.0, body.front_mm),
        (-body.radius_mm, body.radius_mm),
        (-body.length_mm / 2, body.length_mm / 2),
    )
    ways = (
        max((end - float(at)) * float(way) for end in pair)
        for pair, at, way in zip(ends, exit_, axis, strict=True)
    )
    return sum(ways, start=_BEYOND_MM)


def _parts(whole: Manifold) -> list[Manifold]:
    """The connected parts, largest first."""
    return sorted(whole.decompose(), key=lambda part: -part.volume())


def _listed(volumes: Sequence[float]) -> str:
    shown = ", ".join(f"{volume:.1f}" for volume in volumes[:5])
    return f"{shown} and {len(volumes) - 5} more" if len(volumes) > 5 else shown
