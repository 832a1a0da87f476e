"""How much of a bore's exit a light at a finite distance lights.

From a point source that is A along the axis from the exit, the rays of a bore can be made
parallel: a point (a, u, v) in the bore's frame (dialcore.bores) is moved to
(a', u', v') = (a, u, v) A / (A - a). Straight lines stay straight, planes stay planes, the
exit stays where it is, and the source goes to infinity with the slopes U / A and V / A that its
own place (A, U, V) has. So the bore lights its exit as another bore does under a Sun: one of
length L A / (A - L), whose entry is wider by A / (A - L). With 1 / A = 0 it is the bore itself.
Points of a wide source lie in one such plane, and what they light is averaged over its disc.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cache

import numpy as np
from numpy.typing import NDArray

from dialcore import bores, disc

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_STRIPS = 64  # of a source, where two bores light one exit together
_RINGS, _SPOKES = 6, 16  # points of a source over a round bore
_LEAST = 1e-9
_EVEN_SPREAD = 0.25  # mean square of places across an even disc, in its radii


@dataclass(frozen=True)
class Seen:
    """Pairs of a bore and a light, shapes (n,): the bore, and how it sees the light.

    near: 1 / mm to the light along the axis, 0 for the Sun. along, across, beside: parts of the
    unit vector towards its middle; radius: of its disc, as a tangent. Sizes in mm, opening in
    radians; late, early: how far a slot's walls reach along the axis on the side of growing hour
    angle and on the other; tilt_u, tilt_v: dialbench.surface.
    """

    near: Floats
    along: Floats
    across: Floats
    beside: Floats
    radius: Floats
    exit: Floats
    entry: Floats
    length: Floats
    opening: Floats
    late: Floats
    early: Floats
    tilt_u: Floats
    tilt_v: Floats

    def only(self, which: Ints | Bools) -> Seen:
        return Seen(*(getattr(self, each.name)[which] for each in fields(self)))

    def parallel(self) -> Seen:
        """The bores that light as much of their exits under parallel rays."""
        longer = 1 / np.maximum(1 - self.near * self.length, _LEAST)
        late, early = (
            wall / np.maximum(1 - self.near * wall, _LEAST) for wall in (self.late, self.early)
        )
        rise = self.exit + 2 * self.length * np.tan(self.opening / 2)
        opening = 2 * np.arctan((rise * longer - self.exit) / (2 * self.length * longer))
        return Seen(
            np.zeros_like(self.near),
            self.along,
            self.across,
            self.beside,
            self.radius,
            self.exit,
            self.entry * longer,
            self.length * longer,
            opening,
            late,
            early,
            self.tilt_u * longer,
            self.tilt_v * longer,
        )


def lit(seen: Seen, is_round: Bools, darkened: bool) -> Floats:
    """Lit fraction of each pair, (n,), each bore by itself."""
    found = np.zeros(len(seen.exit))
    front = seen.along > 0.1
    of = seen.parallel()
    for which, how in ((front & ~is_round, _slots), (front & is_round, _rounds)):
        if which.any():
            found[which] = how(of.only(which), darkened)
    return found


def together(
    seen: Seen, group: Ints, is_round: Bools, darkened: bool, strength: Floats | None = None
) -> Floats:
    """Light of each group, (groups,): its bores share one exit; group never falls.

    strength: what the exit counts for, fully lit through each bore; 1 if not told. Where several
    slots light it at once, the strips of the source are summed; where round bores do, nan:
    there is no such sum for them.
    """
    each = lit(seen, is_round, darkened)
    if strength is None:
        strength = np.ones(len(each))
    count = int(group[-1]) + 1 if len(group) else 0
    total: Floats = np.bincount(group, each * strength, count).astype(np.float64)
    shining = np.flatnonzero(each > _LEAST)
    several = np.bincount(group[shining], minlength=count) > 1
    if not several.any():
        return total
    shining = shining[several[group[shining]]]
    total[group[shining[is_round[shining]]]] = np.nan
    of, mine = seen.only(shining).parallel(), group[shining]
    starts = np.flatnonzero(np.diff(mine, prepend=-1))
    sizes = np.diff(starts, append=len(mine))
    # A row for each group; what is too much in it is not there.
    rank = np.arange(sizes.max())
    place = np.minimum(starts[:, None] + rank, len(mine) - 1)
    there = rank < sizes[:, None]
    slope, blur = _slopes(of, of.across, darkened)
    high = _ends(of, darkened)
    tallest = np.maximum.reduceat(high, starts)
    turns = np.arange(1, _STRIPS + 1) * np.pi / (_STRIPS + 1)
    across = np.cos(turns)[:, None]
    weights = np.sin(turns) * disc.light(np.cos(turns), np) if darkened else np.sin(turns) ** 2
    left, right = _edges(of, slope + blur * across)  # (strips, slots)
    right = np.maximum(left, right)
    alone = np.where(there, ((right - left) * high)[:, place], 0.0).sum(axis=-1)
    left, right = left[:, place], np.where(there, right[:, place], left[:, place])
    doubled = weights / weights.sum() @ (alone - _union(left, right) * tallest)
    mean = np.add.reduceat(strength[shining], starts) / sizes
    total[mine[starts]] -= np.maximum(doubled, 0.0) * mean
    return total


def _slopes(of: Seen, way: Floats, darkened: bool) -> tuple[Floats, Floats]:
    """(mean slope of the disc, radius of its blur) one way across bores."""
    along = np.maximum(of.along, 0.1)
    slope, radius = way / along, of.radius / along
    spread = _EVEN_SPREAD if not darkened else disc.mean(1.0, 1.0) - 1
    return slope * (1 + spread * radius**2), np.maximum(radius * np.sqrt(1 + slope**2), _LEAST)


def _slots(of: Seen, darkened: bool) -> Floats:
    slope, blur = _slopes(of, of.across, darkened)
    widths = _slit(slope, blur, of.exit, of.entry, of.length, of.late, of.early, darkened)
    return widths * _ends(of, darkened)


def _ends(of: Seen, darkened: bool) -> Floats:
    """Of the height of each exit, the share that the slot's ends in declination let in."""
    slope, blur = _slopes(of, of.beside, darkened)
    high = of.exit + 2 * of.length * np.tan(of.opening / 2)
    return _slit(slope, blur, of.exit, high, of.length, of.length, of.length, darkened)


