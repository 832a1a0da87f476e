"""How much of every channel's exit the Sun lights: by rays, ghosts and all.

A ray runs from a point of the exit back towards a point of the Sun's disc. It is lit
if and only if every point of it inside the body lies in the void of some bore, of any
channel: so light that strays from one bore into another is found as it is in wood.

Voids are convex: from a point inside one, a ray runs on to where it leaves it, and there
some other void must hold it, or it is dark. Which bores to ask is settled beforehand for
many rays at once by a *fat ray*, a cone that holds all rays of one channel over some
instants, against voids wider by as much. What that rules out is ruled out for certain.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from dialbench.dial import Dial
from dialbench.rays.voids import A, Floats, Ints, U, V, Vectors, Voids, covered, way_out
from dialcore import frames

RAYS = 256
_LIMB = 0.6  # I(mu) = 1 - 0.6 (1 - mu): visible light, coefficient from memory
_BLOCK = 480  # instants worked on together
_STRETCHES = (48, 8)  # instants that share a fat ray, one level after the other
_CHUNK = 12  # (stretch, channel) pairs whose rays are followed together
_TINY = 1e-30


def ray_points(rays: int, first: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Evenly spread points (exit u, exit v, Sun e1, Sun e2), each of shape (rays,), an even number.

    Exit coordinates run from -1 to 1; the Sun's are in solar radii and as dense as its
    disc is bright. first, 0..1, is where the row begins: rows that begin elsewhere have
    no point in common.
    """
    # Multiples of the powers of one irrational number (the root of x^5 = x + 1), taken
    # modulo 1, fill four dimensions evenly. Each point has its mirror image, so that the
    # rays lean to no side: a lean would pass for a turn of the body.
    root = 1.0
    for _ in range(60):
        root = (1 + root) ** 0.2
    spread = (first + np.arange(1, rays // 2 + 1)[:, None] / root ** np.arange(1, 5)) % 1.0
    area = np.linspace(0.0, 1.0, 4097)
    light = (1 - _LIMB) * area + _LIMB * (2 / 3) * (1 - (1 - area) ** 1.5)
    radius = np.sqrt(np.interp(spread[:, 2], light / light[-1], area))
    turn = 2 * np.pi * spread[:, 3]
    one_half = np.stack(
        (
            2 * spread[:, 0] - 1,
            2 * spread[:, 1] - 1,
            radius * np.cos(turn),
            radius * np.sin(turn),
        )
    )
    p, q, e1, e2 = np.concatenate((one_half, -one_half), axis=1)
    return p, q, e1, e2


@dataclass(frozen=True, eq=False)
class _Pairs:
    """Pairs (stretch of instants, channel), and the bores that may help to light each.

    pair and bore run over all couples of a pair and a bore, pair never falling; between
    low and high mm from the exit, a ray of the pair may be in the bore.
    """

    stretch: Ints
    channel: Ints
    pair: Ints
    bore: Ints
    low: Floats
    high: Floats

    def only(self, pairs: NDArray[np.bool_], couples: NDArray[np.bool_]) -> _Pairs:
        couples = couples & pairs[self.pair]
        return _Pairs(
            self.stretch[pairs],
            self.channel[pairs],
            (np.cumsum(pairs) - 1)[self.pair[couples]],
            self.bore[couples],
            self.low[couples],
            self.high[couples],
        )

    def chunks(self, size: int) -> list[_Pairs]:
        first = np.searchsorted(self.pair, np.arange(0, len(self.stretch) + size, size))
        return [
            _Pairs(
                self.stretch[k * size : (k + 1) * size],
                self.channel[k * size : (k + 1) * size],
                self.pair[first[k] : first[k + 1]] - k * size,
                self.bore[first[k] : first[k + 1]],
                self.low[first[k] : first[k + 1]],
                self.high[first[k] : first[k + 1]],
            )
            for k in range(len(first) - 1)
        ]


class Tracer:
    """Rays through one body. Build it once, ask it for many instants.

    pose_deg is the rotation vector of dialcore.frames; axis_error_deg and width_factor are
    the making errors of Voids.of. For each channel and instant `rays` rays are followed,
    between points that `first` chooses. A channel's exit is a square, or a circle where its bores
    are round, as wide as the widest of them, and lies across that bore of its own which
    points nearest to the Sun.
    """

    def __init__(
        self,
        dial: Dial,
        pose_deg: tuple[float, float, float] = (0.0, 0.0, 0.0),
        axis_error_deg: Floats | float = 0.0,
        width_factor: Floats | float = 1.0,
        rays: int = RAYS,
        first: float = 0.5,
    ) -> None:
        wx, wy, wz = (float(x) for x in np.radians(pose_deg))
        self._turn = np.array(frames.rotation(wx, wy, wz, np))
        self._radius = dial.body.radius_mm
        self._half_length = dial.body.length_mm / 2
        self._front = dial.body.front_mm
        self._exits = np.array([(0.0, c.y_mm, c.z_mm) for c in dial.channels]).reshape(-1, 3)
        self._voids = Voids.of(dial, axis_error_deg, width_factor)
        self._points = ray_points(rays, first)
        # A channel's exit is as large as the widest of its bores made it.
        self._window = np.zeros(len(dial.channels))
        np.maximum.at(
            self._window,
            self._voids.channel[: len(dial.bores)],
            self._voids.half[: len(dial.bores)],
        )
        # Which rays there are of a beam along each bore, and which of them begin inside it.
        p, q, _, _ = self._points
        wide = self._window[self._voids.channel[: len(dial.bores)], None]
        listed = np.arange(len(dial.bores))[:, None]
        self._seen = ~(self._voids.round[listed] & (p * p + q * q > 1))
        self._begun = self._seen & self._voids.hold(listed, 0.0, wide * p, wide * q)

    def lit_fractions(self, polar: Vectors, semidiameter_deg: float | Floats) -> Floats:
        """Lit fraction of every channel, shape (n, channels).

        polar: three arrays of shape (n,), the Sun in the nominal frame P;
        semidiameter_deg: its angular radius, one for all or of shape (n,). The fraction
        is of the exit as drawn: a bore made too wide gives a little more than 1.
        """
        sun = np.column_stack(polar) @ self._turn  # into the body: transposed rotation
        size = np.tan(np.radians(np.broadcast_to(semidiameter_deg, len(sun))))
        lit = np.zeros((len(sun), len(self._exits)))
        if len(self._voids.half):
            facing = np.flatnonzero(sun[:, 0] > -size)
            for at in range(0, len(facing), _BLOCK):
                part = facing[at : at + _BLOCK]
                lit[part] = self._block(sun[part], size[part])
        return lit

    def _block(self, sun: Floats, size: Floats) -> Floats:
        lit = np.zeros((len(sun), len(self._exits)))
        for chunk in self._not_dark(sun, size).chunks(_CHUNK):
            instant = chunk.stretch[:, None] * _STRETCHES[-1] + np.arange(_STRETCHES[-1])
            pair, which = np.nonzero(instant < len(sun))
            instant = instant[pair, which]
            lit[instant, chunk.channel[pair]] = self._trace(
                chunk, pair, sun[instant], size[instant]
            )
        return lit

    def _not_dark(self, sun: Floats, size: Floats) -> _Pairs:
        """Every (stretch, channel) that is not dark for certain, with the bores it meets."""
        channels, count = len(self._exits), len(self._voids.half)
        stretches = -(-len(sun) // _STRETCHES[0])
        offered = np.argwhere(np.ones((channels, count), np.bool_))
        pairs = self._fat_rays(
            np.repeat(np.arange(stretches), channels),
            np.tile(np.arange(channels), stretches),
            (np.arange(stretches)[:, None] * channels + offered[:, 0]).ravel(),
            np.tile(offered[:, 1], stretches),
            *_stretched(sun, size, _STRETCHES[0]),
        )
        for longer, length in pairwise(_STRETCHES):
            parts = longer // length
            couples = np.bincount(pairs.pair, minlength=len(pairs.stretch))
            stretch = (pairs.stretch[:, None] * parts + np.arange(parts)).ravel()
            source = np.repeat(np.arange(len(couples)), parts)
            real = stretch * length < len(sun)
            stretch, source = stretch[real], source[real]
            pair, couple = _ranges((np.cumsum(couples) - couples)[source], couples[source])
            pairs = self._fat_rays(
                stretch,
                pairs.channel[source],
                pair,
                pairs.bore[couple],
                *_stretched(sun, size, length),
            )
        return pairs

    def _fat_rays(
        self, stretch: Ints, channel: Ints, pair: Ints, bore: Ints, sun: Floats, grow: Floats
    ) -> _Pairs:
        """Of these pairs and couples, those that rays within `grow` of `sun` may use."""
        v = self._voids
        start = self._window[channel] * np.sqrt(2)
        direction, grow = sun[stretch], grow[stretch]
        # Where the first ray may leave the body, and where the last must have come in.
        out = way_out(
            tuple(self._exits[channel].T),
            tuple(direction.T),
            self._radius - start,
            self._half_length - start,
            self._front - start,
            grow,
        )
        inward = direction[:, 0] - grow
        enter = np.where(inward > 0, start / np.maximum(inward, _TINY), np.inf)
        exits = np.einsum("ck,akb->acb", self._exits, v.axes) - v.origin[:, None, :]
        slopes = np.einsum("nk,akb->anb", sun, v.axes)
        low, high = v.fat_stretch(
            bore,
            exits[:, channel[pair], bore],
            slopes[:, stretch[pair], bore],
            start[pair],
            grow[pair],
        )
        end = covered(enter, low, high, pair)
        near = (low <= high) & (high >= 0) & (low <= end[pair])
        return _Pairs(stretch, channel, pair, bore, low, high).only(end >= out, near)

    def _trace(self, pairs: _Pairs, pair: Ints, sun: Floats, size: Floats) -> Floats:
        """Lit fractions of beams: each of one pair, with its own sun (n, 3) and size (n,)."""
        v = self._voids
        channel = pairs.channel[pair]
        ahead = np.where(v.channel == channel[:, None], sun @ v.axes[A], -np.inf)
        own = ahead.argmax(axis=1)
        # Most beams are lit ones that never leave their own bore: what begins there is lit.
        kept = v.keep(own, sun, size) & (sun[:, 0] > 2 * size)
        count = np.where(kept, self._begun[own].sum(axis=1), 0)
        beam, ray = np.nonzero(self._seen[own] & ~(self._begun[own] & kept[:, None]))
        p, q, e1, e2 = (each[ray] for each in self._points)
        window = self._window[channel]
        # Two directions across the sunbeam, as long as the Sun's radius at distance 1.
        flat = np.hypot(sun[:, 0], sun[:, 1])
        side1 = np.column_stack((-sun[:, 1], sun[:, 0], 0 * flat)) * (size / flat)[:, None]
        side2 = np.cross(sun, side1)

        def point(k: int) -> Floats:
            on_exit: Floats = v.axes[U, k, own][beam] * p + v.axes[V, k, own][beam] * q
            points: Floats = self._exits[channel, k][beam] + window[beam] * on_exit
            return points

        def spread(middle: Floats, off1: Floats, off2: Floats) -> Floats:
            """The same for every ray of a beam but for its place on the Sun."""
            rays: Floats = middle[beam] + off1[beam] * e1 + off2[beam] * e2
            return rays

        def slope(axis: int) -> Floats:
            """Each ray's direction along an axis of its own bore."""
            a = v.axes[axis, :, own]
            return spread(*(np.einsum("nk,nk->n", d, a) for d in (sun, side1, side2)))

        start = point(0), point(1), point(2)
        x, y, z = (spread(sun[:, k], side1[:, k], side2[:, k]) for k in range(3))
        towards = x, y, z
        out = way_out(start, towards, self._radius, self._half_length, self._front)
        inward = x > 0
        # Of the others too most never leave it: convex, it need only hold both ends.
        across, beside = window[beam] * p, window[beam] * q
        lit = inward & self._begun[own[beam], ray]
        lit &= v.hold(own[beam], out * slope(A), across + out * slope(U), beside + out * slope(V))
        others = np.flatnonzero(inward & ~lit)
        lit[others] = self._find_way(
            pairs,
            pair[beam[others]],
            own[beam[others]],
            _pick(start, others),
            _pick(towards, others),
            out[others],
        )
        count += np.bincount(beam[lit], minlength=len(count))
        share: Floats = count / self._seen.shape[1] * (2 * window) ** 2 / v.drawn_mm2[own]
        return share

    def _find_way(
        self, pairs: _Pairs, pair: Ints, own: Ints, start: Vectors, towards: Vectors, out: Floats
    ) -> NDArray[np.bool_]:
        """Which rays reach the sky, out mm away: first through their own bores, then any."""
        lit = np.zeros(len(pair), np.bool_)
        name = np.arange(len(pair))
        end = np.maximum(0.0, -start[0] / towards[0])
        # An exit lies partly behind the face, and what holds the sensors lies behind it too: no
        # light comes along there from beyond the rim.
        out = np.where(end < out, out, np.inf)
        far = 2 * (self._radius + self._half_length)
        low = pairs.pair * far + np.maximum(pairs.low, 0.0)
        high = pairs.pair * far + np.minimum(pairs.high, far)
        bore, ray = own, name
        first = True  # a ray that starts outside its own bore may start in another
        while len(name):
            x, y, z = (s + end * t for s, t in zip(start, towards, strict=True))
            helped, room = self._voids.carried(bore, ray, (x, y, z), towards)
            on = np.zeros(len(end))
            np.maximum.at(on, helped, room)
            end = end + on
            lit[name[end >= out]] = True
            going = np.flatnonzero((end < out) & ((on > 0) | first))
            first = False
            # Sorted by place, the rays that a bore may hold follow one another.
            place = pair[going] * far + end[going]
            order = np.argsort(place)
            place, going = place[order], going[order]
            name, pair, end, out = name[going], pair[going], end[going], out[going]
            start, towards = _pick(start, going), _pick(towards, going)
            at, to = np.searchsorted(place, low), np.searchsorted(place, high, "right")
            couple, ray = _ranges(at, np.maximum(to - at, 0))
            bore = pairs.bore[couple]
        return lit


def _pick(vectors: Vectors, which: Ints) -> Vectors:
    x, y, z = vectors
    return x.ravel()[which], y.ravel()[which], z.ravel()[which]


def _ranges(first: Ints, count: Ints) -> tuple[Ints, Ints]:
    """For each k: count[k] numbers from first[k] on; returns (k, number) of all."""
    which = np.repeat(np.arange(len(first)), count)
    before = np.cumsum(count) - count
    return which, np.arange(len(which)) + (first - before)[which]


def _stretched(sun: Floats, size: Floats, length: int) -> tuple[Floats, Floats]:
    """For each run of `length` instants: a direction, and how far rays stray from it."""
    first = np.arange(0, len(sun), length)
    count = np.diff(first, append=len(sun))
    middle = np.add.reduceat(sun, first) / count[:, None]
    off = np.linalg.norm(sun - np.repeat(middle, count, axis=0), axis=1) + size
    return middle, np.maximum.reduceat(off, first)
