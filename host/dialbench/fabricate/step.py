"""A dial's body as a STEP file: planes, cylinders and cones themselves, for CAD programs.

Needs the extra `step` (build123d); nothing else imports it. Every bore is cut by itself, which
takes minutes for hundreds that cross, where triangles take seconds. Cutting them all at once is
slower, and was seen to leave pieces that are not there.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.fabricate.solid import CRUMB_MM3, Walls, one_solid, walls_of
from dialbench.pockets import pockets

_BLUNT_MM = 1e-3  # half of what an edge is wide where a void would end in one
_VOLUME = 1e-4  # how far the volumes of two ways of cutting may be apart

Progress = Callable[[int, int], None]  # voids cut, voids in all


class StepError(UserError):
    """Why no STEP file can be written."""


def write_step(path: Path, dial: Dial, progress: Progress | None = None) -> None:
    """Write the body less its bores and pockets as one exact solid, in mm in the frame P.

    Raises StepError without build123d, or if the cut comes out otherwise than in triangles;
    SolidError if the body falls into pieces.
    """
    cad = _cad()
    due = one_solid(dial)  # takes seconds: what falls into pieces is refused before the long cut
    made = [part for part in exact_solids(dial, progress) if part.volume > CRUMB_MM3]
    off = made[0].volume / due.volume_mm3 - 1 if made else -1.0
    if len(made) != 1 or not made[0].is_valid or abs(off) > _VOLUME:
        raise StepError(
            f"bores: cut exactly, they leave {len(made)} pieces, the first {off:+.2%} off the "
            "volume of the triangles; use the 3MF file, or move bores that nearly touch"
        )
    made[0].label = f"dial {dial.hash}"
    # A fixed time, so that one dial makes one file.
    cad.export_step(made[0], path, timestamp="1980-01-01T00:00:00")


def exact_solids(dial: Dial, progress: Progress | None = None) -> list[Any]:
    """The pieces of the made body as build123d solids, largest first; StepError without it."""
    cad = _cad()
    walls = [walls_of(dial, bore, math.inf) for bore in dial.bores]
    walls += [walls_of(dial, pocket, pocket.length_mm) for pocket in pockets(dial)]
    made = _block(cad, dial)
    for k, void in enumerate(walls, 1):
        made = made.cut(_void(cad, void))
        if progress is not None:
            progress(k, len(walls))
    return sorted(made.solids(), key=lambda solid: -solid.volume)


def _cad() -> Any:
    try:
        import build123d
    except ImportError:
        raise StepError(
            "STEP files need build123d, which is not here: pip install 'dialbench[step]'"
        ) from None
    return build123d


def _block(cad: Any, dial: Dial) -> Any:
    """The body before any bore."""
    body = dial.body
    foot = cad.Plane(origin=(0, 0, -body.length_mm / 2))
    rod = cad.Solid.make_cylinder(body.radius_mm, body.length_mm, foot)
    corner = cad.Plane(origin=(0, -body.radius_mm, -body.length_mm / 2))
    box = cad.Solid.make_box(body.front_mm, 2 * body.radius_mm, body.length_mm, corner)
    return (rod & box).solids()[0]


def _void(cad: Any, walls: Walls) -> Any:
    """A bore's void: a cone, or six planes."""
    ends = [
        (a, *(max(w, _BLUNT_MM) for w in walls.half_widths(a))) for a in (walls.start, walls.end)
    ]
    along, across = (tuple(axis.tolist()) for axis in walls.axes[:2])
    if walls.round:
        (first, low, _), (last, high, _) = ends
        foot = cad.Plane(
            origin=tuple((walls.exit + first * walls.axes[0]).tolist()), x_dir=across, z_dir=along
        )
        if math.isclose(low, high, rel_tol=1e-12):
            return cad.Solid.make_cylinder(low, last - first, foot)
        return cad.Solid.make_cone(low, high, last - first, foot)
    rims = [
        [
            tuple((walls.exit + np.array([a, p * u, q * v]) @ walls.axes).tolist())
            for p, q in ((1, 1), (-1, 1), (-1, -1), (1, -1))
        ]
        for a, u, v in ends
    ]
    low_rim, high_rim = rims
    sides = [
        [low_rim[k], low_rim[(k + 1) % 4], high_rim[(k + 1) % 4], high_rim[k]] for k in range(4)
    ]
    faces = [
        cad.Face(cad.Wire.make_polygon(corners)) for corners in (low_rim[::-1], high_rim, *sides)
    ]
    return cad.Solid(cad.Shell(faces))
