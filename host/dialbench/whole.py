"""Files that are written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path


def write(path: Path, text: str) -> None:
    """Put a file of UTF-8 text in its place in one step; for one writer at a time."""
    part = path.with_name(path.name + ".part")
    try:
        part.write_text(text, encoding="utf-8")
        os.replace(part, path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
