"""Bores of one channel that light its exit together: how much of it their union lights.

Of two slots the Sun lights the exit from one side through the one it leaves, from the other
side through the one it enters: at any one place of the Sun's disc the best slot on either
side counts, and the two add up to at most 1. Across the disc that is smooth from one bend to
the next, and there a Gauss rule of few points is exact. That takes for granted that the ends
of the slots in declination all keep light out on the same side; where the Sun stands beyond
the upper end of one and beyond the lower end of another, points of the disc are summed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, fields
from functools import cache, partial
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from dialcore import bores, disc

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_STRIPS = 7  # from bend to bend
_CHORDS = 64  # of a round exit
_RINGS, _SPOKES = 4, 12  # points of the disc for round bores
_MORE_RINGS, _MORE_SPOKES = 8, 24  # and for slots that face each other
_LEAST = 1e-9  # what lies between bends that fall together but for rounding is no piece


@dataclass(frozen=True)
class Joint:
    """Groups of m bores of one kind and one channel each under one Sun; shapes (n, m).

    The Sun as each bore sees it, as in dialcore.bores; sizes in mm, opening in radians.
    late, early: how far along the axis a slot's walls on either side reach; tilt_u, tilt_v: how
    the surface lies round a round bore's entry (dialbench.surface).
    """

    along: Floats
    across: Floats
    beside: Floats
    semidiameter: Floats
    exit: Floats
    entry: Floats
    length: Floats
    opening: Floats
    late: Floats
    early: Floats
    tilt_u: Floats
    tilt_v: Floats

    def rows(self, which: Ints) -> Joint:
        return Joint(*(getattr(self, each.name)[which] for each in fields(self)))


def together(of: Joint, lit: Floats, is_round: Bools, cut: Bools, starts: Ints) -> Floats:
    """Lit fractions of groups of bores of one channel under one Sun, beginning at `starts`.

    of: the bores, shapes (n,); lit: what each lights by itself; cut: whether its ends in
    declination may keep light out. Where slots and round bores share an exit their shapes
    contradict: the kind that lights more of it counts.
    """
    group = np.repeat(np.arange(len(starts)), np.diff(starts, append=len(lit)))
    kind = 2 * group + is_round
    order = np.argsort(kind, kind="stable")
    first = np.flatnonzero(np.diff(kind[order], prepend=-1))
    lit = lit[order]
    size = np.diff(first, append=len(lit))
    best, every = (how.reduceat(lit, first) for how in (np.maximum, np.add))
    rounded = is_round[order][first]
    cut = cut[order]
    tall = ~np.logical_or.reduceat(cut, first)
    below, above = (
        np.logical_or.reduceat(cut & end, first) for end in _beyond_ends(of.rows(order))
    )
    facing = ~tall & below & above
    found = best.copy()
    for count in np.unique(size[size > 1]).tolist():
        for some, how in (
            (rounded, rounds),
            (tall & ~rounded, partial(slots, tall=True)),
            (~tall & ~facing & ~rounded, partial(slots, tall=False)),
            (facing & ~rounded, facing_slots),
        ):
            which = np.flatnonzero(some & (size == count))
            if len(which):
                found[which] = how(of.rows(order[first[which][:, None] + np.arange(count)]))
    # No rule over the disc is so good that this would not show.
    found = np.clip(found, best, np.minimum(every, 1.0))
    total = np.zeros(len(starts))
    np.maximum.at(total, group[order][first], found)
    return total


def _seen(of: Joint, way: Floats) -> tuple[Floats, Floats]:
    """Slopes one way of the middle of the disc, and from there to its rim."""
    slope: Floats = way / of.along
    return slope, of.semidiameter / of.along * np.sqrt(1 + slope * slope)


def _beyond_ends(of: Joint) -> tuple[Bools, Bools]:
    """Of slots (n,), whether some of the disc stands beyond their lower end, and their upper."""
    rise, lift = _seen(of, of.beside)
    end = np.tan(of.opening / 2)
    return rise - lift < -end, rise + lift > end


def slots(of: Joint, tall: bool) -> Floats:
    """Lit by slots that do not face each other; tall: none of them is cut in declination."""
    pieces = _Pieces.of(of, _bends(of, tall))
    for one, other in combinations(range(of.exit.shape[1]), 2):
        # Of two that dim towards the same side the one may begin to outshine the other.
        def lead(lit: Floats, right: Bools, one: int = one, other: int = other) -> Floats:
            alike = right[:, one] == right[:, other]
            return np.where(alike, lit[:, one] - lit[:, other], 0.0)

        pieces = pieces.split_at_zeros(lead)
    # What passes 1 bends there once more.
    pieces = pieces.split_at_zeros(lambda lit, right: _both_sides(lit, right)[:, -1] - 1)
    first, last = np.arcsin(pieces.left), np.arcsin(pieces.right)
    total = np.zeros(len(first))
    for node, weight in zip(*_gauss(_STRIPS), strict=True):
        turn = (first + last + (last - first) * node) / 2
        x = np.sin(turn)
        share = weight / 2 * (last - first) * np.cos(turn) * disc.light(x, np)
        total += share * pieces.lit(x, tall)
    summed: Floats = np.bincount(pieces.row, total, minlength=len(of.exit)).astype(np.float64)
    return summed


def _bends(of: Joint, tall: bool) -> Floats:
    """Where across the disc, in solar radii, light may bend; shape (n, bends), ascending."""
    slope, radius = disc.seen(of.along, of.across, of.semidiameter)
    widen = (of.entry - of.exit) / 2 / of.length
    late, early = (widen + of.exit / wall for wall in (of.late, of.early))
    bends = [
        (bend - slope) / (radius * np.sqrt(1 + bend * bend))
        for bend in (-early, -widen, np.zeros_like(widen), widen, late)
    ]
    if not tall:
        rise, wall = np.abs(of.beside) / of.along, np.tan(of.opening / 2)
        for bend in (wall, wall + of.exit / of.length):
            at = (bend - rise) / (radius * np.sqrt(1 + bend * bend))
            cut = np.sqrt(np.maximum(1 - at * at, 0.0))
            bends += [-cut, cut]
    ends = np.ones((len(widen), 1))
    x = np.concatenate([-ends, *(np.clip(bend, -1, 1) for bend in bends), ends], axis=1)
    x.sort(axis=1)
    return x


@dataclass(frozen=True)
class _Pieces:
    """Stretches left..right across the disc of groups `row`, from bend to bend; shape (n,).

    joint: the groups; on_right (n, m): whether a stretch is on the right side of each slot.
    """

    row: Ints
    left: Floats
    right: Floats
    joint: Joint
    on_right: Bools

    @classmethod
    def of(cls, joint: Joint, bends: Floats) -> _Pieces:
        row, k = np.nonzero(np.diff(bends, axis=1) > _LEAST)
        left, right = bends[row, k], bends[row, k + 1]
        mine = joint.rows(row)
        return cls(row, left, right, mine, _strips(mine, (left + right) / 2)[0] >= 0)

    def widths(self, x: Floats) -> Floats:
        """Of each slot, the share of the width that is lit from places x."""
        of = self.joint
        walls = of.late, of.early
        lit: Floats = bores.slit(_strips(of, x)[0], of.exit, of.entry, of.length, walls)
        return lit

    def split_at_zeros(self, of: Callable[[Floats, Bools], Floats]) -> _Pieces:
        """Each in two where a function, all but straight from end to end, is 0."""
        low, high = (of(self.widths(x), self.on_right) for x in (self.left, self.right))
        at = np.flatnonzero(low * high < 0)
        if not len(at):
            return self
        low, high = low[at], high[at]
        root = self.left[at] + (self.right[at] - self.left[at]) * low / (low - high)
        right = self.right.copy()
        right[at] = root
        every = np.append(np.arange(len(self.row)), at)
        return _Pieces(
            self.row[every],
            np.append(self.left, root),
            np.append(right, self.right[at]),
            self.joint.rows(every),
            self.on_right[every],
        )

    def lit(self, x: Floats, tall: bool) -> Floats:
        """What all slots of a group light together from places x, 0..1."""
        width, on_right = self.widths(x), self.on_right
        if tall:
            return np.minimum(_both_sides(width, on_right)[:, -1], 1.0)
        # Each lights its share of the height from the same end: the tallest first.
        height = self._heights(x)
        order = np.argsort(-height, axis=1)
        width, height = (np.take_along_axis(each, order, 1) for each in (width, height))
        both = _both_sides(width, np.take_along_axis(on_right, order, 1))
        total: Floats = (np.minimum(both, 1.0) * -np.diff(height, axis=1, append=0.0)).sum(axis=1)
        return total

    def _heights(self, x: Floats) -> Floats:
        """Of each slot, the share of a strip's light that its ends in declination let in."""
        of = self.joint
        _, cosine, share = _strips(of, x)
        sizes = (of.semidiameter, of.exit, of.opening, of.length)
        lit: Floats = bores.strip_lit(x[:, None], cosine, share, of.beside, *sizes, np)
        return lit


