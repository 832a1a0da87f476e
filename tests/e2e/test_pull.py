"""dialbench pull as users run it: waiting for a board, cut and taken up, without naming a port."""

import json
import subprocess
import sys
import time
from contextlib import ExitStack

import pytest
from tests.board_double import stored

from dialbench import dialfile
from dialbench.virtual.clouds import Clear
from dialbench.virtual.process import VirtualDial
from dialbench.virtual.truth import Truth

NOON_US = 1_807_878_600_000_000
HOUR_US = 3_600_000_000
DIALBENCH = [sys.executable, "-m", "dialbench.cli"]


@pytest.fixture
def dial_path(tmp_path):
    path = tmp_path / "dial.toml"
    path.write_text(dialfile.dump(dialfile.demo()))
    return path


def virtual(folder):
    return VirtualDial(Truth.draw(dialfile.demo(), 5), Clear(), folder, NOON_US)


def test_a_patient_pull_waits_for_the_board_and_brings_its_log(dial_path, tmp_path):
    port, store = tmp_path / "port", tmp_path / "store.sqlite"
    command = [*DIALBENCH, "pull", str(port), "--dial", str(dial_path), "--store", str(store)]
    with ExitStack() as stack:
        pull = subprocess.Popen(
            [*command, "--wait", "--json"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        stack.callback(pull.wait)
        stack.callback(pull.kill)
        first = pull.stderr.readline()
        assert first.startswith(f"there is no port {port} (ports here: ")
        assert first.endswith("; waiting\n")
        dial = stack.enter_context(virtual(tmp_path / "board"))
        dial.run(NOON_US, NOON_US + HOUR_US)
        port.symlink_to(dial.port)
        out, err = pull.communicate(timeout=30)
    assert pull.returncode == 0, err
    facts = json.loads(out)
    assert (facts["schema"], facts["port"]) == ("dialbench.pull/1", str(port))
    assert facts["pages_pulled"] == len(stored(store)) > 0
    assert facts["pages_lacking"] == facts["pages_absent"] == 0


def test_a_pull_without_a_board_says_how_to_name_one(dial_path, tmp_path, run):
    store = tmp_path / "store.sqlite"
    ran = run([*DIALBENCH, "pull", "--dial", dial_path, "--store", store])
    assert ran.returncode == 2
    assert "no port looks like a board's" in ran.stderr and "name its PORT" in ran.stderr
    assert not store.exists()


def test_two_pulls_at_once_take_turns(dial_path, tmp_path, run):
    """The second is told that the port is taken, and disturbs the first in nothing."""
    with virtual(tmp_path / "board") as dial:
        dial.run(NOON_US, NOON_US + HOUR_US)
        place = [*DIALBENCH, "pull", dial.port, "--dial", str(dial_path), "--store"]
        # A host that holds the port and the board, and is stopped in the middle.
        hold = (
            "import sys, time\n"
            "from dialbench.clock import SystemClock\n"
            "from dialbench.link import Board\n"
            "board = Board.open(sys.argv[1], SystemClock())\n"
            "print(board.hello.uid, flush=True)\n"
            "time.sleep(60)\n"
        )
        holder = subprocess.Popen(
            [sys.executable, "-c", hold, dial.port], stdout=subprocess.PIPE, text=True
        )
        try:
            assert holder.stdout.readline().strip() == dial.uid
            ran = run([*place, tmp_path / "a.sqlite"])
            assert ran.returncode == 2
            assert f"{dial.port} is in use by another program: close that first" in ran.stderr
        finally:
            holder.kill()
            holder.wait()
        # It never said goodbye; whoever has the port for itself need not wait for it.
        began = time.monotonic()
        ran = run([*place, tmp_path / "a.sqlite", "--json"])
        assert ran.returncode == 0, ran.stderr
        assert time.monotonic() - began < 9
        assert json.loads(ran.stdout)["pages_pulled"] == len(stored(tmp_path / "a.sqlite"))
