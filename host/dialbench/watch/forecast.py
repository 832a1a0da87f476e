"""The predictions the screen needs, cached: one instant of the face, and the changes ahead."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dialbench.dial import Dial
from dialbench.predict import crossings, lit_fractions, plan_step
from dialbench.sky import Sky
from dialbench.watch.events import Changes

AHEAD_S = 26 * 3600  # from any evening into the next morning
_RENEW_S = 12 * 3600
_HALF = 1  # threshold number of a lit fraction of 0.50


@dataclass(frozen=True)
class SunFacts:
    """Where the refracted Sun stands, degrees; up while any of its disc is."""

    hour_angle_deg: float
    declination_deg: float
    altitude_deg: float
    azimuth_deg: float
    up: bool


@dataclass(frozen=True)
class Moment:
    """The prediction for one instant: fractions[c] lit, step -1 outside the plan."""

    utc_us: int
    sun: SunFacts
    fractions: tuple[float, ...]
    step: int


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
            sun = self._sky.sun(np.array([second * 1_000_000], dtype=np.int64))
            found = Moment(
                utc_us=utc_us,
                sun=SunFacts(
                    float(sun.hour_angle_deg[0]),
                    float(sun.declination_deg[0]),
                    float(sun.altitude_deg[0]),
                    float(sun.azimuth_deg[0]),
                    bool(sun.up[0]),
                ),
                fractions=tuple(float(f) for f in lit_fractions(self.dial, sun)[0]),
                step=int(plan_step(self.dial, sun.hour_angle_deg)[0]),
            )
            while len(self._remembered) > 1:
                self._remembered.pop(next(iter(self._remembered)))
            self._remembered[second] = found
        return Moment(utc_us, found.sun, found.fractions, found.step)

    def changes(self, utc_us: int) -> Changes:
        """Predicted crossings of 0.50 from utc_us for AHEAD_S. Takes up to seconds: not for
        the thread that draws."""
        end_us = utc_us + AHEAD_S * 1_000_000
        found = crossings(self.dial, self._sky, utc_us, end_us)
        half = found.threshold == _HALF
        rows = zip(found.utc_us[half], found.channel[half], found.rise[half], strict=True)
        return Changes(utc_us, end_us, tuple((int(t), int(c), bool(r)) for t, c, r in rows))


def run_out(changes: Changes | None, utc_us: int) -> bool:
    """Whether the changes known do not serve at utc_us any more, and new ones are due."""
    if changes is None:
        return True
    return not changes.start_us <= utc_us <= changes.end_us - (AHEAD_S - _RENEW_S) * 1_000_000
