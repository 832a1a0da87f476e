"""What the workshop has and how it works: sizes of parts and tools, its board and sensors, densities.

Defaults are common practice, without a source. A file of the same names changes them.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from dialbench import tomlfile
from dialbench.errors import UserError, inert

_MAX_BYTES = 1_000_000

_Sizes = Annotated[list[Annotated[float, Field(ge=0.05, le=100)]], Field(max_length=500)]


class Workshop(tomlfile.Table):
    """Settings for everything but the body itself; frozen. Lengths in mm."""

    drills_mm: _Sizes = Field(
        default=[round(0.5 + 0.1 * k, 1) for k in range(126)],
        description="a list of drill diameters in mm, each 0.05 to 100",
    )
    cutters_mm: _Sizes = Field(
        default=[1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0],
        description="a list of widths of saws or milling cutters in mm, each 0.05 to 100",
    )
    sensor_mm: float = Field(
        default=5.2,
        ge=0.5,
        le=50,
        description="the hole for a sensor in mm, 0.5 to 50 (5.2 for a 5 mm package)",
    )
    sensor_depth_mm: float = Field(
        default=6.0,
        ge=0.5,
        le=50,
        description="how deep a sensor sits in its hole in mm, 0.5 to 50",
    )
    baffle_mm: float = Field(
        default=1.0,
        ge=0.2,
        le=20,
        description="the most that stands between the face and a sensor in mm, 0.2 to 20",
    )
    web_mm: float = Field(
        default=0.8,
        ge=0.1,
        le=20,
        description="the least between two sensor holes in mm, 0.1 to 20",
    )
    screw_mm: float = Field(
        default=3.2,
        ge=1,
        le=12,
        description="the clearance hole of a mounting screw in mm, 1 to 12",
    )
    screw_depth_mm: float = Field(
        default=8.0,
        ge=2,
        le=60,
        description="how deep a mounting screw goes into the body, 2 to 60",
    )
    cheek_mm: float = Field(
        default=12.0,
        ge=3,
        le=100,
        description="the thickness of cheeks and base plate in mm, 3 to 100",
    )
    foot_mm: float = Field(
        default=8.5, ge=2, le=30, description="the hole of a levelling foot in mm, 2 to 30"
    )
    foot_pitch_mm: float = Field(
        default=1.25,
        ge=0.2,
        le=5,
        description="the pitch of a levelling foot's thread in mm, 0.2 to 5",
    )
    density_g_cm3: float = Field(
        default=1.2, ge=0.05, le=25, description="the density of the body in g/cm3, 0.05 to 25"
    )
    base_density_g_cm3: float = Field(
        default=0.7,
        ge=0.05,
        le=25,
        description="the density of base and carrier in g/cm3, 0.05 to 25",
    )
    board: Literal["pico", "esp32"] = Field(
        default="pico", description='the microcontroller board, "pico" or "esp32"'
    )
    sun_klx: float = Field(
        default=100.0,
        ge=10,
        le=200,
        description="the direct sun at its brightest in klx, 10 to 200",
    )
    sensor_mm2: float = Field(
        default=1.0,
        ge=0.01,
        le=200,
        description="the area of a sensor's chip in mm2, 0.01 to 200 (1 for an SFH 203 P)",
    )
    window_mm: float = Field(
        default=0.4,
        ge=0,
        le=20,
        description="how deep a sensor's chip stands behind its window as light sees it in mm, 0 to 20",
    )
    film: float = Field(
        default=0.5,
        gt=0,
        le=1,
        description="the share of light that the film behind an exit lets through, to 1",
    )
    dome: float = Field(
        default=0.5,
        gt=0,
        le=1,
        description="the share of light that a reference's diffuser lets through, to 1",
    )
    load_most_ohm: float = Field(
        default=100_000.0,
        ge=100,
        le=1e6,
        description="the largest load resistor of a sensor in ohm, 100 to 1e6",
    )


def load(path: Path) -> Workshop:
    """The settings of a workshop file; UserError with every mistake in it."""
    name = inert(str(path))
    what = "workshop file"
    document = tomlfile.parse_text(tomlfile.read_text(path, what, _MAX_BYTES), str(path), what)
    problems = tomlfile.problems_in(document, Workshop, {})
    if problems:
        raise UserError(
            *(f"{name}: {tomlfile.written(at)}: {sentence}" for at, sentence in problems)
        )
    return Workshop.model_validate(document)
