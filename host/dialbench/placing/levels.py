"""At which places of the Sun in the body's sky a channel shows which level.

A level counts the thresholds a channel is above, 0 to 3. Along a row of one declination each
channel has stretches of hour angle for each level, and borders between them. What is asked
of them is asked for thousands of poses at once, so it is laid down in tables: from any hour
angle, how far it is to the nearest stretch of a level, and to the nearest border of a kind.

Own light alone: what strays from bore to bore takes rays and minutes to be known so far from
where the dial should stand, and where bores keep apart it is little. Who uses the tables
allows for a channel that shows what they do not know.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dialbench.dial import Dial
from dialbench.ideal import bores_of
from dialcore.crossing import THRESHOLDS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEVELS = len(THRESHOLDS) + 1
_STEP_DEG = 0.2  # between the places at which light is worked out: little beside the Sun's disc
_ROW_DEG, _CUT_ROW_DEG = 3.0, 0.5  # between rows; the latter where bores are cut in declination
_FAR_DEG = 30.0  # there is no such stretch or border


class Levels:
    """Of one dial, for a Sun within reach_deg of a place in the body's sky.

    Angles in degrees here. middle: hour angle and declination; reach: of either.
    """

    def __init__(
        self,
        dial: Dial,
        middle: tuple[float, float],
        reach: tuple[float, float],
        semidiameter_deg: float,
    ) -> None:
        self.middle = middle
        self.channels = len(dial.channels)
        bores = bores_of(dial)
        low, high = (middle[1] - reach[1], middle[1] + reach[1])
        row_deg = _ROW_DEG if bores.open_to(max(abs(low), abs(high))) else _CUT_ROW_DEG
        self._rows = np.arange(low, high + row_deg, row_deg)
        self._row_deg = row_deg
        fine = np.arange(middle[0] - reach[0], middle[0] + reach[0], _STEP_DEG)
        self._columns = fine
        shape = len(self._rows), len(fine)
        hour_angle = np.broadcast_to(np.radians(fine), shape).ravel()
        declination = np.broadcast_to(np.radians(self._rows)[:, None], shape).ravel()
        size = np.full(len(declination), np.radians(semidiameter_deg))
        kinds = self.channels * LEVELS, len(self._rows), len(self._columns)
        self._low = np.empty(kinds, np.float32)
        self._high = np.empty(kinds, np.float32)
        borders = self.channels * 2 * len(THRESHOLDS), len(self._rows), len(self._columns)
        self._border = np.empty(borders, np.float32)
        for channel in range(self.channels):
            number = np.full(len(size), channel)
            lit = bores.lit(hour_angle, declination, size, number).reshape(shape)
            for row, along in enumerate(lit):
                self._fill(channel, row, fine, along)

    def _fill(self, channel: int, row: int, fine: Floats, lit: Floats) -> None:
        grid = self._columns
        up, down = [], []
        for number, threshold in enumerate(THRESHOLDS):
            bright = lit >= threshold
            cell = np.flatnonzero(bright[1:] != bright[:-1])
            step = lit[cell + 1] - lit[cell]
            at = fine[cell] + _STEP_DEG * (threshold - lit[cell]) / step
            up.append(at[step > 0])
            down.append(at[step < 0])
            for rise, found in ((False, down[-1]), (True, up[-1])):
                border = border_kind(channel, number, rise)
                self._border[border, row] = _nearest(found, grid) - grid
        none = np.zeros(0)
        at_first, at_last = (
            int(np.searchsorted(THRESHOLDS, lit[k], side="right")) for k in (0, -1)
        )
        for level in range(LEVELS):
            # It begins where light comes up to it or falls back to it, and ends likewise.
            below, above = level - 1, level
            begins = [up[below] if level else none, down[above] if above < len(up) else none]
            ends = [down[below] if level else none, up[above] if above < len(up) else none]
            if at_first == level:
                begins.append(fine[:1] - _FAR_DEG)
            if at_last == level:
                ends.append(fine[-1:] + _FAR_DEG)
            start, end = (np.sort(np.concatenate(some)) for some in (begins, ends))
            kind = channel * LEVELS + level
            if not len(start):
                self._low[kind, row], self._high[kind, row] = _FAR_DEG, 2 * _FAR_DEG
                continue
            which = np.searchsorted((end[:-1] + start[1:]) / 2, grid)
            self._low[kind, row] = start[which] - grid
            self._high[kind, row] = end[which] - grid

    def stretch(
        self, kind: Ints, hour_angle_deg: Floats, declination_deg: Floats
    ) -> tuple[Floats, Floats]:
        """How far ahead the nearest stretch of a level begins and ends, in degrees of hour angle.

        kind: see level_kind; the shapes of all three are broadcast. Begins below 0 and ends
        above it where the level is what is shown there.
        """
        first, second, share, past = self._at(kind, hour_angle_deg, declination_deg)
        low, high = (
            (1 - share) * table.take(first) + share * table.take(second) - past
            for table in (self._low, self._high)
        )
        return low, high

    def border(self, kind: Ints, hour_angle_deg: Floats, declination_deg: Floats) -> Floats:
        """How far ahead the nearest border of a kind (see border_kind) is, in degrees."""
        first, second, share, past = self._at(kind, hour_angle_deg, declination_deg)
        ahead: Floats = (
            (1 - share) * self._border.take(first) + share * self._border.take(second) - past
        )
        return ahead

    def _at(
        self, kind: Ints, hour_angle_deg: Floats, declination_deg: Floats
    ) -> tuple[Ints, Ints, Floats, Floats]:
        """Places in a table of the two rows about, the second's share, degrees past the column."""
        grid, rows = self._columns, self._rows
        step = _STEP_DEG
        column = np.rint((hour_angle_deg - grid[0]) / step).astype(np.int64)
        np.clip(column, 0, len(grid) - 1, out=column)
        y = np.clip((declination_deg - rows[0]) / self._row_deg, 0.0, len(rows) - 1.001)
        row = y.astype(np.int64)
        first = (kind * len(rows) + row) * len(grid) + column
        return first, first + len(grid), y - row, hour_angle_deg - grid.take(column)


def level_kind(channel: Ints, level: Ints) -> Ints:
    """The number of a channel's level among all channels' levels."""
    return channel * LEVELS + level


def border_kind(channel: Ints | int, threshold: Ints | int, rise: NDArray[np.bool_] | bool) -> Ints:
    """The number of a channel's borders, of one threshold (0 to 2), met as light grows or falls
    off with the hour angle."""
    return np.asarray((channel * len(THRESHOLDS) + threshold) * 2 + np.asarray(rise, np.int64))


def _nearest(places: Floats, grid: Floats) -> Floats:
    if not len(places):
        return grid + _FAR_DEG
    nearest: Floats = places[np.searchsorted((places[:-1] + places[1:]) / 2, grid)]
    return nearest
