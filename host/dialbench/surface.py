"""Where the walls of bores end: on the body's surface, which lies oblique to most axes.

A slot's two walls across hour angle start at its exit's edges. Off the axis of a half
cylinder, and all the more behind a flat front, the surface cuts one of them off sooner than
the other. Light that falls along a wall is shut out by the wall's last point: where that is
decides how late a channel dims. A round bore's wall ends in an ellipse there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench.dial import Body, Bore, Dial
from dialbench.layout import LENGTH_SLACK_MM
from dialcore import bores

Floats = NDArray[np.float64]

_ROUNDING_MM = 1e-6


@dataclass(frozen=True)
class Ends:
    """Where bores end. Those whose length is not the way to the body's surface end square.

    In a dial that was read from a file there are none of these. walls_mm, shape (2, bores): how
    far along its axis a slot's walls reach from its exit, the wall towards later hour angles and
    the one towards earlier. Exact for axes on the equator. Of other slots the walls are looked
    at halfway up, where the plane of axis and hour angle cuts them; above and below, the surface
    is nearer or farther by up to the tangent of the axis's declination times the height.
    tilt, shape (2, bores): how much farther along its axis the surface round a round bore's entry
    is, per mm across it towards later hour angles, and towards greater declinations.
    """

    walls_mm: Floats
    tilt: Floats

    @classmethod
    def of(cls, dial: Dial, listed: Sequence[Bore]) -> Ends:
        """listed: bores of the dial, in any order."""
        length = np.array([b.length_mm for b in listed])
        if not len(length):
            return cls(np.zeros((2, 0)), np.zeros((2, 0)))
        half = np.array([b.exit_mm for b in listed]) / 2
        entry_half = np.array([b.entry_mm for b in listed]) / 2
        widen = (entry_half - half) / length
        hour, declination = np.radians([(b.hour_angle_deg, b.declination_deg) for b in listed]).T
        along, across, beside = bores.axes(hour, declination, dial.site.hemisphere, np)
        exit_y = np.array([dial.channels[b.channel].y_mm for b in listed])
        due = _to_surface(dial.body, (0.0 * exit_y, exit_y), (along[0], along[1]))
        fits = np.abs(due - length) <= LENGTH_SLACK_MM + _ROUNDING_MM
        ends = []
        for side in (1.0, -1.0):
            start = side * half * across[0], exit_y + side * half * across[1]
            way = along[0] + side * widen * across[0], along[1] + side * widen * across[1]
            ends.append(_to_surface(dial.body, start, way))
        # An exit that reaches out of the body has no wall there at all.
        fits &= np.min(ends, axis=0) > _ROUNDING_MM
        circular = np.array([b.shape == "round" for b in listed])
        x, y = due * along[0], exit_y + due * along[1]
        flat = x >= dial.body.front_mm - _ROUNDING_MM
        normal = np.where(flat, 1.0, x), np.where(flat, 0.0, y)
        with np.errstate(divide="ignore", invalid="ignore"):
            lean = normal[0] * along[0] + normal[1] * along[1]
            tilt = -np.array([normal[0] * w[0] + normal[1] * w[1] for w in (across, beside)]) / lean
            # So far the surface is no less than half as near anywhere round an entry.
            tilted = fits & circular & (entry_half * np.hypot(*tilt) < length / 2)
        return cls(np.where(fits & ~circular, ends, length), np.where(tilted, tilt, 0.0))


def _to_surface(body: Body, start: tuple[Floats, Floats], way: tuple[Floats, Floats]) -> Floats:
    """By how much of its way (x, y), not 0, each line comes from its start to the surface.

    nan from outside of the rim.
    """
    square = way[0] ** 2 + way[1] ** 2
    ahead = start[0] * way[0] + start[1] * way[1]
    room = body.radius_mm**2 - start[0] ** 2 - start[1] ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        rim = (np.sqrt(np.where(room >= 0, ahead**2 + square * room, np.nan)) - ahead) / square
        front = np.where(way[0] > 0, (body.front_mm - start[0]) / way[0], np.inf)
    found: Floats = np.minimum(rim, front)
    return found
