"""Comma-separated tables that say first, in lines that begin with #, what they hold.

Those lines hold no comma, so that no program takes a piece of one for a cell. Names out of
a dial.toml stand in none of these files: a spreadsheet would take one that begins with =
for a formula.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence

from dialbench import __version__
from dialbench.dial import Dial


def stamp(dial: Dial, drawn: Dial | None = None) -> str:
    """Which dial a file belongs to, and what made it; drawn is the drawing if that differs."""
    other = "" if drawn is None or drawn.hash == dial.hash else f" drawn as {drawn.hash}"
    return f"dial {dial.hash}{other}, dialbench {__version__}"


def table(
    label: str,
    title: str,
    remarks: Iterable[str],
    columns: Sequence[tuple[str, str]],
    rows: Iterable[Sequence[str]],
) -> bytes:
    """A whole file, UTF-8 with CR LF as RFC 4180 has it; label is the stamp, columns are (name, meaning)."""
    lines = [
        title,
        label,
        *remarks,
        "Columns:",
        *(f"  {name}: {meaning}" for name, meaning in columns),
    ]
    text = io.StringIO()
    for line in lines:
        # A comma or a quote would open a cell of its own in a spreadsheet.
        text.write("# " + re.sub(r'[,;"\t]', "", line) + "\r\n")
    writer = csv.writer(text)
    writer.writerow([name for name, _ in columns])
    writer.writerows(rows)
    return text.getvalue().encode()


def number(value: float, places: int) -> str:
    """value with so many places, and never a minus before nothing but noughts."""
    text = f"{value:.{places}f}"
    return text[1:] if re.fullmatch(r"-[0.]+", text) else text
