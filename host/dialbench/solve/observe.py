"""What the data can tell of the pose, and what it cannot, by name.

A pose that is not told is one whose angles may be changed together without moving any
crossing by more than their noise. So what counts is not each angle but the directions in
which they are uncertain: the principal axes of their covariance. One that is wider than a
limit is a combination the data cannot tell, and the angles it mixes get no number.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ANGLES = ("azimuth", "altitude", "turn")  # of the body, about P's x, y and z
WIDE_DEG = 0.1  # a standard deviation beyond which a combination is not told
# An angle has a part in a combination if this moves it by a tenth of what it does the others,
# and is what makes it uncertain in the first place.
_PART, _BLAME = 0.1, 0.5
ANYTHING_DEG = 2.0  # beyond it the data add hardly a thing to how bodies are usually set up
RANGE = 1.96  # of a normal distribution: 95% lie within so many sigmas


@dataclass(frozen=True)
class Combination:
    """A direction of the pose that the data cannot tell.

    parts: the share of each angle in it, a unit vector as ANGLES names them; sigma_deg: how
    uncertain it is; names: of the angles that are uncertain because it is.
    """

    parts: tuple[float, float, float]
    sigma_deg: float
    names: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """Which angles these are and how uncertain, in words."""
        wide = f"{self.sigma_deg:.2g} deg" if self.sigma_deg < ANYTHING_DEG else "anything"
        if len(self.names) == 1:
            return f"{self.names[0]}: {wide}"
        return f"{' and '.join(self.names)}: {wide} together"


@dataclass(frozen=True)
class Angle:
    """One angle of the pose with half of its 95% interval; both None where it is not told."""

    name: str
    value_deg: float | None
    half_width_deg: float | None


@dataclass(frozen=True)
class Pose:
    """What is known of how the body stands.

    untold: the combinations that are not told, the widest first.
    """

    angles: tuple[Angle, Angle, Angle]
    untold: tuple[Combination, ...]

    @classmethod
    def of(cls, pose: Floats, covariance: Floats, wide_deg: float = WIDE_DEG) -> Pose:
        """From three angles in radians and their covariance (3, 3)."""
        square_deg = np.degrees(np.degrees(covariance))
        variance, axes = np.linalg.eigh(square_deg)
        untold = []
        for size, axis in sorted(zip(variance, axes.T, strict=True), key=lambda one: -one[0]):
            sigma_deg = float(np.sqrt(max(size, 0.0)))
            if sigma_deg > wide_deg:
                turned = axis * (1 if axis[np.abs(axis).argmax()] > 0 else -1)
                parts = (float(turned[0]), float(turned[1]), float(turned[2]))
                blamed = size * axis**2 >= _BLAME * np.diag(square_deg)
                blamed &= np.abs(axis) >= _PART
                blamed[np.abs(axis).argmax()] = True
                names = tuple(ANGLES[number] for number in np.flatnonzero(blamed))
                untold.append(Combination(parts, sigma_deg, names))
        lost = {name for one in untold for name in one.names}
        sigma = np.degrees(np.sqrt(np.diag(covariance)))
        angles = [
            Angle(name, None, None)
            if name in lost
            else Angle(name, float(np.degrees(value)), float(RANGE * width))
            for name, value, width in zip(ANGLES, pose, sigma, strict=True)
        ]
        return cls((angles[0], angles[1], angles[2]), tuple(untold))
