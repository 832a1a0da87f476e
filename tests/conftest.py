"""What tests of every kind share: a cache of their own, and programs run to their end."""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


def pytest_configure(config):
    """One cache for the whole session: its workers and programs inherit the environment.

    What users have kept is neither read nor written, and what one test worked out serves
    the others.
    """
    if not hasattr(config, "workerinput"):
        folder = tempfile.mkdtemp(prefix="dialbench-tests-")
        os.environ["DIALBENCH_CACHE"] = folder
        config.add_cleanup(lambda: shutil.rmtree(folder, ignore_errors=True))


def _run(command, cwd=None, **environment):
    """Run a command to its end; return it finished, whatever its exit status."""
    return subprocess.run(
        [str(word) for word in command],
        cwd=cwd,
        env={**os.environ, "NO_COLOR": "1", **environment},
        capture_output=True,
        text=True,
        timeout=50,
        check=False,
    )


def _micropython(*arguments, path=(), cwd=None):
    """Run MicroPython with the board's code and further folders to import from."""
    # `-m micropython` would swallow the exit status. Objects are made of words, so this
    # heap is the room of a 32-bit board with 256 KB.
    start = "import micropython, sys; sys.exit(micropython.main())"
    command = [sys.executable, "-c", start, "-X", "heapsize=256wK"]
    folders = [ROOT / "shared", ROOT / "firmware", *path, ".frozen"]
    return _run([*command, *arguments], cwd, MICROPYPATH=os.pathsep.join(map(str, folders)))


@pytest.fixture
def impatient(monkeypatch):
    """The link waits a quarter of its time for an answer: how long it does, test_link knows."""
    monkeypatch.setattr("dialbench.link.exchange.ANSWER_S", 0.25)


@pytest.fixture(scope="session")
def run():
    return _run


@pytest.fixture(scope="session")
def micropython():
    return _micropython
