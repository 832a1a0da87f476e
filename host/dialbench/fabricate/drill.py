"""The drill table: where each bore begins and ends, which way it goes, and with what.

Order of work: small tools before large ones, while the wood that they could wander in is
still whole; with one tool, bores of one direction together, the steepest first; of these,
those near the face's middle first. Pockets come last: they open into bores.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from dialbench.dial import Bore, Dial
from dialbench.fabricate.outlines import depths_mm, exits
from dialbench.fabricate.table import number, table
from dialbench.fabricate.workshop import Workshop
from dialbench.pockets import pockets
from dialbench.rays.voids import A, Voids

Kind = Literal["slot", "round", "pocket"]
Tool = Literal["drill", "drill and reamer", "cutter", "print"]

_ALIKE_DEG = 3  # places of degrees to which bores share one setting of the block


@dataclass(frozen=True)
class Row:
    """One bore or pocket. Angles in degrees, lengths in mm, places in P."""

    number: int
    channel: int
    kind: Kind
    exit_point: tuple[float, float, float]
    entry_point: tuple[float, float, float]
    axis: tuple[float, float, float]
    rotation_deg: float
    tilt_deg: float
    depth_mm: float
    length_mm: float
    exit_mm: float
    entry_mm: float
    surface_mm: float
    opening_deg: float
    tool: Tool
    tool_mm: float | None
    setting: int = 0
    order: int = 0


COLUMNS = (
    ("order", "order of work from 1"),
    ("setting", "bores of one number share tool and direction of the block. From 1"),
    ("number", "the bore's place in dial.toml from 0. Pockets follow after the last bore"),
    ("channel", "the channel at whose exit it ends"),
    (
        "kind",
        (
            "round (a cone or cylinder about the axis) or slot (a rectangle across the axis) or "
            "pocket (a slot that ends blind within the block)"
        ),
    ),
    ("exit_y_mm", "y of the point where the axis meets the face. x is 0"),
    ("exit_z_mm", "z of that point"),
    ("entry_x_mm", "x of the point where the axis meets the outer surface or a pocket ends"),
    ("entry_y_mm", "y of that point"),
    ("entry_z_mm", "z of that point"),
    ("rotation_deg", "turn of the axis about z from x. Positive towards +y"),
    ("tilt_deg", "rise of the axis out of the plane of x and y. Positive towards +z"),
    ("axis_x", "direction cosine of the axis outwards: cos(tilt) cos(rotation)"),
    ("axis_y", "cos(tilt) sin(rotation)"),
    ("axis_z", "sin(tilt)"),
    ("depth_mm", "way along the axis from exit to entry point"),
    ("length_mm", "way along the axis from the exit to where entry_mm is measured"),
    ("exit_mm", "diameter or width across the axis at the exit"),
    ("entry_mm", "the same at length_mm. In between and beyond it changes evenly"),
    ("surface_mm", "the same at depth_mm"),
    ("opening_deg", "full angle between a slot's two walls along z. 0 for a round bore"),
    ("tool", "drill or drill and reamer or cutter. print means that no tool goes in"),
    ("tool_mm", "the largest tool not larger than any part of the bore. Empty for none"),
)

_REMARKS = (
    "Angles in degrees. Lengths in mm.",
    (
        "Frame: the face is the plane x = 0 and x points out of the block. z points along the "
        "polar axis to the pole above the horizon. y is x turned by 90 degrees about z (right hand): "
        "east on a northern site and west on a southern one."
    ),
    (
        "Signs: seen from outside with +z up +y is on the right. A positive rotation leans the bore "
        "(from face to surface) to the right and a positive tilt leans it up."
    ),
    (
        "Setting: lay the block on its face under an upright drill (x up). Turn it about its z axis "
        "by -rotation. Then turn it by +tilt about the level line that was its y axis at first "
        "(right hand). The drill now runs along the bore and comes out at the exit."
    ),
    (
        "A slot is as high as wide at its exit. Its two walls along z spread by half of opening_deg "
        "each. Its width goes across the axis and square to z."
    ),
    "Every bore goes on behind its exit by half of exit_mm so that it breaks through the face.",
)


def rows(dial: Dial, workshop: Workshop) -> tuple[Row, ...]:
    """All bores, then all pockets, in order of number."""
    voids = Voids.of(dial, 0.0, 1.0)
    listed: Sequence[Bore] = (*dial.bores, *pockets(dial))
    starts, deep = exits(voids), depths_mm(dial, voids)
    found = []
    for k, bore in enumerate(listed):
        axis = voids.axes[A, :, k]
        kind: Kind = "pocket" if k >= len(dial.bores) else bore.shape
        depth_mm = float(deep[k])
        if kind == "pocket":
            depth_mm = min(depth_mm, bore.length_mm)
        entry = starts[k] + depth_mm * axis
        surface_mm = bore.exit_mm + (bore.entry_mm - bore.exit_mm) * depth_mm / bore.length_mm
        tool, tool_mm = _tool(bore, surface_mm, workshop)
        found.append(
            Row(
                number=k,
                channel=bore.channel,
                kind=kind,
                exit_point=_three(starts[k]),
                entry_point=_three(entry),
                axis=_three(axis),
                rotation_deg=math.degrees(math.atan2(axis[1], axis[0])),
                tilt_deg=math.degrees(math.asin(np.clip(axis[2], -1.0, 1.0))),
                depth_mm=depth_mm,
                length_mm=bore.length_mm,
                exit_mm=bore.exit_mm,
                entry_mm=bore.entry_mm,
                surface_mm=surface_mm,
                opening_deg=bore.opening_deg,
                tool=tool,
                tool_mm=tool_mm,
            )
        )
    return _in_order(found)


def _three(point: np.ndarray) -> tuple[float, float, float]:
    x, y, z = (float(part) for part in point)
    return x, y, z


def _tool(bore: Bore, surface_mm: float, workshop: Workshop) -> tuple[Tool, float | None]:
    """What goes through all of a bore and is no larger than its narrowest place."""
    narrow_mm = min(bore.exit_mm, surface_mm) + 1e-9
    sizes = workshop.drills_mm if bore.shape == "round" else workshop.cutters_mm
    fitting = [size for size in sizes if size <= narrow_mm]
    if not fitting:
        return "print", None
    if bore.shape == "slot":
        return "cutter", max(fitting)
    straight = max(bore.exit_mm, surface_mm) - max(fitting) < 0.05
    return ("drill" if straight else "drill and reamer"), max(fitting)


def _in_order(found: list[Row]) -> tuple[Row, ...]:
    def setting(row: Row) -> tuple[float | str, ...]:
        rotation, tilt = round(row.rotation_deg, _ALIKE_DEG), round(row.tilt_deg, _ALIKE_DEG)
        return (
            row.kind == "pocket",
            math.inf if row.tool_mm is None else row.tool_mm,
            row.tool,
            abs(rotation) + abs(tilt),
            rotation,
            tilt,
        )

    def place(row: Row) -> tuple[tuple[float | str, ...], float, int]:
        return setting(row), round(math.hypot(*row.exit_point), 6), row.number

    settings = {key: k for k, key in enumerate(sorted({setting(row) for row in found}), 1)}
    orders = {row.number: k for k, row in enumerate(sorted(found, key=place), 1)}
    return tuple(
        replace(row, setting=settings[setting(row)], order=orders[row.number]) for row in found
    )


def drill_csv(label: str, listed: Sequence[Row]) -> bytes:
    """drill.csv, one line a bore in order of work; label is the file's stamp."""
    return table(
        label,
        "Drill table: every bore of the block",
        _REMARKS,
        COLUMNS,
        [_cells(row) for row in sorted(listed, key=lambda row: row.order)],
    )


def _cells(row: Row) -> list[str]:
    return [
        str(row.order),
        str(row.setting),
        str(row.number),
        str(row.channel),
        row.kind,
        *(number(part, 4) for part in row.exit_point[1:]),
        *(number(part, 4) for part in row.entry_point),
        number(row.rotation_deg, 5),
        number(row.tilt_deg, 5),
        *(number(part, 8) for part in row.axis),
        *(
            number(part, 4)
            for part in (row.depth_mm, row.length_mm, row.exit_mm, row.entry_mm, row.surface_mm)
        ),
        number(row.opening_deg, 4),
        row.tool,
        "" if row.tool_mm is None else number(row.tool_mm, 2),
    ]
