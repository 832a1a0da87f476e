"""The watch screen in a real terminal, against the real firmware."""

from __future__ import annotations

import json
import os
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

pytestmark = pytest.mark.needs_tmux

DIALBENCH = [sys.executable, "-m", "dialbench.cli"]


class Terminal:
    """One program in tmux, 100 x 36 unless told otherwise."""

    def __init__(self, folder: Path, command: list[str], size: tuple[int, int] = (100, 36)) -> None:
        self._socket = str(folder / "tmux")
        width, height = map(str, size)
        text = " ".join(f"{name}={shlex.quote(value)}" for name, value in _passed_on().items())
        line = f"cd {shlex.quote(str(folder))} && {text} {shlex.join(command)}"
        self._tmux("new-session", "-d", "-x", width, "-y", height, f"{line}; echo ended $?; cat")

    def _tmux(self, *words: str) -> str:
        ran = subprocess.run(
            ["tmux", "-S", self._socket, "-f", "/dev/null", *words],
            capture_output=True,
            text=True,
            timeout=10,
            check=True,
            env=_beside(),
        )
        return ran.stdout

    def keys(self, *names: str) -> None:
        self._tmux("send-keys", *names)

    def screen(self) -> str:
        return self._tmux("capture-pane", "-p")

    def until(self, shown: Callable[[str], bool], seconds: float = 30) -> str:
        """The first screen for which shown holds; fails with the last one if none comes."""
        end = time.monotonic() + seconds
        while not shown(screen := self.screen()):
            assert time.monotonic() < end, screen
            time.sleep(0.05)
        return screen

    def close(self) -> None:
        self._tmux("kill-server")


def _beside() -> dict[str, str]:
    """The environment, without the size of the terminal that the tests themselves may have."""
    kept = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES")}
    return {**kept, "LC_ALL": "C.UTF-8"}


def _passed_on() -> dict[str, str]:
    names = ("PYTHONPATH", "PATH")
    return {"LC_ALL": "C.UTF-8", **{n: os.environ[n] for n in names if n in os.environ}}


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Callable[[list[str]], Terminal]]:
    opened: list[Terminal] = []

    def start(command: list[str]) -> Terminal:
        opened.append(Terminal(tmp_path, command))
        return opened[-1]

    yield start
    for one in opened:
        one.close()


def test_watching_a_virtual_dial_pulling_and_leaving(
    terminal: Callable[[list[str]], Terminal],
) -> None:
    shown = terminal([*DIALBENCH, "watch", "--virtual", "--speed", "60"])
    screen = shown.until(lambda text: "all 33 as predicted" in text)
    assert "10:00" in screen or "10:15" in screen
    shown.keys("p")
    screen = shown.until(lambda text: "measured against predicted" in text)
    assert "crossings predicted" in shown.until(lambda text: "crossings predicted" in text)
    shown.keys("Escape")
    shown.until(lambda text: "escape closes" not in text)
    shown.keys("?")
    shown.until(lambda text: "-- help --" in text)
    shown.keys("Escape")
    shown.until(lambda text: "escape closes" not in text)
    shown.keys("q")
    shown.until(lambda text: "ended 0" in text)


def test_a_board_that_falls_silent_is_told_and_comes_back(
    terminal: Callable[[list[str]], Terminal], tmp_path: Path
) -> None:
    board = subprocess.Popen(
        [*DIALBENCH, "virtual", "--json", "--keep", "board"],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert board.stdout is not None
    try:
        told = json.loads(board.stdout.readline())
        firmware = int(
            subprocess.run(
                ["pgrep", "-P", str(board.pid)], capture_output=True, text=True, check=True
            ).stdout.split()[0]
        )
        shown = terminal([*DIALBENCH, "watch", told["port"], "--dial", told["dial"]])
        shown.until(lambda text: "as predicted" in text and "connected" in text)
        os.kill(firmware, signal.SIGSTOP)
        shown.until(lambda text: "VANISHED" in text)
        os.kill(firmware, signal.SIGCONT)
        shown.until(lambda text: "VANISHED" not in text and "connected" in text)
        shown.keys("q")
        shown.until(lambda text: "ended 0" in text)
    finally:
        board.send_signal(signal.SIGTERM)
        board.wait(20)
        board.stdout.close()
