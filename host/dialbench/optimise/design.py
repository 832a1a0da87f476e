"""A dial by a handful of numbers, and drawn from them.

A channel that is lit for several steps on end has one *fan* for all of them: a row of slots,
each over a few steps, that lie over one another at their edges so that no light is lost
between them. What moves a fan's two outer edges are its *trims*: the one thing that is
told bore by bore.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench import layout
from dialbench.dial import Body, Bore, Channel, Dial
from dialbench.wish import Wish

Floats = NDArray[np.float64]

LAP_DEG = 0.15  # by which slots of one fan lie over one another
_DISC_DEG = 0.6  # the Sun's disc and what the air lifts it, beyond the season's declinations
_HALF_COVERED = 0.40397
_EDGE_MM = 2.0  # of wood around the outermost light


class Infeasible(Exception):
    """Why a design has no body: one sentence."""


@dataclass(frozen=True)
class Design:
    """The numbers of a dial, mm. slant: how far each row stands towards +y of the one below
    it; stagger: how far even columns stand above odd ones; merged: how many steps one slot spans at most."""

    column_pitch_mm: float
    row_pitch_mm: float
    depth_mm: float
    exit_mm: float
    slant_mm: float = 0.0
    stagger_mm: float = 0.0
    merged: int = 2


@dataclass(frozen=True)
class Fan:
    """The steps first..last (last not included) for which a channel is lit on end."""

    channel: int
    first: int
    last: int


@dataclass(frozen=True)
class Trim:
    """How far a fan's two edges are moved towards later hour angles, degrees."""

    early_deg: float = 0.0
    late_deg: float = 0.0


Trims = Mapping[Fan, Trim]


def edges_deg(wish: Wish) -> Floats:
    """Hour angles at which the plan's steps begin, and the last one ends: (steps + 1,)."""
    return layout.plan_edges_deg(wish.site, wish.plan)


def fans(wish: Wish) -> tuple[Fan, ...]:
    """All fans of a face, by channel and time."""
    found = []
    steps = wish.plan.steps
    for channel in range(len(wish.face.cells)):
        lit = [False, *(channel in step.channels for step in steps), False]
        turns = [k for k in range(len(steps) + 1) if lit[k] != lit[k + 1]]
        found += [Fan(channel, *pair) for pair in zip(turns[::2], turns[1::2], strict=True)]
    return tuple(found)


def channels(wish: Wish, design: Design) -> tuple[Channel, ...]:
    """Where the exits lie, the face's middle in the middle."""
    cells = wish.face.cells
    middle, centre = (
        (min(of) + max(of)) / 2
        for of in ([cell.column for cell in cells], [cell.row for cell in cells])
    )
    return tuple(
        Channel(
            y_mm=_sized(
                (middle - cell.column) * design.column_pitch_mm
                + (centre - cell.row) * design.slant_mm
            ),
            z_mm=_sized(
                (centre - cell.row) * design.row_pitch_mm
                + (0.5 - cell.column % 2) * design.stagger_mm
            ),
            column=round(cell.column),
            row=round(cell.row),
        )
        for cell in cells
    )


def drawn(wish: Wish, design: Design, trims: Trims) -> Dial:
    """The dial of a design; Infeasible where it has no body within the envelope."""
    edges = edges_deg(wish)
    places = channels(wish, design)
    body = _body(wish, design, places, edges)
    opening_deg = 2 * (max(abs(limit) for limit in wish.season_deg) + _DISC_DEG)
    bores: list[Bore] = []
    for fan in fans(wish):
        place, trim = places[fan.channel], trims.get(fan, Trim())
        if wish.process.kind == "drill":
            bores += _drilled(wish, design, body, place, fan, edges)
        else:
            bores += _slots(wish, design, body, place, fan, trim, edges, opening_deg)
    faults = layout.listed_faults(wish.site, places, body, bores)
    if faults:
        raise Infeasible(faults[0])
    return Dial(wish.name, wish.site, places, wish.plan, body, tuple(bores), wish.limits)


