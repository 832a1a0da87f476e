"""Where the shaft's zero lies, and which way it counts: the turn at which the light fits best.

Levels by angle are held against what the dial as drawn would show, at every turn of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench.aperture.model import Model
from dialbench.aperture.source import Light
from dialbench.aperture.sweep import Sweep, SweepError
from dialbench.dial import Dial

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_BINS = 1440  # a quarter of a degree
_HAZE = 2e-3
_SUN_ASTRAY_DEG = 30.0  # at most so far from its place is a dial without an encoder
_DARK, _BRIGHT = 2.0, 98.0  # percentiles of a channel's levels
_UNLIT = 0.1  # a channel that varies by less of what the others do saw no light
_EXPLAINED = 0.3  # at least so much of the levels' variance
_CLEARLY = 0.6  # of what is unlike: another reading of the angles fits better
# From so far off on another zero is a rival, where its misfit is no more than so many times the
# best one's and a little.
_APART_DEG, _ALMOST, _ALMOST_LEAST = 3.0, 1.5, 0.01
_RADIANS_DEG = 7.0  # a sweep as short as a turn in radians


@dataclass(frozen=True)
class Start:
    """zero in radians; bright (channels,): a fully lit channel's level over its dark one.
    rival_deg: a turn from there at which it fits almost as well, None where there is none."""

    zero: float
    dark: Floats
    bright: Floats
    rival_deg: float | None


def scales(sweep: Sweep, channels: int) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Each channel's dark level, how far above it it comes, and whether it saw light, (channels,).

    One that saw none is taken to be as bright as the brightest. Raises SweepError for darkness.
    """
    dark, bright = np.zeros(channels), np.zeros(channels)
    for channel in range(channels):
        mine = sweep.level[sweep.channel == channel]
        if len(mine):
            dark[channel], top = np.percentile(mine, (_DARK, _BRIGHT))
            bright[channel] = top - dark[channel]
    if bright.max(initial=0.0) <= 0:
        raise SweepError("no channel's level changes in this sweep: did light reach the dial?")
    changes = bright >= _UNLIT * bright.max()
    return dark, np.where(changes, bright, bright.max()), changes


def found(dial: Dial, sweep: Sweep, light: Light, sense: int, covered: frozenset[int]) -> Start:
    """The best zero for angles that count in this sense. Raises SweepError where none fits, or
    where the angles are plainly meant another way."""
    dark, bright, changes = scales(sweep, len(dial.channels))
    level = (sweep.level - dark[sweep.channel]) / bright[sweep.channel]
    table = _table(dial, light, covered)
    bright_ones = np.flatnonzero(changes[sweep.channel])  # a dead channel tells of no turn
    sweep = sweep.rows(bright_ones)
    light, level = light.rows(bright_ones), level[bright_ones]
    best = _Best.of(sweep, light, level, table, sense, 1.0)
    if sweep.angle is not None:
        spread_deg = float(np.degrees(np.ptp(sweep.angle)))
        if spread_deg < _RADIANS_DEG:
            stretched = _Best.of(sweep, light, level, table, sense, np.degrees(1.0))
            if stretched.unlike < _CLEARLY * best.unlike:
                raise SweepError(
                    f"angle_deg spans only {spread_deg:.2f} and fits the dial as radians: write"
                    " degrees"
                )
    other = _Best.of(sweep, light, level, table, -sense, 1.0)
    if other.unlike < _CLEARLY * best.unlike:
        if sweep.angle is None:
            raise SweepError(
                "the channels light in the wrong order, as on a dial mirrored east to west: is it"
                " a northern dial's file for a southern one, or were its channels' wires swapped"
                " left to right?"
            )
        raise SweepError(
            "the channels light in the wrong order: either the angle counts the other way (say"
            f" {'--reversed' if sense > 0 else 'so without --reversed'}), or the dial is mirrored"
        )
    if best.unlike > 1 - _EXPLAINED:
        raise SweepError(
            f"at no zero of its angle does the sweep look like this dial (at best"
            f" {max(1 - best.unlike, 0):.0%} of the levels' changes fit): is it the dial of this"
            " file, are the channels' numbers right, is angle_deg in degrees?"
        )
    return Start(best.zero, dark, bright, best.rival_deg)


def _table(dial: Dial, light: Light, covered: frozenset[int]) -> Floats:
    """Light of every channel at every turn, as drawn, (channels, bins); bin 0 is hour angle 0."""
    channels = len(dial.channels)
    turns = 2 * np.pi * np.arange(_BINS) / _BINS
    angle = np.tile((turns + np.pi) % (2 * np.pi) - np.pi, channels)
    count = len(angle)
    declination, distance, radius = (
        np.full(count, float(np.median(of)))
        for of in (light.declination, light.distance_mm, light.radius)
    )
    still = Light(np.zeros(count), declination, distance, radius, light.darkened)
    channel = np.repeat(np.arange(channels), _BINS)
    none = np.zeros(count)
    grid = Sweep(channel, none, angle, None, None, none.astype(np.int64))
    model = Model(dial, grid, still, 1, covered)
    return model.light_alone(model.nominal(), _HAZE).reshape(channels, _BINS)


@dataclass(frozen=True)
class _Best:
    """unlike: the misfit, as a share of the levels' variance about each channel's mean."""

    zero: float
    unlike: float
    rival_deg: float | None

    @classmethod
    def of(
        cls, sweep: Sweep, light: Light, level: Floats, table: Floats, sense: int, stretch: float
    ) -> _Best:
        angle = light.hour_angle.copy()
        if sweep.angle is not None:
            angle = angle + sense * stretch * sweep.angle
        elif sense < 0:
            table = np.roll(table[:, ::-1], 1, axis=1)
        place = np.rint(angle * _BINS / (2 * np.pi)).astype(np.int64) % _BINS
        where = sweep.channel * _BINS + place
        count = np.bincount(where, minlength=table.size).reshape(table.shape)
        total = np.bincount(where, level, table.size).reshape(table.shape)
        mask = (count > 0).astype(np.float64)
        mean = total / np.maximum(count, 1)

        def along(a: Floats, b: Floats) -> Floats:
            """Sum over channels and bins of a[j] b[j + z], for every z."""
            products = np.conj(np.fft.rfft(a, axis=1)) * np.fft.rfft(b, axis=1)
            summed: Floats = np.fft.irfft(products.sum(axis=0), _BINS)
            return summed

        misfit = (mask * mean**2).sum() - 2 * along(mean, table) + along(mask, table**2)
        if sweep.angle is None:
            turn = np.arange(_BINS) * 360 / _BINS
            misfit[np.minimum(turn, 360 - turn) > _SUN_ASTRAY_DEG] = np.inf
        best = int(np.argmin(misfit))
        each = (mask * mean).sum(axis=1) / np.maximum(mask.sum(axis=1), 1)
        spread = (mask * (mean - each[:, None]) ** 2).sum()
        zero = (2 * np.pi * best / _BINS + np.pi) % (2 * np.pi) - np.pi
        unlike = misfit / max(spread, 1e-12)
        apart = (np.arange(_BINS) - best + _BINS // 2) % _BINS - _BINS // 2
        others = np.where(np.abs(apart) * 360 >= _APART_DEG * _BINS, unlike, np.inf)
        rival = int(np.argmin(others))
        close = others[rival] < _ALMOST * unlike[best] + _ALMOST_LEAST
        return cls(
            float(zero), float(unlike[best]), float(apart[rival]) * 360 / _BINS if close else None
        )
