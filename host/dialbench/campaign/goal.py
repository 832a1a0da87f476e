"""What is asked of a campaign: how well the pose is to be told.

The goal is that with 95% probability every angle that is asked for lies within so many
degrees of what solve then says, all of them at once. For angles that err together in
whatever way it is enough that each alone does so with the root of that probability (Sidak,
Journal of the American Statistical Association 62, 1967, from memory): 2.39 sigma of each of
three, not 1.96.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench.solve.observe import ANGLES

Floats = NDArray[np.float64]

PROBABILITY = 0.95
_SHARP = 8.0  # the larger, the more the worst angle alone decides


@dataclass(frozen=True)
class Goal:
    """within_deg: how near to the truth the angles are to be; angles: which, of ANGLES."""

    within_deg: float
    angles: tuple[str, ...] = ANGLES

    @property
    def sigmas(self) -> float:
        """So many standard deviations of each angle must be within the goal."""
        from scipy.special import ndtri  # of a goal's own: a screen does not wait for it

        return float(ndtri((1 + PROBABILITY ** (1 / len(self.angles))) / 2))

    def widths_deg(self, covariance_deg2: Floats) -> Floats:
        """So near to the truth is each of ANGLES, all that are asked for at once, (3,)."""
        widths: Floats = self.sigmas * np.sqrt(np.diag(covariance_deg2))
        return widths

    def shares(self, covariance_deg2: Floats) -> Floats:
        """Of the angles that are asked for, what is reached in goals: 1 is just enough."""
        asked = [ANGLES.index(name) for name in self.angles]
        shares: Floats = self.widths_deg(covariance_deg2)[asked] / self.within_deg
        return shares

    def met(self, covariance_deg2: Floats) -> bool:
        return bool((self.shares(covariance_deg2) <= 1).all())

    def cost(self, covariance_deg2: Floats) -> float:
        """How far off the goal this is: the worst angle's share, made smooth."""
        shares = self.shares(covariance_deg2)
        worst = shares.max()
        return float(worst * ((shares / worst) ** _SHARP).sum() ** (1 / _SHARP))
