"""A drawing that differs from the dial by what its making will get wrong, the other way round.

What a way of making does to a drawing is learnt from dials made before, and written down in
a file (TOML, or JSON by the name's ending), all of it but the format optional:

    format = 1
    dial = "13ec12c1ab09426d"  # the dial that was made, where this is of one dial's bores

    [shrink]              # how much smaller the part comes out than drawn, in percent
    x_percent = 0.4       # across the face, from it to the sky
    y_percent = 0.4       # along the face, east and west
    z_percent = 0.6       # along the polar axis

    [bores]               # how much wider all bores come out than drawn
    width_mm = -0.12
    entry_percent = 3.0   # the entries alone, and exits likewise, before width_mm is added

    [[channel]]           # besides, how the bores of one channel come out
    channel = 3
    hour_angle_deg = 0.04
    declination_deg = 0.0
    width_mm = 0.02

    [[bore]]              # and one by one, numbered as in the dial, from 0
    bore = 17
    hour_angle_deg = -0.02

Errors of a bore add up. `dialbench solve --compensation` writes such a file. `made` is what comes out of a drawing, `compensated` the drawing out
of which comes a dial: each undoes the other.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import Field

from dialbench import layout, tomlfile
from dialbench.dial import Body, Bore, Channel, Dial
from dialbench.dialmodel import MAX_BORES, MAX_CHANNELS
from dialbench.errors import UserError, inert
from dialbench.tomlfile import Table
from dialcore import bores

MAX_BYTES = 4_000_000

_PRINTED = 40
_WHAT = "file of errors"
_AXES = "in percent, -10 to 10"
_SHARE = "in percent, -30 to 30"
_ANGLE = "in degrees, -10 to 10, as made less as drawn"
_WIDTH = "how much wider than drawn bores come out, at exit and entry, in mm, -10 to 10"

Scale = tuple[float, float, float]
Vector = tuple[float, float, float]


class CompensationError(UserError):
    """What is wrong with a file of errors, or with a drawing it asks for: a sentence each."""

    def __init__(self, problems: list[str]) -> None:
        hidden = len(problems) - _PRINTED
        more = [f"... and {hidden} more"] if hidden > 0 else []
        super().__init__(*problems[:_PRINTED], *more)
        self.problems = problems


class ShrinkTable(Table):
    """How much smaller a part comes out than drawn."""

    x_percent: float = Field(
        default=0.0, ge=-10, le=10, description=f"the shrinkage along x {_AXES}"
    )
    y_percent: float = Field(
        default=0.0, ge=-10, le=10, description=f"the shrinkage along y {_AXES}"
    )
    z_percent: float = Field(
        default=0.0, ge=-10, le=10, description=f"the shrinkage along z {_AXES}"
    )


class WidthTable(Table):
    width_mm: float = Field(default=0.0, ge=-10, le=10, description=_WIDTH)
    exit_percent: float = Field(
        default=0.0, ge=-30, le=30, description=f"how much wider the exits come out {_SHARE}"
    )
    entry_percent: float = Field(
        default=0.0, ge=-30, le=30, description=f"how much wider the entries come out {_SHARE}"
    )


class _OffTable(WidthTable):
    hour_angle_deg: float = Field(
        default=0.0, ge=-10, le=10, description=f"the axes' error in hour angle {_ANGLE}"
    )
    declination_deg: float = Field(
        default=0.0, ge=-10, le=10, description=f"the axes' error in declination {_ANGLE}"
    )


class ChannelTable(_OffTable):
    channel: int = Field(
        ge=0, lt=MAX_CHANNELS, description=f"the channel's number, 0 to {MAX_CHANNELS - 1} at most"
    )


class BoreTable(_OffTable):
    bore: int = Field(
        ge=0, lt=MAX_BORES, description="the bore's number in the order of the dial, from 0"
    )


class Errors(Table):
    """How parts come out that are made one certain way."""

    format: int = Field(ge=1, le=1, description="1, the version of this format")
    dial: str | None = Field(
        default=None,
        pattern=r"^[0-9a-f]{16}$",
        description="the hash of the dial that was made, 16 hex digits",
    )
    shrink: ShrinkTable = Field(default=ShrinkTable(), description="the table [shrink]")
    bores: WidthTable = Field(default=WidthTable(), description="the table [bores]")
    channel: list[ChannelTable] = Field(
        default=[],
        max_length=MAX_CHANNELS,
        description=f"[[channel]], at most {MAX_CHANNELS} of them",
    )
    bore: list[BoreTable] = Field(
        default=[], max_length=MAX_BORES, description=f"[[bore]], at most {MAX_BORES} of them"
    )

    @property
    def scale(self) -> Scale:
        """Sizes as made over sizes as drawn, along x, y, z."""
        shrink = self.shrink
        percents = (shrink.x_percent, shrink.y_percent, shrink.z_percent)
        x, y, z = (1 - percent / 100 for percent in percents)
        return x, y, z


def load(path: Path) -> Errors:
    """The errors that a file tells of; CompensationError with every mistake in it."""
    name = inert(str(path))
    document = _document(path, name)
    problems = [
        f"{tomlfile.written(field)}: {problem}"
        for field, problem in tomlfile.problems_in(document, Errors, {})
    ]
    if not problems:
        problems = list(_twice(Errors.model_validate(document)))
    if problems:
        raise CompensationError([f"{name}: {problem}" for problem in problems])
    return Errors.model_validate(document)


def load_for(dial: Dial, path: Path) -> Errors:
    """The errors of a file that may be told of this dial; CompensationError if it is another's."""
    errors = load(path)
    if errors.dial not in (None, dial.hash):
        problem = (
            f"{inert(str(path))}: dial: these are the errors of dial {errors.dial}, and this is"
            f" dial {dial.hash}; take the file of this very dial, or leave dial, [[channel]] and"
            " [[bore]] out of it if all that is meant is the way of making"
        )
        raise CompensationError([problem])
    return errors


