"""From a wish to files a workshop can use, as a user types it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.host.typed import typed

Run = Callable[..., subprocess.CompletedProcess[str]]
DIALBENCH = [sys.executable, "-m", "dialbench.cli"]

WISH = """
format = 1
name = "two pixels"

[site]
name = "Gannet Holm"
latitude_deg = 41.2
longitude_deg = -16.4
elevation_m = 24
zone = "-01:00"

[face]
kind = "patterns"
cells = ["##"]

[[face.step]]
pixels = ["#."]

[[face.step]]
pixels = ["##"]

[[face.step]]
pixels = [".#"]

[plan]
time = "apparent"
start = "11:00"
step_min = 20
steps = 3

[envelope]
width_mm = 60
length_mm = 60
height_mm = 25

[process]
kind = "print"
exit_mm = 0.5
wall_mm = 0.4

[wish]
duty = 0.9
ghost = 0.1
wrong = 0.001
minutes = 0.05
"""


@pytest.fixture
def dialbench(run: Run, tmp_path: Path) -> Run:
    def call(*words: object) -> subprocess.CompletedProcess[str]:
        return run([*DIALBENCH, *words], tmp_path)

    return call


@pytest.fixture
def typing(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Run:
    """The same within this process: the start of one of its own takes a second."""
    monkeypatch.chdir(tmp_path)
    return lambda *words: typed(capsys, *words)


@pytest.mark.timeout(180)
def test_a_wish_becomes_a_dial_that_is_proved_and_made(dialbench: Run, tmp_path: Path) -> None:
    (tmp_path / "wish.toml").write_text(WISH)
    laid = dialbench("layout", "wish.toml", "--no-curve", "--workers", 2, "--json")
    assert laid.returncode == 0, laid.stderr
    found = json.loads(laid.stdout)
    assert found["schema"] == "dialbench.layout/1" and found["missed"] == {}
    shown = json.loads(dialbench("show", "wish.dial.toml", "--json").stdout)
    assert shown["hash"] == found["dial_hash"]
    assert shown["depth_mm"] <= 25 and 2 * shown["radius_mm"] <= 60
    audited = dialbench("audit", "wish.dial.toml", "--json")
    assert audited.returncode == 0, audited.stdout + audited.stderr
    broken = dialbench("audit", "wish.dial.toml", "--duty", 1)
    assert broken.returncode == 1
    made = dialbench("fabricate", "wish.dial.toml", "--out", "made", "--json")
    assert made.returncode == 0, made.stderr
    assert json.loads(made.stdout)["hash"] == found["dial_hash"]
    assert (tmp_path / "made" / "body.3mf").is_file()


def test_an_impossible_wish_is_told_with_its_best(typing: Run, tmp_path: Path) -> None:
    (tmp_path / "wish.toml").write_text(WISH.replace("wall_mm = 0.4", "wall_mm = 0"))
    told = typing("layout", "wish.toml")
    assert told.returncode == 2 and "process.wall_mm" in told.stderr
    assert told.stdout == "" and not (tmp_path / "wish.dial.toml").exists()


@pytest.mark.timeout(120)
def test_an_interrupt_ends_the_search_at_once_and_keeps_its_looks(tmp_path: Path) -> None:
    (tmp_path / "wish.toml").write_text(WISH.replace("minutes = 0.05", "minutes = 60"))
    with subprocess.Popen(
        [*DIALBENCH, "layout", "wish.toml", "--workers", "1"],
        cwd=tmp_path,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
    ) as process:
        kept = tmp_path / "wish.dial.toml.search.json"
        end = time.monotonic() + 90
        while not kept.exists() and time.monotonic() < end:
            time.sleep(0.1)
        assert kept.exists()
        process.send_signal(signal.SIGTERM)
        before = time.monotonic()
        assert process.wait(30) == 130
        assert time.monotonic() - before < 10
        assert process.stderr is not None
        assert process.stderr.read().strip() == "dialbench: interrupted"
    assert json.loads(kept.read_text())["looks"]
    assert not (tmp_path / "wish.dial.toml").exists()


def test_files_that_cannot_be_written_are_told_before_the_search(
    typing: Run, tmp_path: Path
) -> None:
    (tmp_path / "wish.toml").write_text(WISH)
    (tmp_path / "folder").mkdir()
    for words in (
        ("--curve", "wish.toml"),
        ("--out", "wish.toml"),
        ("--out", "a.toml", "--curve", "a.toml"),
        ("--out", "a.toml", "--curve", "a.toml.search.json"),
        ("--curve", "none/x.svg"),
        ("--out", "none/x.toml"),
        ("--out", "folder"),
    ):
        ran = typing("layout", "wish.toml", *words)
        assert (ran.returncode, ran.stdout) == (2, "")
        [line] = ran.stderr.splitlines()
        assert words[-1] in line or words[1] in line
    assert (tmp_path / "wish.toml").read_text() == WISH
    assert sorted(path.name for path in tmp_path.iterdir()) == ["folder", "wish.toml"]
