"""Draws hardware/board-sun-error.svg; from the checkout, with what needs_qemu needs:

.venv/bin/python -m tests.references.plot_board_sun
"""

import math
from pathlib import Path

import numpy as np
from tests.references import board_sun, on_boards

FIGURE = Path(__file__).parents[2] / "hardware" / "board-sun-error.svg"

# Title of a row: runtime, whether every step is rounded to 32 bits there.
RUNTIMES = {
    "CPython, every step rounded to 32 bits": (on_boards.cpython, True),
    "MicroPython, every step rounded to 32 bits": (on_boards.micropython, True),
    "MicroPython on an emulated Cortex-M0, floats cut to 30 bits": (on_boards.emulated, False),
}
# Title of a column: the bound in degrees.
QUANTITIES = {"hour angle": 0.005, "declination": 0.002}

WIDTH, HEIGHT = 1000, 640
PANEL_WIDTH, PANEL_HEIGHT = 415, 120
LEFT, COLUMN_STEP = 65, 500
TOP, ROW_STEP = 126, 186
DAYS_PER_COLUMN = 45
FIRST_YEAR, LAST_YEAR = 2000, 2051
HEADROOM = 1.25  # how far a panel reaches beyond the bound

STYLE = """\
text { font: 13px system-ui, sans-serif; fill: #333 }
.title { font-size: 18px; font-weight: 600; fill: #111 }
.row { font-weight: 600; fill: #111 }
.tick { font-size: 11px; fill: #666 }
.end { text-anchor: end }
.middle { text-anchor: middle }
.frame { fill: none; stroke: #bbb }
.year { stroke: #eee }
.zero { stroke: #999 }
.bound { stroke: #b3261e; stroke-dasharray: 5 4 }
.error { fill: #2b6cb0; stroke: #2b6cb0; stroke-width: 0.6; stroke-linejoin: round }"""


def legend(quantity, error_deg, floats_deg):
    """What the figure says of one panel, in words; figures are rounded up."""
    worst, own = (math.ceil(np.abs(off).max() * 1e5) / 1e5 for off in (error_deg, floats_deg))
    return f"{quantity}: at most {worst:.5f}°, within {own:.5f}° of 64-bit floats"


def _text(x, y, what, kind=""):
    return f'<text x="{x:g}" y="{y:g}" class="{kind}">{what}</text>'


def _line(x1, y1, x2, y2, kind):
    return f'<line x1="{x1:g}" y1="{y1:g}" x2="{x2:g}" y2="{y2:g}" class="{kind}"/>'


def _year_x(left, year):
    return round(left + PANEL_WIDTH * (year - FIRST_YEAR) / (LAST_YEAR - FIRST_YEAR), 1)


def _envelope(left, middle, px_per_deg, error_deg):
    """The band between the least and the largest error of every few weeks."""
    parts = np.split(error_deg, range(DAYS_PER_COLUMN, len(error_deg), DAYS_PER_COLUMN))
    x = left + PANEL_WIDTH * (np.arange(len(parts)) + 0.5) / len(parts)
    upper = [middle - px_per_deg * part.max() for part in parts]
    lower = [middle - px_per_deg * part.min() for part in parts]
    corners = [*zip(x, upper, strict=True), *reversed([*zip(x, lower, strict=True)])]
    points = " ".join(f"{px:.1f},{py:.1f}" for px, py in corners)
    return f'<polygon points="{points}" class="error"/>'


def _panel(left, top, bound_deg, error_deg):
    middle = top + PANEL_HEIGHT / 2
    px_per_deg = PANEL_HEIGHT / 2 / (HEADROOM * bound_deg)
    bottom, right = top + PANEL_HEIGHT, left + PANEL_WIDTH
    for year in range(FIRST_YEAR, LAST_YEAR, 10):
        x = _year_x(left, year)
        yield _line(x, top, x, bottom, "year")
        yield _text(x, bottom + 15, year, "tick middle")
    yield _envelope(left, middle, px_per_deg, error_deg)
    for value, kind in ((bound_deg, "bound"), (0, "zero"), (-bound_deg, "bound")):
        y = round(middle - px_per_deg * value, 1)
        yield _line(left, y, right, y, kind)
        yield _text(left - 6, y + 4, f"{value:+g}°".replace("-", "−") if value else "0", "tick end")
    yield f'<rect x="{left}" y="{top}" width="{PANEL_WIDTH}" height="{PANEL_HEIGHT}" class="frame"/>'


def figure(curves):
    """The figure as SVG. curves: by title of the row, errors of both quantities in degrees
    and the share of them that comes from narrow floats, both of shape (days, 2)."""
    size = f'width="{WIDTH}" height="{HEIGHT}"'
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} viewBox="0 0 {WIDTH} {HEIGHT}">',
        f"<style>\n{STYLE}\n</style>",
        f'<rect {size} fill="#fff"/>',
        _text(LEFT, 34, "The board’s Sun against the ephemeris DE421", "title"),
        _text(
            LEFT,
            57,
            "Computed less true, at one instant of every day; a band holds all errors of "
            f"{DAYS_PER_COLUMN} days. Dashed: the bounds.",
        ),
    ]
    for row, (title, (errors_deg, floats_deg)) in enumerate(curves.items()):
        top = TOP + row * ROW_STEP
        out.append(_text(LEFT, top - 28, title, "row"))
        for column, (quantity, bound_deg) in enumerate(QUANTITIES.items()):
            left = LEFT + column * COLUMN_STEP
            error_deg = errors_deg[:, column]
            out.append(_text(left, top - 8, legend(quantity, error_deg, floats_deg[:, column])))
            out.extend(_panel(left, top, bound_deg, error_deg))
    return "\n".join([*out, "</svg>", ""])


def main():
    instants_ms = board_sun.instants()
    true = board_sun.de421(instants_ms)
    wide, _ = board_sun.compute(on_boards.cpython, False, instants_ms)
    curves = {}
    for title, (runtime, narrow) in RUNTIMES.items():
        got, _ = board_sun.compute(runtime, narrow, instants_ms)
        curves[title] = board_sun.apart_deg(got, true), board_sun.apart_deg(got, wide)
    FIGURE.write_text(figure(curves), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
