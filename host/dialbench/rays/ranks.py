"""Rays in ranks: what strays into an exit, ray by ray, where boxes leave it open.

A *rank* is a row of rays across an exit that all run one way. Where they meet a wall
grows evenly along the rank, so one division serves a whole rank; what is left for every ray
is a sum for each wall, and to see whether the stretches it runs inside the voids follow one
another without a gap.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dialbench.rays.boxes import WALLS, Walls, Windows
from dialbench.rays.pairs import FAR, Bools, Pairs, Singles
from dialbench.rays.voids import Floats, Ints, Vectors, way_out

_FLAT = np.float32(1e-7)  # a ray no steeper to a wall than this runs along it
_FAR_OUT = np.float32(1e5)  # mm: beyond any body


@dataclass(frozen=True, eq=False)
class Ranks:
    """Ranks for pairs of a direction's hour angle and a window: arrays (pairs, ranks).

    towards: directions; first: the first ray's place across the window, -1..1, the others
    follow at `step`; beside: the rank's place the other way.
    """

    towards: Vectors
    first: Singles
    beside: Singles
    rays: int

    @property
    def step(self) -> np.float32:
        return np.float32(2 / self.rays)


def strayed(walls: Walls, windows: Windows, pairs: Pairs, ranks: Ranks) -> Ints:
    """How many rays of each rank reach the sky, but not through the channel's own bores."""
    shape = ranks.first.shape
    number = np.arange(ranks.rays, dtype=np.float32)
    place = np.repeat(number[:, None], ranks.first.size, axis=1)
    low = np.empty((len(pairs.bore), *place.shape), np.float32)
    high = np.empty_like(low)
    lines = _lines(walls, windows, pairs, ranks)
    for k, (start, grow, slope) in enumerate(zip(*lines, strict=True)):
        _stretch(start, grow, slope, place, low[k], high[k])
        is_round = walls.squared[pairs.bore[k]]
        if is_round.any():
            inner = _in_circle(start, grow, slope, place)
            kept = ~np.repeat(is_round, shape[1]) * (4 * FAR)
            np.maximum(low[k], inner[0] - kept, out=low[k])
            np.minimum(high[k], inner[1] + kept, out=high[k])
    came, out, seen = _ends(walls, windows, pairs.window, ranks, number[:, None])

    def each(values: Singles) -> Singles:
        """For every ray what belongs to its pair."""
        spread: Singles = np.repeat(values, shape[1])
        return spread

    own = walls.channel[pairs.bore] == windows.channel[pairs.window]
    reach = np.maximum(came, each(pairs.own_lit))
    rows = np.flatnonzero(own.any(axis=1)).tolist()
    alone = high[rows] * np.repeat(own[rows], shape[1], axis=1)[:, None, :]
    _follow(reach, low[rows], alone)
    through_own = reach >= np.minimum(out, each(pairs.own_free))
    np.maximum(reach, each(pairs.lit), out=reach)
    _follow(reach, low, high)
    stray = (reach >= np.minimum(out, each(pairs.free))) & ~through_own & seen
    count: Ints = stray.sum(axis=0).reshape(shape)
    return count


def _follow(reach: Singles, low: Singles, high: Singles) -> None:
    """Carry rays from `reach` on, in place, through stretches low..high (bores, ...)."""
    on, to = np.empty(reach.shape, np.bool_), np.empty_like(reach)
    going = True
    while going:
        before = reach.copy()
        for begin, end in zip(low, high, strict=True):
            np.less_equal(begin, reach, out=on)
            np.multiply(end, on, out=to)
            np.maximum(reach, to, out=reach)
        going = not np.array_equal(reach, before)


def _lines(
    walls: Walls, windows: Windows, pairs: Pairs, ranks: Ranks
) -> tuple[Singles, Singles, Singles]:
    """How ranks stand to the walls of their pair's bores: arrays (bores, walls, all ranks).

    Where the first ray starts, by how much each ray's start differs from the one before,
    and which way all run: along the walls' normals.
    """
    count, size = pairs.bore.shape
    normal = walls.normal[:, pairs.bore].transpose(2, 1, 0, 3).reshape(size, -1, 3)
    shift = walls.shift[:, pairs.bore].transpose(2, 1, 0).reshape(size, -1, 1)
    window = np.stack((windows.middle, windows.across, windows.beside), axis=2)[pairs.window]
    at = normal @ window
    at[:, :, :1] += shift

    def for_each(by_pair: Floats, by_rank: Singles) -> Singles:
        values = by_pair.astype(np.float32) @ by_rank
        ranks_in_all = by_rank.size // by_rank.shape[1]
        laid: Singles = values.transpose(1, 0, 2).reshape(count, WALLS, ranks_in_all)
        return laid

    places = np.stack((np.ones_like(ranks.first), ranks.first, ranks.beside), axis=1)
    steps = np.zeros_like(places)
    steps[:, 1] = ranks.step
    return (
        for_each(at, places),
        for_each(at, steps),
        for_each(normal, np.stack(ranks.towards, axis=1)),
    )


