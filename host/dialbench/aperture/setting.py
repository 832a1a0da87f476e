"""How a bench is set up: the dial on its shaft, and the light before it."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from dialbench.aperture.result import Apertures, apertures
from dialbench.aperture.source import Light, lamp_before, under_sun
from dialbench.aperture.sweep import Sweep, SweepError
from dialbench.dial import Dial
from dialbench.errors import UserError

TAPE_MM = 2.0  # how well a distance is taken with a tape: common practice, no source
_PART = re.compile(r"(\d{1,6})(?:-(\d{1,6}))?", re.ASCII)


@dataclass(frozen=True)
class Setting:
    """distance_mm: from the shaft to the lamp's middle, None under the Sun; distance_sigma_mm:
    how well that is known. diameter_mm: of the lamp's bright part; height_mm: of the lamp along
    the shaft from the middle of the face. reversed: the angle counts the other way. covered:
    numbers of bores that are covered."""

    dial: Dial
    distance_mm: float | None
    distance_sigma_mm: float = TAPE_MM
    diameter_mm: float = 0.0
    height_mm: float = 0.0
    reversed: bool = False
    covered: frozenset[int] = frozenset()

    @property
    def sense(self) -> int:
        return -1 if self.reversed else 1

    def light(self, sweep: Sweep) -> Light:
        """The light of each of its samples. Raises LightError, SkyError, SweepError."""
        if self.distance_mm is None:
            if sweep.utc_us is None:
                raise SweepError("under the Sun each sample needs its utc")
            return under_sun(self.dial.site, sweep.utc_us)
        if sweep.angle is None:
            raise SweepError(
                "before a lamp the shaft's angle is needed: fit an encoder, or use --sun"
            )
        height = (
            self.height_mm
            if sweep.height_mm is None
            else np.nan_to_num(sweep.height_mm, nan=self.height_mm)
        )
        return lamp_before(self.dial, len(sweep), self.distance_mm, self.diameter_mm, height)

    def check(self) -> None:
        """Raises LightError where the lamp cannot stand there."""
        if self.distance_mm is not None:
            lamp_before(self.dial, 1, self.distance_mm, self.diameter_mm, self.height_mm)

    def apertures(self, sweep: Sweep, progress: Callable[[float], None] | None = None) -> Apertures:
        """What a sweep made so tells. Raises LightError, SkyError, SweepError."""
        return apertures(
            self.dial,
            sweep,
            self.light(sweep),
            distance_mm=self.distance_mm,
            distance_sigma_mm=self.distance_sigma_mm,
            reversed=self.reversed,
            covered=self.covered,
            progress=progress,
        )


def covered(text: str | None, bores: int) -> frozenset[int]:
    """Numbers of bores, as 3,8-11. Raises UserError."""
    found: set[int] = set()
    for part in (text or "").replace(" ", "").split(","):
        if not part:
            continue
        told = _PART.fullmatch(part)
        last = -1 if told is None else int(told[2] or told[1])
        if told is None or not int(told[1]) <= last < bores:
            raise UserError(
                f"--covered {part}: write numbers of bores, 0 to {bores - 1}, as 3,8-11"
            )
        found |= set(range(int(told[1]), last + 1))
    return frozenset(found)
