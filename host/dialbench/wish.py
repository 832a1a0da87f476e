"""What somebody wishes of a dial before there is one. Plain values, no files and no checking.

Files are read and checked by `dialbench.wishfile`. Everything here is frozen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from dialbench.dial import Limits, Plan, Site, Step

Making = Literal["print", "drill"]
BodyShape = Literal["free", "half-cylinder", "plate"]

ALL_YEAR_DEG = (-23.44, 23.44)  # the Sun's declination from solstice to solstice
NOTHING_ASKED = Limits()


@dataclass(frozen=True)
class Cell:
    """One channel's place on the face in units of the pitch, as a viewer sees it.

    column counts from the viewer's left, row from the top.
    """

    column: float
    row: float


@dataclass(frozen=True)
class Face:
    """The channels, numbered from 0 as they come, and which of them each step lights."""

    cells: tuple[Cell, ...]
    steps: tuple[Step, ...]


@dataclass(frozen=True)
class Envelope:
    """The box that the body must keep within.

    width is along y, across the hours; length along z, the polar axis; height along x,
    from the face outwards.
    """

    width_mm: float
    length_mm: float
    height_mm: float


@dataclass(frozen=True)
class Process:
    """How the body is made and what that can do.

    exit_mm: the smallest exit; wall_mm: the thinnest wall; feature_mm: the smallest step
    in size worth drawing, sizes are rounded to it or finer. With "drill" bores are round
    and their diameters are among drills_mm, ascending; with "print" there are none.
    """

    exit_mm: float
    wall_mm: float
    feature_mm: float
    kind: Making = "print"
    drills_mm: tuple[float, ...] = ()


@dataclass(frozen=True)
class Wish:
    """A dial to be laid out. plan.steps are face.steps.

    season_deg: the declinations, lowest and highest, that the dial must work for. sharp:
    how much a short change-over of light counts against the size of margins, 0 to 1.
    seed: of the search's random numbers. minutes: the longest time to search.
    """

    name: str
    site: Site
    face: Face
    plan: Plan
    envelope: Envelope
    process: Process
    limits: Limits = NOTHING_ASKED
    season_deg: tuple[float, float] = ALL_YEAR_DEG
    shape: BodyShape = "free"
    seed: int = 1
    minutes: float = 10.0
    sharp: float = 0.5
