"""What is known of the device's time: marks, readings, and what is wrong with them."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Literal

from dialbench.errors import UserError


class ClockError(UserError):
    """A time cannot be told; one sentence."""


@dataclass(frozen=True)
class Mark:
    """In a boot the device's clock read device_ms when UTC was utc_us, within sigma_us.

    source says where the mark was found: made over the link, read from the log, or read
    there as what a satellite receiver told the board.
    """

    boot: int
    device_ms: int
    utc_us: int
    sigma_us: int
    source: Literal["link", "log", "satellites"]


@dataclass(frozen=True)
class Reading:
    """In a boot the device's clock read device_ms when the clock chip beside it showed utc_us.

    The chip is a clock of its own, with an offset and a rate; sigma_us is how well the
    instant of the reading is known. stopped: it stood still at some time since the
    reading before.
    """

    boot: int
    device_ms: int
    utc_us: int
    sigma_us: int
    stopped: bool = False


@dataclass(frozen=True)
class Rejected:
    """A mark or reading the model does not use; reason is one sentence."""

    mark: Mark | Reading
    reason: str


@dataclass(frozen=True)
class Jump:
    """The chip's time stepped by size_s (forward when positive) in the stretch that ends
    with a reading; probability 0..1 that it did so there."""

    reading: Reading
    size_s: float
    probability: float


class SystemClock:
    """The computer's clock: Unix UTC in microseconds, running at speed 1."""

    speed = 1.0

    def utc_us(self) -> int:
        return time.time_ns() // 1000
