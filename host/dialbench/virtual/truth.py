"""What a dial really is, as against what it was meant to be: pose, bores, sensors, clock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench.dial import Dial
from dialcore.crossing import Calibration

Floats = NDArray[np.float64]

COUNTS_PER_WM2 = 50.0  # the open-sky sensor's nominal gain: 1200 W/m^2 read 60,000
GATE_WM2 = 120.0  # direct beam from which the Sun shines: WMO-No. 8
GATE_RELEASE = 0.95  # share of it at which observed time ends: keeps noise from fluttering
Q10 = 1024

_AXIS_DEG = 0.02  # 0.04 mm over a body of 113 mm
_WIDTH = 0.005  # 0.03 mm of a 6 mm entry
_GAIN = 0.10
_REFERENCE_GAIN = 0.03
_DARK_COUNTS = (400.0, 60.0)
_NOISE = (0.005, 5.0)
_LEAK = 0.01
_SKY_VIEW = (0.85, 0.02)
_CLOCK_PPM = 10.0
_SCALE_ERROR = 0.005
_DARK_ERROR_COUNTS = 1.0


@dataclass(frozen=True, eq=False)
class Truth:
    """A real dial. Gains are factors on COUNTS_PER_WM2; a count is one of 65,536.

    pose_deg: the rotation vector (wx, wy, wz) of dialcore.frames. axis_error_deg, shape
    (bores, 2): hour angle and declination of each axis against its drawing. width_factor
    (bores,): on exit and entry alike. gain, dark_counts, leak (channels,): leak is the
    share of the sky's diffuse light that reaches a channel. shade_sky_view: the share
    that reaches the shaded sensor. noise_share of the signal and noise_counts are one
    scan's standard deviations. clock_ppm: the board's clock runs fast when positive.
    """

    dial: Dial
    pose_deg: tuple[float, float, float]
    axis_error_deg: Floats
    width_factor: Floats
    gain: Floats
    dark_counts: Floats
    leak: Floats
    sky_gain: float
    sky_dark_counts: float
    shade_gain: float
    shade_dark_counts: float
    shade_sky_view: float
    noise_share: float
    noise_counts: float
    clock_ppm: float

    @classmethod
    def perfect(cls, dial: Dial) -> Truth:
        """The dial as drawn, with sensors that neither err nor let stray light in."""
        bores, channels = len(dial.bores), len(dial.channels)
        return cls(
            dial=dial,
            pose_deg=(0.0, 0.0, 0.0),
            axis_error_deg=np.zeros((bores, 2)),
            width_factor=np.ones(bores),
            gain=np.ones(channels),
            dark_counts=np.zeros(channels),
            leak=np.zeros(channels),
            sky_gain=1.0,
            sky_dark_counts=0.0,
            shade_gain=1.0,
            shade_dark_counts=0.0,
            shade_sky_view=1.0,
            noise_share=0.0,
            noise_counts=0.0,
            clock_ppm=0.0,
        )

    @classmethod
    def draw(cls, dial: Dial, seed: int, turned_deg: float = 0.0) -> Truth:
        """A dial as carefully made as one can expect, its errors drawn from seed.

        It stands exactly as it should, but for being turned about the polar axis by
        turned_deg (wz).
        """
        rng = np.random.default_rng(seed)
        bores, channels = len(dial.bores), len(dial.channels)
        return cls(
            dial=dial,
            pose_deg=(0.0, 0.0, turned_deg),
            axis_error_deg=rng.normal(0.0, _AXIS_DEG, (bores, 2)),
            width_factor=rng.normal(1.0, _WIDTH, bores),
            gain=rng.normal(1.0, _GAIN, channels).clip(0.5, 1.5),
            dark_counts=rng.normal(*_DARK_COUNTS, channels).clip(0.0),
            leak=_LEAK * rng.uniform(0.5, 1.5, channels),
            sky_gain=rng.normal(1.0, _REFERENCE_GAIN),
            sky_dark_counts=rng.normal(*_DARK_COUNTS),
            shade_gain=rng.normal(1.0, _REFERENCE_GAIN),
            shade_dark_counts=rng.normal(*_DARK_COUNTS),
            shade_sky_view=rng.normal(*_SKY_VIEW),
            noise_share=_NOISE[0],
            noise_counts=_NOISE[1],
            clock_ppm=rng.uniform(-_CLOCK_PPM, _CLOCK_PPM),
        )


def calibration(truth: Truth, seed: int) -> Calibration:
    """What an honest bench calibration would tell the board about truth's sensors.

    Every factor is off by about half a percent and every dark level by about a count,
    drawn from seed; only a truth without noise gets figures that are merely rounded.
    """
    rng = np.random.default_rng(seed)
    care = 1.0 if truth.noise_share or truth.noise_counts else 0.0

    def dark(counts: float) -> int:
        return round(max(0.0, counts + care * rng.normal(0.0, _DARK_ERROR_COUNTS)))

    def factor(value: float) -> float:
        return value * (1.0 + care * rng.normal(0.0, _SCALE_ERROR))

    gate = COUNTS_PER_WM2 * factor(truth.sky_gain) * GATE_WM2
    return Calibration(
        dark=[dark(c) for c in truth.dark_counts],
        scale=[round(Q10 * factor(truth.sky_gain / g)) for g in truth.gain],
        sky_dark=dark(truth.sky_dark_counts),
        shade_dark=dark(truth.shade_dark_counts),
        shade_q10=round(Q10 * factor(truth.sky_gain / (truth.shade_gain * truth.shade_sky_view))),
        gate_on=round(gate),
        gate_off=round(gate * GATE_RELEASE),
    )
