"""The trade-off as a picture: duty, clear faces, wrong light and ghosts against size (SVG)."""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Sequence

from dialbench.optimise.outcome import Outcome
from dialbench.optimise.search import Size

_WIDTH, _HEIGHT = 720, 540
_LEFT, _RIGHT, _TOP, _GAP, _BOTTOM = 70, 150, 46, 46, 52
_PANEL = (_HEIGHT - _TOP - _GAP - _BOTTOM) / 2

# (name, what it is, dashes, colour): told apart by dashes as well as by colour.
_Line = tuple[str, Callable[[Outcome], float], str, str]
_UPPER: tuple[_Line, ...] = (
    ("duty", lambda found: found.duty, "", "#1b6ca8"),
    ("clear", lambda found: found.clear, "7 4", "#7a5195"),
)
_LOWER: tuple[_Line, ...] = (
    ("wrong light", lambda found: found.wrong, "", "#b5442e"),
    ("ghost, at most", lambda found: found.ghost, "2 4", "#5b5b2f"),
)


def curve_svg(name: str, sizes: Sequence[Size]) -> str:
    """The curve of a search as an SVG document, described for those who cannot see it."""
    shown = sorted((s for s in sizes if not s.outcome.reason), key=lambda s: s.outcome.width_mm)
    said = "; ".join(
        f"{s.outcome.width_mm:.0f} mm wide: duty {s.outcome.duty:.3f}, wrong {s.outcome.wrong:.4f}"
        for s in shown
    )
    box = f'viewBox="0 0 {_WIDTH} {_HEIGHT}" width="{_WIDTH}" height="{_HEIGHT}"'
    font = 'font-family="sans-serif" font-size="13"'
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" {box} {font} role="img">',
        f"<title>{html.escape(name)}: what sizes can do</title>",
        f"<desc>{html.escape(said)}</desc>",
        f'<rect width="{_WIDTH}" height="{_HEIGHT}" fill="#fff"/>',
        f'<text x="{_LEFT}" y="24" font-size="15">{html.escape(name)}: what sizes can do</text>',
    ]
    if shown:
        parts += _panel(shown, _UPPER, _TOP, 0.0, 1.0, "share of the plan")
        top = max(0.1, *(way(s.outcome) for s in shown for _, way, _, _ in _LOWER))
        high = math.ceil(top * 10) / 10
        parts += _panel(shown, _LOWER, _TOP + _PANEL + _GAP, 0.0, high, "light where none is due")
        parts.append(
            f'<text x="{(_LEFT + _WIDTH - _RIGHT) / 2}" y="{_HEIGHT - 14}" text-anchor="middle">'
            "width of the body, mm</text>"
        )
    return "\n".join([*parts, "</svg>", ""])


def _panel(
    sizes: Sequence[Size], lines: Sequence[_Line], top: float, low: float, high: float, label: str
) -> list[str]:
    widths = [size.outcome.width_mm for size in sizes]
    first, last = 0.0, max(widths) * 1.05

    def x(width_mm: float) -> float:
        return _LEFT + (width_mm - first) / (last - first) * (_WIDTH - _LEFT - _RIGHT)

    def y(value: float) -> float:
        return top + _PANEL - (value - low) / (high - low) * _PANEL

    middle = f"{top + _PANEL / 2:.1f}"
    turned = f'transform="rotate(-90 18 {middle})"'
    parts = [f'<text x="18" y="{middle}" text-anchor="middle" {turned}>{label}</text>']
    for k in range(6):
        value = low + (high - low) * k / 5
        parts.append(
            f'<path d="M{_LEFT} {y(value):.1f}H{_WIDTH - _RIGHT}" stroke="#ddd"/>'
            f'<text x="{_LEFT - 8}" y="{y(value) + 4:.1f}" text-anchor="end">{value:.2f}</text>'
        )
    for width_mm in widths:
        parts.append(
            f'<text x="{x(width_mm):.1f}" y="{top + _PANEL + 18:.1f}" text-anchor="middle">'
            f"{width_mm:.0f}</text>"
        )
    ends = []
    for name, way, dashes, colour in lines:
        points = [(x(size.outcome.width_mm), y(way(size.outcome))) for size in sizes]
        path = "L".join(f"{px:.1f} {py:.1f}" for px, py in points)
        parts.append(
            f'<path d="M{path}" fill="none" stroke="{colour}" stroke-width="2" '
            f'stroke-dasharray="{dashes or "none"}"/>'
        )
        parts += [
            f'<circle cx="{px:.1f}" cy="{py:.1f}" r="3.5" fill="{colour}"/>' for px, py in points
        ]
        ends.append([points[-1][1] + 4, name, colour])
    # Names side by side with their lines' ends, but not over one another.
    ends.sort(key=lambda end: float(str(end[0])))
    for k in range(1, len(ends)):
        ends[k][0] = max(float(str(ends[k][0])), float(str(ends[k - 1][0])) + 16)
    parts += [
        f'<text x="{_WIDTH - _RIGHT + 10}" y="{float(str(at)):.1f}" fill="{colour}">{name}</text>'
        for at, name, colour in ends
    ]
    return parts
