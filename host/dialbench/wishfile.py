"""Layout specs: reads one into a Wish.

A file with mistakes is refused with all of them: those of single fields
(`dialbench.wishmodel`), those of fields that do not go together, and what can be told to
be impossible (`dialbench.wishcheck`), as far as the fields these hang on are sound.

With plan.summer_time the plan still counts the zone's standard time, and so do its start
and all hour angles: only what the steps spell is an hour ahead.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Any

from pydantic import TypeAdapter

from dialbench import face, layout, sitefile, tomlfile, wishcheck, wishmodel
from dialbench.dial import DialError, Limits, Plan, Site, Step
from dialbench.dialmodel import MAX_CHANNELS, LimitsTable, SiteTable
from dialbench.errors import UserError, inert
from dialbench.tomlfile import Sound, written
from dialbench.wish import ALL_YEAR_DEG, Envelope, Face, Process, Wish
from dialbench.wishmodel import (
    DrillTable,
    EnvelopeTable,
    MinutesFace,
    PatternsFace,
    PrintTable,
    QuartersFace,
    SpecDocument,
    SpecPlanTable,
    WishTable,
)

MAX_BYTES = 1_000_000
SPECS: Traversable = files("dialbench").joinpath("data", "specs")  # examples of our own

_WHAT = "layout spec"
_SUMMER_MIN = 60
_PRINTED_PROBLEMS = 40
_FACE: TypeAdapter[QuartersFace | MinutesFace | PatternsFace] = TypeAdapter(wishmodel.AnyFace)
_PROCESS: TypeAdapter[PrintTable | DrillTable] = TypeAdapter(wishmodel.AnyProcess)


class WishFileError(DialError):
    """Why a spec is refused: one sentence a problem, each beginning with the file's name."""

    def __str__(self) -> str:
        hidden = len(self.problems) - _PRINTED_PROBLEMS
        more = [f"... and {hidden} more"] if hidden > 0 else []
        return "\n".join(self.problems[:_PRINTED_PROBLEMS] + more)


def load(source: tomlfile.Source) -> Wish:
    """The wish of a layout spec; WishFileError with every mistake in it."""
    try:
        text = tomlfile.read_text(source, _WHAT, MAX_BYTES)
    except tomlfile.TomlError as error:
        raise WishFileError([str(error)]) from None
    return parse(text, str(source))


def parse(text: str, name: str) -> Wish:
    """The wish of a spec's text; name stands for the file in messages. Raises WishFileError."""
    try:
        document = tomlfile.parse_text(text, name, _WHAT)
    except tomlfile.TomlError as error:
        raise WishFileError([str(error)]) from None
    try:
        return _wish(document)
    except DialError as error:
        raise WishFileError([f"{inert(name)}: {problem}" for problem in error.problems]) from None


def json_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a layout spec; descriptions carry units and limits."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **SpecDocument.model_json_schema(),
    }


def _wish(document: dict[str, Any]) -> Wish:
    """The wish of a parsed document; DialError with every mistake."""
    single = wishmodel.problems_in(document)
    sound = Sound(document, frozenset(path for path, _ in single))
    problems = [f"{written(path)}: {sentence}" for path, sentence in single]
    crossed = [
        *sitefile.horizon_problems(sound),
        *_plan_problems(sound),
        *_face_problems(sound),
        *_process_problems(sound),
        *_season_problems(sound),
    ]
    bad = {str(path[0]) for path, _ in single} | {problem.split(".")[0] for problem in crossed}
    parts = _Parts(document, frozenset(bad))
    problems += crossed + parts.problems()
    if problems:
        raise DialError(problems)
    return parts.wish()


