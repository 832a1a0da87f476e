"""The commands as a user types them: results, sentences, exit statuses."""

from __future__ import annotations

import json
import os
import pty
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from tests.host.typed import typed

DIALBENCH = [sys.executable, "-m", "dialbench.cli"]
# Taken like Ctrl-C; to that, the background jobs of a shell are born deaf.
END = signal.SIGTERM
Run = Callable[..., subprocess.CompletedProcess[str]]

MISTAKES = """
format = 1
name = "wrong three times"

[site]
name = "Gannet Holm"
latitude_deg = 141.2
longitude_deg = -16.4
elevation_m = 24
zone = "-01:00"

[face]
kind = "hours-and-quarters"
column_pitch_mm = 25
row_pitch_mm = "wide"

[plan]
time = "zone"
start = "08:30"
step_min = 15
steps = 28

[body]
shape = "half-cylinder"
radius_mm = 113
length_mm = 266

[bores]
generated = "uniform"
exit_mm = 0.25
taper_deg = 1.35
opening = 48
"""


@pytest.fixture
def dialbench(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Run:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("NO_COLOR", "1")
    return lambda *words: typed(capsys, *words)


@pytest.fixture
def process(run: Run, tmp_path: Path) -> Run:
    """The same in a process of its own, for what hangs on that: its start takes a second."""
    return lambda *words: run([*DIALBENCH, *words], tmp_path)


def sentence(ran: subprocess.CompletedProcess[str]) -> str:
    """The one line an expected failure says; nothing else may be said anywhere."""
    assert ran.returncode == 2
    assert ran.stdout == ""
    [line] = ran.stderr.splitlines()
    assert line.startswith("dialbench: ")
    return line


def test_three_mistakes_are_all_told_with_their_paths(process: Run, tmp_path: Path) -> None:
    (tmp_path / "dial.toml").write_text(MISTAKES)
    for words in (["show", "dial.toml"], ["watch", "/dev/null", "--dial", "dial.toml"]):
        ran = process(*words)
        assert ran.returncode == 2
        lines = ran.stderr.splitlines()
        for path in ("site.latitude_deg", "face.row_pitch_mm", "bores.opening"):
            assert any(f"dial.toml: {path}" in line for line in lines), (path, lines)
        assert "Traceback" not in ran.stderr
        assert ran.stdout == ""


def test_an_absent_port(dialbench: Run, demo_toml: Path, tmp_path: Path) -> None:
    told = sentence(dialbench("watch", "/dev/ttyNOWHERE", "--dial", demo_toml, "--once"))
    assert "/dev/ttyNOWHERE" in told
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("impatient")
def test_a_silent_port(dialbench: Run, demo_toml: Path) -> None:
    with terminal() as (_, name):
        told = sentence(pull(dialbench, name, demo_toml))
    assert "answers nothing" in told and name in told


@pytest.mark.usefixtures("impatient")
def test_a_port_that_speaks_something_else(dialbench: Run, demo_toml: Path) -> None:
    with terminal() as (master, name):
        stop = threading.Event()

        def talk() -> None:
            while not stop.wait(0.05):
                os.write(master, b"\x1b[31mOK\r\n$ ")

        talker = threading.Thread(target=talk)
        talker.start()
        told = sentence(pull(dialbench, name, demo_toml))
        stop.set()
        talker.join()
    assert "not as a dial" in told
    assert "\x1b" not in told


def test_a_busy_port(dialbench: Run, demo_toml: Path) -> None:
    import fcntl
    import termios

    with terminal() as (_, name):
        held = os.open(name, os.O_RDWR | os.O_NOCTTY)
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        try:
            told = sentence(pull(dialbench, name, demo_toml))
        finally:
            fcntl.ioctl(held, termios.TIOCNXCL)
            os.close(held)
    assert name in told and ("use" in told or "another program" in told)


def test_a_store_that_is_none(dialbench: Run, tmp_path: Path) -> None:
    assert "no such store" in sentence(dialbench("compare", "nothing.sqlite"))
    assert not (tmp_path / "nothing.sqlite").exists()
    (tmp_path / "text.sqlite").write_text("no store")
    assert "text.sqlite" in sentence(dialbench("compare", "text.sqlite"))
    assert (tmp_path / "text.sqlite").read_text() == "no store"


def test_watch_needs_one_of_port_and_virtual(dialbench: Run) -> None:
    assert "--virtual" in sentence(dialbench("watch"))
    assert "--dial" in sentence(dialbench("watch", "/dev/null"))


def test_demo_refuses_to_write_over_what_is_there(dialbench: Run, tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    assert "mine" in sentence(dialbench("demo", "--keep", "mine"))
    assert list((tmp_path / "mine").iterdir()) == []


def test_no_number_is_refused_and_no_folder_is_told(dialbench: Run, tmp_path: Path) -> None:
    assert dialbench("demo", "--turned", "nan").returncode == 2
    assert dialbench("watch", "--virtual", "--speed", "nan").returncode == 2
    (tmp_path / "file").write_text("")
    assert "file" in sentence(dialbench("demo", "--keep", "file/sub"))
    assert "file" in sentence(dialbench("virtual", "--keep", "file/sub"))


def test_two_virtual_dials_do_not_share_a_folder(dialbench: Run, tmp_path: Path) -> None:
    with virtual_dial(tmp_path, "--keep", "board"):
        assert "another virtual dial" in sentence(dialbench("virtual", "--keep", "board"))
        turned = dialbench("virtual", "--keep", "board", "--turned", "1")
        assert "another --seed or --turned" in sentence(turned)


def test_demo_refuses_a_sky_that_is_none(dialbench: Run, tmp_path: Path) -> None:
    (tmp_path / "sky.dat").write_text("Nowhere\nno place\n")
    assert "sky.dat" in sentence(dialbench("demo", "--sky", "sky.dat"))
    assert [p.name for p in tmp_path.iterdir()] == ["sky.dat"]


def test_unknown_words_are_told_not_traced(dialbench: Run) -> None:
    for words in (["reed"], ["demo", "--fast"], ["demo", "--days", "none"]):
        ran = dialbench(*words)
        assert ran.returncode == 2
        assert "Traceback" not in ran.stderr and ran.stdout == ""


def test_schema_is_a_schema(dialbench: Run) -> None:
    ran = dialbench("schema")
    assert ran.returncode == 0 and ran.stderr == ""
    assert json.loads(ran.stdout)["$schema"].startswith("https://json-schema.org/")


def test_show_and_its_json(dialbench: Run, demo_toml: Path) -> None:
    assert "Gannet Holm" in dialbench("show", demo_toml).stdout
    facts = json.loads(dialbench("show", demo_toml, "--json").stdout)
    assert facts["schema"] == "dialbench.show/1"
    assert (facts["channels"], facts["steps"]) == (33, 28)


def test_demo_in_a_pipe_shows_no_progress(process: Run, tmp_path: Path) -> None:
    ran = process("demo", "--json", "--keep", "kept")
    assert ran.returncode == 0
    assert ran.stderr == ""
    facts = json.loads(ran.stdout)
    assert facts["schema"] == "dialbench.demo/1"
    assert facts == json.loads((tmp_path / "kept" / "result.json").read_text())
    compared = json.loads(process("compare", "kept/store.sqlite", "--json").stdout)
    assert compared["comparison"]["crossings"] == facts["crossings"]
    assert compared["verdict"] == facts["verdict"]
    text = process("compare", "kept/store.sqlite").stdout
    assert facts["verdict"][0].split(",")[0] in " ".join(text.split())


@contextmanager
def virtual_dial(folder: Path, *words: str) -> Iterator[dict[str, str]]:
    process = subprocess.Popen(
        [*DIALBENCH, "virtual", "--json", *words],
        cwd=folder,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    try:
        yield json.loads(process.stdout.readline())
    finally:
        process.send_signal(END)
        assert process.wait(20) == 0
        process.stdout.close()


def test_a_virtual_dial_is_pulled_watched_and_compared_like_a_real_one(
    dialbench: Run, tmp_path: Path
) -> None:
    with virtual_dial(tmp_path) as told:
        port, dial = told["port"], told["dial"]
        look = json.loads(dialbench("watch", port, "--dial", dial, "--json").stdout)
        assert look["schema"] == "dialbench.watch/1"
        assert look["link"]["connected"] and look["observed"]
        assert look["counts"]["missing"] == look["counts"]["stray"] == 0
        plain = dialbench("watch", port, "--dial", dial, "--once")
        assert plain.returncode == 0 and "\x1b" not in plain.stdout
        for new in (True, False):
            ran = dialbench("pull", port, "--dial", dial, "--store", "s.sqlite", "--json")
            pulled = json.loads(ran.stdout)
            assert pulled["records_lost"] == 0 and (pulled["pages_pulled"] > 0 or not new)
        other = Path(dial).with_name("other.toml")
        text = (tmp_path / dial).read_text()
        (tmp_path / other).write_text(text.replace("longitude_deg = ", "longitude_deg = 1", 1))
        wrong = dialbench("pull", port, "--dial", other, "--store", "t.sqlite")
        assert wrong.returncode == 2 and "Traceback" not in wrong.stderr
    facts = json.loads(dialbench("compare", "s.sqlite", "--json").stdout)
    assert facts["comparison"]["observed_hours"] > 0
    assert facts["losses"]["missing_pages"] == 0


def test_a_virtual_dial_that_is_released_ends_and_says_how_it_starts_again(
    dialbench: Run, tmp_path: Path
) -> None:
    with subprocess.Popen(
        [*DIALBENCH, "virtual", "--json"],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        port = json.loads(process.stdout.readline())["port"]
        assert dialbench("release", port).returncode == 0
        said = process.communicate(timeout=20)[1]
    assert process.returncode == 0
    assert said.endswith(
        "the board was released, and a virtual board has no prompt: run dialbench virtual anew to"
        " start it; with --keep DIR it goes on with its log\n"
    )
    assert f"there is no port {port}" in sentence(dialbench("start", port))


def test_a_look_at_a_board_leaves_nothing_behind_and_takes_no_virtual_options(
    dialbench: Run, tmp_path: Path, demo_toml: Path
) -> None:
    for option in (
        ["--turned", "3"],
        ["--clouds"],
        ["--speed", "9"],
        ["--at", "2027-04-16T11:10Z"],
    ):
        told = sentence(dialbench("watch", "/dev/null", "--dial", demo_toml, *option))
        assert f"{option[0]} goes with --virtual" in told
    with virtual_dial(tmp_path, "--keep", "board") as told:
        before = {path.name for path in tmp_path.iterdir()}
        assert dialbench("watch", told["port"], "--dial", told["dial"], "--once").returncode == 0
        assert {path.name for path in tmp_path.iterdir()} == before


def test_an_interrupted_demo_says_so_and_leaves_a_whole_store(tmp_path: Path) -> None:
    process = subprocess.Popen(
        [*DIALBENCH, "demo", "--days", "30", "--keep", "kept"],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    store = tmp_path / "kept" / "store.sqlite"
    log = tmp_path / "kept" / "board" / "log"
    for _ in range(2000):
        if store.exists() and log.exists() and any(log.iterdir()):
            break
        try:
            process.wait(0.01)
        except subprocess.TimeoutExpired:
            continue
    process.send_signal(END)
    out, err = process.communicate(timeout=20)
    assert process.returncode == 130
    assert err.strip() == "dialbench: interrupted"
    assert out == ""
    import sqlite3

    with sqlite3.connect(store) as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)


@pytest.fixture
def demo_toml() -> Path:
    from dialbench import dialfile

    return Path(str(dialfile.DEMO))


@contextmanager
def terminal() -> Iterator[tuple[int, str]]:
    """The two ends of a line with nobody at the far one: a descriptor and a port's name."""
    master, slave = pty.openpty()
    try:
        yield master, os.ttyname(slave)
    finally:
        os.close(slave)
        os.close(master)


def pull(dialbench: Run, port: str, dial: Path) -> subprocess.CompletedProcess[str]:
    return dialbench("pull", port, "--dial", dial, "--store", "store.sqlite")
