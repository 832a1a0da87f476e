"""What a channel's state is: measured against predicted. Five states, no more."""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum

LIT_LEVEL = 2  # thresholds passed by a channel that counts as lit: 0.25 and 0.50
RAMP = (0.25, 0.75)  # the outer thresholds


class State(Enum):
    LIT = "lit"
    DARK = "dark"
    MISSING = "missing"
    STRAY = "stray"
    UNOBSERVED = "unobserved"


def states(levels: Sequence[int], fractions: Sequence[float]) -> tuple[State, ...]:
    """Each channel's state in direct sun: what it measures against what is predicted.

    levels[c] counts the thresholds channel c is above (0..3), fractions[c] is its
    predicted lit fraction (0..1); ValueError if they are not as many. A channel predicted
    within RAMP is just passing: seconds decide on which side of 0.50 it is, so it agrees
    with whatever it measures, and neither a clock some seconds off nor the making of the
    dial lets it flicker as missing or stray.
    """
    if len(levels) != len(fractions):
        raise ValueError(f"{len(levels)} levels for {len(fractions)} predicted channels")
    return tuple(
        _state(level >= LIT_LEVEL, fraction)
        for level, fraction in zip(levels, fractions, strict=True)
    )


def _state(lit: bool, fraction: float) -> State:
    if RAMP[0] <= fraction <= RAMP[1] or lit == (fraction >= 0.5):
        return State.LIT if lit else State.DARK
    return State.STRAY if lit else State.MISSING
