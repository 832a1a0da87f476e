"""Faces: where the channels lie and which of them each step lights.

"Hours and quarters" shows the start of its step: the hour in two digits of 3x5
pixels, 24-hour, and between them one dot for every quarter past it, from the bottom.
"Hours and minutes" shows it in four such digits, to the minute. "Patterns" are pictures
of anybody's own: rows of text from the top, "#" for a channel or a lit one.

The digits are drawn for telling apart, not for looks: any two differ in at least
LEAST_DISTANCE of their 15 pixels, so two wrong pixels in a digit still leave the
right one nearest.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from dialbench.dial import Channel, DialError, Step
from dialbench.wish import Cell

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

DIGIT_GAP, MIDDLE_GAP = 1, 2  # columns between the digits of a pair, and between the pairs
_PIXELS = 15  # of a digit

LIT, DARK = "#", "."  # what pictures are drawn with

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


def hour_cells() -> tuple[Cell, ...]:
    """The cells of the 33 channels of hours and quarters, numbered as hours_and_quarters does."""
    return tuple(Cell(column, row) for column, row in _CELLS)


def minute_cells(digit_gap: int = DIGIT_GAP, middle_gap: int = MIDDLE_GAP) -> tuple[Cell, ...]:
    """The cells of the 60 channels of hours and minutes: digit by digit, each row by row.

    digit_gap columns stay empty between the two digits of the hour and of the minute,
    middle_gap columns between hour and minute.
    """
    pair = 6 + digit_gap
    lefts = (0, 3 + digit_gap, pair + middle_gap, pair + middle_gap + 3 + digit_gap)
    return tuple(
        Cell(left + column, row) for left in lefts for row in range(5) for column in range(3)
    )


def plan_faults(start: str | None, step_min: float | None, steps: int | None) -> list[str]:
    """Why no plan can run so, one sentence each; what is None is not looked at."""
    if start is None or step_min is None or steps is None or step_min <= 0:
        return []
    fitting = (_DAY_MIN - minutes_of(start)) / step_min + 1e-9  # infinite for the tiniest steps
    if steps <= fitting:
        return []
    room = int(fitting)
    mend = f"at most {room} or an earlier start" if room else "an earlier start"
    return [
        (
            f"plan.steps: {steps} steps of {step_min:g} min from {start} run past midnight; "
            f"write {mend}"
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


def hour_steps(start: str, step_min: float, steps: int, ahead_min: int = 0) -> tuple[Step, ...]:
    """steps intervals of step_min minutes from start "HH:MM", each spelling its own start.

    They spell it by a clock that is ahead_min, full quarters, ahead of the plan's.
    step_min is 15, 30 or 60, start a full quarter, the end not past midnight; DialError
    with every fault otherwise, ValueError for a start that is no time of day.
    """
    faults = hour_faults(start, step_min, steps)
    if faults:
        raise DialError(faults)
    first = minutes_of(start)
    return tuple(_hour_step(k, first + k * step_min, ahead_min) for k in range(steps))


def minute_faults(start: str | None, step_min: float | None, steps: int | None) -> list[str]:
    """plan_faults, and those of a plan that hours and minutes cannot spell."""
    faults = plan_faults(start, step_min, steps)
    if step_min is not None and (step_min < 1 or step_min % 1):
        faults.append(
            f"plan.step_min: is {step_min:g}, which the minutes cannot show; write a whole number, "
            f"such as {max(1, round(step_min))}"
        )
    if start is not None and minutes_of(start) % 1:
        faults.append(
            f"plan.start: is {start}, which the minutes cannot show; write a full minute, such as "
            f"{time_of(minutes_of(start) // 1)}"
        )
    return faults


def minute_steps(start: str, step_min: float, steps: int, ahead_min: int = 0) -> tuple[Step, ...]:
    """steps intervals of step_min minutes from start "HH:MM", each spelling its own start.

    They spell it by a clock that is ahead_min ahead of the plan's. step_min is a whole number, the end not past midnight; DialError with every fault
    otherwise, ValueError for a start that is no time of day.
    """
    faults = minute_faults(start, step_min, steps)
    if faults:
        raise DialError(faults)
    first = minutes_of(start)
    return tuple(_minute_step(k, first + k * step_min, ahead_min) for k in range(steps))


def picture_cells(rows: Sequence[str]) -> tuple[Cell, ...]:
    """The cells of the channels drawn in a picture, numbered row by row from the top left."""
    return tuple(
        Cell(column, row)
        for row, line in enumerate(rows)
        for column, pixel in enumerate(line)
        if pixel == LIT
    )


def picture_faults(cells: Sequence[str], pixels: Sequence[str]) -> list[tuple[int | None, str]]:
    """Why a picture of lit pixels does not fit the picture of the cells; (row, sentence).

    row counts from 0 and is None where it is the picture as a whole.
    """
    if len(pixels) != len(cells):
        return [(None, f"has {len(pixels)} rows, but face.cells has {len(cells)}; draw as many")]
    faults: list[tuple[int | None, str]] = []
    for row, (drawn, line) in enumerate(zip(cells, pixels, strict=True)):
        if len(line) != len(drawn):
            faults.append(
                (
                    row,
                    f"is {len(line)} cells wide, but face.cells is {len(drawn)} there; draw as many",
                )
            )
            continue
        stray = [
            column
            for column, (cell, pixel) in enumerate(zip(drawn, line, strict=True))
            if pixel == LIT and cell != LIT
        ]
        if stray:
            sentence = (
                f"lights column {stray[0]} (from 0), where face.cells has no channel; write "
                f'"{DARK}" there, or "{LIT}" in face.cells'
            )
            faults.append((row, sentence))
    return faults


def picture_channels(cells: Sequence[str], pixels: Sequence[str]) -> frozenset[int]:
    """The channels that a picture lights; it must fit the cells (picture_faults)."""
    return frozenset(
        number
        for number, cell in enumerate(picture_cells(cells))
        if pixels[int(cell.row)][int(cell.column)] == LIT
    )


def _hour_step(index: int, start_min: float, ahead_min: int) -> Step:
    shown_min = (start_min + ahead_min) % _DAY_MIN
    hour, minute = divmod(round(shown_min), 60)
    lit = _glyph(_TENS, hour // 10) | _glyph(_ONES, hour % 10)
    dots = frozenset(range(_DOTS, _DOTS + minute // 15))
    return Step(index, start_min, time_of(shown_min), lit | dots)


def _minute_step(index: int, start_min: float, ahead_min: int) -> Step:
    shown_min = (start_min + ahead_min) % _DAY_MIN
    hour, minute = divmod(round(shown_min), 60)
    digits = (hour // 10, hour % 10, minute // 10, minute % 10)
    lit = frozenset(
        channel for place, digit in enumerate(digits) for channel in _glyph(_PIXELS * place, digit)
    )
    return Step(index, start_min, time_of(shown_min), lit)


def _glyph(first: int, digit: int) -> frozenset[int]:
    """Channels that draw a digit whose top left pixel is channel first."""
    return frozenset(
        first + place for place, pixel in enumerate("".join(GLYPHS[digit])) if pixel == "#"
    )
