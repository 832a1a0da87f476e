"""Files that are written whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


def write(path: Path, text: str) -> None:
    """Put a file of UTF-8 text in its place in one step; for one writer at a time."""
    with placed(path) as part:
        part.write_text(text, encoding="utf-8")


@contextmanager
def placed(path: Path) -> Iterator[Path]:
    """Gives a name to write a file under; at the end it takes its place in one step, and
    where anything goes wrong nothing is left of it. For one writer at a time."""
    part = path.with_name(path.name + ".part")
    part.unlink(missing_ok=True)
    try:
        yield part
        os.replace(part, path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
