"""Which bores may light a channel's exit, and how far it is lit for certain, over a box.

A *box* is a small rectangle of hour angle and declination. All rays that run from a window
on a channel's exit into one box are looked at together: a void's walls are planes, and
where a ray meets a plane depends so simply on its place in the window and in the box that
bounds hold for all of them. From the stretch in which some ray may be inside a void and
that in which every ray is follows what is dark or lit for certain; the rest is for rays.

Arrays have bores first and pairs last: numpy then runs along the pairs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dialbench.dial import Body
from dialbench.rays.pairs import FAR, Bools, Pairs, Singles, joined, packed
from dialbench.rays.voids import A, Floats, Ints, U, V, Voids, way_out

WALLS = 6  # planes around a void: two across each way, one behind, one in front

_TINY = np.float32(1e-30)
# Single precision: what is ruled out is so for certain, what is lit is to this much.
_SLACK_MM, _SLACK = np.float32(1e-4), 1e-6
_OUTSIDE_MM = 2e5  # beyond any body, and far nearer than FAR
_COUPLES = 1 << 15  # of a pair and a bore worked on together: stays in the cache


@dataclass(frozen=True, eq=False)
class Walls:
    """The voids of one body, each within WALLS planes: inside is normal . x + shift <= 0.

    The last bore is a stand-in that holds nothing. Round voids stand as the squares around
    them.
    """

    normal: Floats  # (walls, bores + 1, component)
    shift: Floats  # (walls, bores + 1)
    squared: Bools  # (bores + 1,): the planes hold more than the void
    channel: Ints  # (bores + 1,)
    radius_mm: float
    half_length_mm: float
    front_mm: float

    @classmethod
    def of(cls, voids: Voids, body: Body) -> Walls:
        v, at = voids, voids.origin
        a, u, w = (v.axes[k].T for k in (A, U, V))
        widen, rise = v.widen[:, None], v.rise[:, None]
        normal = np.stack((u - widen * a, -u - widen * a, w - rise * a, -w - rise * a, -a, a))
        shift = np.stack(
            (
                v.widen * at[A] - at[U] - v.half,
                v.widen * at[A] + at[U] - v.half,
                v.rise * at[A] - at[V] - v.half,
                v.rise * at[A] + at[V] - v.half,
                at[A] - v.behind,
                -at[A] - np.minimum(v.front, _OUTSIDE_MM),
            )
        )
        return cls(
            np.concatenate((normal, np.zeros((WALLS, 1, 3))), axis=1),
            np.concatenate((shift, np.ones((WALLS, 1))), axis=1),
            np.append(v.round, False),
            np.append(v.channel, -1),
            body.radius_mm,
            body.length_mm / 2,
            body.front_mm,
        )


def _single(normal: Floats, vectors: Floats) -> Singles:
    """Vectors (n, component) along normals (..., component): (..., n)."""
    along: Singles = normal.astype(np.float32) @ vectors.T.astype(np.float32)
    return along


@dataclass(frozen=True, eq=False)
class Boxes:
    """Boxes of one size: middle directions and how they change, (n, component) each."""

    middle: Floats
    by_hour: Floats
    by_declination: Floats
    half_hour: float
    half_declination: float

    @classmethod
    def about(
        cls, hour: Floats, declination: float, half: tuple[float, float], hemisphere: int
    ) -> Boxes:
        """Boxes `half` to either side of middles; all in radians."""
        sh, ch, sd, cd = np.sin(hour), np.cos(hour), np.sin(declination), np.cos(declination)
        return cls(
            np.stack((cd * ch, -hemisphere * cd * sh, hemisphere * sd + 0 * sh), axis=1),
            np.stack((-cd * sh, -hemisphere * cd * ch, 0 * sh), axis=1),
            np.stack((-sd * ch, hemisphere * sd * sh, hemisphere * cd + 0 * sh), axis=1),
            *half,
        )

    @property
    def bend(self) -> float:
        """How far a direction may be from what the two changes say."""
        return (self.half_hour + self.half_declination) ** 2 / 2

    @property
    def wide(self) -> float:
        """How far a direction may be from its box's middle."""
        return self.half_hour + self.half_declination + self.bend

    def along(self, normal: Floats) -> tuple[Singles, Singles]:
        """Least and most of directions along normals (..., component): (..., n)."""
        middle = _single(normal, self.middle)
        give = np.abs(_single(normal, self.half_hour * self.by_hour))
        give += np.abs(_single(normal, self.half_declination * self.by_declination))
        give += (self.bend * np.linalg.norm(normal, axis=-1)[..., None] + _SLACK).astype(np.float32)
        return middle - give, middle + give


