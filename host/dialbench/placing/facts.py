"""How well poses explain what was seen during one stay.

A crossing says where a border of the channel's light stood, a level between which borders
the Sun was. Borders are off by as much as bores are bored askew. A channel's three
thresholds lie on one bore's ramp and are off together, so each crossing counts for a third.
Some of what is seen is none of the dial's own doing: light that strays from bore to bore, an
insect; so no fact rules a pose out by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench.placing.levels import Levels, border_kind, level_kind
from dialbench.placing.looks import Stay
from dialbench.sky import Sky
from dialcore import frames
from dialcore.crossing import THRESHOLDS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

AXIS_DEG = 0.1  # of bores' axes: common practice of a good workshop, no source
_ODD_LEVEL = 0.01  # of the channels
_ODD_CROSSING = 0.002  # against those at a border, in the width of one


@dataclass(frozen=True, eq=False)
class Facts:
    """Of one stay. suns (t, 3): where the Sun stood in P, the last look's last.

    at: which Sun each crossing had; border, level: its kind (see levels), every channel's.
    """

    levels: Levels
    hemisphere: int
    suns: Floats
    at: Ints
    border: Ints
    level: Ints

    @classmethod
    def of(cls, stay: Stay, levels: Levels, sky: Sky) -> Facts:
        """Raises ValueError where nothing was seen yet."""
        if stay.last is None:
            raise ValueError("a stay without a look has no facts")
        times, at = np.unique([one.utc_us for one in stay.passed], return_inverse=True)
        sun = sky.sun(np.append(times, stay.last.utc_us).astype(np.int64))
        return cls(
            levels,
            sky.site.hemisphere,
            np.column_stack(sun.polar),
            at.astype(np.int64),
            border_kind(
                np.array([one.channel for one in stay.passed], np.int64),
                np.array([one.threshold for one in stay.passed], np.int64),
                np.array([one.rise for one in stay.passed], np.bool_),
            ),
            level_kind(np.arange(levels.channels), np.array(stay.last.levels, np.int64)),
        )

    def off_deg(self, poses: Floats) -> Floats:
        """How far ahead of the Sun each crossing's nearest border stands: (n, crossings)."""
        hour_angle, declination = self._places(poses)
        return self.levels.border(self.border, hour_angle[:, self.at], declination[:, self.at])

    def misfits(self, poses: Floats, blur_deg: float = 0.0) -> tuple[Floats, Floats]:
        """By how much the logarithm of each crossing's and level's likelihood is under the best.

        Shapes (n, crossings) and (n, channels), nothing below 0. blur_deg: as if the bores were
        so much more askew.
        """
        # The screen that may ask for this does not wait for scipy to come.
        from scipy.special import ndtr

        wide = float(np.hypot(AXIS_DEG, blur_deg))
        hour_angle, declination = self._places(poses)
        off = self.levels.border(self.border, hour_angle[:, self.at], declination[:, self.at])
        near = np.exp(-0.5 * (off / wide) ** 2 / len(THRESHOLDS))
        crossings = -np.log(_ODD_CROSSING + (1 - _ODD_CROSSING) * near)
        low, high = self.levels.stretch(self.level, hour_angle[:, -1:], declination[:, -1:])
        shown = ndtr(high / wide) - ndtr(low / wide)
        return crossings, -np.log(_ODD_LEVEL + (1 - _ODD_LEVEL) * shown)

    def log(self, poses: Floats, blur_deg: float) -> Floats:
        """The logarithm of the likelihood of poses (n, 3, 3), up to a constant: (n,)."""
        crossings, channels = self.misfits(poses, blur_deg)
        found: Floats = -crossings.sum(axis=1) - channels.sum(axis=1)
        return found

    def _places(self, poses: Floats) -> tuple[Floats, Floats]:
        """Hour angles and declinations, in degrees, of each Sun in each body: (n, suns)."""
        seen = np.moveaxis(poses @ self.suns.T, 1, 0)
        hour_angle, declination = frames.place(seen, self.hemisphere, np)
        return np.degrees(hour_angle), np.degrees(declination)
