"""Looks at a dial on the bench as they come, kept within bounds; at any time, a sweep of them.

Of looks at one stand of the shaft the first few are kept, each way it is passed: a shaft that
rests, or is passed again and again, adds no more. What chooses is the angle alone; were levels to
choose, noise would.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from dialbench.aperture.sweep import Sweep
from dialbench.csvtable import MAX_ROWS
from dialcore import records

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_AGAIN = 4  # looks kept of one stand and one way
_EVERY_US = 2_000_000  # between looks kept where only the Sun moves: a hundredth of a degree
_TURN = 65536
_MOST_LEVELS = MAX_ROWS * 3 // 4  # that a table of them can be read again
_FIRST_ROOM = 256
_NOTHING = records.NO_MAGNET | records.SILENT


@dataclass
class Counts:
    """What became of the looks that came: kept, or not, and why; dropped is told by the board,
    of looks that the line had no room for."""

    kept: int = 0
    again: int = 0  # at a stand of the shaft that has enough
    dark: int = 0  # no light on the open-sky sensor
    shaftless: int = 0  # no magnet, no answer, or an angle where there was none before
    alien: int = 0  # of another number of channels than the dial's
    full: int = 0
    dropped: int = 0

    def as_dict(self) -> dict[str, int]:
        return {each.name: getattr(self, each.name) for each in fields(self)}


class Tracing:
    """Keeps looks at a dial of so many channels. turned: whether the shaft has an angle; None
    until a look has told."""

    def __init__(self, channels: int) -> None:
        self._channels = channels
        self._most = max(1, _MOST_LEVELS // max(channels, 1))
        self._utc_us = np.zeros(_FIRST_ROOM, np.int64)
        self._angle = np.zeros(_FIRST_ROOM, np.int64)
        self._levels = np.zeros((_FIRST_ROOM, channels), np.int16)
        self._seen: Counter[tuple[int, int]] = Counter()
        self._way = 0
        self._before: int | None = None  # the angle of the look before, kept or not
        self._dropped: int | None = None
        self.turned: bool | None = None
        self.counts = Counts()

    def __len__(self) -> int:
        return self.counts.kept

    @property
    def is_full(self) -> bool:
        return len(self) >= self._most

    def add(
        self,
        utc_us: int,
        angle: int,
        state: int,
        is_lit: bool,
        levels: tuple[int, ...],
        dropped: int = 0,
    ) -> bool:
        """Whether a look was kept. angle: 65536 to a turn; state: bits of a SWEEP record; is_lit:
        the open-sky sensor sees light; dropped: the board's count, modulo 65536."""
        counts = self.counts
        if self._dropped is not None:
            counts.dropped += (dropped - self._dropped) % _TURN
        self._dropped = dropped
        has_angle = not state & records.UNTURNED
        if len(levels) != self._channels:
            counts.alien += 1
        elif state & _NOTHING or (self.turned is not None and self.turned != has_angle):
            counts.shaftless += 1
        elif not is_lit:
            counts.dark += 1
        elif not (self._is_new_stand(angle) if has_angle else self._is_due(utc_us)):
            counts.again += 1
        elif self.is_full:
            counts.full += 1
        else:
            self.turned = has_angle
            self._keep(utc_us, angle if has_angle else 0, levels)
            return True
        return False

    def interrupted(self) -> None:
        """What comes next may be of another start of the board, whose counter began anew."""
        self._dropped = None

    def _is_new_stand(self, angle: int) -> bool:
        if self._before is not None:
            moved = (angle - self._before + _TURN // 2) % _TURN - _TURN // 2
            if moved:
                self._way = 1 if moved > 0 else -1
        self._before = angle
        stand = (angle, self._way)
        if self._seen[stand] >= _AGAIN:
            return False
        self._seen[stand] += 1
        return True

    def _is_due(self, utc_us: int) -> bool:
        # A clock that was set back must not end a trace.
        return not len(self) or abs(utc_us - int(self._utc_us[len(self) - 1])) >= _EVERY_US

    def _keep(self, utc_us: int, angle: int, levels: tuple[int, ...]) -> None:
        at = len(self)
        if at == len(self._utc_us):
            room = min(2 * at, self._most) - at
            self._utc_us = np.concatenate((self._utc_us, np.zeros(room, np.int64)))
            self._angle = np.concatenate((self._angle, np.zeros(room, np.int64)))
            empty = np.zeros((room, self._channels), np.int16)
            self._levels = np.concatenate((self._levels, empty))
        self._utc_us[at], self._angle[at], self._levels[at] = utc_us, angle, levels
        self.counts.kept += 1

    def angle_deg(self) -> Floats:
        """The shaft's angle at each look kept, (n,), from 0 to 360; zeros where it has none."""
        found: Floats = self._angle[: len(self)].astype(np.float64) * (360 / _TURN)
        return found

    def utc_us(self) -> Ints:
        """When each was, (n,)."""
        return self._utc_us[: len(self)].copy()

    def levels(self, channel: int) -> Floats:
        """One channel's, (n,), 1 for a fully lit exit."""
        share: Floats = self._levels[: len(self), channel].astype(np.float64) / 1024
        return share

    def sweep(self) -> Sweep:
        """All that is kept, a copy, in the order in which it was measured."""
        count = len(self)
        return Sweep.of(
            np.tile(np.arange(self._channels), count),
            self._levels[:count].ravel() / 1024,
            np.repeat(self.angle_deg(), self._channels) if self.turned else None,
            np.repeat(self.utc_us(), self._channels),
        )
