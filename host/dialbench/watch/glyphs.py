"""The face drawn in characters: five states, five shapes. Pure, no terminal in here.

With blocks, half a character is one unit high, so that units are nearly square and
the shapes are small pictures. Without blocks a unit is one character, and plain ASCII
strokes make the same five shapes. Only characters of the old IBM PC set are used
(full block, half blocks), which a bare Linux console shows too.

    lit         all of the pixel
    dark        a dot in its middle
    missing     its outline, hollow
    stray       a cross
    unobserved  a bar across its middle
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from dialbench.dial import Channel
from dialbench.states import State

Run = tuple[str, State | None]  # characters of one row that share a state; None is background

_BLOCKS = "█▀▄"
_LETTERS = {
    State.LIT: "#",
    State.DARK: ".",
    State.MISSING: "o",
    State.STRAY: "x",
    State.UNOBSERVED: "-",
}


def can_show_blocks(encoding: str | None, term: str) -> bool:
    """The rule: the stream's encoding has the blocks, and the terminal is not one of letters."""
    if term in ("dumb", "vt52", "vt100", "vt102", "vt220"):
        return False
    try:
        _BLOCKS.encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def ascii_only(text: str) -> str:
    """text with everything beyond ASCII spelt out as an escape."""
    return text.encode("ascii", "backslashreplace").decode()


