"""dialbench.firmware: the board's files are found in a checkout and in an installed package."""

import shutil
import sys
from pathlib import Path

import pytest

import dialcore
from dialbench import firmware

LOOK = "from dialbench import firmware; print(firmware.main_file(), *firmware.source_folders())"


def install(folder, with_firmware):
    """Lay out a package as the wheel does, with only what the look needs."""
    package = folder / "dialbench"
    (package / "_firmware").mkdir(parents=True)
    (package / "__init__.py").touch()
    for module in ("firmware.py", "errors.py"):
        shutil.copy(Path(firmware.__file__).with_name(module), package)
    (folder / "dialcore").mkdir()
    (folder / "dialcore" / "__init__.py").touch()
    if with_firmware:
        (package / "_firmware" / "main.py").touch()


@pytest.fixture
def look(run):
    return lambda folder: run([sys.executable, "-c", LOOK], cwd=folder, PYTHONPATH=str(folder))


def test_checkout_has_all_that_the_board_imports():
    board, core = firmware.source_folders()
    assert firmware.main_file() == board / "main.py"
    assert (board / "dialnode" / "node.py").is_file()
    assert (core / "dialcore").samefile(Path(dialcore.__file__).parent)


def test_installed_package_uses_its_own_copy(look, tmp_path):
    install(tmp_path, with_firmware=True)
    own = tmp_path / "dialbench" / "_firmware"
    assert look(tmp_path).stdout.split() == [str(own / "main.py"), str(own), str(tmp_path)]


def test_without_firmware_one_sentence_says_where_it_was_looked_for(look, tmp_path):
    site = tmp_path / "lib" / "site"
    install(site, with_firmware=False)
    ran = look(site)
    assert ran.returncode == 1
    last = ran.stderr.splitlines()[-1]
    assert last.startswith("dialbench.firmware.FirmwareError: the board's firmware is neither in ")
    assert str(site / "dialbench" / "_firmware") in last
    assert str(tmp_path / "lib" / "firmware") in last
