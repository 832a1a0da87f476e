"""Digits and arrows so large that they are read from three metres. Pure, no terminal in here.

All is drawn in units first, a grid of yes and no. With blocks, half a character is one unit
high, so that units are nearly square; without, a unit is a character, and "#" fills it.
"""

from __future__ import annotations

from collections.abc import Callable

Grid = list[list[bool]]

_SHAPES = {
    "0": ("###", "# #", "# #", "# #", "###"),
    "1": (" # ", "## ", " # ", " # ", "###"),
    "2": ("###", "  #", "###", "#  ", "###"),
    "3": ("###", "  #", " ##", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"),
    "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"),
    "7": ("###", "  #", "  #", "  #", "  #"),
    "8": ("###", "# #", "###", "# #", "###"),
    "9": ("###", "# #", "###", "  #", "###"),
    ".": (" ", " ", " ", " ", "#"),
    ":": (" ", "#", " ", "#", " "),
    "-": ("   ", "   ", "###", "   ", "   "),
    " ": (" ", " ", " ", " ", " "),
}
_HIGH = 5


def figures(text: str, width: int, height: int, blocks: bool) -> list[str]:
    """Digits, points, colons and dashes as large as width x height characters allow; the text
    as it is where that is too little."""
    columns = sum(len(_SHAPES[one][0]) for one in text) + len(text) - 1
    units = 2 * height if blocks else height
    stretch = 1 if blocks else 2  # characters are twice as high as wide
    size = min(width // (columns * stretch), units // _HIGH)
    if size < 1 or not text:
        return [text[:width]]
    grid: Grid = []
    for y in range(_HIGH):
        row: list[bool] = []
        for number, one in enumerate(text):
            shape = (" " if number else "") + _SHAPES[one][y]
            row += [part == "#" for part in shape for _ in range(size * stretch)]
        grid += [row] * size
    return painted(grid, blocks)


def drawn(width: int, height: int, blocks: bool, on: Callable[[float, float], bool]) -> list[str]:
    """A shape on width x height characters. on(x, y) tells whether a point belongs to it; x and
    y count from the middle, to the right and down, in halves of the height."""
    units = 2 * height if blocks else height
    tall = 1.0 if blocks else 2.0  # of a unit, against its width
    half = units * tall / 2
    grid = [
        [on((x + 0.5 - width / 2) / half, ((y + 0.5) * tall - half) / half) for x in range(width)]
        for y in range(units)
    ]
    return painted(grid, blocks)


def painted(grid: Grid, blocks: bool) -> list[str]:
    """A grid of units as rows of characters."""
    if not blocks:
        return ["".join("#" if on else " " for on in row) for row in grid]
    if len(grid) % 2:
        grid = [*grid, [False] * len(grid[0])]
    return [
        "".join(
            "█" if top and low else "▀" if top else "▄" if low else " "
            for top, low in zip(grid[y], grid[y + 1], strict=True)
        )
        for y in range(0, len(grid), 2)
    ]
