"""Provisioning a bare board, on a real MicroPython's prompt and the real firmware."""

import json
import os
import pty
import shutil
import subprocess
import sys
import tty
from dataclasses import replace
from pathlib import Path

import pytest
from tests.bareboard import BareBoard
from tests.host.typed import typed

from dialbench import dialfile
from dialbench.clock import SystemClock
from dialbench.link import Board
from dialbench.link.errors import AtPrompt, LinkError
from dialbench.provision import ProvisionError, Wishes, provision, unprovision

pytestmark = pytest.mark.usefixtures("impatient", "quick")

OTHER = b"import time\nwhile True:\n    time.sleep(0.01)\n"
CUTS = int(os.environ.get("PROVISION_CUTS", "4"))


@pytest.fixture
def quick(monkeypatch):
    """A board on the bench starts sooner than a real one."""
    monkeypatch.setattr("dialbench.provision.work.STARTING_S", 0.2)


@pytest.fixture(scope="module")
def dial():
    return dialfile.demo()


@pytest.fixture
def dial_toml(tmp_path, dial):
    path = tmp_path / "dial.toml"
    path.write_text(dialfile.dump(dial))
    return path


def put(board, dial, **wishes):
    return provision(board.port, dial, Wishes(**wishes), SystemClock())


def answers(board):
    """The HELLO of what runs on the board; None for its prompt."""
    try:
        with Board.open(board.port, SystemClock()) as running:
            return running.hello
    except AtPrompt:
        return None


def logged(board):
    """Names of the files that the log is in."""
    return set(eval(board.offline("print(os.listdir('/log'))")))


def test_provisioned_once_more_copies_nothing_and_taken_off_the_log_stays(
    tmp_path, dial_toml, dial, capsys
):
    with BareBoard(tmp_path) as board:
        ran = typed(capsys, "provision", board.port, "--dial", dial_toml, "--json")
        assert ran.returncode == 0, ran.stderr
        first = json.loads(ran.stdout)
        assert (first["was"], first["slot"], first["fresh"]) == ("prompt", "a", True)
        assert "/dial_a/dialnode/serve.mpy" in first["sent"]
        assert first["dial_hash"] == answers(board).dial_hash == dial.hash
        ran = typed(capsys, "provision", board.port, "--dial", dial_toml)
        assert ran.returncode == 0, ran.stderr
        assert "0 files sent, 0 copied on the board" in ran.stdout
        assert f"dialbench watch {board.port}" in ran.stdout
        pages = logged(board)
        ran = typed(capsys, "unprovision", board.port, "--json")
        assert ran.returncode == 0, ran.stderr
        assert json.loads(ran.stdout)["restored"] is False
        assert answers(board) is None
        # Releasing the firmware stored one more page; none went.
        assert logged(board) >= pages != set()
        assert eval(board.offline("print(os.listdir('/'))")) == ["boot", "log", "uid"]


@pytest.mark.deep
@pytest.mark.timeout(60)
def test_new_settings_send_one_file_and_what_was_told_before_stays(tmp_path, dial):
    with BareBoard(tmp_path) as board:
        put(board, dial, scan_ms=200)
        done = put(board, dial, commit_s=60)
        assert (done.slot, done.sent) == ("b", ("/dial_b/config.json",))
        assert len(done.copied) > 20
        facts = json.loads(board.read("/dial_b/config.json"))
        assert (facts["scan_ms"], facts["commit_s"]) == (200, 60)
        assert facts["site"]["latitude_e4"] == round(dial.site.latitude_deg * 1e4)
        assert board.read("/dial_now") == b"b-"


@pytest.mark.deep
@pytest.mark.timeout(60)
def test_a_dry_run_changes_nothing(tmp_path, dial_toml, capsys):
    with BareBoard(tmp_path) as board:
        before = board.offline("print(os.listdir('/'))")
        ran = typed(capsys, "provision", board.port, "--dial", dial_toml, "--dry-run", "--source")
        assert ran.returncode == 0, ran.stderr
        assert "a prompt was there. It would be " in ran.stdout
        assert board.offline("print(os.listdir('/'))") == before


@pytest.mark.deep
@pytest.mark.timeout(60)
@pytest.mark.parametrize(
    ("claim", "told"),
    [
        (
            "('circuitpython', (9, 2, 0), 518)",
            "runs circuitpython 9.2.0, and the firmware needs MicroPython 1.24 or newer",
        ),
        (
            "('micropython', (1, 19, 1), 518)",
            "runs MicroPython 1.19.1, and the firmware needs 1.24 or newer",
        ),
        ("('micropython', (1, 30, 0), 7)", "reads compiled files of another version than 6"),
    ],
)
def test_another_interpreter_is_told_and_left_alone(claim, told, tmp_path, dial):
    with BareBoard(tmp_path, claim=claim) as board:
        with pytest.raises(ProvisionError, match=told):
            put(board, dial)
        assert answers(board) is None
        assert eval(board.offline("print(os.listdir('/'))")) == ["uid"]


