"""Files that are written whole or not at all."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


def write(path: Path, text: str | bytes) -> None:
    """Put a file of bytes, or of text in UTF-8, in its place in one step."""
    with placed(path) as part:
        part.write_bytes(text.encode() if isinstance(text, str) else text)


@contextmanager
def placed(path: Path) -> Iterator[Path]:
    """Gives a name of its own to write a file under; at the end it takes its place in one
    step, and where anything goes wrong nothing is left of it."""
    part = path.with_name(f"{path.name}.{secrets.token_hex(4)}.part")
    try:
        yield part
        os.replace(part, path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


@contextmanager
def folder(path: Path) -> Iterator[Path]:
    """placed() for a folder: gives a new one to write into. Raises OSError where something
    stands at path that is no empty folder."""
    part = path.with_name(f"{path.name}.{secrets.token_hex(4)}.part")
    part.mkdir()
    try:
        yield part
        os.replace(part, path)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
