"""dial.toml: reads one into a Dial, writes one that loads back to the same Dial.

A file with mistakes is refused with all of them: those of single fields
(`dialbench.dialmodel`), those of fields that do not go together, and those of bores
that do not fit the body, as far as the fields they hang on are sound.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import fields
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Any

from dialbench import dialmodel, face, layout, sitefile, tomlfile
from dialbench.dial import (
    Body,
    Bore,
    Channel,
    Dial,
    DialError,
    Limits,
    Plan,
    Site,
    Step,
)
from dialbench.dialmodel import DialDocument, HoursFace, SlotTable
from dialbench.errors import inert
from dialbench.tomlfile import Sound, Source, shown, written

MAX_BYTES = 4_000_000  # room for dialmodel.MAX_BORES listed bores

DEMO: Traversable = files("dialbench").joinpath("data", "demo.toml")

_WHAT = "dial.toml"
_PRINTED_PROBLEMS = 40
_GEOMETRY = ("site", "face", "plan", "body", "limits", "bores", "bore")


class DialFileError(DialError):
    """Why a dial.toml is refused: one sentence a problem, each beginning with the file's name."""

    def __str__(self) -> str:
        hidden = len(self.problems) - _PRINTED_PROBLEMS
        more = [f"... and {hidden} more"] if hidden > 0 else []
        return "\n".join(self.problems[:_PRINTED_PROBLEMS] + more)


def load(source: Source) -> Dial:
    """The dial of a dial.toml; DialFileError with every mistake in it."""
    return parse(_text(source), str(source))


def demo() -> Dial:
    """The dial of `dialbench demo`, of our own invention."""
    return load(DEMO)


def parse(text: str, name: str) -> Dial:
    """The dial of a dial.toml's text; name stands for the file in messages.

    Raises DialFileError.
    """
    document = _table(text, name)
    try:
        return _dial(document)
    except DialError as error:
        raise DialFileError([f"{inert(name)}: {problem}" for problem in error.problems]) from None


def json_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of dial.toml; descriptions carry units and limits."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **DialDocument.model_json_schema(),
    }


def _text(source: Source) -> str:
    try:
        return tomlfile.read_text(source, _WHAT, MAX_BYTES)
    except tomlfile.TomlError as error:
        raise DialFileError([str(error)]) from None


def _table(text: str, name: str) -> dict[str, Any]:
    try:
        return tomlfile.parse_text(text, name, _WHAT)
    except tomlfile.TomlError as error:
        raise DialFileError([str(error)]) from None


def _dial(document: dict[str, Any]) -> Dial:
    """The dial of a parsed document; DialError with every mistake."""
    single = dialmodel.problems_in(document)
    sound = Sound(document, frozenset(path for path, _ in single))
    problems = [f"{written(path)}: {sentence}" for path, sentence in single]
    crossed = [
        *sitefile.horizon_problems(sound),
        *_plan_problems(sound),
        *_face_problems(sound),
        *_bore_problems(sound),
        *sitefile.season_problems(sound, "limits"),
    ]
    if crossed or any(path[0] in _GEOMETRY for path, _ in single):
        raise DialError(problems + crossed)
    # Whether the bores fit does not hang on name and format: look at it whatever those are.
    geometry = {key: document[key] for key in _GEOMETRY if key in document}
    checked = DialDocument.model_validate({"format": 1, "name": "unnamed", **geometry})
    try:
        dial = _build(checked, sitefile.site_of(checked.site), str(document.get("name")))
    except DialError as error:
        problems += error.problems
    if problems:
        raise DialError(problems)
    return dial


def _plan_problems(sound: Sound) -> list[str]:
    start, step_min, steps = (sound("plan", key) for key in ("start", "step_min", "steps"))
    if sound("face", "kind") == "hours-and-quarters":
        return face.hour_faults(start, step_min, steps)
    return face.plan_faults(start, step_min, steps)


def _face_problems(sound: Sound) -> Iterator[str]:
    """What does not go together within a listed face, and between it and the plan."""
    first_in: dict[tuple[int, int], int] = {}
    for k in sound.items("face", "channel"):
        cell = sound("face", "channel", k, "column"), sound("face", "channel", k, "row")
        if None not in cell and first_in.setdefault(cell, k) != k:
            yield (
                f"face.channel.{k}.column: channels {first_in[cell]} and {k} share column "
                f"{cell[0]}, row {cell[1]}; give each a cell of its own"
            )
    steps = sound.items("face", "step")
    planned = sound("plan", "steps")
    if steps and planned is not None and planned != len(steps):
        yield f"plan.steps: is {planned}, but the face lists {len(steps)} steps; write that number"
    start, step_min = sound("plan", "start"), sound("plan", "step_min")
    channels = _channel_count(sound)
    for k in steps:
        begins = sound("face", "step", k, "start")
        if None not in (begins, start, step_min):
            due_min = face.minutes_of(start) + k * step_min
            if abs(face.minutes_of(begins) - due_min) * 60 > 0.51:
                due = face.time_of(due_min)
                yield f"face.step.{k}.start: is {begins}, but the plan begins it at {due}"
        for place in sound.items("face", "step", k, "channels"):
            number = sound("face", "step", k, "channels", place)
            if number is not None and channels is not None and number >= channels:
                yield f"face.step.{k}.channels.{place}: is {number}; {_range(channels)}"