def _strips(of: Joint, x: Floats) -> tuple[Floats, Floats, Floats]:
    found: tuple[Floats, Floats, Floats] = disc.strip(
        x[:, None], of.along, of.across, of.semidiameter, np
    )
    return found


def _both_sides(width: Floats, on_right: Bools) -> Floats:
    """What the best of the first k slots on either side light, together; shape (n, m)."""
    sides = [
        np.maximum.accumulate(np.where(side, width, 0.0), axis=1) for side in (on_right, ~on_right)
    ]
    return sides[0] + sides[1]


def facing_slots(of: Joint) -> Floats:
    """Slots of which some are cut by their lower ends and some by their upper, to about 0.0002.

    Through each a ray lights a corner of the exit: from one wall so wide, from one end so high.
    """
    (slope, blur), (rise, lift) = (_seen(of, way) for way in (of.across, of.beside))
    tall = of.exit + 2 * of.length * np.tan(of.opening / 2)
    total = np.zeros(len(of.exit))
    for x, y, light in _disc_points(_MORE_RINGS, _MORE_SPOKES):
        tan_u, tan_v = slope + blur * x, rise + lift * y
        width = bores.slit(tan_u, of.exit, of.entry, of.length, (of.late, of.early))
        height = bores.slit(tan_v, of.exit, tall, of.length)
        low, high = np.where(tan_v > 0, 0.0, 1 - height), np.where(tan_v > 0, height, 1.0)
        # From each height at which one of them begins or ends to the next.
        steps = np.sort(np.concatenate((low, high), axis=1), axis=1)
        for begin, end in zip(steps.T[:-1], steps.T[1:], strict=True):
            middle = (begin + end)[:, None] / 2
            seen = np.where((low <= middle) & (middle <= high), width, 0.0)
            right, left = ((seen * side).max(axis=1) for side in (tan_u >= 0, tan_u < 0))
            total += light * (end - begin) * np.minimum(right + left, 1.0)
    return total


