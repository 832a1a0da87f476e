"""Borders: the curves in the sky on which a channel's lit fraction passes a threshold.

In the body's frame they are the same on every day. So they are worked out once, along rows
of one declination each, and followed from row to row; a day then only has to be told where
the Sun's path meets them (`dialbench.meeting`).

Between two rows a border may begin or end: where two of them meet, a peak or a dip of the
lit fraction comes up to its threshold. Such places, and others where that cannot be ruled
out, are kept as *windows*: whoever's path leads through one must look for himself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench import roots
from dialbench.lit import Light
from dialbench.path import Place
from dialbench.sky import mean_semidiameter_deg

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_NODE_DEG = 0.2  # along a row: the Sun's own width spreads every change over more than twice that
_TOLERANCE = 3e-6  # radians; what is left over, a last step takes away
_ENLARGED = 1.004  # how much the Sun is enlarged to see what its size does to a border
_WELL = 3e-6  # radians so near a border that one step of Newton's method leaves 1e-8
_ASIDE = 2e-5  # radians aside, to see how steep the lit fraction is
_PAIRS = 200_000  # places looked at together


@dataclass(frozen=True)
class Marks:
    """Places on rows where a channel's lit fraction passes a threshold, or nearly does.

    Flat arrays sorted by row, channel, threshold, kind and hour angle (radians). kind: 1
    where the lit fraction rises with the hour angle, 0 where it falls, 2 where a peak or a
    dip just misses the threshold. by_size: d hour angle / d semi-diameter.
    """

    row: Ints
    channel: Ints
    threshold: Ints
    kind: Ints
    hour_angle: Floats
    by_size: Floats


# Its columns, and how small they can be kept.
MARK_KINDS = {
    "row": np.int16,
    "channel": np.int16,
    "threshold": np.int8,
    "kind": np.int8,
    "hour_angle": np.float64,
    "by_size": np.float32,
}
FALL, RISE, NEAR = range(3)


def marks(
    light: Light,
    thresholds: tuple[float, ...],
    row_deg: float,
    first: int,
    count: int,
    near: float,
) -> Marks:
    """All marks of `count` rows, row n at declination n * row_deg, from row `first` on.

    Peaks and dips within `near` of a threshold count as near misses.
    """
    parts = []
    channel, node = _nodes(light, row_deg, first, count)
    together = max(1, _PAIRS // max(1, len(node)))
    for begin in range(first, first + count, together):
        rows = np.arange(begin, min(begin + together, first + count))
        parts.append(_Grid(light, row_deg, rows, channel, node).marks(thresholds, near))
    joined = [np.concatenate([part[k] for part in parts]) for k in range(len(MARK_KINDS))]
    order = np.lexsort((joined[4], joined[3], joined[2], joined[1], joined[0]))
    return Marks(*(column[order] for column in joined))


def _nodes(light: Light, row_deg: float, first: int, count: int) -> tuple[Ints, Ints]:
    """(channel, node) of all nodes at which a channel may be lit on these rows, and a dark one
    on either side; sorted. Node n stands at n * _NODE_DEG."""
    far_deg = max(abs(first), abs(first + count - 1)) * row_deg
    reach = light.bores.reaches(math.radians(far_deg), math.radians(0.272))
    low = np.floor(np.degrees(light.bores.hour_angle - reach) / _NODE_DEG).astype(np.int64) - 1
    high = np.ceil(np.degrees(light.bores.hour_angle + reach) / _NODE_DEG).astype(np.int64) + 1
    channel = light.bores.channel
    if len(light.hours_deg):
        every = np.arange(light.bores.channels)
        ends = np.round(light.hours_deg[[0, -1]] / _NODE_DEG).astype(np.int64)
        channel = np.concatenate((channel, every))
        low = np.concatenate((low, np.full(len(every), ends[0] - 2)))
        high = np.concatenate((high, np.full(len(every), ends[1] + 2)))
    order = np.lexsort((low, channel))
    channel, low, high = channel[order], low[order], high[order]
    # Stretches of one channel that overlap are made one.
    reached = np.maximum.accumulate(channel * _APART + high)
    new = np.append(True, (channel * _APART + low)[1:] > reached[:-1])
    ends = np.append(np.flatnonzero(new)[1:], len(new)) - 1
    channel, low, high = channel[new], low[new], reached[ends] - channel[ends] * _APART
    length = high - low + 1
    node = np.arange(length.sum()) + np.repeat(low - np.cumsum(length) + length, length)
    return np.repeat(channel, length), node


_APART = 1 << 20  # more than the nodes of a row


class _Grid:
    """Nodes on some rows, with the lit fraction at each."""

    def __init__(self, light: Light, row_deg: float, rows: Ints, channel: Ints, node: Ints) -> None:
        self._light = light
        self.row = np.repeat(rows, len(node))
        self.channel = np.tile(channel, len(rows))
        node = np.tile(node, len(rows))
        self.hour_angle: Floats = np.radians(node * _NODE_DEG)
        self._declination: Floats = np.radians(self.row * row_deg)
        sizes = [math.radians(mean_semidiameter_deg(n * row_deg)) for n in rows.tolist()]
        self._size = np.repeat(sizes, len(channel))
        self.value = self._lit(self.hour_angle, slice(None))
        # Whether the next node is the next along the same row.
        self.together: Bools = (self.channel[1:] == self.channel[:-1]) & (np.diff(node) == 1)
        self.together &= self.row[1:] == self.row[:-1]
        self._turns = self._peaks_and_dips()

    def _lit(self, hour_angle: Floats, at: Ints | slice, enlarged: float = 1.0) -> Floats:
        place = Place(hour_angle, self._declination[at], self._size[at] * enlarged)
        return self._light.at(place, self.channel[at])

    def passing(self, level: float) -> tuple[Ints, Ints, Floats, Floats]:
        """(node, kind, hour angle, by_size) wherever the lit fraction passes a level."""
        above = self.value >= level
        at = np.flatnonzero(self.together & (above[1:] != above[:-1]))
        place, off, steep = self._near(at, level)
        # The same values tell what a larger Sun would do.
        grown = (self._lit(place, at, _ENLARGED) - level - off) / ((_ENLARGED - 1) * self._size[at])
        return at, above[at + 1] * RISE, place - off / steep, -grown / steep

    def _near(self, at: Ints, level: float) -> tuple[Floats, Floats, Floats]:
        """Places between nodes at and at + 1 from which one step of Newton's method takes the
        last digits: (hour angle, lit fraction there less level, how steep it is there).

        A cubic through four nodes nearly always tells one; a search finds it in any case.
        """
        four = [self.value[np.clip(at + k, 0, len(self.value) - 1)] - level for k in (-1, 0, 1, 2)]
        low = self.hour_angle[at]
        along = np.zeros(len(at))  # from `low`, in nodes: Lagrange's cubic in the lit fraction
        with np.errstate(divide="ignore", invalid="ignore"):
            for i, node in ((0, -1.0), (2, 1.0), (3, 2.0)):
                share = np.full(len(at), node)
                for j in range(4):
                    if j != i:
                        share *= four[j] / (four[j] - four[i])
                along += share
        along = np.where((along >= 0) & (along <= 1), along, 0.5)
        place = low + along * np.radians(_NODE_DEG)
        off, steep = self._steep(place, at, level)
        far = np.flatnonzero(np.abs(off) > _WELL * np.abs(steep))
        if len(far):
            place[far] -= off[far] / steep[far]
            off[far], steep[far] = self._steep(place[far], at[far], level)
            inside = (place[far] >= low[far]) & (place[far] <= self.hour_angle[at[far] + 1])
            far = far[~inside | (np.abs(off[far]) > _WELL * np.abs(steep[far]))]
        if len(far):
            own = at[far]
            edges = np.stack((low[far], self.hour_angle[own + 1]))
            ends = np.stack((four[1][far], four[2][far]))
            place[far] = roots.between(
                lambda x, which: self._lit(x, own[which]) - level, edges, ends, _TOLERANCE
            )
            off[far], steep[far] = self._steep(place[far], own, level)
        return place, off, steep

    def _steep(self, place: Floats, at: Ints, level: float) -> tuple[Floats, Floats]:
        off = self._lit(place, at) - level
        steep = (self._lit(place + _ASIDE, at) - level - off) / _ASIDE
        return off, np.where(np.abs(steep) < 1e-3, np.inf, steep)

    def _peaks_and_dips(self) -> tuple[Ints, Floats, Bools]:
        """(node, lit fraction that it comes to, whether it is a peak) wherever that turns."""
        rise, fall = np.diff(self.value[:-1]), -np.diff(self.value[1:])
        turning = (rise * fall >= 0) & (rise + fall != 0)
        inner = np.flatnonzero(turning & self.together[1:] & self.together[:-1])
        rise, fall = rise[inner], fall[inner]
        top = self.value[inner + 1] + (rise - fall) ** 2 / (8 * (rise + fall))
        return inner + 1, top, rise + fall > 0

    def missing(self, level: float, margin: float) -> Ints:
        """Nodes at peaks below a level, and dips above it, that come within a margin of it."""
        node, top, peak = self._turns
        below = self.value[node] < level
        missing: Ints = node[(peak == below) & (np.where(below, level - top, top - level) < margin)]
        return missing

    def marks(self, thresholds: tuple[float, ...], near: float) -> list[NDArray[np.generic]]:
        columns: list[list[NDArray[np.generic]]] = [[] for _ in MARK_KINDS]
        for threshold, level in enumerate(thresholds):
            at, kind, place, by_size = self.passing(level)
            miss = self.missing(level, near)
            node = np.concatenate((at, miss))
            for column, values in zip(
                columns,
                (
                    self.row[node],
                    self.channel[node],
                    np.full(len(node), threshold),
                    np.concatenate((kind, np.full(len(miss), NEAR))),
                    np.concatenate((place, self.hour_angle[miss])),
                    np.concatenate((by_size, np.zeros(len(miss)))),
                ),
                strict=True,
            ):
                column.append(values)
        return [np.concatenate(column) for column in columns]
