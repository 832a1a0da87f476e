"""Every bore by itself, in an otherwise solid body: lit fractions in closed form.

A real body's bores cross, and light finds ways from one into another; then what counts is
`dialbench.predict`. Where a bore is far from all others the two agree, and what they differ
by elsewhere is the crossing bores' doing.

A channel's lit fraction is that of the union of its bores (`dialbench.unions`). Bores end
where the body does, which is seldom square to their axes (`dialbench.surface`).
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from dialbench import surface, unions
from dialbench.crossing import NOMINAL, Pose
from dialbench.dial import Dial
from dialbench.rays.voids import Vectors
from dialbench.sky import SunPlace
from dialcore import bores, disc, frames

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

FORMAT = "5"  # changes with every change of what comes out here: kept borders rest on it

_PAIRS = 1 << 15  # pairs of a Sun and a bore worked on together: stays in the cache
_TINY = 1e-12


class Bores:
    """A dial's bores as arrays, sorted by channel and hour angle; radians and mm."""

    def __init__(self, dial: Dial) -> None:
        listed = sorted(dial.bores, key=lambda bore: (bore.channel, bore.hour_angle_deg))
        self.channels = len(dial.channels)
        self.channel = np.array([b.channel for b in listed], dtype=np.int64)
        self.hour_angle = np.radians([b.hour_angle_deg for b in listed])
        self.is_round = np.array([b.shape == "round" for b in listed], dtype=bool)
        self.exit = np.array([b.exit_mm for b in listed])
        self.entry = np.array([b.entry_mm for b in listed])
        self.length = np.array([b.length_mm for b in listed])
        self.opening = np.radians([b.opening_deg for b in listed])
        declination = np.radians([b.declination_deg for b in listed])
        self._sine, self._cosine = np.sin(declination), np.cos(declination)
        self._declination = declination
        ends = surface.Ends.of(dial, listed)
        self.walls, self.tilt = ends.walls_mm, ends.tilt
        # Slopes towards a wall at which it begins to cut a bundle of rays, and has shut it out,
        # the later wall of each bore first, then the earlier; at most so far out either way
        # light gets in. In declination it is cut first at `open`. A slope's disc is the wider
        # by `lean`.
        self._widen = (self.entry - self.exit) / 2 / self.length
        dark = self._widen + self.exit / self.walls
        self._dark = dark.ravel()
        nearest = self.walls.min(axis=0) - self.entry / 2 * np.hypot(*self.tilt)
        self._shut = self._widen + self.exit / nearest
        # Up to there a round exit is lit evenly, if its entry does not narrow behind a slope.
        tapers = (self._widen < 0) & self.tilt.any(axis=0)
        self._full = np.where(tapers, -np.inf, np.abs(self._widen))
        self._steep = (self.walls / self.exit).ravel()
        self._open = np.tan(self.opening / 2)
        self._lean_dark, self._lean_shut, self._lean_widen, self._lean_open = (
            np.sqrt(1 + bend**2) for bend in (self._dark, self._shut, self._widen, self._open)
        )
        self._key = self.channel * 100.0 + self.hour_angle
        self._ends = np.append(self._key, [np.inf, np.inf])
        self._several = len(np.unique(self.channel)) < len(self.channel)

    def reach(self, declination: float, semidiameter: float) -> float:
        """How far in hour angle from its axis a bore may be lit at most, up to a declination."""
        spread = (self._shut.max(initial=0.0) + semidiameter) / math.cos(declination)
        return math.asin(min(spread, 1.0)) + 1e-9

    def reaches(self, declination: float, semidiameter: float) -> Floats:
        """The same of each bore."""
        spread = (self._shut + semidiameter) / math.cos(declination)
        reaches: Floats = np.arcsin(np.minimum(spread, 1.0)) + 1e-9
        return reaches

    def open_to(self, declination_deg: float) -> bool:
        """Whether no bore is cut in declination while the Sun is so near the equator."""
        far = math.radians(declination_deg + 0.8)  # the disc, and the way over a wide bore
        clear = self.opening / 2 - np.abs(self._declination) > far
        return bool((clear & ~self.is_round).all())

    def lit(
        self, hour_angle: Floats, declination: Floats, semidiameter: Floats, channel: Ints
    ) -> Floats:
        """Lit fraction of one channel each under one Sun each, shape (n,).

        Where the Sun stands in the body's frame and its semi-diameter in radians; channel
        numbers. Whether the Sun is up is not asked.
        """
        total = np.empty(len(channel))
        for at in range(0, len(total), _PAIRS):
            part = slice(at, at + _PAIRS)
            total[part] = self._lit(
                hour_angle[part], declination[part], semidiameter[part], channel[part]
            )
        return total

    def _near(self, key: Floats, reach: float) -> tuple[Ints, Ints]:
        """From which to before which of the bores lie within reach."""
        low = np.searchsorted(self._key, key - reach)
        end = key + reach
        high = low + (self._ends.take(low) < end)
        more = np.flatnonzero(self._ends.take(low + 1) < end)
        high[more] = np.searchsorted(self._key, end[more])
        return low, high

    def _lit(
        self, hour_angle: Floats, declination: Floats, semidiameter: Floats, channel: Ints
    ) -> Floats:
        total = np.zeros(len(channel))
        if not len(channel):
            return total
        far = float(np.abs(declination).max()), float(semidiameter.max())
        reach = self.reach(*far)
        low, high = self._near(channel * 100.0 + hour_angle, reach)
        count = high - low
        if (count > 1).any():
            first = np.cumsum(count) - count
            sun = np.repeat(np.arange(len(count)), count)
            bore = np.arange(len(sun)) + np.repeat(low - first, count)
        else:
            sun = np.flatnonzero(count)
            bore = low.take(sun)
        pairs = _Pairs(self, bore, hour_angle[sun], declination[sun], semidiameter[sun])
        lit = pairs.lit()
        if len(sun) <= len(total) and (count < 2).all():
            total[sun] = lit
            return total
        # Of a channel's bores usually one alone is lit; the rest takes more work.
        shining = np.flatnonzero(lit > _TINY)
        bore, sun, lit = bore[shining], sun[shining], lit[shining]
        total[sun] = lit
        together = np.bincount(sun, minlength=len(total))
        joint = np.flatnonzero(together[sun] > 1)
        if len(joint):
            starts = np.flatnonzero(np.diff(sun[joint], prepend=-1))
            total[sun[joint][starts]] = pairs.only(shining[joint]).union(lit[joint], starts)
        return total


