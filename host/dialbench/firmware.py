"""Where the board's own files lie: in the installed package, or beside it in a checkout."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from dialbench.errors import UserError


class FirmwareError(UserError):
    """The board's files are not where they belong; one sentence."""


def main_file() -> Path:
    """The program a board starts with. Raises FirmwareError if it is nowhere."""
    package = Path(str(files("dialbench")))
    places = (package / "_firmware", package.parents[1] / "firmware")
    for folder in places:
        if (folder / "main.py").is_file():
            return folder / "main.py"
    raise FirmwareError(
        f"the board's firmware is neither in {places[0]} nor in {places[1]}: install dialbench anew"
    )


def source_folders() -> tuple[Path, Path]:
    """The folders that the firmware imports from: dialnode's, and dialcore's."""
    return main_file().parent, Path(str(files("dialcore"))).parent
