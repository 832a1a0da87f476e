"""What the Sun of the day will still tell of a pose, and when.

By what the dial as drawn is going to show: predicted crossings, and how far each moves with
the pose, for bores that came out as they usually do.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dialbench import predict
from dialbench.dial import Dial
from dialbench.sky import Sky
from dialbench.solve.information import Assumed, Model
from dialbench.solve.observe import WIDE_DEG, Combination, Pose
from dialbench.solve.unknowns import POSE

_HOUR_US = 3_600_000_000
_QUARTER_US = _HOUR_US // 4
_DAY_US = 24 * _HOUR_US


@dataclass(frozen=True)
class Later:
    """What crossings from one instant on tell a dial that is left to stand.

    steps: (instant, how many combinations of the pose are told within 0.1 deg by then), where
    there are more than before. untold: what is left untold when the Sun sets.
    """

    from_us: int
    steps: tuple[tuple[int, int], ...]
    untold: tuple[Combination, ...]

    def as_dict(self) -> dict[str, Any]:
        return {
            "from_us": self.from_us,
            "told_by": [{"utc_us": at_us, "combinations": told} for at_us, told in self.steps],
            "untold_today": [
                {"angles": list(one.names), "parts": list(one.parts), "sigma_deg": one.sigma_deg}
                for one in self.untold
            ],
        }

    @property
    def sentence(self) -> str:
        if not self.untold:
            return "Left to stand, the dial's whole pose is told by today's Sun."
        names = "; ".join(one.sentence for one in self.untold)
        return (
            f"Today's Sun does not tell {names}. Log some hours now and on days with the Sun at another"
            " height (dialbench campaign says which), then dialbench solve tells the rest."
        )


def later(dial: Dial, sky: Sky, now_us: int) -> Later:
    """Raises SkyError."""
    ends_us = now_us
    up = sky.up_spans(now_us, now_us + _DAY_US)
    here = np.flatnonzero((up.begin_us <= now_us + 1) & (up.end_us > now_us))
    if len(here):
        ends_us = int(up.end_us[here[0]])
    model = Model(dial, sky, Assumed(), now_us)
    total = model.nothing()
    steps, told = [], 0
    found = predict.crossings(dial, sky, now_us, max(ends_us, now_us + 1), ghosts=False)
    edges_us = np.append(np.arange(now_us, ends_us, _QUARTER_US), ends_us)
    cuts = np.searchsorted(found.utc_us, edges_us)
    parts = [found.only(np.arange(low, high)) for low, high in pairwise(cuts.tolist())]
    untold = _untold(model.covariance(total)[POSE, POSE])
    for at_us, part in zip(
        edges_us[1:].tolist(), model.foreseen(parts) if parts else [], strict=True
    ):
        total = total + part
        untold = _untold(model.covariance(total)[POSE, POSE])
        if 3 - len(untold) > told:
            told = 3 - len(untold)
            steps.append((at_us, told))
    return Later(now_us, tuple(steps), untold)


def _untold(covariance: NDArray[np.float64]) -> tuple[Combination, ...]:
    return Pose.of(np.zeros(3), covariance, WIDE_DEG).untold