def _slots(
    wish: Wish,
    design: Design,
    body: Body,
    channel: Channel,
    fan: Fan,
    trim: Trim,
    edges: Sequence[float] | Floats,
    opening_deg: float,
) -> list[Bore]:
    count = math.ceil((fan.last - fan.first) / design.merged)
    cuts = np.interp(np.linspace(fan.first, fan.last, count + 1), np.arange(len(edges)), edges)
    found = []
    for k in range(count):
        early = cuts[k] + (trim.early_deg if k == 0 else -LAP_DEG)
        late = cuts[k + 1] + (trim.late_deg if k == count - 1 else LAP_DEG)
        if late - early < 0.02:
            raise Infeasible(f"channel {fan.channel} would be trimmed away")
        axis_deg = round(float(early + late) / 2, 4)
        length_mm = layout.depth_mm(body, channel.y_mm, axis_deg, wish.site.hemisphere)
        half = math.tan(math.radians(float(late - early) / 2))
        found.append(
            Bore(
                channel=fan.channel,
                hour_angle_deg=axis_deg,
                declination_deg=0.0,
                shape="slot",
                exit_mm=design.exit_mm,
                entry_mm=round(2 * length_mm * half, 4),
                length_mm=round(length_mm, 4),
                opening_deg=round(opening_deg, 3),
            )
        )
    return found


def _drilled(
    wish: Wish, design: Design, body: Body, channel: Channel, fan: Fan, edges: Floats
) -> list[Bore]:
    """A round bore for every step, straight, along the middle of the season."""
    declination_deg = sum(wish.season_deg) / 2
    found = []
    for step in range(fan.first, fan.last):
        axis_deg = round(float(edges[step] + edges[step + 1]) / 2, 4)
        across_mm = layout.depth_mm(body, channel.y_mm, axis_deg, wish.site.hemisphere)
        found.append(
            Bore(
                channel=fan.channel,
                hour_angle_deg=axis_deg,
                declination_deg=round(declination_deg, 4),
                shape="round",
                exit_mm=design.exit_mm,
                entry_mm=design.exit_mm,
                length_mm=round(across_mm / math.cos(math.radians(declination_deg)), 4),
                opening_deg=0.0,
            )
        )
    return found


def drill_depth_mm(wish: Wish, drill_mm: float) -> float:
    """How deep a straight round bore is that half lights its exit for just one step.

    Half of a circle is covered by another of its size when their centres are 0.404 diameters
    apart (from 2 (acos q - q sqrt(1 - q^2)) / pi = 1/2).
    """
    edges = edges_deg(wish)
    half_step = math.radians(float(edges[1] - edges[0])) / 2
    return _HALF_COVERED * drill_mm / math.tan(half_step)


def _body(wish: Wish, design: Design, places: Sequence[Channel], edges: Floats) -> Body:
    """The least body whose light all comes in by the front, or by the rim where there is no room."""
    envelope, half = wish.envelope, design.exit_mm
    depth_mm = min(design.depth_mm, envelope.height_mm)
    widest_mm = envelope.width_mm / 2
    reach_mm, end_mm = 0.0, 0.0
    side = wish.site.hemisphere
    high = math.tan(math.radians(max(abs(limit) for limit in wish.season_deg) + _DISC_DEG))
    lit = fans(wish)
    for fan in lit:
        for angle in (edges[fan.first], edges[fan.last]):
            across = math.tan(math.radians(min(max(angle, -85.0), 85.0)))
            reach_mm = max(reach_mm, abs(places[fan.channel].y_mm - side * across * depth_mm))
    radius_mm = min(widest_mm, math.hypot(reach_mm + half + _EDGE_MM, depth_mm))
    if wish.shape == "half-cylinder":
        depth_mm, radius_mm = design.depth_mm, design.depth_mm
    widest_exit_mm = max(abs(place.y_mm) for place in places) + half / math.cos(
        math.radians(min(80.0, float(np.abs(edges).max())))
    )
    if radius_mm < widest_exit_mm:
        raise Infeasible(
            f"the face is {2 * widest_exit_mm:.0f} mm wide, the envelope leaves {2 * radius_mm:.0f}"
        )
    body = Body(round(radius_mm, 2), 1.0, None, wish.process.wall_mm)
    if depth_mm < radius_mm:
        body = Body(round(radius_mm, 2), 1.0, round(depth_mm, 2), wish.process.wall_mm)
    for fan in lit:
        place = places[fan.channel]
        across_mm = max(
            layout.depth_mm(body, place.y_mm, float(angle), side)
            for angle in (edges[fan.first], edges[fan.last])
        )
        end_mm = max(end_mm, abs(place.z_mm) + across_mm * high + half)
    length_mm = math.ceil(10 * (2 * (end_mm + _EDGE_MM))) / 10
    if length_mm > envelope.length_mm:
        raise Infeasible(
            f"light needs {length_mm:.1f} mm along the axis, the envelope has {envelope.length_mm:g}"
        )
    return Body(body.radius_mm, length_mm, body.depth_mm, body.wall_mm)


def _sized(size_mm: float) -> float:
    return round(size_mm, 4) + 0.0