def compensated(dial: Dial, errors: Errors) -> Dial:
    """The drawing out of which comes the dial, if it is made with these errors.

    CompensationError where there is none: a bore would have no width, or not fit the body,
    or the errors are of channels or bores that the dial has not.
    """
    drawing = _changed(dial, errors, back=True)
    faults = layout.listed_faults(drawing.site, drawing.channels, drawing.body, drawing.bores)
    if faults:
        raise CompensationError([f"drawn with its errors taken off: {fault}" for fault in faults])
    return drawing


def made(drawing: Dial, errors: Errors) -> Dial:
    """What comes out of a drawing: the dial that best describes the part.

    A half-cylinder shrunk otherwise in x than in y is no half-cylinder any more; its radius
    is that in y. A bore's light does not depend on where the surface cuts it off.
    """
    return _changed(drawing, errors, back=False)


def dump(errors: Errors, remarks: Sequence[str] = ()) -> str:
    """The text of a file that loads back to these errors; remarks stand above them."""
    lines = [f"# {inert(remark)}" for remark in remarks]
    lines.append(f"format = {errors.format}")
    if errors.dial is not None:
        lines.append(f'dial = "{errors.dial}"')
    tables: list[tuple[str, Table]] = [("[shrink]", errors.shrink), ("[bores]", errors.bores)]
    tables += [("[[channel]]", table) for table in errors.channel]
    tables += [("[[bore]]", table) for table in errors.bore]
    for head, table in tables:
        entries = table.model_dump(exclude_defaults=True)
        if entries:
            lines += ["", head, *(f"{name} = {value}" for name, value in entries.items())]
    return "\n".join(lines) + "\n"


