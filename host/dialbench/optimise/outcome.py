"""What became of one design, and which of two is the better."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from typing import Any

import numpy as np

from dialbench.dial import Dial
from dialbench.layout import depth_mm
from dialbench.optimise.design import (
    Design,
    Fan,
    Floats,
    Infeasible,
    Trim,
    Trims,
    drawn,
    edges_deg,
)
from dialbench.optimise.trial import Trial, looked_at
from dialbench.optimise.trim import trimmed
from dialbench.pockets import pockets
from dialbench.wish import Wish

# What a shortfall of 1 from a limit weighs against a share of 1 of clear faces.
_SHORT = {"duty": 10.0, "wrong": 20.0, "ghost": 4.0}
_SIZE = 0.02  # what filling the envelope wholly weighs
_KINDS: dict[str, Any] = {"float": (int, float), "int": int, "str": str}  # by annotation
_BORE = 1e-5  # and one bore more


@dataclass(frozen=True)
class Outcome:
    """A design's figures along a few declinations (see trial.Trial), or why it has none.

    thin: how many walls between a channel's fans are thinner than can be made all the way.
    width, length and height are those of its body, mm.
    """

    design: Design
    reason: str = ""
    duty: float = 0.0
    duty_alone: float = 0.0
    wrong: float = 1.0
    ghost: float = 1.0
    clear: float = 0.0
    brightness: float = 0.0
    thin: int = 0
    bores: int = 0
    width_mm: float = 0.0
    length_mm: float = 0.0
    height_mm: float = 0.0
    trims: tuple[tuple[Fan, Trim], ...] = ()

    @property
    def dial_trims(self) -> Trims:
        return dict(self.trims)

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON; from_dict undoes it."""
        plain = asdict(self)
        plain["trims"] = [
            [fan.channel, fan.first, fan.last, trim.early_deg, trim.late_deg]
            for fan, trim in self.trims
        ]
        return plain

    @classmethod
    def from_dict(cls, plain: dict[str, Any]) -> Outcome:
        """Raises KeyError, TypeError or ValueError for anything as_dict did not make."""
        facts = dict(plain)
        for each in fields(cls):
            known = _KINDS.get(str(each.type))
            value = facts[each.name]
            if known and (not isinstance(value, known) or isinstance(value, bool)):
                raise TypeError(f"{each.name}: {value!r}")
            if isinstance(value, float) and not math.isfinite(value):
                raise ValueError(f"{each.name}: {value!r}")
        facts["design"] = Design(**facts["design"])
        facts["trims"] = tuple(
            (Fan(channel, first, last), Trim(early, late))
            for channel, first, last, early, late in facts["trims"]
        )
        return cls(**facts)


def tried(
    wish: Wish,
    design: Design,
    declinations_deg: Sequence[float],
    rounds: int,
    proof_deg: Sequence[float] = (),
) -> Outcome:
    """The outcome of a design trimmed for some rounds.

    proof_deg: other declinations, many, at which its figures are taken once that is done: some
    ghosts show within a degree only.
    """
    try:
        trims, trial = trimmed(wish, design, declinations_deg, rounds)
        dial, edges = drawn(wish, design, trims), edges_deg(wish)
        if len(proof_deg):
            trial = looked_at(dial, edges, proof_deg)
        return of(design, dial, trims, trial, edges)
    except Infeasible as reason:
        return Outcome(design, reason=str(reason))


def _thin(dial: Dial, edges: Floats) -> int:
    count = 0
    for pocket in pockets(dial):
        step = int(np.searchsorted(edges, pocket.hour_angle_deg, side="right")) - 1
        place = dial.channels[pocket.channel]
        deep_mm = depth_mm(dial.body, place.y_mm, pocket.hour_angle_deg, dial.site.hemisphere)
        # Between the slots of one fan there is to be no wall.
        is_wall = pocket.channel not in dial.plan.steps[step].channels
        count += is_wall and pocket.length_mm >= deep_mm
    return count


def of(design: Design, dial: Dial, trims: Trims, trial: Trial, edges: Floats) -> Outcome:
    """The outcome of a trial; edges as of design.edges_deg."""
    return Outcome(
        design=design,
        duty=trial.duty,
        duty_alone=trial.duty_alone,
        wrong=trial.wrong,
        ghost=trial.ghost,
        clear=trial.clear,
        brightness=trial.brightness,
        thin=_thin(dial, edges),
        bores=len(dial.bores),
        width_mm=2 * dial.body.radius_mm,
        length_mm=dial.body.length_mm,
        height_mm=dial.body.front_mm,
        trims=tuple(trims.items()),
    )


def shortfalls(wish: Wish, found: Outcome) -> dict[str, float]:
    """By how much an outcome misses each limit of the wish that it misses."""
    if found.reason:
        return {"body": 1.0}
    limits = wish.limits
    missed = {
        "duty": (limits.duty or 0.0) - found.duty,
        "wrong": found.wrong - (1.0 if limits.wrong is None else limits.wrong),
        "ghost": found.ghost - (1.0 if limits.ghost is None else limits.ghost),
    }
    return {name: by for name, by in missed.items() if by > 1e-9}


def merit(wish: Wish, found: Outcome) -> float:
    """The larger the better: limits first, then a face that is right and clear, then a small body."""
    if found.reason:
        return -100.0
    short = sum(_SHORT[name] * by for name, by in shortfalls(wish, found).items())
    envelope = wish.envelope
    size = (
        found.width_mm
        / envelope.width_mm
        * found.length_mm
        / envelope.length_mm
        * found.height_mm
        / envelope.height_mm
    )
    good = (1 - wish.sharp) * found.duty + wish.sharp * found.clear
    return good - short - _SIZE * size - _BORE * found.bores