@dataclass(frozen=True, eq=False)
class Windows:
    """Windows on channels' exits, each across one bore of the channel; arrays over windows."""

    channel: Ints
    facing: Ints  # the bore
    middle: Floats  # (n, component)
    across: Floats  # (n, component): from the middle to the edge, one way
    beside: Floats  # and the other
    exit: Floats  # (n, component): the exit's middle
    rim: Floats  # what lies farther from it is not part of the exit

    def at(self, which: Ints) -> Windows:
        return Windows(
            self.channel[which],
            self.facing[which],
            self.middle[which],
            self.across[which],
            self.beside[which],
            self.exit[which],
            self.rim[which],
        )

    def halves(self) -> Windows:
        """Each cut in two across: first all the one halves, then all the others."""
        half = self.across / 2
        return Windows(
            np.tile(self.channel, 2),
            np.tile(self.facing, 2),
            np.concatenate((self.middle - half, self.middle + half)),
            np.tile(half, (2, 1)),
            np.tile(self.beside, (2, 1)),
            np.tile(self.exit, (2, 1)),
            np.tile(self.rim, 2),
        )

    def before(self, walls: Walls) -> tuple[Singles, Singles]:
        """Least and most of normal . x + shift over each window: (walls, bores + 1, n)."""
        at = _single(walls.normal, self.middle)
        at += walls.shift[..., None].astype(np.float32)
        give = np.abs(_single(walls.normal, self.across))
        give += np.abs(_single(walls.normal, self.beside))
        # An exit that fills its bore lies inside it, whatever the last digit says.
        return at - give - _SLACK_MM, at + give - _SLACK_MM


