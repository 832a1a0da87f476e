"""From looks at the channels to facts about one pose.

Facts are worth something only as long as the body stays as it stands. Between two looks the
Sun goes on by seconds of arc; what it cannot have done meanwhile was a hand: then all that
was known is let go, and a new stay begins.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

_GAP_US = 20_000_000  # looks farther apart are not followed from one to the next
# The Sun's disc alone spreads a channel's thresholds over more of its way than it goes in this.
_FAST_US = 15_000_000
_MANY = 400  # crossings kept of one stay


@dataclass(frozen=True)
class Look:
    """Of every channel the thresholds passed, 0 to 3, while the Sun shone."""

    utc_us: int
    levels: tuple[int, ...]


@dataclass(frozen=True)
class Passed:
    """A channel passed a threshold (0 to 2) about then; rise: upwards."""

    utc_us: int
    channel: int
    threshold: int
    rise: bool


@dataclass(frozen=True)
class Stay:
    """What was seen since the body was last moved. since_us: its first look."""

    since_us: int | None = None
    passed: tuple[Passed, ...] = ()
    last: Look | None = None

    def after(self, look: Look) -> tuple[Stay, bool]:
        """The stay with one more look, and whether this look shows that the body was moved."""
        before = self.last
        if before is None:
            return Stay(look.utc_us, (), look), False
        ahead_us = look.utc_us - before.utc_us
        if ahead_us <= 0:
            return (self, False) if ahead_us == 0 else (Stay(look.utc_us, (), look), True)
        if ahead_us > _GAP_US:
            return replace(self, last=look), False
        new = self._passed(before, look)
        lately = {
            (one.channel, one.rise): one.threshold
            for one in self.passed
            if look.utc_us - one.utc_us < _FAST_US
        }
        # Where one bore takes over from another light may fall and rise again, but not so fast on.
        hasty = any(
            lately.get((one.channel, one.rise), one.threshold) != one.threshold for one in new
        )
        if hasty or np.abs(np.subtract(look.levels, before.levels)).max(initial=0) > 1:
            return Stay(look.utc_us, (), look), True
        return replace(self, passed=(*self.passed, *new)[-_MANY:], last=look), False

    @staticmethod
    def _passed(before: Look, look: Look) -> tuple[Passed, ...]:
        """The thresholds passed between two looks, at about their middle."""
        middle_us = (before.utc_us + look.utc_us) // 2
        return tuple(
            Passed(middle_us, channel, min(was, now), now > was)
            for channel, (was, now) in enumerate(zip(before.levels, look.levels, strict=True))
            if was != now
        )

    def since(self, utc_us: int) -> Stay:
        """The part of it from an instant on."""
        kept = tuple(one for one in self.passed if one.utc_us >= utc_us)
        return replace(self, since_us=utc_us, passed=kept)