class _Pairs:
    """Pairs of a bore and a Sun: how the Sun stands to the bore, and what it lights."""

    def __init__(
        self,
        of: Bores,
        bore: Ints,
        hour_angle: Floats,
        declination: Floats,
        semidiameter: Floats,
    ) -> None:
        self.of, self.bore, self.semidiameter = of, bore, semidiameter
        turn = hour_angle - of.hour_angle.take(bore)
        level, height = np.cos(declination), np.sin(declination)
        across = level * np.sin(turn)
        level *= np.cos(turn)
        sine, cosine = of._sine.take(bore), of._cosine.take(bore)
        self.along = level * cosine + height * sine
        self.across = across
        self.beside = height * cosine - level * sine

    def only(self, which: Ints | Bools) -> _Pairs:
        part = object.__new__(_Pairs)
        part.of, part.bore = self.of, self.bore[which]
        part.semidiameter = self.semidiameter[which]
        part.along, part.across = self.along[which], self.across[which]
        part.beside = self.beside[which]
        return part

    def lit(self) -> Floats:
        """Lit fractions, each bore by itself."""
        is_round = self.of.is_round.take(self.bore)
        if not is_round.any():
            return self._slots()
        lit = np.zeros(len(self.bore))
        lit[~is_round] = self.only(~is_round)._slots()
        lit[is_round] = self.only(is_round)._rounds()
        return lit

    def _slots(self) -> Floats:
        of, bore = self.of, self.bore
        front = np.maximum(self.along, 1e-9)
        slope, radius = disc.seen(front, self.across, self.semidiameter)
        edge = of._shut.take(bore) + radius * of._lean_shut.take(bore)
        near = np.flatnonzero((np.abs(slope) < edge) & (self.along > 1e-9))
        if len(near) < len(bore):
            lit: Floats = np.zeros(len(bore))
            lit[near] = self.only(near)._slots()
            return lit
        lit = self._widths(slope, radius)
        rise = np.abs(self.beside) / front
        cut = np.flatnonzero(rise + radius * of._lean_open.take(bore) > of._open.take(bore))
        if len(cut):
            self.only(cut)._cut(lit, cut)
        return lit

    def _widths(self, slope: Floats, radius: Floats) -> Floats:
        """What slots of full height light: dialcore.bores.slit_lit, for many at once.

        Bends are rounded only where the disc lies over them.
        """
        of, bore = self.of, self.bore
        slope = disc.mean(slope, radius)
        off, widen = np.abs(slope), of._widen.take(bore)
        early = slope < 0
        own = bore + len(of.exit) * early
        dark, steep = of._dark.take(own), of._steep.take(own)
        lit: Floats = (dark - off) * steep
        np.minimum(lit, 1.0, out=lit)
        np.maximum(lit, 0.0, out=lit)
        blur, blunt = radius * of._lean_dark.take(own), radius * of._lean_widen.take(bore)
        _round_off(lit, off, radius, dark, blur, steep)
        _round_off(lit, off, radius, widen, blunt, -steep)
        # The wall that the Sun leans away from: in most slots it is out of the way.
        cut = np.flatnonzero(off + widen < radius * of._lean_shut.take(bore))
        if len(cut):
            other = bore[cut] + len(of.exit) * ~early[cut]
            back, radius, widen, blunt = -off[cut], radius[cut], widen[cut], blunt[cut]
            dark, steep = of._dark.take(other), of._steep.take(other)
            blur = radius * of._lean_dark.take(other)
            more = -np.maximum(back - widen, 0.0) * steep
            _round_off(more, back, radius, dark, blur, steep)
            _round_off(more, back, radius, widen, blunt, -steep)
            lit[cut] += more
        return np.clip(lit, 0.0, 1.0, out=lit)

    def _cut(self, lit: Floats, cut: Ints) -> None:
        """Take off from lit[cut], these slots' as if of full height, what their ends keep out."""
        of, bore, wide = self.of, self.bore, lit[cut]
        exits, entries, lengths = of.exit.take(bore), of.entry.take(bore), of.length.take(bore)
        opening = of.opening.take(bore)
        front = np.maximum(self.along, 1e-9)
        rise, radius = disc.seen(front, self.beside, self.semidiameter)
        high = exits + 2 * lengths * of._open.take(bore)
        share = bores.slit_lit(rise, radius, exits, high, lengths, np)
        lit[cut] = wide * share
        # Neither all nor nothing both ways: a corner of the opening.
        edge = np.abs(self.across) / front + radius * of._lean_widen.take(bore)
        some = (share > _TINY) & (share < 1 - _TINY) & (wide > _TINY)
        corner = np.flatnonzero(some & (edge > of._widen.take(bore)))
        if len(corner):
            lit[cut[corner]] = bores.slot_corner_lit(
                self.along[corner],
                self.across[corner],
                self.beside[corner],
                self.semidiameter[corner],
                exits[corner],
                entries[corner],
                lengths[corner],
                opening[corner],
                np,
                tuple(of.walls[:, bore[corner]]),
            )

    def _rounds(self) -> Floats:
        of, bore = self.of, self.bore
        off = np.arctan2(np.hypot(self.across, self.beside), self.along)
        shut, full = np.arctan(of._shut.take(bore)), np.arctan(of._full.take(bore))
        narrow = np.minimum(of.entry / of.exit, 1.0).take(bore) ** 2
        lit = np.where(off + self.semidiameter <= full, narrow, 0.0)
        part = np.flatnonzero((off - self.semidiameter < shut) & (off + self.semidiameter > full))
        if len(part):
            lit[part] = bores.round_lit(
                self.along[part],
                self.across[part],
                self.beside[part],
                self.semidiameter[part],
                of.exit.take(bore[part]),
                of.entry.take(bore[part]),
                of.length.take(bore[part]),
                np,
                tuple(of.tilt[:, bore[part]]),
            )
        return lit

    def union(self, lit: Floats, starts: Ints) -> Floats:
        """Lit fractions of groups of pairs of one Sun and channel, beginning at `starts`."""
        of, bore = self.of, self.bore
        front = np.maximum(self.along, 1e-9)
        edge = np.abs(self.beside) + 1.001 * self.semidiameter * of._lean_open.take(bore)
        joint = unions.Joint(
            front,
            self.across,
            self.beside,
            self.semidiameter,
            *(each.take(bore) for each in (of.exit, of.entry, of.length, of.opening)),
            *of.walls[:, bore],
            *of.tilt[:, bore],
        )
        cut = edge > of._open.take(bore) * front
        return unions.together(joint, lit, of.is_round.take(bore), cut, starts)