def narrowed(
    walls: Walls, boxes: Boxes, windows: Windows, starts: tuple[Singles, Singles], pairs: Pairs
) -> Pairs:
    """Of these pairs, those in which light may stray into an exit, with fewer bores.

    starts: windows.before(walls).
    """
    slopes = boxes.along(walls.normal)
    nothing = len(walls.channel) - 1
    size = max(1, _COUPLES // max(1, len(pairs.bore)))
    parts = [
        _narrowed(walls, boxes, windows, slopes, starts, pairs.at(np.arange(first, last)))
        for first in range(0, len(pairs.box), size)
        for last in [min(first + size, len(pairs.box))]
    ]
    return joined(parts, nothing) if parts else pairs


def _narrowed(
    walls: Walls,
    boxes: Boxes,
    windows: Windows,
    slopes: tuple[Singles, Singles],
    starts: tuple[Singles, Singles],
    pairs: Pairs,
) -> Pairs:
    # How far any ray may come. Most pairs end here.
    low, high = _stretch(slopes[0], starts[0], pairs)
    far, near, begun = _ways(walls, boxes, windows, pairs.box, pairs.window)
    reach = _chain(np.maximum(begun, pairs.lit), low, high)
    # Bores that only help where every ray is lit anyway are no longer among these.
    goal = np.minimum(near, pairs.free)
    gets_out = ((low <= reach) & (high >= goal) & (low <= high)).any(axis=0)
    alive = (gets_out | (pairs.lit >= goal)) & (reach >= goal)
    keep = np.flatnonzero(alive)
    pairs, far, goal = pairs.at(keep), far[keep], goal[keep]
    low, high, reach = low[:, keep], high[:, keep], reach[keep]
    bore = pairs.bore

    # What every ray is sure of, from the exit on and from the body's rim inwards.
    sure_low, sure_high = _stretch(slopes[1], starts[1], pairs)
    if walls.squared.any():
        sure_high -= FAR * walls.squared[bore]
    mine = walls.channel[bore] == windows.channel[pairs.window]
    others = ~mine * (4 * FAR)
    own_lit = _chain(pairs.own_lit, sure_low, sure_high - others)
    own_free = -_chain(-np.minimum(pairs.own_free, far), -sure_high, -sure_low - others)
    lit = _chain(np.maximum(pairs.lit, own_lit), sure_low, sure_high)
    free = -_chain(-np.minimum(pairs.free, own_free), -sure_high, -sure_low)

    back = -_chain(-np.minimum(goal, free), -high, -low)
    way = (low <= reach) & (high >= back) & (low <= high)
    all_way = way & (high > lit) & (low < free)
    own_way = way & mine & (high > own_lit) & (low < own_free)
    strays = (all_way & ~mine).any(axis=0) | (lit > own_lit) | (free < own_free)
    keep = np.flatnonzero(strays & (own_lit < own_free))
    kept = packed((all_way | own_way)[:, keep], bore[:, keep], len(walls.channel) - 1)
    sure = own_lit[keep], own_free[keep], lit[keep], free[keep]
    return Pairs(pairs.box[keep], pairs.window[keep], kept, *sure)


def _stretch(slope: Singles, at: Singles, pairs: Pairs) -> tuple[Singles, Singles]:
    """From where to where each pair's bore has at + t slope <= 0 for all its walls, (c, n)."""
    low, high = np.zeros(pairs.bore.shape, np.float32), np.full(pairs.bore.shape, FAR)
    from_box = pairs.bore * slope.shape[2] + pairs.box
    from_window = pairs.bore * at.shape[2] + pairs.window
    for k in range(WALLS):
        # Chosen by adding what rules out: numpy is many times slower where it must pick.
        along = slope[k].take(from_box)
        along += _TINY
        root = at[k].take(from_window)
        root /= along
        np.negative(root, out=root)
        falling = along < 0
        np.minimum(high, root + falling * FAR, out=high)
        np.maximum(low, root - ~falling * FAR, out=low)
    return low, high


def _ways(
    walls: Walls, boxes: Boxes, windows: Windows, box: Ints, window: Ints
) -> tuple[Singles, Singles, Singles]:
    """Where the last ray has left the body, the first may, and the last has come in."""
    start, towards = windows.middle[window].T, boxes.middle[box].T
    size = np.linalg.norm(windows.across, axis=1) + np.linalg.norm(windows.beside, axis=1)
    size, grow = size[window] + float(_SLACK_MM), boxes.wide
    x, dx = start[0], towards[0]
    far, near = (
        way_out(
            tuple(start),
            tuple(towards),
            walls.radius_mm + sign * size,
            walls.half_length_mm + sign * size,
            walls.front_mm + sign * size,
            -sign * grow,
        )
        for sign in (1, -1)
    )
    inward = dx - grow
    behind = np.maximum(
        -x + np.abs(windows.across[window, 0]) + np.abs(windows.beside[window, 0]), 0
    )
    begun = np.where(inward > 0, behind / np.maximum(inward, 1e-9), FAR)
    return far.astype(np.float32), near.astype(np.float32), begun.astype(np.float32)


def _chain(end: Singles, low: Singles, high: Singles) -> Singles:
    """How far each column's stretches low..high (c, n) reach from end (n,) on without a gap."""
    while len(low):
        on = (high - (low > end) * (4 * FAR)).max(axis=0)
        if not (on > end).any():
            break
        end = np.maximum(end, on)
    return end
