"""Every bore by itself, in an otherwise solid body: lit fractions and crossings in closed form.

A real body's bores cross, and light finds ways from one into another; then what counts is
`dialbench.predict`. Where a bore is far from all others the two agree, and what they differ
by elsewhere is the crossing bores' doing. `crossings` here is exact to milliseconds: what
predict's own search is held against.

A channel's lit fraction is that of the union of its bores. Of two bores of a channel,
the Sun lights the exit from one side through the one it leaves, from the other side
through the one it enters. So, for every strip of its disc, the best bore on either
side counts, and the two add up to at most 1: exact for slots no narrower at the entry
than at the exit, close for round bores.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from dialbench.crossing import NOMINAL, Crossings, Pose
from dialbench.dial import Dial
from dialbench.rays.voids import Vectors
from dialbench.sky import Sky, SunPlace
from dialcore import bores, frames
from dialcore.crossing import THRESHOLDS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_PAIRS = 200_000  # pairs of an instant and a channel looked at together: some 70 MB
_GRID_US = 10_000_000
_PARTS = 8  # into which an interval that may hold a crossing is cut, again and again
_CUTS = 4  # 10 s / 8**4 = 2.4 ms
_SKY_RATE = 7.3e-5  # the Sun's motion in rad/s
# Lit fractions may change this much faster than the Sun's motion and length over exit
# width say: at most 1.33 for a bore and a Sun 24 deg either side of the equator, and a
# little for light that moves across the opening.
_STEEPER = 1.5


class _Bores:
    """A dial's bores as arrays, sorted by channel and hour angle, in a posed body."""

    def __init__(self, dial: Dial, pose_deg: Pose) -> None:
        listed = sorted(dial.bores, key=lambda bore: (bore.channel, bore.hour_angle_deg))
        self.channels = len(dial.channels)
        self.hemisphere = dial.site.hemisphere
        wx, wy, wz = np.radians(pose_deg)
        self.from_polar = frames.transpose(frames.rotation(wx, wy, wz, np))
        self.channel = np.array([b.channel for b in listed], dtype=np.int64)
        self.hour_angle = np.radians([b.hour_angle_deg for b in listed])
        self.exit = np.array([b.exit_mm for b in listed])
        self.entry = np.array([b.entry_mm for b in listed])
        self.length = np.array([b.length_mm for b in listed])
        self.is_round = np.array([b.shape == "round" for b in listed], dtype=bool)
        opening = np.radians([b.opening_deg for b in listed])
        self.entry_height = self.exit + 2 * self.length * np.tan(opening / 2)
        declination = np.radians([b.declination_deg for b in listed])
        self.axes = bores.axes(self.hour_angle, declination, self.hemisphere, np)
        self.key = self._key(self.channel, self.hour_angle)
        # The steepest slope across a bore at which a ray still gets through.
        self.steepest = ((self.exit + self.entry) / 2 / self.length).max(initial=0.0)

    @staticmethod
    def _key(channel: Ints, hour_angle: Floats) -> Floats:
        return channel * 100.0 + hour_angle

    def lit(self, polar: Floats, semidiameter: Floats, channel: Ints) -> Floats:
        """Lit fraction of one channel each under one Sun each, shape (n,).

        polar: Sun's unit vectors in P, shape (3, n); semidiameter in radians; channel
        numbers. Whether the Sun is up is not asked.
        """
        sun = frames.apply(self.from_polar, tuple(polar))
        hour_angle, declination = frames.place(sun, self.hemisphere, np)
        spread = (self.steepest + semidiameter) / np.cos(declination)
        reach = np.arcsin(np.minimum(spread, 1.0)) + 1e-9
        low = np.searchsorted(self.key, self._key(channel, hour_angle - reach))
        high = np.searchsorted(self.key, self._key(channel, hour_angle + reach))
        total = np.zeros(len(channel))
        some = np.flatnonzero(high > low)
        if len(some) == 0:
            return total
        count = (high - low)[some]
        first = np.cumsum(count) - count  # where each query's bores begin in what follows
        query = np.repeat(some, count)
        bore = np.arange(len(query)) + np.repeat(low[some] - first, count)
        total[some] = self._union(
            [component[query] for component in sun], semidiameter[query], bore, first
        )
        return total

    def _union(self, sun: list[Floats], semidiameter: Floats, bore: Ints, first: Ints) -> Floats:
        """Lit fractions of the groups of pairs (a Sun, a bore) that begin at `first`."""
        along, across, beside = (
            frames.dot(sun, [np.broadcast_to(c, self.key.shape)[bore] for c in axis])
            for axis in self.axes
        )
        exit_mm, entry_mm, length = self.exit[bore], self.entry[bore], self.length[bore]
        front = np.maximum(along, 1e-9)
        height = np.zeros_like(front)
        for offset, weight in bores.DISC_STRIPS:
            slope = (beside + offset * semidiameter) / front
            height += weight * bores.slit(slope, exit_mm, self.entry_height[bore], length)
        height *= along > 0

        is_round = self.is_round[bore]
        disc = np.zeros_like(front)
        disc[is_round] = bores.round_lit(
            along[is_round],
            across[is_round],
            beside[is_round],
            semidiameter[is_round],
            exit_mm[is_round],
            entry_mm[is_round],
            length[is_round],
            np,
        )
        height[is_round] = 1.0
        total = np.zeros(len(first))
        for offset, weight in bores.DISC_STRIPS:
            slope = (across + offset * semidiameter) / front
            width = np.where(is_round, disc, bores.slit(slope, exit_mm, entry_mm, length))
            wide, area = [], []
            for side in (slope >= 0, slope < 0):
                wide.append(np.maximum.reduceat(side * width, first))
                area.append(np.maximum.reduceat(side * width * height, first))
            twice = np.maximum(wide[0] + wide[1] - 1, 0.0)
            heights = [a / np.maximum(w, 1e-9) for a, w in zip(area, wide, strict=True)]
            total += weight * (area[0] + area[1] - twice * np.minimum(*heights))
        return np.minimum(total, 1.0)

    def steepest_per_s(self) -> Floats:
        """Bound on how fast each channel's lit fraction can change, shape (channels,)."""
        # A round exit's overlap changes by at most its diameter over its area.
        rate = np.where(self.is_round, 4 / np.pi, 1.0) * self.length / self.exit
        bound = np.zeros(self.channels)
        np.maximum.at(bound, self.channel, rate)
        return bound * _SKY_RATE * _STEEPER


