"""What all channels did alike, over weeks: a body that settles, or one that feels the season.

What they have in common is no channel's clogging. A course that dies away is settling (glue,
feet, wood that finds its shape); one that goes with the season is warmth or damp; one that
does neither is a body, or a clock, that moves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench.health.common import TERMS, Common
from dialbench.health.scan import Block, Change, Scan

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

COURSES = ("settling", "season", "creep", "step")
_DECAYS_DAYS = (2.0, 3.0, 5.0, 8.0, 13.0, 21.0, 34.0, 55.0)
_YEAR_DAYS = 365.25
_APART = 6.0  # of Schwarz' criterion: less does not tell two courses apart
FEWEST_DAYS = 8


@dataclass(frozen=True)
class Move:
    """A change of one of common.TERMS. course: one of COURSES, or several that these days do not
    tell apart. amount: from the first day to the last, for a season half of its swing; in
    radians, or a share. decay_days: of a settling, the time in which its rest falls to 1/e."""

    term: str
    courses: tuple[str, ...]
    amount: float
    sigma: float
    decay_days: float | None
    change: Change


@dataclass(frozen=True)
class _Course:
    name: str
    criterion: float
    amount: float
    sigma: float
    decay_days: float | None


def moves(day: Ints, found: Common, false_alarms: float) -> list[Move]:
    """What the body did. false_alarms: how many are expected by chance in all these days."""
    if len(day) < FEWEST_DAYS:
        return []
    one = np.ones((1, 1))
    blocks = [
        Block(found.value[:, [k]].T, 1 / found.sigma[:, [k]].T ** 2, one, np.array([k]))
        for k in range(len(TERMS))
    ]
    scan = Scan(day, blocks, found.misfit)
    limit = scan.limit(false_alarms / len(TERMS))
    told = []
    for number, (term, block) in enumerate(zip(TERMS, blocks, strict=True)):
        if scan.peaks(number).max() <= limit:
            continue
        change = scan.latest(number, 0, block)
        if change.score <= limit:
            continue
        noise = found.sigma[:, number] * scan.scatter(number)[0]
        sigma = np.hypot(noise, found.misfit[number])
        courses = _courses(day, found.value[:, number], sigma, change)
        best = min(courses, key=lambda one: one.criterion)
        names = tuple(
            one.name
            for one in sorted(courses, key=lambda one: one.criterion)
            if one.criterion < best.criterion + _APART
        )
        told.append(Move(term, names, best.amount, best.sigma, best.decay_days, change))
    return told


def _courses(day: Ints, value: Floats, sigma: Floats, change: Change) -> list[_Course]:
    time = (day - day[0]).astype(float)
    phase = 2 * np.pi * day / _YEAR_DAYS
    after = np.maximum(day - change.since, 0).astype(float)
    courses = [
        min(
            (
                _fitted("settling", [np.exp(-time / decay)], value, sigma, 1, decay)
                for decay in _DECAYS_DAYS
            ),
            key=lambda one: one.criterion,
        ),
        _fitted("season", [np.sin(phase), np.cos(phase)], value, sigma),
        _fitted("creep", [after if change.shape == "slope" else time], value, sigma, 1),
        _fitted("step", [(after > 0).astype(float)], value, sigma, 1),
    ]
    return courses


def _fitted(
    name: str,
    columns: list[Floats],
    value: Floats,
    sigma: Floats,
    searched: int = 0,
    decay_days: float | None = None,
) -> _Course:
    """searched: parameters that were tried out besides the columns' factors."""
    design = np.stack([np.ones(len(value)), *columns], axis=1) / sigma[:, None]
    inverse = np.linalg.pinv(design.T @ design)
    factor = inverse @ (design.T @ (value / sigma))
    left = value / sigma - design @ factor
    criterion = float(left @ left) + np.log(len(value)) * (design.shape[1] + searched)
    if len(columns) == 1:
        reach = float(columns[0][-1] - columns[0][0])
        amount, spread = factor[1] * reach, np.sqrt(inverse[1, 1]) * abs(reach)
    else:
        amount = np.hypot(*factor[1:])
        lean = factor[1:] / max(float(amount), 1e-300)
        spread = np.sqrt(lean @ inverse[1:, 1:] @ lean)
    return _Course(name, float(criterion), float(amount), float(spread), decay_days)
