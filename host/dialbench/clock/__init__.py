"""From the device's own milliseconds to UTC, afterwards: clock marks, readings, the model."""

from __future__ import annotations

from dialbench.clock.facts import (
    ClockError,
    Jump,
    Mark,
    Reading,
    Rejected,
    SystemClock,
)
from dialbench.clock.line import PRIOR_PPM, WANDER_PPM
from dialbench.clock.model import ClockModel

__all__ = [
    "PRIOR_PPM",
    "WANDER_PPM",
    "ClockError",
    "ClockModel",
    "Jump",
    "Mark",
    "Reading",
    "Rejected",
    "SystemClock",
]