def lit_fractions(dial: Dial, sun: SunPlace, pose_deg: Pose = NOMINAL) -> Floats:
    """Lit fraction 0..1 of every channel, shape (n, channels); 0 while the Sun is down.

    pose_deg turns the body by a rotation vector about P's axes (dialcore.frames).
    """
    return lit(dial, pose_deg, sun.polar, sun.semidiameter_deg) * sun.up[:, None]


def lit(dial: Dial, pose_deg: Pose, polar: Vectors, semidiameter_deg: Floats) -> Floats:
    """Lit fractions, shape (n, channels); whether the Sun is up is not asked.

    polar: the Sun in P, three arrays of shape (n,).
    """
    return _lit_all(_model(dial, pose_deg), np.stack(polar), np.radians(semidiameter_deg))


@lru_cache(maxsize=4)
def _model(dial: Dial, pose_deg: Pose) -> _Bores:
    return _Bores(dial, pose_deg)


def _lit_all(model: _Bores, polar: Floats, semidiameter: Floats) -> Floats:
    out = np.empty((len(semidiameter), model.channels))
    rows = max(1, _PAIRS // max(1, model.channels))
    for start in range(0, len(out), rows):
        part = slice(start, start + rows)
        instants = len(out[part])
        channel = np.tile(np.arange(model.channels), instants)
        lit = model.lit(
            np.repeat(polar[:, part], model.channels, axis=1),
            np.repeat(semidiameter[part], model.channels),
            channel,
        )
        out[part] = lit.reshape(instants, model.channels)
    return out


def crossings(
    dial: Dial, sky: Sky, start_us: int, end_us: int, pose_deg: Pose = NOMINAL
) -> Crossings:
    """Every crossing from start_us to end_us while the Sun is up, to 5 ms.

    The Sun's rise or set over a lit bore is no crossing. An interval of the search is
    given up only when the bound on the lit fraction's rate of change rules out that it
    holds a crossing, so brief excursions are found too, unless over within 2.4 ms.
    Raises SkyError.
    """
    model = _model(dial, pose_deg)
    span_us = max(1, _PAIRS // max(1, model.channels)) * _GRID_US
    parts = [
        _crossings(model, sky, first_us, min(first_us + span_us, end_us))
        for first_us in range(start_us, end_us, span_us)
    ]
    rows = np.concatenate([np.zeros((4, 0), np.int64), *parts], axis=1)
    channel, threshold, rise, utc_us = rows[:, np.lexsort((rows[1], rows[0], rows[3]))]
    return Crossings(channel, threshold, rise > 0, utc_us)


def _crossings(model: _Bores, sky: Sky, start_us: int, end_us: int) -> Ints:
    """Crossings of one span as rows channel, threshold, rise, utc_us; unsorted."""
    edges_us = np.append(np.arange(start_us, end_us, _GRID_US), end_us)
    sun = sky.sun(edges_us)
    lit = _lit_all(model, np.stack(sun.polar), np.radians(sun.semidiameter_deg))
    # The Sun's own width keeps any bore lit for minutes: nothing hides between two
    # edges in full darkness.
    seen = (lit[:-1] > 0) | (lit[1:] > 0)
    seen &= (sun.up[:-1] | sun.up[1:])[:, None]
    cell, channel = np.nonzero(seen)
    threshold = np.repeat(np.arange(len(THRESHOLDS)), len(cell))
    cell, channel = np.tile(cell, len(THRESHOLDS)), np.tile(channel, len(THRESHOLDS))
    work = _Intervals(
        channel,
        threshold,
        np.stack((edges_us[cell], edges_us[cell + 1])),
        np.stack((lit[cell, channel], lit[cell + 1, channel])),
    )
    bound = model.steepest_per_s()
    for _ in range(_CUTS):
        work = work.that_may_cross(bound).cut(model, sky)
    return work.crossings(sky)


@dataclass(frozen=True)
class _Intervals:
    """Stretches of time that may hold a crossing of one channel and threshold each.

    channel, threshold: shape (n,); edges_us and the lit fraction there: shape (2, n).
    """

    channel: Ints
    threshold: Ints
    edges_us: Ints
    lit: Floats

    def _only(self, which: NDArray[np.bool_]) -> _Intervals:
        return _Intervals(
            self.channel[which],
            self.threshold[which],
            self.edges_us[:, which],
            self.lit[:, which],
        )

    def _level(self) -> Floats:
        return np.array(THRESHOLDS)[self.threshold]

    def _crosses(self) -> NDArray[np.bool_]:
        left, right = self.lit >= self._level()
        crosses: NDArray[np.bool_] = left != right
        return crosses

    def that_may_cross(self, bound_per_s: Floats) -> _Intervals:
        """Those in which a lit fraction no faster than the bound can meet its threshold."""
        width_s = (self.edges_us[1] - self.edges_us[0]) / 1e6
        reach = bound_per_s[self.channel] * width_s / 2
        near = np.abs(self.lit.mean(axis=0) - self._level()) <= reach
        return self._only(near | self._crosses())

    def cut(self, model: _Bores, sky: Sky) -> _Intervals:
        """Each in _PARTS pieces, with the true lit fractions at the new edges."""
        left_us, right_us = self.edges_us
        parts = np.arange(_PARTS + 1)[:, None]
        edges_us = left_us + (right_us - left_us) * parts // _PARTS
        inner_us = edges_us[1:-1]
        inner = _lit_each(model, sky, inner_us.ravel(), np.tile(self.channel, _PARTS - 1))
        lit = np.vstack((self.lit[:1], inner.reshape(inner_us.shape), self.lit[1:]))
        return _Intervals(
            np.tile(self.channel, _PARTS),
            np.tile(self.threshold, _PARTS),
            np.stack((edges_us[:-1].ravel(), edges_us[1:].ravel())),
            np.stack((lit[:-1].ravel(), lit[1:].ravel())),
        )

    def crossings(self, sky: Sky) -> Ints:
        """Rows channel, threshold, rise, utc_us of those that cross while the Sun is up."""
        found = self._only(self._crosses())
        (left_us, right_us), (left, right) = found.edges_us, found.lit
        share = (found._level() - left) / (right - left)
        utc_us = left_us + np.round((right_us - left_us) * share).astype(np.int64)
        rows = np.stack((found.channel, found.threshold, right > left, utc_us))
        return rows[:, sky.sun(utc_us).up]


def _lit_each(model: _Bores, sky: Sky, utc_us: Ints, channel: Ints) -> Floats:
    """Lit fraction of one channel each at instants of shape (n,)."""
    out = np.empty(len(utc_us))
    for start in range(0, len(out), _PAIRS):
        part = slice(start, start + _PAIRS)
        sun = sky.sun(utc_us[part])
        semidiameter = np.radians(sun.semidiameter_deg)
        out[part] = model.lit(np.stack(sun.polar), semidiameter, channel[part])
    return out
