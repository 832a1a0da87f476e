"""Of several Gaussians, the interval that holds 95%, told as a middle and a sigma."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_Z95 = 1.959964
_HALVINGS = 40


def middle_and_sigma(weight: Floats, mean: Floats, variance: Floats) -> tuple[Floats, Floats]:
    """Middle (n,) of the interval that leaves 2.5% out at each end, and its half over 1.96.

    weight (h,) sums to 1; mean and variance have shape (h, n). For one Gaussian these are
    its own mean and sigma.
    """
    sigma = np.sqrt(variance)
    low, high = (_quantile(weight, mean, sigma, share) for share in (0.025, 0.975))
    return (low + high) / 2, (high - low) / (2 * _Z95)


def _quantile(weight: Floats, mean: Floats, sigma: Floats, share: float) -> Floats:
    """Where the mixture's distribution reaches share, by halving."""
    low = (mean - 6 * sigma).min(axis=0)
    high = (mean + 6 * sigma).max(axis=0)
    safe = np.maximum(sigma, 1e-12)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        below = weight @ _normal((middle - mean) / safe) < share
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    reached: Floats = (low + high) / 2
    return reached


def _normal(x: Floats) -> Floats:
    """The normal distribution function, within 1e-7.

    Abramowitz and Stegun, Handbook of Mathematical Functions (1964), 26.2.17.
    """
    t = 1 / (1 + 0.2316419 * np.abs(x))
    tail = t * (
        0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429)))
    )
    tail = tail * np.exp(-0.5 * x * x) / np.sqrt(2 * np.pi)
    below: Floats = np.where(x > 0, 1 - tail, tail)
    return below
