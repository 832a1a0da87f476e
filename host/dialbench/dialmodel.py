"""What a dial.toml may hold: every field with its meaning, unit and limits.

A field's description says what to write there: it goes into the JSON Schema, and a
mistake is reported as what stands there and that description. `problems_in` finds what
is wrong with each field by itself; `dialbench.dialfile` checks fields against each other.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    Tag,
)

from dialbench import face, tomlfile
from dialbench.dial import zone_of
from dialbench.tomlfile import FieldPath, Table

MAX_CHANNELS = 128
MAX_STEPS = 96
MAX_BORES = 20_000
MAX_HORIZON = 720
LARGEST_DEG = 23.5  # a declination that the Sun never passes


def _printable(text: str) -> str:
    if not text.isprintable():
        raise ValueError("unprintable")
    return text


def _zone(name: str) -> str:
    try:
        zone_of(name)
    except (LookupError, OSError) as error:  # no such zone, or a folder of zones
        raise ValueError("unknown zone") from error
    return name


def _time(text: str) -> str:
    face.minutes_of(text)
    return text


def _near(day: date) -> date:
    if not 1900 <= day.year <= 2050:
        raise ValueError("outside the ephemeris")
    return day


Name = Annotated[str, Field(min_length=1, max_length=80), AfterValidator(_printable)]
Zone = Annotated[str, Field(pattern=r"^[A-Za-z0-9_+:/-]{1,64}$"), AfterValidator(_zone)]
Day = Annotated[date, AfterValidator(_near)]
Time = Annotated[str, Field(max_length=8), AfterValidator(_time)]
HourMinute = Annotated[str, Field(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]
Size = Annotated[float, Field(gt=0, le=10_000)]
Place = Annotated[float, Field(ge=-10_000, le=10_000)]
Cell = Annotated[int, Field(ge=0, le=999)]
ChannelNumber = Annotated[int, Field(ge=0, lt=MAX_CHANNELS)]
Declination = Annotated[float, Field(ge=-LARGEST_DEG, le=LARGEST_DEG)]
Opening = Annotated[float, Field(gt=0, lt=180)]

_SIZE = "more than 0 and at most 10000"
_FACES = '"hours-and-quarters" or "listed"'
_SHAPES = '"slot" or "round"'


class HorizonTable(Table):
    """One point of the skyline."""

    azimuth_deg: float = Field(
        ge=0,
        lt=360,
        description="its azimuth in degrees from north through east, 0 to under 360, larger "
        "than the one before",
    )
    altitude_deg: float = Field(
        ge=-5,
        le=90,
        description="the altitude in degrees at which the skyline is seen there, -5 to 90",
    )


class SiteTable(Table):
    name: Name = Field(description="the site's name, 1 to 80 printable characters")
    latitude_deg: float = Field(
        ge=-90, le=90, description="the latitude in degrees north, -90 to 90"
    )
    longitude_deg: float = Field(
        ge=-180, le=180, description="the longitude in degrees east, -180 to 180"
    )
    elevation_m: float = Field(
        ge=-500, le=9000, description="the height in metres above sea level, -500 to 9000"
    )
    zone: Zone = Field(
        description='the time zone: its offset from UTC such as "-01:00", or its IANA name'
    )
    pressure_mbar: float | None = Field(
        None,
        ge=200,
        le=1200,
        description="the air pressure at the site in mbar, 200 to 1200, for refraction; left out, "
        "that of the International Standard Atmosphere (ISO 2533) at elevation_m",
    )
    temperature_C: float | None = Field(
        None,
        ge=-90,
        le=60,
        description="the air temperature in deg C, -90 to 60, for refraction; left out, that of the "
        "International Standard Atmosphere (ISO 2533) at elevation_m",
    )
    horizon: list[HorizonTable] | None = Field(
        None,
        max_length=MAX_HORIZON,
        description=f"[[site.horizon]], at most {MAX_HORIZON} of them, the skyline's points by "
        "azimuth; straight between them, and from the last to the first; left out, the free "
        "horizon",
    )


class HoursFace(Table):
    """33 channels: the hour in two digits of 3x5, and three dots for its quarters."""

    kind: Literal["hours-and-quarters"] = Field(description=_FACES)
    column_pitch_mm: Size = Field(description=f"the distance between columns in mm, {_SIZE}")
    row_pitch_mm: Size = Field(description=f"the distance between rows in mm, {_SIZE}")


class ChannelTable(Table):
    y_mm: Place = Field(
        description="its way from the face's middle to the viewer's left in mm, +-10000"
    )
    z_mm: Place = Field(
        description="its way from the face's middle towards the pole in mm, +-10000"
    )
    column: Cell = Field(description="the column of its cell, from 0 at the viewer's left")
    row: Cell = Field(description="the row of its cell, from 0 at the top")


class StepTable(Table):
    start: Time = Field(description='when the plan begins the step, "HH:MM" or "HH:MM:SS"')
    spells: HourMinute = Field(
        description='the time of day that its lit channels stand for, "HH:MM"'
    )
    channels: list[ChannelNumber] = Field(
        max_length=MAX_CHANNELS,
        description=f"the numbers of the channels to be lit, 0 to {MAX_CHANNELS - 1} at most",
    )


class ListedFace(Table):
    """Channels and steps one by one; channels are numbered from 0 as they come."""

    kind: Literal["listed"] = Field(description=_FACES)
    channel: list[ChannelTable] = Field(
        min_length=1,
        max_length=MAX_CHANNELS,
        description=f"[[face.channel]], 1 to {MAX_CHANNELS} of them",
    )
    step: list[StepTable] = Field(
        min_length=1,
        max_length=MAX_STEPS,
        description=f"[[face.step]], 1 to {MAX_STEPS} of them, in the plan's order",
    )


class PlanTable(Table):
    time: Literal["zone", "mean", "apparent"] = Field(
        description='"zone" (standard time of the site\'s zone), "mean" (local mean time) or '
        '"apparent" (local apparent time)'
    )
    start: Time = Field(description='when the first step begins, "HH:MM" or "HH:MM:SS"')
    step_min: float = Field(
        gt=0, le=720, description="the minutes that a step lasts, more than 0 and at most 720"
    )
    steps: int = Field(
        ge=1, le=MAX_STEPS, description=f"how many steps, a whole number from 1 to {MAX_STEPS}"
    )
    design_date: Day | None = Field(
        None,
        description="a date from 1900-01-01 to 2050-12-31, without quotes, whose equation of "
        "time zone and mean plans allow for; left out, none is allowed for",
    )


class BodyTable(Table):
    shape: Literal["half-cylinder"] = Field(
        description='"half-cylinder": about the polar axis, its flat side the face'
    )
    radius_mm: Size = Field(description=f"the radius in mm, {_SIZE}")
    length_mm: Size = Field(description=f"the length along the polar axis in mm, {_SIZE}")
    depth_mm: Size | None = Field(
        None,
        description=f"how far in front of the face the body is cut flat in mm, {_SIZE}; left out, "
        "it is round all over",
    )
    wall_mm: float | None = Field(
        None,
        ge=0,
        le=100,
        description="the thinnest wall in mm that can be made, 0 to 100: thinner ones do not exist "
        "and bores so close are one; left out, 0",
    )


class LimitsTable(Table):
    """What an audit holds the dial to; what is left out is not asked."""

    duty: float | None = Field(
        None,
        ge=0,
        le=1,
        description="the least share of the plan's time in which exactly the right channels are "
        "lit, 0 to 1",
    )
    wrong: float | None = Field(
        None,
        ge=0,
        le=1,
        description="the largest share of the plan's time in which a channel is lit that should be "
        "dark, 0 to 1",
    )
    ghost: float | None = Field(
        None,
        ge=0,
        le=1,
        description="the largest lit fraction of a channel whose own bores are dark, 0 to 1",
    )
    contrast: float | None = Field(
        None,
        ge=1,
        description="the least ratio of the dimmest channel that should be lit to the brightest "
        "that should not in the middle of a step, at least 1",
    )
    hamming: int | None = Field(
        None,
        ge=0,
        le=MAX_CHANNELS,
        description=f"the least number of channels in which two faces differ, 0 to {MAX_CHANNELS}",
    )
    season_deg: list[Declination] | None = Field(
        None,
        min_length=2,
        max_length=2,
        description=f"a list of two declinations in degrees, -{LARGEST_DEG} to {LARGEST_DEG}, the "
        "lower first: only days with the Sun between them count; left out, the whole year",
    )


class BoresTable(Table):
    """One slot for every channel and step that lights it."""

    generated: Literal["uniform"] = Field(description='"uniform"')
    exit_mm: Size = Field(description=f"the side of every square exit in mm, {_SIZE}")
    taper_deg: float = Field(
        ge=0,
        lt=45,
        description="the half-angle by which slots widen outwards in degrees, 0 to under 45",
    )
    opening_deg: Opening = Field(
        description="the full angle in declination in degrees, more than 0 and under 180"
    )


class _Bore(Table):
    channel: ChannelNumber = Field(
        description=f"the number of its channel, 0 to {MAX_CHANNELS - 1} at most"
    )
    hour_angle_deg: float = Field(
        ge=-180,
        le=180,
        description="where its axis points in degrees, -180 to 180, positive after noon",
    )
    declination_deg: float = Field(
        gt=-90, lt=90, description="where its axis points in degrees, -90 to 90, positive north"
    )
    length_mm: Size = Field(description=f"the way from exit to entry along its axis in mm, {_SIZE}")


class SlotTable(_Bore):
    shape: Literal["slot"] = Field(description=_SHAPES)
    exit_mm: Size = Field(description=f"the side of its square exit in mm, {_SIZE}")
    entry_mm: Size = Field(description=f"its width at the entry in mm, {_SIZE}")
    opening_deg: Opening = Field(
        description="the full angle in declination in degrees, more than 0 and under 180"
    )


class RoundTable(_Bore):
    shape: Literal["round"] = Field(description=_SHAPES)
    exit_mm: Size = Field(description=f"its diameter at the exit in mm, {_SIZE}")
    entry_mm: Size = Field(description=f"its diameter at the entry in mm, {_SIZE}")


_KINDS: dict[object, type[BaseModel]] = {
    "hours-and-quarters": HoursFace,
    "listed": ListedFace,
    "slot": SlotTable,
    "round": RoundTable,
}


def _kind_of_face(value: object) -> str:
    """The kind that a face says, or else looks like, so that its other mistakes show as well."""
    table = value if isinstance(value, dict) else {}
    if table.get("kind") in ("hours-and-quarters", "listed"):
        return str(table["kind"])
    return "listed" if "channel" in table or "step" in table else "hours-and-quarters"


def _shape_of_bore(value: object) -> str:
    table = value if isinstance(value, dict) else {}
    if table.get("shape") in ("slot", "round"):
        return str(table["shape"])
    return "slot" if "opening_deg" in table else "round"


AnyFace = Annotated[
    Annotated[HoursFace, Tag("hours-and-quarters")] | Annotated[ListedFace, Tag("listed")],
    Discriminator(_kind_of_face),
]
AnyBore = Annotated[
    Annotated[SlotTable, Tag("slot")] | Annotated[RoundTable, Tag("round")],
    Discriminator(_shape_of_bore),
]


class DialDocument(Table):
    model_config = ConfigDict(
        title="dial.toml",
        json_schema_extra={"oneOf": [{"required": ["bores"]}, {"required": ["bore"]}]},
    )

    format: int = Field(ge=1, le=1, description="1, the version of this format")
    name: Name = Field(description="the dial's name, 1 to 80 printable characters")
    site: SiteTable = Field(description="the table [site]: where the dial stands")
    face: AnyFace = Field(
        description='the table [face] with kind = "hours-and-quarters" or "listed"'
    )
    plan: PlanTable = Field(description="the table [plan]: when each step begins")
    body: BodyTable = Field(description="the table [body]: the solid that the bores pierce")
    limits: LimitsTable | None = Field(
        None, description="the table [limits]: what `dialbench audit` holds the dial to"
    )
    bores: BoresTable | None = Field(
        None, description="the table [bores], for bores laid out by rule; then no [[bore]]"
    )
    bore: list[AnyBore] | None = Field(
        None,
        min_length=1,
        max_length=MAX_BORES,
        description=f"[[bore]], at most {MAX_BORES} of them, one by one; then no [bores]",
    )


def problems_in(document: dict[str, Any]) -> list[tuple[FieldPath, str]]:
    """What is wrong with the fields of a parsed dial.toml, each by itself: (path, sentence)."""
    return tomlfile.problems_in(document, DialDocument, _KINDS)
