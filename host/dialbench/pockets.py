"""What is too thin to be made: sectors of wood between two slots of one exit.

Slots of one channel part at its exit, and what stands between two of them begins as an
edge. As far out as it is thinner than the body's least wall it does not exist: no printer
builds it and no drill leaves it. There the two bores are one void, and a *pocket* is that
void: a slot from the exit that ends inside the body, or goes through it where the wall is
nowhere thick enough.
"""

from __future__ import annotations

import math
from itertools import groupby

from dialbench.dial import Bore, Dial

_MERGED_DEG = 1e-9  # slots no farther apart are one to begin with


def pockets(dial: Dial) -> tuple[Bore, ...]:
    """The pockets of a dial, in order of channel and hour angle; none for a wall of 0.

    A pocket is a Bore whose length is how deep it goes. Only sectors between slots along
    one hour-angle fan are looked at: where round bores or slots of different declination
    part, they do so at once.
    """
    wall_mm = dial.body.wall_mm
    slots = sorted(
        (bore for bore in dial.bores if bore.shape == "slot"),
        key=lambda bore: (bore.channel, bore.declination_deg, bore.hour_angle_deg),
    )
    found: list[Bore] = []
    for _, fan in groupby(slots, lambda bore: (bore.channel, bore.declination_deg)):
        edge: Bore | None = None  # the slot that reaches farthest so far
        for bore in fan:
            if edge is not None and wall_mm > 0:
                first_deg, last_deg = _late_edge_deg(edge), _early_edge_deg(bore)
                if last_deg - first_deg > _MERGED_DEG:
                    found.append(_between(dial, edge, bore, first_deg, last_deg))
            if edge is None or _late_edge_deg(bore) > _late_edge_deg(edge):
                edge = bore
    return tuple(found)


def _late_edge_deg(bore: Bore) -> float:
    """Direction of a slot's wall on the side of growing hour angle."""
    widen = (bore.entry_mm - bore.exit_mm) / 2 / bore.length_mm
    return bore.hour_angle_deg + math.degrees(math.atan(widen))


def _early_edge_deg(bore: Bore) -> float:
    return 2 * bore.hour_angle_deg - _late_edge_deg(bore)


def _between(dial: Dial, one: Bore, other: Bore, first_deg: float, last_deg: float) -> Bore:
    half = math.radians(last_deg - first_deg) / 2
    wide_mm = max(one.exit_mm, dial.body.wall_mm)
    depth_mm = (dial.body.wall_mm + one.exit_mm) / 2 / math.tan(half)
    return Bore(
        channel=one.channel,
        hour_angle_deg=(first_deg + last_deg) / 2,
        declination_deg=one.declination_deg,
        shape="slot",
        exit_mm=one.exit_mm,
        entry_mm=wide_mm,
        # Nothing of a body is farther from anything else in it.
        length_mm=min(depth_mm, math.hypot(2 * dial.body.radius_mm, dial.body.length_mm)),
        opening_deg=min(one.opening_deg, other.opening_deg),
    )
