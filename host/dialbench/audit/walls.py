"""What stands between the bores: the least wall, the pockets, the smallest feature.

A void is the convex hull of its rims, where it leaves the face and where it leaves the body;
a wall between two is the distance of two hulls. It is found together with a plane that parts
them, and so with a bound from below; EXACT_MM is what may lie between.

The surface counts as straight between a void's corners on it, which over a round side takes
width^2 / (8 radius) off a void. A body's ends are not looked at: a bore that runs into one
counts as if the body went on there. A round bore counts as the prism around it, wider by
less than 1%.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from dialbench.audit.minutes import Floats, Ints
from dialbench.dial import Bore, Dial
from dialbench.layout import depth_mm
from dialbench.pockets import pockets
from dialbench.rays.voids import A, U, V, Voids, way_out

EXACT_MM = 0.001
MEET_MM = 0.005  # with less between them two bores meet: no process leaves such a wall

_SIDES = 24  # of the prism around a round bore
_CORNERS = 1 << 19  # worked on together
_ROUNDS = 5000  # of narrowing down, at most; some dozens are usual
_ENDLESS_MM = 1e6
_TINY = 1e-12


@dataclass(frozen=True)
class Wall:
    """The thinnest place between two bores: how thick, and its two sides in P (x, y, z)."""

    wall_mm: float
    bores: tuple[Bore, Bore]
    sides_mm: tuple[tuple[float, float, float], tuple[float, float, float]]


@dataclass(frozen=True)
class Walls:
    """What stands between a body's bores.

    pairs: of bores of different channels; meeting: those that meet inside the body; thin:
    those that do not, with less than the body's wall_mm between them. least: the thinnest
    wall between bores, or pockets, of different channels that do not meet; None where there
    are none. pockets: how many; through: those that reach the body's surface; deepest_mm,
    mean_mm: how deep they go, 0 without any. feature_mm, feature: the smallest size that is
    asked of whoever makes the dial, and what it is.
    """

    pairs: int
    meeting: int
    thin: int
    least: Wall | None
    pockets: int
    through: int
    deepest_mm: float
    mean_mm: float
    feature_mm: float
    feature: str


def walls(dial: Dial) -> Walls:
    """Of one dial as drawn. For a dial without bores all is 0."""
    extra = pockets(dial)
    listed, bores = (*dial.bores, *extra), len(dial.bores)
    corners = _corners(dial)
    channel = np.array([bore.channel for bore in listed], np.int64)
    one, other = np.triu_indices(len(listed), 1)
    apart = channel[one] != channel[other]
    one, other = one[apart], other[apart]
    gap_mm, sides = distances(corners, one, other, dial.body.wall_mm)
    real = other < bores  # the first of a pair comes first
    parted = gap_mm >= MEET_MM
    least = None
    if parted.any():
        k = int(np.where(parted, gap_mm, np.inf).argmin())
        first, second = (tuple(side.tolist()) for side in sides[k])
        least = Wall(float(gap_mm[k]), (listed[one[k]], listed[other[k]]), (first, second))
    depths_mm = [pocket.length_mm for pocket in extra]
    reach_mm = [_way_mm(dial, pocket) for pocket in extra]
    deep_mm = np.minimum(depths_mm, reach_mm)
    feature_mm, feature = _feature(dial, least, bool(extra))
    return Walls(
        int(real.sum()),
        int((real & ~parted).sum()),
        int((real & parted & (gap_mm < dial.body.wall_mm)).sum()),
        least,
        len(extra),
        int(np.greater_equal(depths_mm, reach_mm).sum()),
        float(deep_mm.max(initial=0.0)),
        float(deep_mm.mean()) if len(deep_mm) else 0.0,
        feature_mm,
        feature,
    )


def _way_mm(dial: Dial, bore: Bore) -> float:
    """From a bore's exit along its axis to the body's surface."""
    y_mm = dial.channels[bore.channel].y_mm
    across_mm = depth_mm(dial.body, y_mm, bore.hour_angle_deg, dial.site.hemisphere)
    return across_mm / math.cos(math.radians(bore.declination_deg))


def _feature(dial: Dial, least: Wall | None, has_pockets: bool) -> tuple[float, str]:
    sizes = [
        (size_mm, f"{what} of channel {bore.channel} at hour angle {bore.hour_angle_deg:.2f} deg")
        for bore in dial.bores
        for size_mm, what in ((bore.exit_mm, "exit"), (bore.entry_mm, "entry"))
    ]
    if has_pockets:
        sizes.append((dial.body.wall_mm, "least wall between slots of one channel"))
    if least is not None:
        channels = " and ".join(str(bore.channel) for bore in least.bores)
        sizes.append((least.wall_mm, f"wall between bores of channels {channels}"))
    return min(sizes, key=lambda size: size[0], default=(0.0, "nothing"))


def _corners(dial: Dial) -> Floats:
    """Corners of all voids inside the body, (voids, corners, component); some come twice."""
    v, body = Voids.of(dial, 0.0, 1.0), dial.body
    exits = np.array([(0.0, c.y_mm, c.z_mm) for c in dial.channels]).reshape(-1, 3)
    listed = (*dial.bores, *pockets(dial))
    at = exits[[bore.channel for bore in listed]].reshape(-1, 1, 3)
    turn = 2 * np.pi * (np.arange(_SIDES) + 0.5) / _SIDES
    ring = np.stack((np.cos(turn), np.sin(turn))) / math.cos(np.pi / _SIDES)
    # A slot has its four corners over and over, where there are round bores as well.
    quarter = np.arange(_SIDES if v.round.any() else 4) % 4
    square = np.stack((np.where(quarter < 2, 1.0, -1.0), np.where(quarter % 2, 1.0, -1.0)))
    p, q = (
        np.where(v.round[:, None], round_[: square.shape[1]], flat)
        for round_, flat in zip(ring, square, strict=True)
    )
    a, u, w = (v.axes[k].T[:, None, :] for k in (A, U, V))
    start = at + (v.half[:, None] * p)[..., None] * u + (v.half[:, None] * q)[..., None] * w
    towards = a + (v.widen[:, None] * p)[..., None] * u + (v.rise[:, None] * q)[..., None] * w
    ahead = np.maximum(towards[..., 0], _TINY)
    behind = np.maximum(-start[..., 0] / ahead, -v.behind[:, None])
    start += behind[..., None] * towards
    x, y, z = np.moveaxis(start, -1, 0)
    out = way_out(
        (x, y, z),
        (towards[..., 0], towards[..., 1], towards[..., 2]),
        body.radius_mm,
        _ENDLESS_MM,
        body.front_mm,
    )
    out = np.minimum(out, np.maximum(v.front[:, None] - behind, 0.0))
    corners: Floats = np.concatenate((start, start + out[..., None] * towards), axis=1)
    return corners


def distances(
    corners: Floats, one: Ints, other: Ints, enough_mm: float = 0.0
) -> tuple[Floats, Floats]:
    """How far hulls of corners (hulls, corners, component) are apart, for pairs (n,) of them.

    Distances (n,), and points that are so far apart (n, 2, component). Where they are not
    above enough_mm, nor the least above MEET_MM, to EXACT_MM; below MEET_MM only to that;
    others are less than is said, but above both.
    """
    gap = np.zeros(len(one))
    sides = np.zeros((len(one), 2, 3))
    least = math.inf
    together = max(1, _CORNERS // max(1, corners.shape[1]))
    for first, last in pairwise([*range(0, len(one), together), len(one)]):
        part = slice(first, last)
        gap[part], sides[part] = _nearest(
            corners[one[part]], corners[other[part]], max(enough_mm, least)
        )
        parted = gap[part] >= MEET_MM
        least = min(least, float(gap[part][parted].min(initial=math.inf)))
    return gap, sides


def _nearest(ours: Floats, theirs: Floats, enough_mm: float) -> tuple[Floats, Floats]:
    # Each side is a mean of corners. Weight moves from the corner that is farthest off, as
    # seen along the line between the sides, to the one that is nearest (Mitchell, Demyanov
    # and Malozemov 1974, from memory), on whichever hull that brings more.
    pairs = np.arange(len(ours))
    hulls = np.stack((ours, theirs))
    middles = hulls.mean(axis=2)
    way = middles[0] - middles[1]
    nearest = np.stack(
        ((ours @ way[:, :, None])[..., 0].argmin(1), (theirs @ way[:, :, None])[..., 0].argmax(1))
    )
    weight = np.zeros(hulls.shape[:3])
    weight[[[0], [1]], pairs, nearest] = 1.0
    sides = hulls[[[0], [1]], pairs, nearest]
    live = pairs
    for _ in range(_ROUNDS):
        line = sides[0, live] - sides[1, live]
        length = np.linalg.norm(line, axis=1)
        # Both hulls seen so that the other one lies below.
        along = np.stack(
            ((ours[live] @ line[:, :, None])[..., 0], -(theirs[live] @ line[:, :, None])[..., 0])
        )
        to = along.argmin(axis=2)
        low = np.take_along_axis(along, to[..., None], axis=2)[..., 0]
        off = np.where(weight[:, live] > 0, along, -np.inf)
        of = off.argmax(axis=2)
        gain = np.take_along_axis(off, of[..., None], axis=2)[..., 0] - low
        bound = low.sum(axis=0) / np.maximum(length, _TINY)
        open_ = (length - bound > EXACT_MM) & (length >= MEET_MM) & (bound <= enough_mm)
        if not open_.any():
            break
        live, line, to, of, gain = (
            live[open_],
            line[open_],
            to[:, open_],
            of[:, open_],
            gain[:, open_],
        )
        side = gain.argmax(axis=0)
        each = np.arange(len(live))
        to, of = to[side, each], of[side, each]
        move = hulls[side, live, to] - hulls[side, live, of]
        share = gain[side, each] / np.maximum((move**2).sum(axis=1), _TINY)
        share = np.minimum(share, weight[side, live, of])
        weight[side, live, of] -= share
        weight[side, live, to] += share
        sides[side, live] += share[:, None] * move
    return np.linalg.norm(sides[0] - sides[1], axis=1), np.moveaxis(sides, 0, 1)
