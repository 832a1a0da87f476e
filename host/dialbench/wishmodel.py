"""What a layout spec may hold: every field with its meaning, unit and limits.

Tables that mean the same in a dial.toml are those of `dialbench.dialmodel`. Fields are
checked against each other by `dialbench.wishfile`.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Discriminator, Field, Tag

from dialbench import face, tomlfile
from dialbench.dialmodel import (
    LARGEST_DEG,
    MAX_STEPS,
    Day,
    Declination,
    HourMinute,
    LimitsTable,
    Name,
    PlanTable,
    SiteTable,
    Size,
)
from dialbench.tomlfile import FieldPath, Table

MAX_ROWS = MAX_COLUMNS = 64  # of a picture
MAX_DRILLS = 100

_SIZE = "more than 0 and at most 10000"
_FACES = '"hours-and-quarters", "hours-and-minutes" or "patterns"'
_PICTURE = f'rows of text from the top, each 1 to {MAX_COLUMNS} of the signs "#" and "."'
_KINDS_OF_PROCESS = '"print" or "drill"'
_FEATURE_MM = 0.05


def _picture_row(line: str) -> str:
    if set(line) - {face.LIT, face.DARK}:
        raise ValueError("other signs")
    return line


PictureRow = Annotated[
    str, Field(min_length=1, max_length=MAX_COLUMNS), AfterValidator(_picture_row)
]
Picture = Annotated[list[PictureRow], Field(min_length=1, max_length=MAX_ROWS)]
Gap = Annotated[int, Field(ge=0, le=9)]
Drill = Annotated[float, Field(gt=0, le=1000)]


class QuartersFace(Table):
    """33 channels: the hour in two digits of 3x5, and three dots for its quarters."""

    kind: Literal["hours-and-quarters"] = Field(description=_FACES)


class MinutesFace(Table):
    """60 channels: hour and minute in four digits of 3x5, 24-hour."""

    kind: Literal["hours-and-minutes"] = Field(description=_FACES)
    digit_gap: Gap = Field(
        face.DIGIT_GAP,
        description="how many columns stay empty between the two digits of a pair, 0 to 9; left "
        f"out, {face.DIGIT_GAP}",
    )
    middle_gap: Gap = Field(
        face.MIDDLE_GAP,
        description="how many columns stay empty between hour and minute, 0 to 9; left out, "
        f"{face.MIDDLE_GAP}",
    )


class PatternStep(Table):
    pixels: Picture = Field(
        description=f'the picture of the step, {_PICTURE}: "#" where a channel is to be lit'
    )
    spells: HourMinute | None = Field(
        None,
        description='the time of day that the picture stands for, "HH:MM"; left out, the start of '
        "the step, an hour later under plan.summer_time",
    )


class PatternsFace(Table):
    """Channels and steps as pictures; channels are numbered row by row from the top left."""

    kind: Literal["patterns"] = Field(description=_FACES)
    cells: Picture = Field(
        description=f'the picture of the channels, {_PICTURE}: "#" where a channel is'
    )
    alike: bool = Field(
        False,
        description="true if steps that spell different times may look the same, as on a face of "
        "one channel; left out, false",
    )
    step: list[PatternStep] = Field(
        min_length=1,
        max_length=MAX_STEPS,
        description=f"[[face.step]], 1 to {MAX_STEPS} of them, in the plan's order",
    )


class SpecPlanTable(PlanTable):
    summer_time: bool = Field(
        False,
        description="true if the face is to show summer time, one hour ahead of the zone's "
        "standard time, in which start still counts; left out, false",
    )


class EnvelopeTable(Table):
    """The box that the body must keep within."""

    width_mm: Size = Field(description=f"its size across the hours in mm, {_SIZE}")
    length_mm: Size = Field(description=f"its size along the polar axis in mm, {_SIZE}")
    height_mm: Size = Field(description=f"its size from the face outwards in mm, {_SIZE}")


class _ProcessTable(Table):
    wall_mm: float = Field(
        gt=0,
        le=100,
        description="the thinnest wall in mm that your process can make, more than 0 and at most "
        "100",
    )
    feature_mm: float = Field(
        _FEATURE_MM,
        gt=0,
        le=10,
        description="the smallest step in size worth drawing in mm, more than 0 and at most 10; "
        f"left out, {_FEATURE_MM}",
    )


class PrintTable(_ProcessTable):
    kind: Literal["print"] = Field(description=_KINDS_OF_PROCESS)
    exit_mm: Size = Field(
        description=f"the smallest exit in mm that your process can make, {_SIZE}"
    )


class DrillTable(_ProcessTable):
    kind: Literal["drill"] = Field(description=_KINDS_OF_PROCESS)
    drills_mm: list[Drill] = Field(
        min_length=1,
        max_length=MAX_DRILLS,
        description=f"a list of the diameters of your drills in mm, 1 to {MAX_DRILLS} of them, each "
        "more than 0 and at most 1000",
    )
    exit_mm: Size | None = Field(
        None,
        description=f"the smallest exit in mm that is wished for, {_SIZE}; left out, the smallest "
        "drill's",
    )


class WishTable(LimitsTable):
    """What the dial is to reach, and how long and by which seed it is searched for."""

    sharp: float = Field(
        0.5,
        ge=0,
        le=1,
        description="how much a short change-over of light counts against the size of margins, 0 "
        "to 1; left out, 0.5",
    )
    shape: Literal["free", "half-cylinder", "plate"] = Field(
        "free",
        description='"half-cylinder", "plate", or "free" for whatever serves best; left out, "free"',
    )
    season_deg: list[Declination] | None = Field(
        None,
        min_length=2,
        max_length=2,
        description=f"a list of two declinations in degrees, -{LARGEST_DEG} to {LARGEST_DEG}, the "
        "lower first, between which the dial must work; left out, the whole year, or from "
        "earliest to latest",
    )
    earliest: Day | None = Field(
        None,
        description="a date from 1900-01-01 to 2050-12-31, without quotes, the first day on which "
        "the dial must work; then no season_deg",
    )
    latest: Day | None = Field(
        None,
        description="a date from 1900-01-01 to 2050-12-31, without quotes, the last day on which "
        "the dial must work; then no season_deg",
    )
    seed: int = Field(
        1,
        ge=0,
        le=2**31,
        description=f"the seed of the search, a whole number from 0 to {2**31}; left out, 1",
    )
    minutes: float = Field(
        10.0,
        gt=0,
        le=10_080,
        description="the longest time to search in minutes, more than 0 and at most 10080; left "
        "out, 10",
    )


_KINDS: dict[object, type[BaseModel]] = {
    "hours-and-quarters": QuartersFace,
    "hours-and-minutes": MinutesFace,
    "patterns": PatternsFace,
    "print": PrintTable,
    "drill": DrillTable,
}


def _kind_of_face(value: object) -> str:
    """The kind that a face says, or else looks like, so that its other mistakes show as well."""
    table = value if isinstance(value, dict) else {}
    if table.get("kind") in ("hours-and-quarters", "hours-and-minutes", "patterns"):
        return str(table["kind"])
    if "cells" in table or "step" in table:
        return "patterns"
    gaps = "digit_gap" in table or "middle_gap" in table
    return "hours-and-minutes" if gaps else "hours-and-quarters"


def _kind_of_process(value: object) -> str:
    table = value if isinstance(value, dict) else {}
    if table.get("kind") in ("print", "drill"):
        return str(table["kind"])
    return "drill" if "drills_mm" in table else "print"


AnyFace = Annotated[
    Annotated[QuartersFace, Tag("hours-and-quarters")]
    | Annotated[MinutesFace, Tag("hours-and-minutes")]
    | Annotated[PatternsFace, Tag("patterns")],
    Discriminator(_kind_of_face),
]
AnyProcess = Annotated[
    Annotated[PrintTable, Tag("print")] | Annotated[DrillTable, Tag("drill")],
    Discriminator(_kind_of_process),
]


class SpecDocument(Table):
    model_config = ConfigDict(title="layout spec")

    format: int = Field(ge=1, le=1, description="1, the version of this format")
    name: Name = Field(description="the dial's name, 1 to 80 printable characters")
    site: SiteTable = Field(description="the table [site]: where the dial is to stand")
    face: AnyFace = Field(description=f"the table [face] with kind = {_FACES}")
    plan: SpecPlanTable = Field(description="the table [plan]: when each step begins")
    envelope: EnvelopeTable = Field(
        description="the table [envelope]: the box that the body must keep within"
    )
    process: AnyProcess = Field(
        description=f"the table [process] with kind = {_KINDS_OF_PROCESS}: what can be made"
    )
    wish: WishTable | None = Field(
        None, description="the table [wish]: what the dial is to reach; left out, nothing is asked"
    )


def problems_in(document: dict[str, Any]) -> list[tuple[FieldPath, str]]:
    """What is wrong with the fields of a parsed spec, each by itself: (path, sentence)."""
    return tomlfile.problems_in(document, SpecDocument, _KINDS)
