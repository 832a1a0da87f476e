"""What a dial is: site, face, body, bores. Plain values, no files and no checking.

Files are read and checked by `dialbench.dialfile`; bores are laid out by
`dialbench.layout`. Everything here is frozen, so that a dial can be a key.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from functools import cached_property
from typing import Any, Literal
from zoneinfo import ZoneInfo

from dialbench.errors import UserError

Shape = Literal["slot", "round"]
TimeKind = Literal["apparent", "mean", "zone"]

_OFFSET = re.compile(r"([+-])(\d\d):([0-5]\d)")


class DialError(UserError):
    """What is wrong with a dial: one sentence a fault, each beginning with its field's path."""

    def __init__(self, problems: Sequence[str]) -> None:
        super().__init__(*problems)
        self.problems = list(problems)


def standard_air(elevation_m: float) -> tuple[float, float]:
    """Pressure in mbar and temperature in deg C of the International Standard Atmosphere.

    Holds below 11 km. ISO 2533:1975 (from memory): 1013.25 mbar and 288.15 K at sea
    level, 6.5 K/km, g 9.80665 m/s2, R 287.05287 J/(kg K); elevation counts as
    geopotential, which is 0.1% off at 6 km.
    """
    kelvin = 288.15 - 0.0065 * elevation_m
    pressure_mbar = 1013.25 * (kelvin / 288.15) ** (9.80665 / (287.05287 * 0.0065))
    return pressure_mbar, kelvin - 273.15


def zone_of(name: str) -> tzinfo:
    """The time zone called name: "+05:45" or an IANA name.

    Raises ZoneInfoNotFoundError or ValueError for a name that is neither.
    """
    match = _OFFSET.fullmatch(name)
    if match is None:
        return ZoneInfo(name)
    sign = -1 if match[1] == "-" else 1
    return timezone(sign * timedelta(hours=int(match[2]), minutes=int(match[3])))


@dataclass(frozen=True)
class Site:
    """Where a dial stands. Longitude positive east, elevation above sea level.

    horizon is the skyline, (azimuth_deg, altitude_deg) from north through east, azimuths
    ascending from 0 to under 360: straight between these points, and round from the last
    to the first. Without any it is the free horizon at altitude 0.
    """

    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    zone: str
    pressure_mbar: float
    temperature_C: float
    horizon: tuple[tuple[float, float], ...] = ()

    @property
    def hemisphere(self) -> int:
        """+1 north (and on the equator), -1 south: see dialcore.frames."""
        return 1 if self.latitude_deg >= 0 else -1

    @property
    def tz(self) -> tzinfo:
        return zone_of(self.zone)

    def standard_offset_h(self, day: date) -> float:
        """Hours the zone's standard time (without summer time) is ahead of UTC on a day."""
        noon = datetime(day.year, day.month, day.day, 12, tzinfo=UTC).astimezone(self.tz)
        ahead = noon.utcoffset() or timedelta(0)
        summer = noon.dst() or timedelta(0)
        return (ahead - summer).total_seconds() / 3600


@dataclass(frozen=True)
class Step:
    """One interval of the face's time plan, from start_min for the plan's step_min.

    start_min counts minutes after midnight of the plan's own time; spells is what the
    lit channels stand for, a time of day "HH:MM".
    """

    index: int
    start_min: float
    spells: str
    channels: frozenset[int]


@dataclass(frozen=True)
class Channel:
    """One pixel: place of its exit on the face in P (y, z), and its cell as a viewer sees it.

    column counts from the viewer's left, row from the top.
    """

    y_mm: float
    z_mm: float
    column: int
    row: int


@dataclass(frozen=True)
class Plan:
    """When each step begins. kind says which time the steps count.

    For "zone", longitude is allowed for, and the equation of time of design_date if
    there is one; for "mean", only the latter; for "apparent", neither.
    """

    kind: TimeKind
    step_min: float
    steps: tuple[Step, ...]
    design_date: date | None = None


@dataclass(frozen=True)
class Body:
    """A half-cylinder about the polar axis: x >= 0, x^2 + y^2 <= radius^2, |z| <= length/2.

    depth_mm, if there is one, cuts it flat in front, parallel to the face: x <= depth.
    Walls thinner than wall_mm do not exist (dialbench.pockets).
    """

    radius_mm: float
    length_mm: float
    depth_mm: float | None = None
    wall_mm: float = 0.0

    @property
    def front_mm(self) -> float:
        """How far the body reaches from its face."""
        return self.radius_mm if self.depth_mm is None else min(self.depth_mm, self.radius_mm)


@dataclass(frozen=True)
class Bore:
    """One straight light path, from its channel's exit to the body's surface.

    Sizes are measured across the axis: width for a slot, diameter for a round bore.
    opening_deg is a slot's full angle in declination. See dialcore.bores.
    """

    channel: int
    hour_angle_deg: float
    declination_deg: float
    shape: Shape
    exit_mm: float
    entry_mm: float
    length_mm: float
    opening_deg: float


@dataclass(frozen=True)
class Limits:
    """What is asked of a dial, for an audit to hold it to; None where nothing is.

    duty: least share of the plan's time in which exactly the right face shows; wrong: most
    share of it in which a channel is lit that should be dark; ghost: most light on a channel
    whose own bores are dark; contrast: least ratio, in the middle of a step, of the dimmest
    channel that should be lit to the brightest that should not; hamming: least number of
    channels in which two of the plan's faces differ; season_deg: the Sun's declinations, lowest
    and highest, between which all that is asked, None for the whole year.
    """

    duty: float | None = None
    wrong: float | None = None
    ghost: float | None = None
    contrast: float | None = None
    hamming: int | None = None
    season_deg: tuple[float, float] | None = None


@dataclass(frozen=True)
class Dial:
    name: str
    site: Site
    channels: tuple[Channel, ...]
    plan: Plan
    body: Body
    bores: tuple[Bore, ...]
    limits: Limits = Limits()

    @cached_property
    def hash(self) -> str:
        """16 hex digits that name this geometry and plan; the board carries them too."""
        facts = asdict(self)
        if not self.site.horizon:
            del facts["site"]["horizon"]  # dials from before there was any keep their names
        if self.body.depth_mm is None:
            del facts["body"]["depth_mm"]  # and those from before bodies could be cut
        if self.body.wall_mm == 0:
            del facts["body"]["wall_mm"]
        del facts["limits"]  # what is asked of a dial is no part of it
        facts["plan"]["steps"] = [
            [s.index, s.start_min, s.spells, sorted(s.channels)] for s in self.plan.steps
        ]
        text = json.dumps(_all_float(facts), sort_keys=True, default=str)
        return hashlib.sha256(text.encode()).hexdigest()[:16]


def _all_float(facts: Any) -> Any:
    """facts with every whole number as a float: 111 mm and 111.0 mm are one length."""
    if isinstance(facts, dict):
        return {key: _all_float(value) for key, value in facts.items()}
    if isinstance(facts, list | tuple):
        return [_all_float(value) for value in facts]
    return float(facts) if isinstance(facts, int) else facts
