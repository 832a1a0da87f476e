"""What can be told to be impossible before anything is laid out, from the wish alone.

Faults are sentences that begin with the field of the spec to mend.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import combinations, pairwise

import numpy as np
from numpy.typing import NDArray

from dialbench.air import refracted_deg
from dialbench.dial import Plan, Site, Step
from dialbench.skyline import Skyline
from dialbench.wish import Cell, Envelope, Face, Process
from dialcore import frames
from dialcore.sun import horizontal

Floats = NDArray[np.float64]

SUN_DEG = 0.533  # the disc's width at 1 au: twice 959.63" (from memory)
# At the equator the disc passes an edge in SUN_DEG / 15 h = 2.13 min; under the Sun's
# greatest declination in January in 2.36.
LEAST_STEP_MIN = 2.4

_HALF_LIT = 0.4040  # of a straight round bore: L tan(a) / D under which half its exit is lit
_NAMED = 8  # steps named in one sentence
_DECLINATIONS, _INSTANTS = 49, 9
_SLACK_DEG = 1e-9


def time_faults(
    site: Site, plan: Plan, edges_deg: Floats, season_deg: tuple[float, float]
) -> list[str]:
    """Why no dial at a site can show a plan.

    edges_deg: hour angles at which its steps begin, and at which the last ends
    (layout.step_edges_deg).
    """
    behind = list(_behind(plan, edges_deg))
    return [
        *_short(plan),
        *behind,
        *([] if behind else _never_up(site, plan, edges_deg, season_deg)),
    ]


def face_faults(face: Face, alike: bool, hamming: int | None) -> list[str]:
    """Why steps of a face cannot be told apart, or do not differ by as much as is asked.

    alike: whether steps that spell different times may look the same. A step that lights
    nothing spells nothing.
    """
    lit = [step for step in face.steps if step.channels]
    if not lit:
        return ["face.step: no step lights a channel; draw some in pixels"]
    faults = []
    if not alike:
        first: dict[frozenset[int], list[Step]] = {}
        for step in lit:
            others = first.setdefault(step.channels, [])
            twins = [other for other in others if other.spells != step.spells]
            if twins:
                faults.append(
                    f"face.step.{step.index}.pixels: look like those of face.step."
                    f"{twins[0].index}, so that {twins[0].spells} and {step.spells} cannot be told "
                    "apart; draw another picture, let both spell the same, or write alike = true "
                    "under [face] if that is meant"
                )
            others.append(step)
    pairs = [pair for pair in combinations(lit, 2) if pair[0].spells != pair[1].spells]
    if hamming is not None and pairs and not faults:
        one, other = min(pairs, key=_distance)
        least = _distance((one, other))
        if least < hamming:
            faults.append(
                f"wish.hamming: is {hamming}, but the faces of {one.spells} and {other.spells} "
                f"differ in {least} channel{'' if least == 1 else 's'}; write at most {least}, or "
                "choose another face"
            )
    return faults


def size_faults(
    face: Face, step_min: float, edges_deg: Floats | None, envelope: Envelope, process: Process
) -> list[str]:
    """Why no body within an envelope has room for a face, or for its bores.

    edges_deg as in time_faults; without them bores are taken to be as long as they can be.
    """
    faults = [
        *_crowded(face.cells, process, "width_mm", envelope.width_mm),
        *_crowded(
            [Cell(c.row, c.column) for c in face.cells], process, "length_mm", envelope.length_mm
        ),
    ]
    if faults or step_min < LEAST_STEP_MIN:
        return faults
    return list(_wide(face, step_min, edges_deg, envelope, process))


def _distance(pair: tuple[Step, Step]) -> int:
    return len(pair[0].channels ^ pair[1].channels)


def _short(plan: Plan) -> Iterator[str]:
    if plan.step_min < LEAST_STEP_MIN:
        yield (
            f"plan.step_min: is {plan.step_min:g}, but the Sun's disc is {SUN_DEG:.2f} deg wide and "
            f"takes up to {LEAST_STEP_MIN:g} min to pass an edge, so that no channel can be fully lit "
            f"within it; write at least {LEAST_STEP_MIN:g}"
        )


def _behind(plan: Plan, edges_deg: Floats) -> Iterator[str]:
    behind = [
        (step, begin, end)
        for step, (begin, end) in zip(plan.steps, pairwise(edges_deg.tolist()), strict=True)
        if begin < -90 - _SLACK_DEG or end > 90 + _SLACK_DEG
    ]
    if behind:
        step, begin, end = behind[0]
        yield (
            f"plan.start: in {_of(len(behind), plan)} the body would have to see the Sun from "
            f"behind, first at {step.spells}, hour angle {begin:.1f} to {end:.1f} deg; choose "
            "start, step_min and steps so that all stay between -90 and 90 deg"
        )


def _never_up(
    site: Site, plan: Plan, edges_deg: Floats, season_deg: tuple[float, float]
) -> Iterator[str]:
    up = ever_up(site, edges_deg, season_deg)
    dark = [step for step, sees in zip(plan.steps, up, strict=True) if not sees]
    if not dark:
        return
    named = ", ".join(step.spells for step in dark[:_NAMED])
    more = f" and {len(dark) - _NAMED} more" if len(dark) > _NAMED else ""
    if len(dark) == len(plan.steps):
        mend = "choose other hours or another season"
    elif up[0]:
        mend = "write fewer steps"
    elif up[-1]:
        mend = "start later"
    else:
        mend = "start later and write fewer steps"
    yield (
        f"plan.start: in {_of(len(dark), plan)} the Sun is never up at {site.name} between "
        f"declination {season_deg[0]:.2f} and {season_deg[1]:.2f} deg: {named}{more}; {mend}"
    )


def ever_up(site: Site, edges_deg: Floats, season_deg: tuple[float, float]) -> NDArray[np.bool_]:
    """Whether the Sun's upper limb is above the skyline at all within each step of a season.

    edges_deg has shape (n + 1,), the result (n,). Looked up at so many declinations and
    instants a step; parallax, 9", is left out.
    """
    share = np.linspace(0, 1, _INSTANTS)
    within_deg = edges_deg[:-1, None] + np.diff(edges_deg)[:, None] * share
    declination_deg = np.linspace(*season_deg, _DECLINATIONS)
    hour_angle, declination = np.meshgrid(
        np.radians(within_deg.ravel()), np.radians(declination_deg), indexing="ij"
    )
    polar = frames.direction(hour_angle, declination, site.hemisphere, np)
    to_enu = frames.transpose(frames.polar_from_enu(math.radians(site.latitude_deg), np))
    altitude, azimuth = horizontal(frames.apply(to_enu, polar), np)
    seen_deg = refracted_deg(np.degrees(altitude), site.pressure_mbar, site.temperature_C)
    skyline_deg = Skyline(site.horizon).altitude_deg(np.degrees(azimuth) % 360)
    up = np.asarray(seen_deg + SUN_DEG / 2 > skyline_deg).reshape(len(edges_deg) - 1, -1)
    sees: NDArray[np.bool_] = np.any(up, axis=1)
    return sees


def _of(count: int, plan: Plan) -> str:
    whole = len(plan.steps)
    return f"{count} of {whole} steps" if whole > 1 else "its one step"


def _crowded(cells: Sequence[Cell], process: Process, side: str, room_mm: float) -> Iterator[str]:
    """The fault of a side of the envelope too small for the cells beside each other.

    column counts along that side. Cells of one row keep their pitch: no two of them
    are closer than an exit and a wall.
    """
    rows: dict[float, list[float]] = {}
    for cell in cells:
        rows.setdefault(cell.row, []).append(cell.column)
    steps = [b - a for row in rows.values() for a, b in pairwise(sorted(row))]
    places = [cell.column for cell in cells]
    pitch_mm = (process.exit_mm + process.wall_mm) / min(steps) if steps else 0.0
    need_mm = (max(places) - min(places)) * pitch_mm + process.exit_mm + 2 * process.wall_mm
    if need_mm > room_mm:
        yield (
            f"envelope.{side}: is {room_mm:g}, too small for the face with exits of "
            f"{process.exit_mm:g} mm and walls of {process.wall_mm:g} mm; write at least "
            f"{math.ceil(need_mm * 10) / 10:g}, or smaller ones"
        )


def _wide(
    face: Face, step_min: float, edges_deg: Floats | None, envelope: Envelope, process: Process
) -> Iterator[str]:
    """The fault of an exit too wide for the time that a channel is to be lit.

    A tapered bore that lights half its exit as a run of steps begins and ends, and lights
    it fully in between, has an exit of less than its length times (2 tan(run / 2) -
    2 tan(Sun / 2)); a drilled one is lit longer, the shorter it is and the wider.
    """
    longest_mm = math.hypot(envelope.width_mm, envelope.height_mm)
    most: list[tuple[float, float, float]] = []
    for first, last in _runs(face.steps):
        length_mm = longest_mm
        if edges_deg is not None:
            far = math.radians(max(abs(edges_deg[first]), abs(edges_deg[last + 1])))
            length_mm = min(longest_mm, envelope.height_mm / max(math.cos(far), 1e-9))
        lit_min = (last + 1 - first) * step_min
        slope = math.tan(min(math.radians(lit_min / 8), 1.5))
        if process.kind == "drill":
            most_mm = length_mm * slope / _HALF_LIT
        else:
            most_mm = length_mm * 2 * (slope - math.tan(math.radians(SUN_DEG / 2)))
        most.append((most_mm, length_mm, lit_min))
    most_mm, length_mm, lit_min = min(most, default=(math.inf, 0.0, 0.0))
    if process.exit_mm > most_mm:
        would = "stay lit longer" if process.kind == "drill" else "never be fully lit"
        yield (
            f"process.exit_mm: is {process.exit_mm:g}, but the envelope has no bore longer than "
            f"{length_mm:.1f} mm, and through it a channel to be lit for {lit_min:g} min would "
            f"{would}; write at most {math.floor(most_mm * 100) / 100:g}, or a larger envelope"
        )


def _runs(steps: Sequence[Step]) -> set[tuple[int, int]]:
    """Runs of steps, (first, last), throughout which some channel is lit, and not around them."""
    runs = set()
    for channel in frozenset().union(*(step.channels for step in steps)):
        first = None
        for k, step in enumerate(steps):
            if channel in step.channels and first is None:
                first = k
            if channel not in step.channels and first is not None:
                runs.add((first, k - 1))
                first = None
        if first is not None:
            runs.add((first, len(steps) - 1))
    return runs
