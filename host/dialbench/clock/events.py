"""Marks and readings of all boots in one row, each as one number that a chip's model can use.

Within a boot the device's clock orders them, between boots the boot's number. What lies
between the last of one boot and the first of the next is told by whatever both have.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from dialbench.clock.facts import Mark, Reading

_DAY_S = 86400.0
_LONGEST_S = 60 * _DAY_S  # a gap that seems longer says more of the chip than of the gap
_BACK_S = 10.0  # a chip that shows so much less than before has been set back
JUMPS_A_DAY = 1 / 365  # how often a chip jumps by itself: a guess, it matters little
JUMPS_A_CUT = 0.01  # and when the board's power goes: the same


@dataclass(frozen=True)
class Event:
    """A mark or reading as the model takes it.

    value_s: a mark's UTC less the boot's reference line, a reading's the same less the
    chip's reference offset; sigma_s its standard uncertainty. after_s: time since the
    event before; fresh: the first of its boot. jump: probability that the chip jumped
    since the reading before; certain where it must have.
    """

    what: Mark | Reading
    value_s: float
    sigma_s: float
    after_s: float
    fresh: bool
    jump: float
    certain: bool

    @property
    def is_reading(self) -> bool:
        return isinstance(self.what, Reading)


def tie_us(marks: Sequence[Mark], readings: Sequence[Reading]) -> int | None:
    """How far the chip is ahead of UTC, roughly: from the first boot that has a mark and a
    reading. None where no boot has both: nothing then says what the chip is worth."""
    first: dict[int, Mark] = {}
    for mark in marks:
        first.setdefault(mark.boot, mark)
    for reading in readings:
        if reading.boot in first:
            mark = first[reading.boot]
            return reading.utc_us - mark.utc_us - 1000 * (reading.device_ms - mark.device_ms)
    return None


def references(marks: Iterable[Mark], readings: Iterable[Reading], ahead_us: int) -> dict[int, int]:
    """By boot: UTC in microseconds at its device_ms 0, near enough to take differences from."""
    lines: dict[int, int] = {}
    for mark in marks:
        lines.setdefault(mark.boot, mark.utc_us - 1000 * mark.device_ms)
    for reading in readings:
        lines.setdefault(reading.boot, reading.utc_us - ahead_us - 1000 * reading.device_ms)
    return lines


def row(
    marks: Sequence[Mark], readings: Sequence[Reading], ahead_us: int, lines: dict[int, int]
) -> list[Event]:
    """All of them in order of boot and device time."""
    found: list[Event] = []
    before: Mark | Reading | None = None
    read: Reading | None = None
    everything: list[Mark | Reading] = [*marks, *readings]
    for what in sorted(everything, key=lambda one: (one.boot, one.device_ms)):
        line_us = lines[what.boot] + 1000 * what.device_ms
        fresh = before is None or before.boot != what.boot
        after_s = 0.0
        if before is not None:
            earlier_us = lines[before.boot] + 1000 * before.device_ms
            after_s = min(max((line_us - earlier_us) * 1e-6, 0.0), _LONGEST_S)
        jump, certain = 0.0, False
        value_us = what.utc_us - line_us
        if isinstance(what, Reading):
            value_us -= ahead_us
            if read is not None:
                since_s = min(max((what.utc_us - read.utc_us) * 1e-6, 0.0), _LONGEST_S)
                jump = since_s / _DAY_S * JUMPS_A_DAY + JUMPS_A_CUT * (read.boot != what.boot)
                back = what.utc_us - read.utc_us < -_BACK_S * 1e6
                certain = what.stopped or back
            read = what
        found.append(
            Event(what, value_us * 1e-6, what.sigma_us * 1e-6, after_s, fresh, jump, certain)
        )
        before = what
    return found
