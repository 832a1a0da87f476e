"""A bench without a bench: a dial made with errors, swept before rays, for a trial of it all.

What is found can be held against what was made; the rays know nothing of the formulas that the
sweep is worked out with.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from dialbench.aperture.result import RANGE, Apertures
from dialbench.aperture.source import Light, under_sun
from dialbench.aperture.sweep import Sweep
from dialbench.dial import Dial
from dialbench.sky import Sky, to_us
from dialbench.virtual.bench import Encoder, LampRays, Stage, sun_rays
from dialbench.virtual.truth import Truth

Floats = NDArray[np.float64]

_AXIS_DEG, _WIDTH, _GAIN, _DARK = 0.1, 0.03, 0.1, 0.02
_ENCODER = Encoder(zero_deg=20.0, eccentric_deg=0.3, phase_deg=50.0, backlash_deg=0.1, counts=4096)
_BLOCK = 64
_DAY = datetime(2027, 4, 16, tzinfo=UTC)  # of the Sun's
_SAMPLE_US = 500_000


@dataclass(frozen=True)
class Bench:
    """distance_mm None: under the Sun. noise: of a level, of full light. step_deg: between
    samples; the shaft turns there and back over all of the dial's bores and reach_deg more."""

    distance_mm: float | None
    diameter_mm: float = 0.0
    height_mm: float = 0.0
    noise: float = 0.01
    step_deg: float = 0.1
    reach_deg: float = 5.0
    rays: int = 1024
    encoder: Encoder = _ENCODER


def made(dial: Dial, rng: np.random.Generator) -> Dial:
    """The dial as a workshop may make it: its axes off, its bores' entries and its channels'
    exits wide or narrow."""
    axis = rng.normal(0.0, _AXIS_DEG, len(dial.bores))
    entry = rng.normal(1.0, _WIDTH, len(dial.bores))
    exit = rng.normal(1.0, _WIDTH, len(dial.channels))
    bores = []
    for number, bore in enumerate(dial.bores):
        straight = bore.exit_mm == bore.entry_mm
        wide = float(entry[number] if straight else exit[bore.channel])
        bores.append(
            replace(
                bore,
                hour_angle_deg=bore.hour_angle_deg + float(axis[number]),
                entry_mm=bore.entry_mm * float(entry[number]),
                exit_mm=bore.exit_mm * wide,
            )
        )
    return replace(dial, bores=tuple(bores))


def swept(
    real: Dial,
    bench: Bench,
    rng: np.random.Generator,
    progress: Callable[[float], None] | None = None,
) -> tuple[Sweep, Light]:
    """A sweep of a dial as it really is, and the light it was made in."""
    reach = bench.reach_deg
    hours = [bore.hour_angle_deg for bore in real.bores]
    there = np.arange(min(hours) - reach, max(hours) + reach, bench.step_deg)
    stands = np.concatenate((there, there[::-1]))
    # No hand, and no stage that is read as it runs, stops at even steps.
    stands = stands + rng.uniform(0, bench.step_deg, len(stands))
    way = np.repeat((1, -1), len(there))
    channels, count = len(real.channels), len(stands)
    truth = Truth.perfect(real)
    if bench.distance_mm is None:
        noon_us = Sky(real.site).noon_us(_DAY.date())
        utc_us = noon_us + _SAMPLE_US * (np.arange(count, dtype=np.int64) - count // 2)
        light = under_sun(real.site, utc_us)
        seen = light.hour_angle
    else:
        rays = LampRays(truth, bench.distance_mm, bench.diameter_mm, bench.height_mm, bench.rays)
        utc_us = to_us(_DAY) + _SAMPLE_US * np.arange(count, dtype=np.int64)
        light = Light.lamp(count, bench.distance_mm, bench.diameter_mm, bench.height_mm)
        seen = np.zeros(count)
    lit = np.zeros((count, channels))
    for at in range(0, count, _BLOCK):
        part = slice(at, at + _BLOCK)
        turn = np.radians(stands[part])
        lit[part] = (
            sun_rays(
                truth,
                turn,
                light.declination[part],
                np.degrees(np.arctan(light.radius[part])),
                bench.rays,
                at / count,
            )
            if bench.distance_mm is None
            else rays.lit_fractions(turn)
        )
        if progress is not None:
            progress(min(1.0, (at + _BLOCK) / count))
    reading = bench.encoder.reads_deg(stands - np.degrees(seen), way)
    gain = rng.normal(1.0, _GAIN, channels).clip(0.5, 1.5)
    level = _DARK + gain * lit + bench.noise * rng.standard_normal(lit.shape)
    sweep = Sweep.of(
        np.tile(np.arange(channels), count),
        level.ravel(),
        np.repeat(reading, channels),
        np.repeat(utc_us, channels),
    )
    return sweep, light.rows(np.repeat(np.arange(count), channels))


def staged(
    real: Dial,
    bench: Bench,
    seed: int,
    start_us: int,
    deg_per_s: float,
    progress: Callable[[float], None] | None = None,
) -> tuple[Truth, Stage]:
    """A stage that turns a dial as it really is before the lamp of a bench, there and back once,
    for a virtual board; and what its sensors are. The bench's noise is theirs."""
    assert bench.distance_mm is not None, "a stage stands before a lamp"
    truth = replace(
        Truth.draw(real, seed),
        axis_error_deg=np.zeros((len(real.bores), 2)),
        width_factor=np.ones(len(real.bores)),
    )
    rays = LampRays(truth, bench.distance_mm, bench.diameter_mm, bench.height_mm, bench.rays)
    hours = [bore.hour_angle_deg for bore in real.bores]
    reach = bench.reach_deg
    grid = np.arange(min(hours) - reach, max(hours) + reach, bench.step_deg)
    light = np.zeros((len(grid), len(real.channels)))
    for at in range(0, len(grid), _BLOCK):
        part = slice(at, at + _BLOCK)
        light[part] = rays.lit_fractions(np.radians(grid[part]))
        if progress is not None:
            progress(min(1.0, (at + _BLOCK) / len(grid)))
    return truth, Stage(bench.encoder, grid, light, start_us, deg_per_s)


def held_against(found: Apertures, real: Dial) -> dict[str, dict[str, float]]:
    """How what was found compares with what was made: of each figure how many bores tell it,
    how many are within their 95% interval, and the root mean square of the error, in mm or deg."""
    told: dict[str, dict[str, float]] = {}
    for name in ("entry_mm", "exit_mm", "hour_angle_deg"):
        rows = [one for one in found.bores() if one[name] is not None]
        if not rows:
            continue
        off = np.array(
            [one[name]["value"] - getattr(real.bores[one["bore"]], name) for one in rows]
        )
        sigma = np.array([one[name]["sigma"] for one in rows])
        told[name] = {
            "told": len(rows),
            "within_95": int((np.abs(off) <= RANGE * sigma).sum()),
            "rms": float(np.sqrt(np.mean(off**2))),
        }
    return told
