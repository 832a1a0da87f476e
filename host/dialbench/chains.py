"""Marks on rows of the sky, followed from row to row: borders that a path can be held against."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench.borders import FALL, NEAR, RISE, Marks
from dialbench.path import CUBIC

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_STRIDE_DEG = 1.0  # a border that went farther from row to row is not the same one
_SWAYED = 0.6  # d hour angle / d semi-diameter; away from peaks and dips it is less
_PAD_DEG = 0.4  # windows reach so far beyond the places they are for


@dataclass(frozen=True)
class Windows:
    """Where borders may begin, end, or pass unseen between two rows; arrays of one length.

    row: the lower of the two rows; low, high: hour angles in radians. Windows of one
    channel, threshold and row do not overlap; sorted by these and by hour angle.
    """

    channel: Ints
    threshold: Ints
    row: Ints
    low: Floats
    high: Floats


@dataclass(frozen=True)
class Borders:
    """Borders over rows first .. first + rows - 1, row n at declination n * row_deg.

    channel, threshold, rise, begin, end (rows, counted from first): of each border,
    shape (borders,). curve, shape (borders * rows, 4): cubics of the hour angle from each
    row to the next; by_size, shape (borders, rows): d hour angle / d semi-diameter at
    rows; rough, shape (borders * rows,): where the cubic may be off by more than the
    tolerance asked for. widest_deg: the greatest hour angle, either side, of any mark.
    """

    row_deg: float
    first: int
    rows: int
    channel: Ints
    threshold: Ints
    rise: Bools
    begin: Ints
    end: Ints
    curve: Floats
    by_size: Floats
    rough: Bools
    windows: Windows
    widest_deg: float


def follow(marks: Marks, row_deg: float, first: int, rows: int, tolerance: float) -> Borders:
    """The borders and windows of marks on these rows; tolerance in radians."""
    edge = marks.kind != NEAR
    row, channel, threshold, kind = (
        column[edge].astype(np.int64)
        for column in (marks.row, marks.channel, marks.threshold, marks.kind)
    )
    row = row - first
    hour_angle, by_size = marks.hour_angle[edge], marks.by_size[edge]
    after, before = _links(row, channel, threshold, kind, hour_angle)

    number = np.empty(len(row), np.int64)
    # Sorted as crossings are to be: then they nearly always come out so.
    heads = np.flatnonzero(before < 0)
    heads = heads[np.lexsort((hour_angle[heads], threshold[heads], channel[heads]))]
    number[heads] = np.arange(len(heads))
    starts = np.searchsorted(row, np.arange(rows + 1))
    for n in range(1, rows):
        here = slice(starts[n], starts[n + 1])
        linked = before[here] >= 0
        number[here][linked] = number[before[here][linked]]
    place = np.full((len(heads), rows), np.nan)
    place[number, row] = hour_angle
    size = np.zeros((len(heads), rows))
    size[number, row] = by_size
    begin, end = row[heads], np.zeros(len(heads), np.int64)
    np.maximum.at(end, number, row)
    curve, rough = _curves(place, begin, end, tolerance)
    # Where the size of the disc does much, it does not do so in proportion.
    swayed = np.abs(size) > _SWAYED
    rough |= (swayed | np.roll(swayed, -1, axis=1)).ravel()

    near = ~edge
    near_row, near_place = marks.row[near].astype(np.int64) - first, marks.hour_angle[near]
    near_channel, near_threshold = marks.channel[near], marks.threshold[near]
    open_ends = [
        np.stack((near_channel, near_threshold, near_row + step, near_place, near_place))
        for step in (-1, 0)
    ]
    span = 1 + threshold.max(initial=0)
    group = (row * (1 + channel.max(initial=0)) + channel) * span + threshold
    order = np.argsort(group * 10.0 + hour_angle)  # hour angles are less than 10 apart
    for loose, step in ((after < 0, 0), (before < 0, -1)):
        # Two neighbours that both end here may well end in each other, anywhere between.
        mark = order[loose[order]]
        following = np.append(order, order[-1:])[1 + np.flatnonzero(loose[order])]
        paired = loose[following]
        for column in (row, channel, threshold):
            paired &= column[mark] == column[following]
        high = np.where(paired, hour_angle[following], hour_angle[mark])
        open_ends.append(
            np.stack((channel[mark], threshold[mark], row[mark] + step, hour_angle[mark], high))
        )
    windows = _windows(np.concatenate(open_ends, axis=1), rows)
    return Borders(
        row_deg,
        first,
        rows,
        channel[heads],
        threshold[heads],
        kind[heads] == RISE,
        begin,
        end,
        curve,
        size,
        rough,
        windows,
        math.degrees(np.abs(marks.hour_angle).max(initial=0.0)),
    )


def _links(
    row: Ints, channel: Ints, threshold: Ints, kind: Ints, hour_angle: Floats
) -> tuple[Ints, Ints]:
    """For each mark the one that goes on from it on the next row, and on the row before; or -1.

    Two marks belong together when each is the other's nearest of its kind.
    """
    span = 1 + max(threshold.max(initial=0), 0)
    channels = 1 + channel.max(initial=0)
    group = (channel * span + threshold) * 2 + (kind != FALL)
    groups = channels * span * 2
    # Sorted by row and group already; hour angles are less than 10 apart.
    key = (row * groups + group) * 10.0 + hour_angle

    def nearest(step: int) -> Ints:
        wanted = key + step * groups * 10.0
        right = np.searchsorted(key, wanted).clip(0, max(len(key) - 1, 0))
        left = (right - 1).clip(0)
        closer = np.where(np.abs(key[left] - wanted) < np.abs(key[right] - wanted), left, right)
        near = np.abs(key[closer] - wanted) < np.radians(_STRIDE_DEG)
        return np.where(near, closer, -1)

    if not len(row):
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    after, before = nearest(1), nearest(-1)
    own = np.arange(len(row))
    return (
        np.where((after >= 0) & (before[after] == own), after, -1),
        np.where((before >= 0) & (after[before] == own), before, -1),
    )


def _curves(place: Floats, begin: Ints, end: Ints, tolerance: float) -> tuple[Floats, Bools]:
    """Cubics from row to row, flat, and where they are not to be trusted to the tolerance."""
    count, rows = place.shape
    wide = np.full((count, rows + 4), np.nan)
    wide[:, 2:-2] = place
    own = np.arange(count)
    # One row more on either side of each border, as its end goes on: by a cubic if it is
    # long enough, else a parabola or a line.
    for at, way in ((begin + 2, 1), (end + 2, -1)):
        one, two, three, far = (wide[own, np.clip(at + way * k, 0, rows + 3)] for k in range(4))
        guesses = (4 * one - 6 * two + 4 * three - far, 3 * one - 3 * two + three, 2 * one - two)
        on = guesses[2]
        for guess in (guesses[1], guesses[0]):
            on = np.where(np.isnan(guess), on, guess)
        wide[own, at - way] = on
    four = np.lib.stride_tricks.sliding_window_view(wide[:, 1:], 4, axis=1)
    curve = four[:, :rows] @ CUBIC.T
    # How far a cubic through rows twice as far apart misses a row between: where borders
    # bend evenly, seven times what the real one misses halfway between rows.
    off = np.full((count, rows + 1), np.inf)
    guess = (-wide[:, :-4] + 4 * wide[:, 1:-3] + 4 * wide[:, 3:-1] - wide[:, 4:]) / 6
    extended = np.isnan(guess) | (np.arange(rows) < begin[:, None] + 2)
    extended |= np.arange(rows) > end[:, None] - 2
    off[:, :rows] = np.where(extended, np.inf, np.abs(guess - place))
    # Where only the rows end, and not the border, it is as smooth as a little further in.
    if rows > 5:
        off[begin == 0, :2] = off[begin == 0, 2:3]
        off[end == rows - 1, rows - 2 :] = off[end == rows - 1, rows - 3 : rows - 2]
    rough = (off[:, :-1] > tolerance) | (off[:, 1:] > tolerance)
    return curve.reshape(-1, 4), rough.ravel()


def _windows(open_ends: Floats, rows: int) -> Windows:
    """One window round each open end, those that overlap made one.

    open_ends: channel, threshold, row, and hour angles from and to, shape (5, n).
    """
    row = open_ends[2]
    channel, threshold, row, low, high = open_ends[:, (row >= 0) & (row < rows - 1)]
    order = np.lexsort((low, row, threshold, channel))
    pad = np.radians(_PAD_DEG)
    channel, threshold, row = (of[order].astype(np.int64) for of in (channel, threshold, row))
    low, high = low[order] - pad, high[order] + pad
    same = (np.diff(channel) == 0) & (np.diff(threshold) == 0) & (np.diff(row) == 0)
    group = np.cumsum(np.append(np.zeros(min(1, len(row)), np.int64), ~same))
    far = 20.0  # radians: more than any two hour angles are apart
    reached = np.maximum.accumulate(group * far + high) if len(row) else high
    new = np.append(np.ones(min(1, len(row)), np.bool_), (group * far + low)[1:] > reached[:-1])
    first = np.flatnonzero(new)
    last = np.append(first[1:], len(row))[: len(first)] - 1
    return Windows(
        channel[first], threshold[first], row[first], low[first], (reached - group * far)[last]
    )
