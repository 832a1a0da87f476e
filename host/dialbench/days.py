"""Which day of a zone's calendar instants belong to; differences of times of day."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
_Minutes = TypeVar("_Minutes", float, NDArray[np.float64])

DAY_MIN = 1440.0

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_HOUR_US = 3_600_000_000
# Where calendars are sure of themselves: a broken clock's log may claim any time at all.
_FIRST_US, _LAST_US = -2_208_988_800_000_000, 4_102_444_800_000_000  # 1900 to 2100


def dated(utc_us: Ints) -> NDArray[np.bool_]:
    """Which instants, in microseconds of Unix UTC, a calendar can be asked about: 1900 to 2100."""
    within: NDArray[np.bool_] = (utc_us >= _FIRST_US) & (utc_us < _LAST_US)
    return within


def local_days(utc_us: Ints, zone: tzinfo) -> Ints:
    """The day of each instant in a zone, summer time and all, as date.toordinal counts them.

    All must be dated().
    """
    # Zones change at whole quarters of an hour at the finest.
    quarters, which = np.unique(utc_us // (_HOUR_US // 4), return_inverse=True)
    days = [
        (_EPOCH + timedelta(minutes=15 * quarter)).astimezone(zone).toordinal()
        for quarter in quarters.tolist()
    ]
    return np.array(days, np.int64)[which.reshape(-1)]


def folded_min(minutes: _Minutes) -> _Minutes:
    """Differences of times of day in minutes, the short way round the clock: -720..720."""
    return (minutes + DAY_MIN / 2) % DAY_MIN - DAY_MIN / 2
