"""The virtual board's clocks as they really run: its crystal, and a clock chip beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Micros = NDArray[np.int64]

_STEP_US = 3_600_000_000
_DAY_H = 24


@dataclass(frozen=True, eq=False)
class Oscillator:
    """How far an oscillator is ahead of UTC: ahead_us at start_us and every hour after.

    Between the hours, and beyond the last, its rate stays as it is.
    """

    start_us: int
    ahead_us: Floats

    @classmethod
    def steady(cls, start_us: int, ppm: float) -> Self:
        """One that always runs ppm fast."""
        return cls(start_us, ppm * 1e-6 * _STEP_US * np.arange(2.0))

    @classmethod
    def draw(
        cls,
        rng: np.random.Generator,
        start_us: int,
        days: float,
        ppm: float,
        *,
        day_ppm: float = 0.0,
        wander_ppm: float = 0.0,
        wander_days: float = 2.0,
    ) -> Self:
        """One that runs ppm fast in the mean.

        Its rate swings with the day by day_ppm (standard deviation, about a sine), and
        strays as the weather does: by wander_ppm (standard deviation) about the mean,
        forgetting where it was within wander_days.
        """
        hours = int(np.ceil(days * 24)) + 1
        rate = ppm + np.sqrt(2) * day_ppm * np.sin(
            2 * np.pi * np.arange(hours) / _DAY_H + rng.uniform(0, 2 * np.pi)
        )
        keep = np.exp(-1 / (24 * wander_days))
        push = wander_ppm * np.sqrt(1 - keep**2) * rng.standard_normal(hours)
        stray = wander_ppm * rng.standard_normal()
        for hour in range(hours):
            stray = keep * stray + push[hour]
            rate[hour] += stray
        ahead = np.concatenate(([0.0], np.cumsum(rate * 1e-6 * _STEP_US)))
        return cls(start_us, ahead)

    def at(self, utc_us: Micros) -> Floats:
        """Microseconds that it is ahead at each instant, shape as utc_us."""
        hour = np.clip((utc_us - self.start_us) // _STEP_US, 0, len(self.ahead_us) - 2)
        inside = (utc_us - self.start_us - hour * _STEP_US) / _STEP_US
        first, second = self.ahead_us[hour], self.ahead_us[hour + 1]
        ahead: Floats = first + inside * (second - first)
        return ahead


@dataclass(frozen=True, eq=False)
class Chip:
    """A clock chip: set offset_us ahead of UTC at first; jumps are (UTC, microseconds forward)."""

    oscillator: Oscillator
    offset_us: int = 0
    jumps: tuple[tuple[int, int], ...] = ()

    def shows_us(self, utc_us: Micros) -> Micros:
        """What it shows, in microseconds of Unix time, at each instant."""
        shown = utc_us + self.offset_us + np.rint(self.oscillator.at(utc_us)).astype(np.int64)
        for at_us, size_us in self.jumps:
            shown = shown + np.where(utc_us >= at_us, size_us, 0)
        return shown


@dataclass(frozen=True, eq=False)
class Crystal:
    """What the board counts its milliseconds by."""

    oscillator: Oscillator

    def device_us(self, utc_us: Micros, boot_us: int) -> Micros:
        """Microseconds of the board's own since it booted at boot_us, at each instant."""
        [at_boot] = self.oscillator.at(np.array([boot_us], np.int64))
        ahead = np.rint(self.oscillator.at(utc_us) - at_boot).astype(np.int64)
        since: Micros = utc_us - boot_us + ahead
        return since
