"""Faces: where the channels lie and which of them each step lights.

"Hours and quarters" shows the start of its step: the hour in two digits of 3x5
pixels, 24-hour, and between them one dot for every quarter past it, from the bottom.

The digits are drawn for telling apart, not for looks: any two differ in at least
LEAST_DISTANCE of their 15 pixels, so two wrong pixels in a digit still leave the
right one nearest.
"""

from __future__ import annotations

import re

from dialbench.dial import Channel, DialError, Step

GLYPHS = (
    (".##", "#.#", "#.#", "#.#", "##."),
    ("##.", ".#.", ".#.", ".#.", "###"),
    ("###", "..#", "###", "#..", "###"),
    ("##.", "..#", ".##", "..#", "##."),
    ("#..", "#..", "#.#", "###", "..#"),
    ("###", "#..", "##.", "..#", "##."),
    ("..#", ".#.", "###", "#.#", "###"),
    ("###", "..#", ".#.", ".#.", ".#."),
    (".#.", "#.#", ".#.", "#.#", ".#."),
    ("###", "#.#", "###", "..#", "..#"),
)
LEAST_DISTANCE = 5

_COLUMNS, _ROWS = 7, 5
_CELLS = (
    *((column, row) for row in range(5) for column in (0, 1, 2)),  # tens: channels 0..14
    *((3, row) for row in (3, 2, 1)),  # quarter dots: channels 15..17, in the order they light
    *((column, row) for row in range(5) for column in (4, 5, 6)),  # ones: channels 18..32
)
_TENS, _DOTS, _ONES = 0, 15, 18
CHANNELS = len(_CELLS)

_TIME = re.compile(r"([01]\d|2[0-3]):([0-5]\d)(?::([0-5]\d))?", re.ASCII)
_DAY_MIN = 24 * 60


def minutes_of(text: str) -> float:
    """Minutes after midnight of a time of day "HH:MM" or "HH:MM:SS"; ValueError for others."""
    match = _TIME.fullmatch(text)
    if match is None:
        raise ValueError(f"{text!r} is no time of day HH:MM")
    return int(match[1]) * 60 + int(match[2]) + int(match[3] or 0) / 60


def time_of(minute: float) -> str:
    """minutes_of undone, to the nearest second; seconds are written only where there are any."""
    total = round(minute * 60)
    text = f"{total // 3600:02}:{total // 60 % 60:02}"
    return f"{text}:{total % 60:02}" if total % 60 else text


def hours_and_quarters(column_pitch_mm: float, row_pitch_mm: float) -> tuple[Channel, ...]:
    """The 33 channels of the face, centred on the face's middle.

    0..14 are the tens and 18..32 the ones, each row by row from the top left; 15..17 are
    the dots from the bottom. The viewer looks along +x with +z up, so the left is +y.
    """
    return tuple(
        Channel(
            y_mm=((_COLUMNS - 1) / 2 - column) * column_pitch_mm,
            z_mm=((_ROWS - 1) / 2 - row) * row_pitch_mm,
            column=column,
            row=row,
        )
        for column, row in _CELLS
    )


def plan_faults(start: str | None, step_min: float | None, steps: int | None) -> list[str]:
    """Why no plan can run so, one sentence each; what is None is not looked at."""
    if start is None or step_min is None or steps is None or step_min <= 0:
        return []
    room = int((_DAY_MIN - minutes_of(start)) / step_min + 1e-9)
    if steps <= room:
        return []
    return [
        (
            f"plan.steps: {steps} steps of {step_min:g} min from {start} run past midnight; "
            f"write at most {room} or an earlier start"
        )
    ]


def hour_faults(start: str | None, step_min: float | None, steps: int | None) -> list[str]:
    """plan_faults, and those of a plan that hours and quarters cannot spell."""
    faults = plan_faults(start, step_min, steps)
    if step_min is not None and step_min not in (15, 30, 60):
        faults.append(
            f"plan.step_min: is {step_min:g}, which the quarters cannot show; write 15, 30 or 60"
        )
    if start is not None and minutes_of(start) % 15:
        faults.append(
            f"plan.start: is {start}, which the quarters cannot show; write a full quarter of an "
            f"hour, such as {time_of(minutes_of(start) // 15 * 15)}"
        )
    return faults


def hour_steps(start: str, step_min: float, steps: int) -> tuple[Step, ...]:
    """steps intervals of step_min minutes from start "HH:MM", each spelling its own start.

    step_min is 15, 30 or 60, start a full quarter, the end not past midnight; DialError
    with every fault otherwise, ValueError for a start that is no time of day.
    """
    faults = hour_faults(start, step_min, steps)
    if faults:
        raise DialError(faults)
    first = minutes_of(start)
    return tuple(_hour_step(k, first + k * step_min) for k in range(steps))


def _hour_step(index: int, start_min: float) -> Step:
    hour, minute = divmod(round(start_min), 60)
    lit = _glyph(_TENS, hour // 10) | _glyph(_ONES, hour % 10)
    dots = frozenset(range(_DOTS, _DOTS + minute // 15))
    return Step(index, start_min, time_of(start_min), lit | dots)


def _glyph(first: int, digit: int) -> frozenset[int]:
    """Channels that draw a digit whose top left pixel is channel first."""
    return frozenset(
        first + place for place, pixel in enumerate("".join(GLYPHS[digit])) if pixel == "#"
    )
