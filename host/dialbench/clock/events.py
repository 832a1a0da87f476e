"""Marks and readings of all boots in one row, each as one number that a chip's model can use.

Within a boot the device's clock orders them, between boots the boot's number. What lies
between the last of one boot and the first of the next is told by whatever both have.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

from dialbench.clock.facts import Mark, Reading
from dialbench.clock.line import WANDER_PPM

_DAY_S = 86400.0
_LONGEST_S = 60 * _DAY_S  # a gap that seems longer says more of the chip than of the gap
_SUREST_US = 289  # the device counts whole milliseconds: one over the root of twelve
_READINGS = 4000  # half a year of hours
_PULSE_US = 2000  # what a satellite's pulse told is surer than this, and late by chance only
_BACK_S = 10.0  # a chip that shows so much less than before has been set back
JUMPS_A_DAY = 1 / 365  # how often a chip jumps by itself: a guess, it matters little
JUMPS_A_CUT = 0.01  # and when the board's power goes: the same


@dataclass(frozen=True)
class Event:
    """A mark or reading as the model takes it.

    value_s: a mark's UTC less the boot's reference line, what a reading shows less that and
    less how far the chip is roughly ahead; sigma_s its standard uncertainty. swing_s: how
    far the crystal's daily swing may part a mark from the readings about it. after_s: time since the
    event before; fresh: the first of its boot. jump: probability that the chip jumped
    since the reading before; certain where it must have.
    """

    what: Mark | Reading
    value_s: float
    sigma_s: float
    swing_s: float
    after_s: float
    fresh: bool
    jump: float
    certain: bool

    @property
    def is_reading(self) -> bool:
        return isinstance(self.what, Reading)


@dataclass(frozen=True)
class Tied:
    """A reading with how far its chip is ahead of UTC, roughly; anew: since the reading
    before the chip has certainly jumped, as it says itself or has gone back."""

    reading: Reading
    ahead_us: int
    anew: bool


def tied(marks: Sequence[Mark], readings: Sequence[Reading]) -> list[Tied]:
    """Readings in order, without those that nothing ties to UTC.

    Between two certain jumps the chip is one clock, and the first boot that has a mark and a
    reading of it says how far that is ahead. Where no boot has both, nothing does.
    """
    first: dict[int, Mark] = {}
    for mark in marks:
        first.setdefault(mark.boot, mark)
    runs: list[list[Reading]] = []
    for reading in readings:
        back = runs and reading.utc_us - runs[-1][-1].utc_us < -_BACK_S * 1e6
        if not runs or reading.stopped or back:
            runs.append([])
        runs[-1].append(reading)
    found = []
    for run in runs:
        ties = [reading for reading in run if reading.boot in first]
        if ties:
            mark, reading = first[ties[0].boot], ties[0]
            ahead_us = reading.utc_us - mark.utc_us - 1000 * (reading.device_ms - mark.device_ms)
            found += [Tied(one, ahead_us, one is run[0]) for one in run]
    return found


def sparse(readings: list[Tied]) -> list[Tied]:
    """No more readings than a minute's work: each boot's first and last and every so many."""
    step = -(-len(readings) // _READINGS)
    if step <= 1:
        return readings
    found = []
    for at, one in enumerate(readings):
        ends = [readings[i].reading.boot for i in (at - 1, at + 1) if 0 <= i < len(readings)]
        end = len(ends) < 2 or ends != [one.reading.boot] * 2
        if end or one.anew or at % step == 0:
            found.append(one)
    return found


def references(marks: Sequence[Mark], readings: Sequence[Tied]) -> dict[int, int]:
    """By boot: UTC in microseconds at its device_ms 0, near enough to take differences from."""
    lines: dict[int, int] = {}
    for mark in marks:
        lines.setdefault(mark.boot, mark.utc_us - 1000 * mark.device_ms)
    for one in readings:
        shown_us = one.reading.utc_us - one.ahead_us
        lines.setdefault(one.reading.boot, shown_us - 1000 * one.reading.device_ms)
    return lines


def row(marks: Sequence[Mark], readings: Sequence[Tied], lines: dict[int, int]) -> list[Event]:
    """All of them in order of boot and device time."""
    # How long the power was away the chip tells better than a host whose clock may be wrong.
    begun = lines | references([], readings)
    ended = lines | references([], readings[::-1])
    found: list[Event] = []
    read: Tied | None = None
    late = sum(map(_late_alike, marks))
    looks: dict[int, list[int]] = {}
    for tie in readings:
        looks.setdefault(tie.reading.boot, []).append(tie.reading.device_ms)
    everything: list[Mark | Tied] = [*marks, *readings]
    for one in sorted(everything, key=_place):
        what = one.reading if isinstance(one, Tied) else one
        line_us = lines[what.boot] + 1000 * what.device_ms
        after_s, fresh = 0.0, True
        if found:
            before = found[-1].what
            fresh = before.boot != what.boot
            after_us = 1000 * (what.device_ms - before.device_ms)
            if fresh:
                after_us += begun[what.boot] - ended[before.boot]
            after_s = min(max(after_us * 1e-6, 0.0), _LONGEST_S)
        value_us, jump, certain = what.utc_us - line_us, 0.0, False
        swing_s = 0.0
        if isinstance(one, Mark):
            swing_s = _swing_s(one.device_ms, looks.get(one.boot, []))
        else:
            value_us -= one.ahead_us
            if read is not None:
                since_s = (what.utc_us - read.reading.utc_us) * 1e-6
                jump = min(max(since_s, 0.0), _LONGEST_S) / _DAY_S * JUMPS_A_DAY
                jump += JUMPS_A_CUT * (read.reading.boot != what.boot)
                certain = one.anew
            read = one
        sigma_s = max(what.sigma_us, _SUREST_US) * 1e-6
        if isinstance(what, Mark) and _late_alike(what):
            sigma_s *= sqrt(late)
        found.append(Event(what, value_us * 1e-6, sigma_s, swing_s, after_s, fresh, jump, certain))
    return found


def _place(one: Mark | Tied) -> tuple[int, int]:
    what = one.reading if isinstance(one, Tied) else one
    return what.boot, what.device_ms


def _late_alike(mark: Mark) -> bool:
    """Whether a mark is as late as others of its kind: a receiver's sentences are all late by
    what it takes to send them, so that many together are no surer than one."""
    return mark.source == "satellites" and mark.sigma_us > _PULSE_US


def _swing_s(device_ms: int, looks: list[int]) -> float:
    """WANDER_PPM times the distance to the nearest of the readings, or between two of them at
    distances a and b times a b / (a + b), as a Line has it; 0 without any."""
    after = bisect_left(looks, device_ms)
    near = [abs(device_ms - looks[at]) * 1e-3 for at in (after - 1, after) if 0 <= at < len(looks)]
    if not near:
        return 0.0
    reach_s = near[0] if len(near) == 1 else near[0] * near[1] / max(sum(near), 1e-3)
    return WANDER_PPM * 1e-6 * reach_s