def _bore_problems(sound: Sound) -> Iterator[str]:
    """What does not go together among the bores, and between them and the face."""
    if "bores" in sound.document and "bore" in sound.document:
        yield "bores: stands beside [[bore]]; keep one of the two"
    if "bores" not in sound.document and "bore" not in sound.document:
        yield "bores: is missing; write the table [bores], or [[bore]] for every single bore"
    channels = _channel_count(sound)
    first_at: dict[int, int] = {}
    for k in sound.items("bore"):
        angle_deg = sound("bore", k, "hour_angle_deg")
        if angle_deg is not None and abs(angle_deg) >= 90:
            yield (
                f"bore.{k}.hour_angle_deg: is {angle_deg:g}, where a bore never meets the body; "
                "write an angle between -90 and 90"
            )
        number = sound("bore", k, "channel")
        if number is None:
            continue
        if channels is not None and number >= channels:
            yield f"bore.{k}.channel: is {number}; {_range(channels)}"
        first = first_at.setdefault(number, k)
        for key in ("shape", "exit_mm"):
            here, there = sound("bore", k, key), sound("bore", first, key)
            if None not in (here, there) and here != there:
                yield (
                    f"bore.{k}.{key}: is {shown(here)}, but bore.{first} has {shown(there)}; "
                    f"write the same, for channel {number} has but one exit"
                )


def _channel_count(sound: Sound) -> int | None:
    if sound("face", "kind") == "hours-and-quarters":
        return face.CHANNELS
    return len(sound.items("face", "channel")) or None


def _range(channels: int) -> str:
    return f"write a channel of the face, 0 to {channels - 1}"


def _build(document: DialDocument, site: Site, name: str) -> Dial:
    """The dial of a document without mistakes; DialError for bores that do not fit the body."""
    table = document.plan
    steps: tuple[Step, ...]
    if isinstance(document.face, HoursFace):
        channels = face.hours_and_quarters(
            document.face.column_pitch_mm, document.face.row_pitch_mm
        )
        steps = face.hour_steps(table.start, table.step_min, table.steps)
    else:
        channels = tuple(Channel(c.y_mm, c.z_mm, c.column, c.row) for c in document.face.channel)
        first_min = face.minutes_of(table.start)
        steps = tuple(
            Step(k, first_min + k * table.step_min, step.spells, frozenset(step.channels))
            for k, step in enumerate(document.face.step)
        )
    plan = Plan(table.time, table.step_min, steps, table.design_date)
    made = document.body
    body = Body(made.radius_mm, made.length_mm, made.depth_mm, made.wall_mm or 0.0)
    limits = Limits()
    if document.limits is not None:
        asked = document.limits
        season_deg = (
            None if asked.season_deg is None else (asked.season_deg[0], asked.season_deg[1])
        )
        limits = Limits(**{**asked.model_dump(), "season_deg": season_deg})
    if document.bores is not None:
        rule = document.bores
        bores = layout.uniform(
            site, channels, plan, body, rule.exit_mm, rule.taper_deg, rule.opening_deg
        )
        if not bores:
            raise DialError(["face.step: no step lights a channel; list some in channels"])
    else:
        bores = tuple(
            Bore(
                channel=bore.channel,
                hour_angle_deg=bore.hour_angle_deg,
                declination_deg=bore.declination_deg,
                shape=bore.shape,
                exit_mm=bore.exit_mm,
                entry_mm=bore.entry_mm,
                length_mm=bore.length_mm,
                opening_deg=bore.opening_deg if isinstance(bore, SlotTable) else 0.0,
            )
            for bore in document.bore or ()
        )
        faults = layout.listed_faults(site, channels, body, bores)
        if faults:
            raise DialError(faults)
    return Dial(name, site, channels, plan, body, bores, limits)


def dump(dial: Dial) -> str:
    """A complete dial.toml, every channel, step and bore listed, that loads back to the dial.

    Raises DialError for a dial that no dial.toml can describe.
    """
    text = "\n".join(_lines(dial))
    if parse(text, "dial.toml") != dial:
        raise DialError(["plan: its steps do not follow each other at step_min"])
    return text


def _lines(dial: Dial) -> Iterator[str]:
    yield from ("format = 1", _entry("name", dial.name), "", "[site]")
    yield from _entries(dial.site, leave_out="horizon")
    for azimuth_deg, altitude_deg in dial.site.horizon:
        yield from ("", "[[site.horizon]]")
        yield from (_entry("azimuth_deg", azimuth_deg), _entry("altitude_deg", altitude_deg))
    yield from ("", "[face]", 'kind = "listed"', "")
    for channel in dial.channels:
        yield "[[face.channel]]"
        yield from _entries(channel)
    for step in dial.plan.steps:
        yield "[[face.step]]"
        yield _entry("start", face.time_of(step.start_min))
        yield _entry("spells", step.spells)
        yield _entry("channels", sorted(step.channels))
    yield from ("", "[plan]", _entry("time", dial.plan.kind))
    yield _entry("start", face.time_of(dial.plan.steps[0].start_min))
    yield _entry("step_min", dial.plan.step_min)
    yield _entry("steps", len(dial.plan.steps))
    if dial.plan.design_date is not None:
        yield f"design_date = {dial.plan.design_date.isoformat()}"
    yield from ("", "[body]", 'shape = "half-cylinder"')
    yield from _entries(dial.body, leave_out="" if dial.body.wall_mm else "wall_mm")
    if dial.limits != Limits():
        yield from ("", "[limits]")
        yield from _entries(dial.limits)
    for bore in dial.bores:
        yield from ("", "[[bore]]")
        yield from _entries(bore, leave_out="opening_deg" if bore.shape == "round" else "")
    yield ""


def _entries(value: Site | Channel | Body | Limits | Bore, leave_out: str = "") -> Iterator[str]:
    for item in fields(value):
        found = getattr(value, item.name)
        if item.name != leave_out and found is not None:
            yield _entry(item.name, found)


def _entry(key: str, value: str | float | list[int] | tuple[float, float]) -> str:
    """One line of TOML; printable strings, finite numbers and lists are spelt as in JSON."""
    return f"{key} = {json.dumps(value, ensure_ascii=False)}"
