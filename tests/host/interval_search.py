"""The slow, sure way to find crossings: cut and cut again whatever may still hold one.

An oracle for the predictor: it shares its lit fractions, and nothing of its search.
"""

from dataclasses import dataclass

import numpy as np

from dialbench import ideal
from dialbench.crossing import NOMINAL, Crossings
from dialcore import frames
from dialcore.crossing import THRESHOLDS

_INSTANTS = 4000  # looked at together
_GRID_US = 10_000_000
_PARTS = 8  # into which an interval that may hold a crossing is cut, again and again
_CUTS = 4  # 10 s / 8**4 = 2.4 ms
_SKY_RATE = 7.3e-5  # the Sun's motion in rad/s
# Lit fractions may change this much faster than the Sun's motion and length over exit
# width say: at most 1.33 for a bore and a Sun 24 deg either side of the equator, and a
# little for light that moves across the opening.
_STEEPER = 1.5


def crossings(dial, sky, start_us, end_us, pose_deg=NOMINAL):
    """Every crossing from start_us to end_us while the Sun is up, to 5 ms.

    An interval of the search is given up only when the bound on the lit fraction's rate of
    change rules out that it holds a crossing, so brief excursions are found too, unless
    over within 2.4 ms.
    """
    parts = [
        _crossings(dial, sky, first_us, min(first_us + _INSTANTS * _GRID_US, end_us), pose_deg)
        for first_us in range(start_us, end_us, _INSTANTS * _GRID_US)
    ]
    rows = np.concatenate([np.zeros((4, 0), np.int64), *parts], axis=1)
    channel, threshold, rise, utc_us = rows[:, np.lexsort((rows[1], rows[0], rows[3]))]
    return Crossings(channel, threshold, rise > 0, utc_us)


def steepest_per_s(dial):
    """Bound on how fast each channel's lit fraction can change, shape (channels,)."""
    bound = np.zeros(len(dial.channels))
    for bore in dial.bores:
        # A round exit's overlap changes by at most its diameter over its area.
        rate = (4 / np.pi if bore.shape == "round" else 1.0) * bore.length_mm / bore.exit_mm
        bound[bore.channel] = max(bound[bore.channel], rate)
    return bound * _SKY_RATE * _STEEPER


def _crossings(dial, sky, start_us, end_us, pose_deg):
    """Crossings of one span as rows channel, threshold, rise, utc_us; unsorted."""
    edges_us = np.append(np.arange(start_us, end_us, _GRID_US), end_us)
    sun = sky.sun(edges_us)
    lit = ideal.lit(dial, pose_deg, sun.polar, sun.semidiameter_deg)
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
    bound = steepest_per_s(dial)
    for _ in range(_CUTS):
        work = work.that_may_cross(bound).cut(dial, sky, pose_deg)
    return work.crossings(sky)


def lit_each(dial, sky, utc_us, channel, pose_deg=NOMINAL):
    """Lit fraction of one channel each at instants of shape (n,)."""
    sun = sky.sun(utc_us)
    turn = frames.transpose(frames.rotation(*np.radians(pose_deg), np))
    place = frames.place(frames.apply(turn, sun.polar), dial.site.hemisphere, np)
    return ideal.bores_of(dial).lit(*place, np.radians(sun.semidiameter_deg), channel)


@dataclass(frozen=True)
class _Intervals:
    """Stretches of time that may hold a crossing of one channel and threshold each.

    channel, threshold: shape (n,); edges_us and the lit fraction there: shape (2, n).
    """

    channel: np.ndarray
    threshold: np.ndarray
    edges_us: np.ndarray
    lit: np.ndarray

    def _only(self, which):
        return _Intervals(
            self.channel[which],
            self.threshold[which],
            self.edges_us[:, which],
            self.lit[:, which],
        )

    def _level(self):
        return np.array(THRESHOLDS)[self.threshold]

    def _crosses(self):
        left, right = self.lit >= self._level()
        return left != right

    def that_may_cross(self, bound_per_s):
        """Those in which a lit fraction no faster than the bound can meet its threshold."""
        width_s = (self.edges_us[1] - self.edges_us[0]) / 1e6
        reach = bound_per_s[self.channel] * width_s / 2
        near = np.abs(self.lit.mean(axis=0) - self._level()) <= reach
        return self._only(near | self._crosses())

    def cut(self, dial, sky, pose_deg):
        """Each in _PARTS pieces, with the true lit fractions at the new edges."""
        left_us, right_us = self.edges_us
        parts = np.arange(_PARTS + 1)[:, None]
        edges_us = left_us + (right_us - left_us) * parts // _PARTS
        inner_us = edges_us[1:-1]
        inner = lit_each(dial, sky, inner_us.ravel(), np.tile(self.channel, _PARTS - 1), pose_deg)
        lit = np.vstack((self.lit[:1], inner.reshape(inner_us.shape), self.lit[1:]))
        return _Intervals(
            np.tile(self.channel, _PARTS),
            np.tile(self.threshold, _PARTS),
            np.stack((edges_us[:-1].ravel(), edges_us[1:].ravel())),
            np.stack((lit[:-1].ravel(), lit[1:].ravel())),
        )

    def crossings(self, sky):
        """Rows channel, threshold, rise, utc_us of those that cross while the Sun is up."""
        found = self._only(self._crosses())
        (left_us, right_us), (left, right) = found.edges_us, found.lit
        share = (found._level() - left) / (right - left)
        utc_us = left_us + np.round((right_us - left_us) * share).astype(np.int64)
        rows = np.stack((found.channel, found.threshold, right > left, utc_us))
        return rows[:, sky.sun(utc_us).up]