def _changed(dial: Dial, errors: Errors, *, back: bool) -> Dial:
    problems = list(_strangers(dial, errors))
    if problems:
        raise CompensationError(problems)
    x, y, z = errors.scale
    scale = (1 / x, 1 / y, 1 / z) if back else (x, y, z)
    body = _scaled_body(dial.body, scale)
    channels = tuple(
        replace(channel, y_mm=channel.y_mm * scale[1], z_mm=channel.z_mm * scale[2])
        for channel in dial.channels
    )
    changed: list[Bore] = []
    for k, (bore, off) in enumerate(zip(dial.bores, _offs(dial, errors), strict=True)):
        side = dial.site.hemisphere
        if back:
            straight = _aimed(bore, off, -1.0)
            new = _drawn_bore(straight, errors.scale, side) if _sound(straight) else straight
        else:
            new = _aimed(_shrunk_bore(bore, errors.scale, side), off, 1.0)
        if not _sound(new):
            problems.append(
                f"bore.{k}: comes to a width of {min(new.exit_mm, new.entry_mm):.3f} mm at hour "
                f"angle {new.hour_angle_deg:.2f} deg, declination {new.declination_deg:.2f} deg; "
                "write smaller errors, or leave this bore out"
            )
            continue
        # As far as the surface is from there, so as the one length was to the other.
        ratio = _way_mm(body, channels[bore.channel], new, side) / _way_mm(
            dial.body, dial.channels[bore.channel], bore, side
        )
        length_mm = bore.length_mm * ratio
        taper = (new.entry_mm - new.exit_mm) / new.length_mm
        changed.append(replace(new, length_mm=length_mm, entry_mm=new.exit_mm + taper * length_mm))
    if problems:
        raise CompensationError(problems)
    return replace(dial, body=body, channels=channels, bores=tuple(changed))


@dataclass(frozen=True)
class _Off:
    """How one bore comes out: as made less as drawn."""

    hour_angle_deg: float
    declination_deg: float
    width_mm: float
    exit_factor: float
    entry_factor: float


def _offs(dial: Dial, errors: Errors) -> Iterator[_Off]:
    """The errors of every bore of a dial, added up."""
    by_channel = {table.channel: table for table in errors.channel}
    by_bore = {table.bore: table for table in errors.bore}
    for k, bore in enumerate(dial.bores):
        found: list[_OffTable] = []
        if bore.channel in by_channel:
            found.append(by_channel[bore.channel])
        if k in by_bore:
            found.append(by_bore[k])
        yield _Off(
            sum(table.hour_angle_deg for table in found),
            sum(table.declination_deg for table in found),
            sum(table.width_mm for table in (errors.bores, *found)),
            1 + sum(table.exit_percent for table in (errors.bores, *found)) / 100,
            1 + sum(table.entry_percent for table in (errors.bores, *found)) / 100,
        )


def _aimed(bore: Bore, off: _Off, sign: float) -> Bore:
    """A bore with its own errors put on (1) or taken off (-1)."""

    def wide(drawn_mm: float, factor: float) -> float:
        if sign > 0:
            return drawn_mm * factor + off.width_mm
        return (drawn_mm - off.width_mm) / factor

    return replace(
        bore,
        hour_angle_deg=bore.hour_angle_deg + sign * off.hour_angle_deg,
        declination_deg=bore.declination_deg + sign * off.declination_deg,
        exit_mm=wide(bore.exit_mm, off.exit_factor),
        entry_mm=wide(bore.entry_mm, off.entry_factor),
    )


def _scaled_body(body: Body, scale: Scale) -> Body:
    depth_mm = None if body.depth_mm is None else body.depth_mm * scale[0]
    return replace(
        body,
        radius_mm=body.radius_mm * scale[1],
        length_mm=body.length_mm * scale[2],
        depth_mm=depth_mm,
    )


def _shrunk_bore(bore: Bore, scale: Scale, hemisphere: int) -> Bore:
    """A drawn bore as it is in a body scaled along x, y, z."""
    moved = _moved(bore, scale, hemisphere)
    return _resized(bore, moved, *_factors(bore, scale, hemisphere))


def _drawn_bore(bore: Bore, scale: Scale, hemisphere: int) -> Bore:
    """_shrunk_bore undone."""
    x, y, z = scale
    moved = _moved(bore, (1 / x, 1 / y, 1 / z), hemisphere)
    longer, wider, higher = _factors(moved, scale, hemisphere)
    return _resized(bore, moved, 1 / longer, 1 / wider, 1 / higher)


def _moved(bore: Bore, scale: Scale, hemisphere: int) -> Bore:
    """A bore whose axis went along with space."""
    x, y, z = (
        part * factor for part, factor in zip(_axes(bore, hemisphere)[0], scale, strict=True)
    )
    return replace(
        bore,
        hour_angle_deg=math.degrees(math.atan2(-hemisphere * y, x)),
        declination_deg=math.degrees(math.atan2(hemisphere * z, math.hypot(x, y))),
    )


