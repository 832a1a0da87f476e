"""Files that commands are told to write: refused before any work, and written whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from dialbench import whole
from dialbench.errors import UserError


def checked(option: str, path: Path | None, kinds: Sequence[str]) -> None:
    """That path, where one is named, ends in one of kinds and can be written: what takes minutes
    is not worked out for a file that is refused in the end. Raises UserError."""
    if path is None:
        return
    if path.suffix.lower() not in kinds:
        *others, last = kinds
        told = f"{', '.join(others)} or {last}" if others else last
        raise UserError(f"{option} {path}: name a file that ends in {told}")
    folder = path.absolute().parent
    if not folder.is_dir():
        raise UserError(f"{option} {path}: cannot be written: its folder is not there: make it")
    if path.is_dir():
        raise UserError(f"{option} {path}: cannot be written: a folder has that name")
    if not os.access(folder, os.W_OK):
        raise UserError(f"{option} {path}: cannot be written: its folder is not yours to write in")


def write(option: str, path: Path, made: str | bytes) -> None:
    """Put the file in its place in one step. Raises UserError."""
    try:
        whole.write(path, made)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error  # an OSError names a passing file besides
        raise UserError(f"{option} {path}: cannot be written ({why})") from None
