"""How all figures look, and how they become files: the same bytes for the same figure."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from xml.sax.saxutils import escape

import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from dialbench.errors import inert

__all__ = [
    "AMBER",
    "BLUE",
    "GREEN",
    "INK",
    "RED",
    "RULE",
    "SOFT",
    "Figure",
    "pdf",
    "plain",
    "png",
    "sheet",
    "styled",
    "svg",
]

INK, SOFT, RULE = "#20262d", "#5d6670", "#d5d9de"
# Told apart in grey and by the common kinds of colour blindness; each line has dashes of its own.
BLUE, AMBER, GREEN, RED = "#1f5fa8", "#b26a00", "#3d7a4e", "#a33a2c"
_STYLE: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "svg.fonttype": "path",  # the same everywhere, and no font is asked for
    "svg.hashsalt": "dialbench",
    "pdf.fonttype": 42,
    "axes.edgecolor": SOFT,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "text.parse_math": False,  # names may hold any character
    "axes.grid": True,
    "grid.color": RULE,
    "grid.linewidth": 0.6,
}
_MM = 1 / 25.4


@contextmanager
def styled() -> Iterator[None]:
    """Figures made and written in here look alike, whatever the user's own settings."""
    with matplotlib.rc_context(_STYLE):
        yield


def sheet(width_mm: float, height_mm: float) -> Figure:
    """An empty figure of a size on paper."""
    return Figure(figsize=(width_mm * _MM, height_mm * _MM))


def plain(axes: Axes) -> None:
    """Without the frame's upper and right side."""
    axes.spines["top"].set_visible(False)
    axes.spines["right"].set_visible(False)


def svg(figure: Figure, title: str, description: str) -> bytes:
    """The figure as an SVG document with a title and a description for those who cannot see it."""
    stream = io.BytesIO()
    figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    drawn = stream.getvalue().decode()
    # No document type: it names an address, and no program needs it.
    drawn = re.sub(r"<!DOCTYPE[^>]*>\s*", "", drawn, count=1)
    told = f"<title>{escape(inert(title))}</title>\n <desc>{escape(inert(description))}</desc>"
    drawn = re.sub(r"(<svg [^>]*>)", lambda match: f"{match[1]}\n {told}", drawn, count=1)
    return drawn.replace("<svg ", '<svg role="img" ', 1).encode()


def pdf(figure: Figure, title: str) -> bytes:
    """The figure as a PDF of one page, true to scale."""
    stream = io.BytesIO()
    figure.savefig(
        stream, format="pdf", metadata={"Title": title, "CreationDate": None, "Creator": None}
    )
    return stream.getvalue()


def png(figure: Figure, dpi: float) -> bytes:
    """The figure in dots."""
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=dpi, metadata={"Software": None})
    return stream.getvalue()