def _bitmap(state: State, width: int, height: int) -> list[list[bool]]:
    """The shape of a state on width x height units, both at least 3."""
    least = min(width, height)
    line = max(1, least // 5)
    stroke = max(1, round(least / 5))

    def on(x: int, y: int) -> bool:
        u = abs(2 * x + 1 - width) / width
        v = abs(2 * y + 1 - height) / height
        match state:
            case State.LIT:
                return True
            case State.DARK:
                return u <= 1.01 * stroke / width and v <= 1.01 * stroke / height
            case State.MISSING:
                return not (line <= x < width - line and line <= y < height - line)
            case State.STRAY:
                return abs(u - v) < (1.1 if stroke == 1 else 1.7) / least
            case State.UNOBSERVED:
                return v <= 1.01 * stroke / height

    return [[on(x, y) for x in range(width)] for y in range(height)]


def _strokes(state: State, width: int, height: int) -> list[str]:
    """The shape of a state in ASCII on width x height characters (at least 3 x 2)."""
    middle = (height - 1) // 2
    blank = " " * width
    match state:
        case State.LIT:
            return ["#" * width] * height
        case State.DARK:
            return [("." if y == middle else " ").center(width) for y in range(height)]
        case State.MISSING:
            return ["[" + " " * (width - 2) + "]"] * height
        case State.STRAY:
            return [_slant(y, width, height) for y in range(height)]
        case State.UNOBSERVED:
            return ["-" * width if y == middle else blank for y in range(height)]


def _slant(y: int, width: int, height: int) -> str:
    """Row y of a cross in ASCII."""
    row = [" "] * width
    inset = round((min(y, height - 1 - y) + 0.5) * width / height - 0.5)
    left, right = ("\\", "/") if 2 * y + 1 < height else ("/", "\\")
    row[inset], row[width - 1 - inset] = left, right
    if 2 * y + 1 == height:
        row[inset] = row[width - 1 - inset] = "X"
    return "".join(row)


def sample(state: State, width: int, blocks: bool) -> list[str]:
    """A state's shape for a legend: two rows of width (3 or more) characters, square and
    with some air below where there are blocks."""
    if not blocks:
        return _strokes(state, width, 2)
    rows = [*_bitmap(state, width, 3), [False] * width]
    return [_halves(rows[y], rows[y + 1]) for y in (0, 2)]


def _halves(top: Sequence[bool], bottom: Sequence[bool]) -> str:
    return "".join(
        "█" if a and b else "▀" if a else "▄" if b else " "
        for a, b in zip(top, bottom, strict=True)
    )


@dataclass(frozen=True)
class Fit:
    """How a face of columns x rows cells fits a space: sizes in units (see above)."""

    columns: int
    rows: int
    pixel_width: int
    pixel_height: int
    gap_x: int
    gap_y: int
    blocks: bool

    @property
    def width(self) -> int:
        """Characters the face takes across."""
        return self.columns * (self.pixel_width + self.gap_x) - self.gap_x

    @property
    def height(self) -> int:
        """Characters the face takes downwards."""
        units = self.rows * (self.pixel_height + self.gap_y) - self.gap_y
        return (units + 1) // 2 if self.blocks else units


def cells(channels: Sequence[Channel]) -> tuple[int, int]:
    """Columns and rows of the smallest grid, from cell (0, 0), that holds every channel."""
    return (
        1 + max((c.column for c in channels), default=0),
        1 + max((c.row for c in channels), default=0),
    )


def fit(channels: Sequence[Channel], width: int, height: int, blocks: bool) -> Fit | None:
    """The largest face that fits width x height characters; None if not even letters do."""
    columns, rows = cells(channels)
    units = 2 * height if blocks else height
    for wide in range((width + 2) // columns, 2, -1):
        gap_x = 1 if wide < 7 else 2
        gap_y = gap_x if blocks else 1
        square = wide if blocks else max(2, round(wide / 2))
        high = min((units + gap_y) // rows - gap_y, square + wide // 4)
        least = max(3 if blocks else 2, round(0.75 * square))
        if columns * (wide + gap_x) - gap_x <= width and high >= least:
            return Fit(columns, rows, wide, high, gap_x, gap_y, blocks)
    for gap in (1, 0):
        if columns * (1 + gap) - gap <= width and rows <= height:
            return Fit(columns, rows, 1, 1, gap, 0, False)
    return None


def face(channels: Sequence[Channel], states: Sequence[State], size: Fit) -> list[list[Run]]:
    """The face as rows of runs, size.width x size.height characters."""
    grid: list[list[State | None]] = [[None] * size.columns for _ in range(size.rows)]
    for channel, state in zip(channels, states, strict=True):
        grid[channel.row][channel.column] = state
    empty: Run = (" " * size.width, None)
    return [
        [empty] if line is None else _runs(grid[line[0]], line[1], size) for line in _lines(size)
    ]


@lru_cache(64)
def _lines(size: Fit) -> list[tuple[int, dict[State | None, str]] | None]:
    """For each row of characters: which row of cells it shows (it never shows two), and what a
    cell in each state, or without a channel, contributes; None for a gap."""
    step = size.pixel_height + size.gap_y
    lines: list[tuple[int, dict[State | None, str]] | None] = []
    for y in range(size.height):
        units = (2 * y, 2 * y + 1) if size.blocks else (y,)
        row = next((u // step for u in units if u % step < size.pixel_height), None)
        if row is None:
            lines.append(None)
            continue
        pieces: dict[State | None, str] = {None: " " * size.pixel_width}
        for state in State:
            pieces[state] = _piece(state, [u - row * step for u in units], size)
        lines.append((row, pieces))
    return lines


def _piece(state: State, units: Sequence[int], size: Fit) -> str:
    """A pixel's part of a row of characters that holds these of its units; others are gap."""
    width, height = size.pixel_width, size.pixel_height
    if size.blocks:
        bitmap = _bitmap(state, width, height)
        top, bottom = (bitmap[u] if 0 <= u < height else [False] * width for u in units)
        return _halves(top, bottom)
    if width < 3:
        return _LETTERS[state] * width
    return _strokes(state, width, height)[units[0]]


def _runs(row: Sequence[State | None], pieces: Mapping[State | None, str], size: Fit) -> list[Run]:
    gap = " " * size.gap_x
    runs: list[Run] = []
    waiting = ""  # background, not yet a run
    for column, state in enumerate(row):
        waiting += gap if column else ""
        if state is None:
            waiting += pieces[None]
            continue
        if waiting:
            runs.append((waiting, None))
            waiting = ""
        runs.append((pieces[state], state))
    return [*runs, (waiting, None)] if waiting else runs
