"""An audit as JSON's own types: all figures, for programs."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

import numpy as np

from dialbench.audit.brightness import FAINT, Contrasts
from dialbench.audit.ghosts import LEAST, OWN_DARK, Ghost
from dialbench.audit.legibility import misread
from dialbench.audit.limits import broken
from dialbench.audit.result import Audit, Late
from dialbench.audit.shares import HOUR_US, Shares, months, shares
from dialbench.audit.walls import EXACT_MM, MEET_MM, Wall, Walls
from dialbench.dial import Bore

SCHEMA = "dialbench.audit/1"


def facts(found: Audit) -> dict[str, Any]:
    """All of an audit.

    Shares and lit fractions are 0..1, instants microseconds of Unix UTC, dates those of the
    site's zone. None stands where there is nothing to say, and for a contrast without end.

    duty, wrong: shares of the plan's time, from the instants at which light passes a half.
    by_minutes: the same counted on full minutes of UTC; rougher, for a day's boundaries all
    fall on one second of the minute. limits: what is asked; broken: what is not kept.
    days, months, steps: the same shares, and hours of the plan's time. steps: besides, the
    least contrast in the middle of the step and in its middle half, and how long about the
    step's end no right face stands. edges: how late light comes and goes against the plan's
    boundaries; stretch: the same against each channel's own bores, so what stray light does;
    missed: edges without a crossing within half a step. channels: mean lit fraction while a
    channel should be lit, the least of it in the middle half of a step, area of its exit and
    the mean of what is lit of it. ghosts: light of `least` and more on channels that should
    be dark and whose own bores light less than `own_dark`; through: by which bores, for the
    strongest. walls: exact to exact_mm; bores with less than meet_mm between them meet.
    pieces_mm3: the parts the made body falls into. faces: to each step, the nearest face
    that spells otherwise, and in how many channels it differs; misread: with so many wrong
    channels at the least may a wrong face be as near as the right one.
    """
    return {
        "schema": SCHEMA,
        "dial": found.dial.name,
        "dial_hash": found.dial.hash,
        "site": found.dial.site.name,
        "year": found.year,
        "limits": asdict(found.limits),
        "broken": [asdict(each) for each in broken(found)],
        "plan_hours": int(found.whole.total_us[0]) / HOUR_US,
        "duty": found.duty,
        "wrong": found.wrong,
        "by_minutes": _by_minutes(found),
        "ghost": found.ghost,
        "contrast": _finite(found.contrast),
        "hamming": found.hamming,
        "misread": None if found.hamming is None else misread(found.hamming),
        "days": {
            "date": [day.isoformat() for day in found.seen.time.dates],
            **_columns(found.by_day),
        },
        "worst_day": _worst_day(found),
        "months": _months(found),
        "steps": _steps(found),
        "edges": _edges(found, found.late),
        "stretch": _edges(found, found.stretch),
        "channels": _channels(found),
        "ghost_from": {"least": LEAST, "own_dark": OWN_DARK},
        "ghosts": [_ghost(found, ghost) for ghost in found.ghosts],
        "faint": FAINT,
        "walls": _walls(found.walls),
        "pieces_mm3": list(found.pieces_mm3),
        "loose_mm3": list(found.loose_mm3),
        "faces": [
            {
                "step": each.step,
                "spells": found.dial.plan.steps[each.step].spells,
                "hamming": each.channels,
                "nearest": list(each.nearest),
            }
            for each in found.apart
        ],
    }


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _by_minutes(found: Audit) -> dict[str, Any]:
    minutes, right, wrong = (
        int(of.sum()) for of in (found.seen.minutes, found.seen.right, found.seen.wrong)
    )
    return {
        "minutes": minutes,
        "duty": right / minutes if minutes else None,
        "wrong": wrong / minutes if minutes else None,
    }


def _columns(of: Shares) -> dict[str, list[float | None]]:
    return {
        "hours": [us / HOUR_US for us in of.total_us.tolist()],
        "duty": [_finite(share) for share in of.duty.tolist()],
        "wrong": [_finite(share) for share in of.wrong.tolist()],
    }


def _worst_day(found: Audit) -> dict[str, Any]:
    days, by_day = found.seen.time.dates, found.by_day
    return {
        "duty": {
            "date": days[by_day.least_right].isoformat(),
            "value": float(by_day.duty[by_day.least_right]),
        },
        "wrong": {
            "date": days[by_day.most_wrong].isoformat(),
            "value": float(by_day.wrong[by_day.most_wrong]),
        },
    }


def _months(found: Audit) -> list[dict[str, Any]]:
    listed = []
    dates, by_day = found.seen.time.dates, found.by_day
    names, place = months(dates)
    by_month = shares(found.seen.pieces, place[found.seen.pieces.day], len(names))
    for k, (name, row) in enumerate(zip(names, _rows(by_month), strict=True)):
        mine = np.flatnonzero((place == k) & np.isfinite(by_day.duty))
        worst = int(mine[by_day.duty[mine].argmin()]) if len(mine) else None
        listed.append(
            {
                "month": name,
                **row,
                "worst_day": None if worst is None else dates[worst].isoformat(),
                "worst_duty": None if worst is None else float(by_day.duty[worst]),
            }
        )
    return listed


def _rows(of: Shares) -> list[dict[str, float | None]]:
    columns = _columns(of)
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _steps(found: Audit) -> list[dict[str, Any]]:
    middle, half = _by_step(found.middle), _by_step(found.half)
    return [
        {
            "step": k,
            "spells": step.spells,
            **row,
            "contrast": middle.get(k),
            "contrast_middle_half": half.get(k),
            "gap_s": _gap(found, k),
        }
        for k, (step, row) in enumerate(
            zip(found.dial.plan.steps, _rows(found.by_step), strict=True)
        )
    ]


def _by_step(least: Contrasts) -> dict[int, dict[str, Any]]:
    return {
        int(least.step[k]): {
            "ratio": _finite(least.ratio[k]),
            "utc_us": int(least.utc_us[k]),
            "dimmest": int(least.dim[k]),
            "dimmest_lit": float(least.dim_lit[k]),
            "brightest": int(least.bright[k]),
            "brightest_lit": float(least.bright_lit[k]),
        }
        for k in range(len(least.step))
    }


def _gap(found: Audit, step: int) -> dict[str, Any] | None:
    """How long no right face stands about the end of a step; None for the last one."""
    if step >= found.gaps_s.shape[1]:
        return None
    gaps_s = found.gaps_s[:, step]
    if not np.isfinite(gaps_s).any():
        return None
    longest = int(np.nanargmax(gaps_s))
    return {
        "mean": float(np.nanmean(gaps_s)),
        "longest": float(gaps_s[longest]),
        "date": found.seen.time.dates[longest].isoformat(),
    }


def _edges(found: Audit, late: Late) -> dict[str, Any]:
    edges, worst = found.seen.edges, None
    if late.worst is not None:
        k = late.worst
        day, edge = int(edges.day[k]), int(edges.edge[k])
        worst = {
            "late_s": late.worst_s,
            "channel": int(edges.channel[k]),
            "comes": bool(edges.on[k]),
            "edge": edge,
            "date": found.seen.time.dates[day].isoformat(),
            "utc_us": int(found.seen.time.edges_us[day, edge]),
        }
    return {
        "count": late.count,
        "missed": late.missed,
        "rms_s": _finite(late.rms_s),
        "max_s": None if late.worst is None else abs(late.worst_s),
        "worst": worst,
    }


def _channels(found: Audit) -> list[dict[str, Any]]:
    bright = found.seen.brightness
    return [
        {
            "channel": k,
            "mean": _finite(bright.mean[k]),
            "least": _finite(bright.least[k]),
            "least_us": int(bright.least_us[k]) or None,
            "exit_mm2": float(found.exits_mm2[k]),
            "lit_mm2": _finite(bright.mean[k] * found.exits_mm2[k]),
        }
        for k in range(len(found.dial.channels))
    ]


def _ghost(found: Audit, ghost: Ghost) -> dict[str, Any]:
    return {
        "channel": ghost.channel,
        "step": ghost.step,
        "spells": found.dial.plan.steps[ghost.step].spells,
        "peak": ghost.peak,
        "peak_us": ghost.peak_us,
        "peak_hour_angle_deg": ghost.peak_hour_angle_deg,
        "peak_declination_deg": ghost.peak_declination_deg,
        "minutes": ghost.minutes,
        "minutes_lit": ghost.minutes_lit,
        "hour_angle_deg": list(ghost.hour_angle_deg),
        "declination_deg": list(ghost.declination_deg),
        "dates": [[first.isoformat(), last.isoformat()] for first, last in ghost.dates],
        "through": [{**_bore(way.bore), "share": way.share} for way in ghost.through],
    }


def _bore(bore: Bore) -> dict[str, Any]:
    return {
        "channel": bore.channel,
        "hour_angle_deg": bore.hour_angle_deg,
        "declination_deg": bore.declination_deg,
    }


def _walls(of: Walls) -> dict[str, Any]:
    return {
        "pairs": of.pairs,
        "meeting": of.meeting,
        "thin": of.thin,
        "least": None if of.least is None else _wall(of.least),
        "exact_mm": EXACT_MM,
        "meet_mm": MEET_MM,
        "pockets": of.pockets,
        "pockets_through": of.through,
        "deepest_mm": of.deepest_mm,
        "mean_depth_mm": of.mean_mm,
        "least_feature_mm": of.feature_mm,
        "least_feature": of.feature,
    }


def _wall(wall: Wall) -> dict[str, Any]:
    return {
        "wall_mm": wall.wall_mm,
        "bores": [_bore(bore) for bore in wall.bores],
        "sides_mm": [list(side) for side in wall.sides_mm],
    }
