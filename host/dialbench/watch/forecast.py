"""The predictions the screen needs, cached: one instant of the face, and the changes ahead."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dialbench.dial import Dial
from dialbench.predict import crossings, lit_fractions, plan_step
from dialbench.sky import Sky, SunFacts
from dialbench.watch.events import Changes

# How far the changes ahead are looked for: an hour takes half a second, a day seconds.
SOON_US = 3600_000_000
DAY_US = 26 * SOON_US  # from any evening into the next morning
_EARLY_US = 300_000_000
_HALF = 1  # threshold number of a lit fraction of 0.50


@dataclass(frozen=True)
class Moment:
    """The prediction for one instant: fractions[c] lit, step -1 outside the plan.

    equation_of_time_s: apparent less mean solar time."""

    utc_us: int
    sun: SunFacts
    fractions: tuple[float, ...]
    step: int
    equation_of_time_s: float


class Forecast:
    """Predictions for one dial. `moment` remembers its last two instants, to the second."""

    def __init__(self, dial: Dial, sky: Sky) -> None:
        self.dial = dial
        self._sky = sky
        self._remembered: dict[int, Moment] = {}

    def moment(self, utc_us: int) -> Moment:
        """The prediction for utc_us; Sun and fractions are those of its whole second."""
        second = utc_us // 1_000_000
        found = self._remembered.get(second)
        if found is None:
            at_us = np.array([second * 1_000_000], dtype=np.int64)
            sun = self._sky.sun(at_us)
            found = Moment(
                utc_us=utc_us,
                sun=sun.facts(0),
                fractions=tuple(float(f) for f in lit_fractions(self.dial, sun)[0]),
                step=int(plan_step(self.dial, sun.hour_angle_deg)[0]),
                equation_of_time_s=float(self._sky.equation_of_time_s(at_us)[0]),
            )
            while len(self._remembered) > 1:
                self._remembered.pop(next(iter(self._remembered)))
            self._remembered[second] = found
        return replace(found, utc_us=utc_us)

    def changes(self, utc_us: int) -> Changes:
        """Predicted crossings of 0.50 from utc_us on: of an hour, or if it has none of a day.

        Takes up to seconds: not for the thread that draws. Raises SkyError.
        """
        found = self._changes(utc_us, utc_us + SOON_US)
        return found if found.crossings else self._changes(utc_us, utc_us + DAY_US)

    def _changes(self, start_us: int, end_us: int) -> Changes:
        found = crossings(self.dial, self._sky, start_us, end_us)
        half = found.threshold == _HALF
        rows = zip(found.utc_us[half], found.channel[half], found.rise[half], strict=True)
        return Changes(start_us, end_us, tuple((int(t), int(c), bool(r)) for t, c, r in rows))


def run_out(changes: Changes | None, utc_us: int) -> bool:
    """Whether the changes known do not serve at utc_us (any more), and new ones are due."""
    if changes is None or not changes.start_us <= utc_us <= changes.end_us - _EARLY_US:
        return True
    none_ahead = not any(crossing[0] > utc_us for crossing in changes.crossings)
    return none_ahead and changes.end_us - utc_us < DAY_US // 2