def _stretch(
    start: Singles, grow: Singles, slope: Singles, place: Singles, low: Singles, high: Singles
) -> None:
    """From where to where rays run inside the walls (walls, ranks): low, high (rays, ranks)."""
    steep = np.copysign(np.maximum(np.abs(slope), _FLAT), slope)
    meets, later = start / -steep, grow / -steep
    last = meets + later * place[-1]
    # Chosen by adding what rules out: numpy is many times slower where it must pick.
    not_low, not_high = (steep > 0) * FAR, (steep < 0) * FAR
    limits_low = (np.maximum(meets, last) > not_low).any(axis=1)
    limits_high = (np.minimum(meets, last) + not_high < _FAR_OUT).any(axis=1)
    low[:] = 0
    high[:] = FAR
    root, other = np.empty_like(low), np.empty_like(low)
    for wall in range(WALLS):
        if limits_low[wall] or limits_high[wall]:
            np.multiply(later[wall], place, out=root)
            root += meets[wall]
        if limits_low[wall]:
            np.subtract(root, not_low[wall], out=other)
            np.maximum(low, other, out=low)
        if limits_high[wall]:
            root += not_high[wall]
            np.minimum(high, root, out=high)


def _in_circle(
    start: Singles, grow: Singles, slope: Singles, place: Singles
) -> tuple[Singles, Singles]:
    """From where to where rays run in the round void inside these walls."""

    def parts(wall: Singles) -> tuple[Floats, Floats, Floats]:
        """Across both ways, and how wide the void is there."""
        u1, u2, v1, v2 = wall[:4].astype(np.float64)
        return (u1 - u2) / 2, (v1 - v2) / 2, -(u1 + u2) / 2

    u, v, wide = (p + g * place for p, g in zip(parts(start), parts(grow), strict=True))
    du, dv, widen = parts(slope)
    # u^2 + v^2 <= wide^2, in t: a t^2 + 2 b t + c <= 0.
    a = du * du + dv * dv - widen * widen
    b = u * du + v * dv - wide * widen
    c = u * u + v * v - wide * wide
    square = b * b - a * c
    root = np.sqrt(np.maximum(square, 0.0))
    a = np.where(a == 0, 1e-30, a) + 0 * b
    one, two = (-b - root) / a, (-b + root) / a
    # A ray that goes aside more slowly than the void widens comes in, or goes out, once for
    # all: a is below 0, and the void the part beyond the greater root or before the smaller.
    first = np.where((a < 0) & (widen < 0), -np.inf, one)
    last = np.where((a < 0) & (widen > 0), np.inf, two)
    missed = (square < 0) & (a > 0)
    return (
        np.clip(np.where(missed, FAR, first), -FAR, FAR).astype(np.float32),
        np.clip(np.where(missed, -FAR, last), -FAR, FAR).astype(np.float32),
    )


def _ends(
    walls: Walls, windows: Windows, window: Ints, ranks: Ranks, place: Singles
) -> tuple[Singles, Singles, Bools]:
    """Where each ray comes into the body and leaves it, and whether it starts on the exit at all."""
    across = ranks.first.ravel() + ranks.step * place
    size = ranks.first.shape[1]
    x, y, z = (
        np.repeat(windows.middle[window, k], size).astype(np.float32)
        + np.repeat(windows.across[window, k], size).astype(np.float32) * across
        + np.repeat(windows.beside[window, k], size).astype(np.float32) * ranks.beside.ravel()
        for k in range(3)
    )
    dx, dy, dz = (d.ravel() for d in ranks.towards)
    out = way_out((x, y, z), (dx, dy, dz), walls.radius_mm, walls.half_length_mm, walls.front_mm)
    came = np.maximum(-x / np.maximum(dx, _FLAT), 0)
    seen = (dx > 0) & np.ones_like(across, np.bool_)
    rim = np.repeat(windows.rim[window], size)
    if np.isfinite(rim).any():
        aside = (
            at - np.repeat(windows.exit[window, k], size).astype(np.float32)
            for k, at in enumerate((x, y, z))
        )
        seen &= sum(off * off for off in aside) <= rim * rim
    return came, out.astype(np.float32), seen
