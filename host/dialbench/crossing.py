"""What a predicted crossing is, and what predictions are made for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# A rotation vector in degrees about the axes of frame P (dialcore.frames).
Pose = tuple[float, float, float]
NOMINAL: Pose = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Crossings:
    """Predicted crossings, sorted by time; arrays of one length.

    threshold: 0, 1, 2 for a lit fraction of 0.25, 0.50, 0.75; rise: True where the
    fraction grows; utc_us: microseconds of Unix UTC.
    """

    channel: NDArray[np.int64]
    threshold: NDArray[np.int64]
    rise: NDArray[np.bool_]
    utc_us: NDArray[np.int64]

    def only(self, which: NDArray[np.bool_]) -> Crossings:
        """Those chosen, in the same order."""
        return Crossings(
            self.channel[which], self.threshold[which], self.rise[which], self.utc_us[which]
        )