class _Parts:
    """The parts of a wish, each as far as the tables it comes from are sound; else None."""

    def __init__(self, document: dict[str, Any], bad: frozenset[str]) -> None:
        self._document, self._bad = document, bad
        self.site: Site | None = None
        self.face: Face | None = None
        self.plan: Plan | None = None
        self.season_deg: tuple[float, float] | None = None
        self.envelope: Envelope | None = None
        self.process: Process | None = None
        self.asked = self._asked()
        if (found := self._table("site")) is not None:
            self.site = sitefile.site_of(SiteTable.model_validate(found))
        if (found := self._table("face", "plan")) is not None:
            self.face, self.plan = _face_and_plan(found, document["plan"])
        if (found := self._table("envelope")) is not None:
            self.envelope = Envelope(**EnvelopeTable.model_validate(found).model_dump())
        if (found := self._table("process")) is not None:
            self.process = _process(found)
        self._late: list[str] = []
        if self.asked is not None:
            try:
                self.season_deg = _season(self.asked, self.site)
            except UserError as error:
                self._late.append(f"wish.earliest: {error}")

    def _table(self, *names: str) -> Any:
        """The first of some tables; None if any of them is missing or has a mistake."""
        if any(name in self._bad for name in names):
            return None
        return self._document.get(names[0])

    def _asked(self) -> WishTable | None:
        if "wish" in self._bad:
            return None
        return WishTable.model_validate(self._document.get("wish", {}))

    def problems(self) -> list[str]:
        """What is impossible about the parts that there are."""
        problems = list(self._late)
        edges_deg = None
        if self.site is not None and self.plan is not None:
            edges_deg = layout.plan_edges_deg(self.site, self.plan)
            season_deg = self.season_deg or ALL_YEAR_DEG
            problems += wishcheck.time_faults(self.site, self.plan, edges_deg, season_deg)
        if self.face is not None:
            alike = bool(self._document["face"].get("alike"))
            hamming = self.asked.hamming if self.asked else None
            problems += wishcheck.face_faults(self.face, alike, hamming)
        if None not in (self.face, self.plan, self.envelope, self.process):
            assert self.face and self.plan and self.envelope and self.process
            problems += wishcheck.size_faults(
                self.face, self.plan.step_min, edges_deg, self.envelope, self.process
            )
        return problems

    def wish(self) -> Wish:
        """The whole; only where nothing was wrong."""
        asked = self.asked
        assert asked and self.site and self.face and self.plan
        assert self.envelope and self.process and self.season_deg
        limits = {key: getattr(asked, key) for key in LimitsTable.model_fields}
        limits["season_deg"] = None if self.season_deg == ALL_YEAR_DEG else self.season_deg
        return Wish(
            name=str(self._document["name"]),
            site=self.site,
            face=self.face,
            plan=self.plan,
            envelope=self.envelope,
            process=self.process,
            limits=Limits(**limits),
            season_deg=self.season_deg,
            shape=asked.shape,
            seed=asked.seed,
            minutes=asked.minutes,
            sharp=asked.sharp,
        )


def _plan_problems(sound: Sound) -> Iterator[str]:
    start, step_min, steps = (sound("plan", key) for key in ("start", "step_min", "steps"))
    kind = sound("face", "kind")
    if kind == "hours-and-quarters":
        yield from face.hour_faults(start, step_min, steps)
    elif kind == "hours-and-minutes":
        yield from face.minute_faults(start, step_min, steps)
    else:
        yield from face.plan_faults(start, step_min, steps)
    listed = sound.items("face", "step")
    if listed and steps is not None and steps != len(listed):
        yield f"plan.steps: is {steps}, but the face lists {len(listed)} steps; write that number"
    if sound("plan", "summer_time") and sound("plan", "time") in ("mean", "apparent"):
        yield (
            f"plan.summer_time: is true, but {sound('plan', 'time')} time knows none; leave it "
            'out, or write time = "zone"'
        )


def _face_problems(sound: Sound) -> Iterator[str]:
    """What does not go together among the pictures of a face, and between it and the plan."""
    if sound("face", "kind") != "patterns":
        return
    cells = _picture(sound, "face", "cells")
    if cells is None:
        return
    channels = len(face.picture_cells(cells))
    if not 1 <= channels <= MAX_CHANNELS:
        yield (
            f'face.cells: has {channels} channels; draw 1 to {MAX_CHANNELS} of them as "{face.LIT}"'
        )
        return
    for k in sound.items("face", "step"):
        pixels = _picture(sound, "face", "step", k, "pixels")
        for row, sentence in face.picture_faults(cells, pixels) if pixels is not None else ():
            path = f"face.step.{k}.pixels" + ("" if row is None else f".{row}")
            yield f"{path}: {sentence}"
        if sound("face", "step", k, "spells") is None:
            yield from _unspelt(sound, k)


def _unspelt(sound: Sound, k: int) -> Iterator[str]:
    """The fault of a step that leaves out what it spells and does not begin on a minute."""
    start, step_min = sound("plan", "start"), sound("plan", "step_min")
    if None in (start, step_min) or ("face", "step", k, "spells") in sound.bad:
        return
    begins_min = face.minutes_of(start) + k * step_min
    if abs(begins_min - round(begins_min)) > 1e-6:
        yield (
            f"face.step.{k}.spells: is missing, but the step begins at "
            f'{face.time_of(begins_min)}; write the time of day that it stands for, "HH:MM"'
        )


