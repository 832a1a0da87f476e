"""What the sensors of a true dial read under a given light."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dialbench.virtual.truth import COUNTS_PER_WM2, Truth

Floats = NDArray[np.float64]

REFERENCES = 2  # columns before the channels: open sky, shaded sky


def counts(
    truth: Truth, light: Floats, direct: Floats, diffuse: Floats, rng: np.random.Generator
) -> NDArray[np.uint16]:
    """Counts (n, 2 + channels): the open-sky sensor, the shaded one, then every channel.

    light (n, channels): lit fractions. direct, diffuse (n,): the unobstructed beam and
    the sky's light in W/m^2. The shaded sensor never sees the Sun: with the open one
    alone, bright cloud would pass for a low Sun. Readings stop at 0 and 65,535.
    """
    sky = truth.sky_gain * (direct + diffuse)
    shade = truth.shade_gain * truth.shade_sky_view * diffuse
    channels = truth.gain * (direct[:, None] * light + truth.leak * diffuse[:, None])
    signal = COUNTS_PER_WM2 * np.column_stack((sky, shade, channels))
    dark = np.concatenate(((truth.sky_dark_counts, truth.shade_dark_counts), truth.dark_counts))
    spread = np.hypot(truth.noise_share * signal, truth.noise_counts)
    read = np.rint(dark + signal + spread * rng.standard_normal(signal.shape))
    return read.clip(0, 65535).astype(np.uint16)