def _factors(bore: Bore, scale: Scale, hemisphere: int) -> tuple[float, float, float]:
    """How much longer a drawn bore comes to be along its axis, and wider across it in (u, v).

    Its walls, pair by pair, come to be as far apart as planes square to u and to v do; a
    round bore's to the mean of both.
    """
    along, across, beside = _axes(bore, hemisphere)
    longer = math.hypot(*(part * factor for part, factor in zip(along, scale, strict=True)))
    wider, higher = _apart(across, scale), _apart(beside, scale)
    if bore.shape == "round":
        wider = higher = math.sqrt(wider * higher)
    return longer, wider, higher


def _resized(bore: Bore, aim: Bore, longer: float, wider: float, higher: float) -> Bore:
    """A bore that points where aim does, in other sizes."""
    rise = math.tan(math.radians(bore.opening_deg) / 2) * higher / longer
    return replace(
        aim,
        exit_mm=bore.exit_mm * wider,
        entry_mm=bore.entry_mm * wider,
        length_mm=bore.length_mm * longer,
        opening_deg=2 * math.degrees(math.atan(rise)),
    )


def _axes(bore: Bore, hemisphere: int) -> tuple[Vector, Vector, Vector]:
    along, across, beside = bores.axes(
        math.radians(bore.hour_angle_deg), math.radians(bore.declination_deg), hemisphere, math
    )
    return along, across, beside


def _apart(normal: Vector, scale: Scale) -> float:
    """How much farther apart two planes square to a unit vector come to be."""
    parts = (part / factor for part, factor in zip(normal, scale, strict=True))
    return 1 / math.hypot(*parts)


def _sound(bore: Bore) -> bool:
    return (
        min(bore.exit_mm, bore.entry_mm) > 0
        and abs(bore.hour_angle_deg) < 90
        and abs(bore.declination_deg) < 90
    )


def _way_mm(body: Body, channel: Channel, bore: Bore, hemisphere: int) -> float:
    """From a bore's exit along its axis to the surface, ends left out of account."""
    across = layout.depth_mm(body, channel.y_mm, bore.hour_angle_deg, hemisphere)
    return across / math.cos(math.radians(bore.declination_deg))


def _strangers(dial: Dial, errors: Errors) -> Iterator[str]:
    """Errors of what the dial has not."""
    for kind, tables, count in (
        ("channel", [(table.channel, k) for k, table in enumerate(errors.channel)], dial.channels),
        ("bore", [(table.bore, k) for k, table in enumerate(errors.bore)], dial.bores),
    ):
        for number, k in tables:
            if number >= len(count):
                yield (
                    f"{kind}.{k}.{kind}: is {number}, but the dial's go from 0 to "
                    f"{len(count) - 1}; leave it out, or take the errors of this very dial"
                )


def _twice(errors: Errors) -> Iterator[str]:
    """Channels and bores that are listed more than once."""
    for kind, numbers in (
        ("channel", [table.channel for table in errors.channel]),
        ("bore", [table.bore for table in errors.bore]),
    ):
        first: dict[int, int] = {}
        for k, number in enumerate(numbers):
            if first.setdefault(number, k) != k:
                yield (
                    f"{kind}.{k}.{kind}: is {number}, as in {kind}.{first[number]}; "
                    "write each once, with the sum of its errors"
                )


def _document(path: Path, name: str) -> dict[str, Any]:
    text = tomlfile.read_text(path, _WHAT, MAX_BYTES)
    if path.suffix.lower() != ".json":
        return tomlfile.parse_text(text, name, _WHAT)
    try:
        document = json.loads(text)
    except RecursionError:
        raise CompensationError([f"{name}: tables and lists are nested too deep"]) from None
    except ValueError as error:
        raise CompensationError([f"{name}: is no JSON ({inert(str(error))})"]) from None
    if not isinstance(document, dict):
        raise CompensationError([f'{name}: is no table; begin with {{"format": 1'])
    return document
