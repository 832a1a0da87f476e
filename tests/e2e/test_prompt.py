"""A board at its prompt, on a real MicroPython prompt: noticed, started, released again.

What a board does at Ctrl-D, starting its program anew, is played by a thread: this
MicroPython ends there, and the firmware is run on the same line.
"""

import json
import os
import pty
import subprocess
import sys
import threading
import tty
from contextlib import contextmanager

import pytest
from tests.host.typed import typed

from dialbench import dialfile, firmware
from dialbench.clock import SystemClock
from dialbench.link import Board, LinkError
from dialbench.virtual.clouds import Clear
from dialbench.virtual.process import VirtualDial
from dialbench.virtual.truth import Truth

NOON_US = 1_807_878_600_000_000

pytestmark = pytest.mark.usefixtures("impatient")


@pytest.fixture
def flash(tmp_path):
    """The folder of a board that has run once."""
    with VirtualDial(Truth.draw(dialfile.demo(), 5), Clear(), tmp_path / "board", NOON_US):
        pass
    return tmp_path / "board"


@contextmanager
def at_prompt(flash, main=None):
    """A board at its prompt: yields the name of its port. main: what it runs at its start."""
    far, near = pty.openpty()
    tty.setraw(near)
    light_out, light_in = os.pipe()
    os.set_blocking(light_out, False)
    path = os.pathsep.join(map(str, firmware.source_folders()))
    start = [sys.executable, "-c", "import micropython, sys; sys.exit(micropython.main())"]
    running = []
    ended = threading.Event()

    def live():
        programs = ([], [str(main or firmware.main_file()), str(flash), str(light_out)])
        turn = 0
        while not ended.is_set():
            os.set_blocking(far, turn == 0)
            process = subprocess.Popen(
                [*start, *programs[turn]],
                stdin=far,
                stdout=far,
                stderr=far,
                pass_fds=(light_out,),
                env={**os.environ, "MICROPYPATH": f"{path}:.frozen", "TERM": "dumb"},
            )
            running[:] = [process]
            process.wait()
            turn = 1 - turn

    thread = threading.Thread(target=live, daemon=True)
    thread.start()
    try:
        yield os.ttyname(near)
    finally:
        ended.set()
        running[0].kill()
        thread.join(10)
        for end in (far, near, light_out, light_in):
            os.close(end)
    assert not thread.is_alive()


def test_a_board_at_its_prompt_is_noticed_started_and_released_again(flash, capsys):
    with at_prompt(flash) as port:
        with pytest.raises(LinkError) as told:
            Board.open(port, SystemClock())
        assert str(told.value) == (
            f"the board at {port} is at its prompt instead of running the firmware:"
            f" dialbench start {port}"
        )
        ran = typed(capsys, "start", port, "--json")
        assert ran.returncode == 0, ran.stderr
        facts = json.loads(ran.stdout)
        assert (facts["schema"], facts["started"], facts["boot"]) == ("dialbench.start/1", True, 2)
        ran = typed(capsys, "start", port)
        assert "was running already: boot 2." in ran.stdout
        ran = typed(capsys, "release", port)
        assert (ran.returncode, ran.stderr) == (0, "")
        assert f"is at its prompt on {port}" in ran.stdout
        ran = typed(capsys, "release", port, "--json")
        assert ran.returncode == 2
        assert ran.stderr.endswith(f"the firmware: dialbench start {port}\n")


@pytest.mark.deep
def test_a_board_without_the_firmware_is_told(flash, capsys, tmp_path):
    (tmp_path / "main.py").write_text("print('no dial')")
    with at_prompt(flash, tmp_path / "main.py") as port:
        ran = typed(capsys, "start", port)
    assert ran.returncode == 2
    assert "was started, and its firmware does not answer: is main.py on it? (" in ran.stderr


def test_what_shows_no_prompt_is_not_started(capsys):
    far, near = pty.openpty()
    tty.setraw(near)
    try:
        ran = typed(capsys, "start", os.ttyname(near))
    finally:
        os.close(far)
        os.close(near)
    assert ran.returncode == 2
    assert "answers nothing" in ran.stderr