def _picture(sound: Sound, *path: int | str) -> list[str] | None:
    """A picture without mistakes in any of its rows."""
    rows = [sound(*path, row) for row in sound.items(*path)]
    return rows if rows and None not in rows else None


def _process_problems(sound: Sound) -> Iterator[str]:
    exit_mm = sound("process", "exit_mm")
    drills = [sound("process", "drills_mm", k) for k in sound.items("process", "drills_mm")]
    if exit_mm is not None and drills and None not in drills and exit_mm > max(drills):
        yield (
            f"process.exit_mm: is {exit_mm:g}, but the largest of drills_mm is {max(drills):g}; "
            "write no more, or a larger drill"
        )


def _season_problems(sound: Sound) -> Iterator[str]:
    table = sound.document.get("wish")
    table = table if isinstance(table, dict) else {}
    both = [key for key in ("earliest", "latest") if key in table]
    if "season_deg" in table and both:
        yield f"wish.season_deg: stands beside {both[0]}; keep either season_deg or the dates"
    if len(both) == 1:
        other = "latest" if both == ["earliest"] else "earliest"
        yield f"wish.{other}: is missing beside {both[0]}; write both dates, or neither"
    earliest, latest = sound("wish", "earliest"), sound("wish", "latest")
    if None not in (earliest, latest) and latest < earliest:
        yield f"wish.latest: is {latest}, before earliest, {earliest}; write a later date"
    yield from sitefile.season_problems(sound, "wish")


def _face_and_plan(drawn: Any, planned: Any) -> tuple[Face, Plan]:
    table = SpecPlanTable.model_validate(planned)
    ahead_min = _SUMMER_MIN if table.summer_time else 0
    asked = (table.start, table.step_min, table.steps, ahead_min)
    kind = _FACE.validate_python(drawn)
    if isinstance(kind, QuartersFace):
        found = Face(face.hour_cells(), face.hour_steps(*asked))
    elif isinstance(kind, MinutesFace):
        cells = face.minute_cells(kind.digit_gap, kind.middle_gap)
        found = Face(cells, face.minute_steps(*asked))
    else:
        found = Face(face.picture_cells(kind.cells), tuple(_pictured(kind, table, ahead_min)))
    return found, Plan(table.time, table.step_min, found.steps, table.design_date)


def _pictured(drawn: PatternsFace, table: SpecPlanTable, ahead_min: int) -> Iterator[Step]:
    first_min = face.minutes_of(table.start)
    for k, step in enumerate(drawn.step):
        start_min = first_min + k * table.step_min
        spells = step.spells or face.time_of(round(start_min + ahead_min) % (24 * 60))
        yield Step(k, start_min, spells, face.picture_channels(drawn.cells, step.pixels))


def _process(made: Any) -> Process:
    table = _PROCESS.validate_python(made)
    if isinstance(table, PrintTable):
        return Process(table.exit_mm, table.wall_mm, table.feature_mm)
    least_mm = table.exit_mm or min(table.drills_mm)
    drills_mm = tuple(sorted({float(size) for size in table.drills_mm if size >= least_mm}))
    return Process(drills_mm[0], table.wall_mm, table.feature_mm, "drill", drills_mm)


def _season(asked: WishTable, site: Site | None) -> tuple[float, float] | None:
    """The declinations between which the dial must work; None if its site is not known.

    Raises UserError for dates that the ephemeris does not reach.
    """
    if asked.season_deg is not None:
        return asked.season_deg[0], asked.season_deg[1]
    if asked.earliest is None or asked.latest is None:
        return ALL_YEAR_DEG
    return None if site is None else _declinations_deg(site, asked.earliest, asked.latest)


def _declinations_deg(site: Site, earliest: date, latest: date) -> tuple[float, float]:
    """The Sun's lowest and highest declination from one day of the zone to another."""
    import numpy as np

    from dialbench import ephemeris  # heavy, and most specs do without
    from dialbench.sky import to_us

    first_us = to_us(datetime.combine(earliest, time(0), site.tz))
    end_us = to_us(datetime.combine(latest + timedelta(days=1), time(0), site.tz))
    # In three hours next to a solstice it moves by less than 0.0001 deg.
    hours = round((end_us - first_us) / 3.6e9)
    at_us = np.linspace(first_us, end_us, max(hours // 3, 8) + 1).astype(np.int64)
    _, declination, _ = ephemeris.apparent(ephemeris.ut1_us(at_us))
    return float(np.degrees(declination.min())), float(np.degrees(declination.max()))