def _slit(
    slope: Floats,
    blur: Floats,
    exit: Floats,
    entry: Floats,
    length: Floats,
    late: Floats,
    early: Floats,
    darkened: bool,
) -> Floats:
    """dialcore.bores.slit, averaged over a disc: each bend of it is rounded."""
    widen = (entry - exit) / (2 * length)
    rounded = _rounded_sun if darkened else _rounded_lamp
    found: Floats = np.ones(len(slope))
    for side, wall in ((slope, late), (-slope, early)):
        shut = rounded(side - widen, blur) - rounded(side - widen - exit / wall, blur)
        found -= shut * wall / exit
    return np.clip(found, 0.0, 1.0, out=found)


def _rounded_sun(x: Floats, blur: Floats) -> Floats:
    found: Floats = blur * disc.ramp(x / blur, np)
    return found


def _rounded_lamp(x: Floats, blur: Floats) -> Floats:
    """Mean over an even disc of max(0, x + place), places across it up to blur."""
    share = disc.held(np.abs(x / blur))
    found: Floats = np.maximum(x, 0.0) + blur * disc.bow(share, np) / np.pi
    return found


def _edges(of: Seen, slope: Floats) -> tuple[Floats, Floats]:
    """From where to where across its exit each slot is lit, in exits, by rays of one slope."""
    widen = (of.entry - of.exit) / (2 * of.length)
    right = 0.5 - np.maximum(slope - widen, 0.0) * of.late / of.exit
    left = -0.5 + np.maximum(-slope - widen, 0.0) * of.early / of.exit
    return left, right


def _union(left: Floats, right: Floats) -> Floats:
    """Length of the union of stretches, those of the last axis together."""
    order = np.argsort(left, axis=-1)
    left, right = np.take_along_axis(left, order, -1), np.take_along_axis(right, order, -1)
    reached = np.maximum.accumulate(right, axis=-1)
    more = np.maximum(right[..., 1:] - np.maximum(left[..., 1:], reached[..., :-1]), 0.0)
    found: Floats = right[..., 0] - left[..., 0] + more.sum(axis=-1)
    return found


def _rounds(of: Seen, darkened: bool) -> Floats:
    """Round bores: points of the disc are summed."""
    (slope, wide), (rise, high) = (_slopes(of, way, darkened) for way in (of.across, of.beside))
    total = np.zeros(len(slope))
    for x, y, light in _points(darkened):
        tan_u, tan_v = slope + wide * x, rise + high * y
        aside = np.maximum(np.hypot(tan_u, tan_v), 1e-12)
        tilt = (of.tilt_u * tan_u + of.tilt_v * tan_v) / aside
        total += light * bores.hole(aside, of.exit, of.entry, of.length, np, tilt)
    return total


@cache
def _points(darkened: bool) -> list[tuple[float, float, float]]:
    """Points of a disc in its radii, with their share of its light."""
    node, weight = np.polynomial.legendre.leggauss(_RINGS)
    square = (node + 1) / 2
    light = weight * (1 - disc.LIMB * (1 - np.sqrt(1 - square)) if darkened else 1.0)
    light = light / light.sum()
    turns = 2 * np.pi * (np.arange(_SPOKES) + 0.5) / _SPOKES
    return [
        (r * c, r * s, part / _SPOKES)
        for r, part in zip(np.sqrt(square).tolist(), light.tolist(), strict=True)
        for c, s in zip(np.cos(turns).tolist(), np.sin(turns).tolist(), strict=True)
    ]