@pytest.mark.deep
@pytest.mark.timeout(60)
def test_the_prompt_of_cpython_is_told(dial):
    far, near = pty.openpty()
    tty.setraw(near)
    python = subprocess.Popen(
        [sys.executable, "-i", "-q"], stdin=far, stdout=far, stderr=far, start_new_session=True
    )
    try:
        with pytest.raises((ProvisionError, LinkError)) as told:
            provision(os.ttyname(near), dial, Wishes(), SystemClock())
        assert "no MicroPython prompt shows at" in str(told.value)
    finally:
        python.kill()
        python.wait()
        os.close(far)
        os.close(near)


@pytest.mark.deep
@pytest.mark.timeout(60)
def test_a_full_file_system_leaves_what_was(tmp_path, dial):
    """The old firmware runs on, its log whole, and no half of the new one takes up room."""
    with BareBoard(tmp_path) as board:
        put(board, dial)
        free = put(board, dial).free_bytes
        before = logged(board)
        with board.off():
            board.offline(
                f"f=open('/filler','wb')\nfor _ in range({(free - 60000) // 4096}):f.write(bytes(4096))\nf.close()"
            )
        with pytest.raises(ProvisionError, match="is full: pull its log"):
            put(board, replace(dial, name="another"))
        assert answers(board).dial_hash == dial.hash
        assert logged(board) >= before
        assert "dial_b" not in board.offline("print(os.listdir('/'))")


@pytest.mark.deep
@pytest.mark.timeout(60)
def test_another_program_is_kept_and_put_back(tmp_path, dial):
    with BareBoard(tmp_path, {"/main.py": OTHER}) as board:
        done = put(board, dial)
        assert done.was in ("program", "prompt")  # a byte of the greeting may interrupt it
        assert answers(board).dial_hash == dial.hash
        assert unprovision(board.port, SystemClock()).restored
        assert board.read("/main.py") == OTHER


@pytest.mark.deep
@pytest.mark.timeout(60)
def test_a_firmware_that_fails_gives_way_to_what_was(tmp_path, dial, monkeypatch):
    """Once with the host looking on, once by its own timer: the old one answers again."""
    with BareBoard(tmp_path) as board:
        put(board, dial)
        broken = {"dial_start.py": b"def run(_):\n    1 // 0\n"}
        monkeypatch.setattr("dialbench.provision.built.files", lambda *_: dict(broken))
        with pytest.raises(ProvisionError, match="the new firmware does not answer"):
            put(board, dial)
        assert answers(board).dial_hash == dial.hash
        broken["dial_start.py"] = b"def run(_):\n    while True: pass\n"
        board.hurry = 0.05
        with pytest.raises(ProvisionError, match="the new firmware does not answer"):
            put(board, dial)
        assert board.timers >= 3
        assert answers(board).dial_hash == dial.hash


class _Killed(BaseException):
    """The host's process ends here: nothing more is sent."""


def _killed_at(step):
    count = iter(range(10**6))

    def trace(_):
        if next(count) >= step:
            raise _Killed

    return trace


def steps_of(board, dial):
    steps = []
    provision(board.port, dial, Wishes(), SystemClock(), trace=steps.append)
    return len(steps)


@pytest.mark.deep
@pytest.mark.timeout(300)
@pytest.mark.parametrize("power", [False, True], ids=["host", "power"])
def test_cut_at_any_step_the_board_works_or_is_as_it_was(power, tmp_path, dial):
    """An old firmware gives way to a new one; the host is killed, or the power cut as well."""
    new = replace(dial, name="another")
    first = tmp_path / "first"
    first.mkdir()
    with BareBoard(first) as board:
        put(board, dial)
        with board.off():
            shutil.copy(board.flash, tmp_path / "old.bin")
        total = steps_of(board, new)
    for turn in range(CUTS):
        step = total * turn // CUTS
        folder = tmp_path / f"cut{turn}"
        folder.mkdir()
        with BareBoard(folder, image=tmp_path / "old.bin") as board:
            with pytest.raises(_Killed):
                provision(board.port, new, Wishes(), SystemClock(), trace=_killed_at(step))
            if power:
                board.cycle()
                assert answers(board).dial_hash in (dial.hash, new.hash), step
            assert put(board, new).hello.dial_hash == new.hash, step
            assert eval(board.offline("print(os.listdir('/log'))")), step


@pytest.mark.deep
@pytest.mark.timeout(300)
def test_power_cut_at_any_write_of_the_flash_leaves_a_firmware_that_answers(tmp_path, dial):
    """Half of the write that is under way reaches the flash, too."""
    new = replace(dial, name="another")
    with BareBoard(tmp_path) as board:
        put(board, dial)
        with board.off():
            shutil.copy(board.flash, tmp_path / "old.bin")
            before = len(board.writes())
        put(board, new)
        with board.off():
            todo = board.writes()[before:]
    image = bytearray((tmp_path / "old.bin").read_bytes())
    assert len(todo) > 100
    looks = {len(todo) * turn // (2 * CUTS) for turn in range(2 * CUTS)}
    for count, (at, data) in enumerate(todo):
        if count in looks:
            torn = bytearray(image)
            torn[at : at + len(data) // 2] = data[: len(data) // 2]
            folder = tmp_path / f"cut{count}"
            folder.mkdir()
            Path(folder / "torn.bin").write_bytes(torn)
            with BareBoard(folder, image=folder / "torn.bin") as board:
                assert answers(board).dial_hash in (dial.hash, new.hash), count
        image[at : at + len(data)] = data