def _round_off(
    lit: Floats, slope: Floats, radius: Floats, bend: Floats, blur: Floats, steep: Floats
) -> None:
    """Add to light, in place, what the disc's width adds at bends that it lies over."""
    at = np.flatnonzero(np.abs(slope - bend) < blur)
    if len(at):
        lit[at] += disc.blurred(slope[at], radius[at], bend[at], np) * steep[at]


@lru_cache(maxsize=4)
def bores_of(dial: Dial) -> Bores:
    return Bores(dial)


def lit_fractions(dial: Dial, sun: SunPlace, pose_deg: Pose = NOMINAL) -> Floats:
    """Lit fraction 0..1 of every channel, shape (n, channels); 0 while the Sun is down.

    pose_deg turns the body by a rotation vector about P's axes (dialcore.frames).
    """
    return lit(dial, pose_deg, sun.polar, sun.semidiameter_deg) * sun.up[:, None]


def lit(dial: Dial, pose_deg: Pose, polar: Vectors, semidiameter_deg: Floats) -> Floats:
    """Lit fractions, shape (n, channels); whether the Sun is up is not asked.

    polar: the Sun in P, three arrays of shape (n,).
    """
    wx, wy, wz = np.radians(pose_deg)
    turned = frames.apply(frames.transpose(frames.rotation(wx, wy, wz, np)), tuple(polar))
    hour_angle, declination = frames.place(turned, dial.site.hemisphere, np)
    count = len(dial.channels)
    size = np.radians(np.broadcast_to(semidiameter_deg, hour_angle.shape))
    channel = np.tile(np.arange(count), len(hour_angle))
    where = [np.repeat(of, count) for of in (hour_angle, declination, size)]
    return bores_of(dial).lit(where[0], where[1], where[2], channel).reshape(-1, count)