def rounds(of: Joint) -> Floats:
    """Round bores: by points of the disc and chords of the exit, to about 0.001."""
    (slope, blur), (rise, lift) = (_seen(of, way) for way in (of.across, of.beside))
    radius, entry = of.exit[:, :1] / 2, of.entry[:, None] / 2
    node, weight = _gauss(_CHORDS)
    # Evenly by angle round the exit's rim: chords have no kink there.
    height, half = (radius * way(np.pi / 2 * node) for way in (np.sin, np.cos))
    share = weight / 2 * np.cos(np.pi / 2 * node) / radius
    height, half = height[..., None], half[..., None]
    total = np.zeros(len(radius))
    for x, y, light in _disc_points(_RINGS, _SPOKES):
        tan_u, tan_v = slope + blur * x, rise + lift * y
        aside = np.maximum(np.hypot(tan_u, tan_v), 1e-12)
        tilt = (of.tilt_u * tan_u + of.tilt_v * tan_v) / aside
        moved = -bores.apart(aside, of.exit, of.entry, of.length, tilt, np) / aside
        u, v = (tan_u * moved)[:, None], (tan_v * moved)[:, None]
        # Shape (n, chords, bores).
        reach = np.sqrt(np.maximum(entry * entry - (height - v) ** 2, 0.0))
        low, high = (np.clip(u + side * reach, -half, half) for side in (-1, 1))
        total += light * (share * _covered(low, high)).sum(axis=1)
    return total


def _covered(low: Floats, high: Floats) -> Floats:
    """Length of the union of intervals, those of the last axis together."""
    order = np.argsort(low, axis=-1)
    low, high = np.take_along_axis(low, order, -1), np.take_along_axis(high, order, -1)
    reached = np.maximum.accumulate(high, axis=-1)
    more = np.maximum(high[..., 1:] - np.maximum(low[..., 1:], reached[..., :-1]), 0.0)
    found: Floats = high[..., 0] - low[..., 0] + more.sum(axis=-1)
    return found


@cache
def _gauss(points: int) -> tuple[Floats, Floats]:
    """Nodes and weights, which take longer to find than to use."""
    node, weight = np.polynomial.legendre.leggauss(points)
    return node, weight


@cache
def _disc_points(rings: int, spokes: int) -> list[tuple[float, float, float]]:
    """Points of the darkened disc in solar radii, with their share of its light."""
    node, weight = np.polynomial.legendre.leggauss(rings)
    mu = (node + 1) / 2
    ring = weight * mu * (0.4 + 0.6 * mu)
    ring /= ring.sum()
    turns = 2 * np.pi * (np.arange(spokes) + 0.5) / spokes
    return [
        (r * math.cos(turn), r * math.sin(turn), light / spokes)
        for r, light in zip(np.sqrt(1 - mu * mu).tolist(), ring.tolist(), strict=True)
        for turn in turns.tolist()
    ]
