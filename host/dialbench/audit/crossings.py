"""When each channel comes to be lit to a half, between the minutes that were looked at."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from dialbench import roots
from dialbench.audit.minutes import MINUTE_US, Bools, Floats, Ints, Looked, PlanTime
from dialbench.path import Place

LEVEL = 0.5 - 1e-9  # a plateau that equals a half is lit, whatever its last digit says
_TOLERANCE = 1e-3  # minutes

# Lit fractions of channels (n,) under Suns (n,).
Lit = Callable[[Place, Ints], Floats]


@dataclass(frozen=True)
class Passed:
    """Instants at which channels' light passes a half; sorted by run, channel and time.

    Arrays of one length. rise: whether it comes; otherwise it goes. What comes and goes
    within a minute is not among them.
    """

    run: Ints
    channel: Ints
    utc_us: Ints
    rise: Bools


def passed(at: Lit, time: PlanTime, seen: Looked, light: Floats) -> Passed:
    """Where light (minutes, channels), which is what `at` gives, passes a half in some runs."""
    lit = light >= LEVEL
    together = (seen.run[1:] == seen.run[:-1])[:, None]
    minute, channel = np.nonzero((lit[1:] != lit[:-1]) & together)
    values = np.stack((light[minute, channel], light[minute + 1, channel])) - LEVEL
    begin_us = seen.utc_us[minute]

    def beyond(after_min: Floats, which: Ints) -> Floats:
        place = time.place(begin_us[which] + after_min * MINUTE_US)
        return at(place, channel[which]) - LEVEL

    edges = np.zeros((2, len(minute)))
    edges[1] = 1.0
    after_us = np.rint(roots.between(beyond, edges, values, _TOLERANCE) * MINUTE_US)
    utc_us = begin_us + after_us.astype(np.int64)
    order = np.lexsort((utc_us, channel, seen.run[minute]))
    rise = lit[minute + 1, channel]
    return Passed(seen.run[minute][order], channel[order], utc_us[order], rise[order])
