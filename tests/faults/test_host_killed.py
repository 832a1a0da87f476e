"""The host's process is killed as kill -9 does, in the middle of whatever it does with a
store: the store is whole each time, and doing it again completes it.

KILLS in the environment: how many kills of each kind, instead of the few of every day's run.
"""

import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from contextlib import closing
from pathlib import Path

import pytest
from tests.board_double import DIAL_HASH, BoardDouble, DirectLine, Time, log, on_tcp, stored
from tests.host.stores import UID, filled, hello

from dialbench import dialfile, foreign
from dialbench.link import Board
from dialbench.store import Store
from dialbench.store.backup import backup
from dialbench.store.check import check
from dialbench.store.database import Database, StoreError

KILLS = int(os.environ.get("KILLS", "12"))
PAGES = 400

pytestmark = [pytest.mark.deep, pytest.mark.timeout(3600)]

# What a kill can bring about of what check() finds: pages not yet pulled, and no clock.
INNOCENT = {"missing", "no_clock", "unsure", "torn", "marks"}


@pytest.fixture(scope="module")
def pages():
    return log(PAGES)


def looked_at(path, pages):
    """A store after a kill: sound, and no page in it but the board's; how many of them."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as file:
        assert file.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    found = check(path)
    assert found.kinds() <= INNOCENT, found.findings
    kept = stored(path)
    assert all(pages[number] == raw for (_, number), raw in kept.items())
    return len(kept)


# -- mid-pull


class Killing(BoardDouble):
    """Answers as a board does; after so many frames, and a little later, the host is killed."""

    def __init__(self, pages, frames, later_s):
        super().__init__(pages)
        self.host = None
        self._frames = frames
        self._later_s = later_s

    def _hello(self):
        return super()._hello().replace(DIAL_HASH, bytes.fromhex(dialfile.demo().hash))

    def answer_to(self, data):
        for frame in super().answer_to(data):
            yield frame
            self._frames -= 1
            if self._frames == 0:
                time.sleep(self._later_s)
                os.kill(self.host.pid, signal.SIGKILL)


def rounds(reached, midway):
    """KILLS rounds, and more where a busy machine lets fewer than half of them die midway, as
    the kinds of `reached` that count as that tell: up to four times as many."""
    done = 0
    while done < KILLS or (done < 4 * KILLS and sum(reached[kind] for kind in midway) <= KILLS / 2):
        yield done
        done += 1


def killed_pull(path, pages, frames, later_s):
    """`dialbench pull` in a process of its own, killed on the way."""
    double = Killing(pages, frames, later_s)
    with on_tcp(double) as (address, _):
        command = [sys.executable, "-m", "dialbench.cli", "pull", address]
        double.host = subprocess.Popen(
            [*command, "--dial", str(dialfile.DEMO), "--store", str(path)],
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        told, wrong = double.host.communicate(timeout=60)
    return double.host.returncode, told, wrong


def test_pulls_killed_anywhere(tmp_path, pages):
    chance = random.Random(5)
    reached = Counter()
    path = tmp_path / "store.sqlite"
    had = 0
    for _ in rounds(reached, ["some"]):
        frames = chance.randrange(1, max(30, (PAGES - had) * 2 // 3))
        status, told, wrong = killed_pull(path, pages, frames, chance.random() * 0.03)
        if status == 0:
            reached["done first"] += 1
        else:
            assert (status, told, wrong) == (-signal.SIGKILL, b"", b"")
        now = looked_at(path, pages) if path.exists() else 0
        assert now >= had, "what was kept once is kept for good"
        if status != 0:
            reached["some" if 0 < now < PAGES else "none" if not now else "all"] += 1
        # The rest comes with the next pull, into a copy: the next kill goes on from here.
        copy = tmp_path / "copy.sqlite"
        for end in ("", "-wal"):
            Path(f"{copy}{end}").unlink(missing_ok=True)
            if Path(f"{path}{end}").exists():
                shutil.copy(f"{path}{end}", f"{copy}{end}")
        clock = Time()
        with Store.open(copy) as store:
            line = DirectLine(BoardDouble(pages), clock)
            pulled = Board(line, "test", clock, clock.seconds).pull(store)
        assert pulled.pages == PAGES - now and pulled.lacking == 0
        assert looked_at(copy, pages) == PAGES
        had = now
        if now > PAGES * 3 // 4:
            had = 0
            for end in ("", "-wal", "-shm"):
                Path(f"{path}{end}").unlink(missing_ok=True)
    print(f"{sum(reached.values())} pulls killed: the store then held {dict(reached)} of the pages")
    assert reached["some"] > KILLS / 2


# -- mid-migration, and mid-everything else

# Forks for each thing to do: what is killed has nothing to import, and dies in its work.
NURSERY = """
import os, sys
from pathlib import Path
from dialbench import foreign
from dialbench.store import Store
from dialbench.store.backup import backup
from dialbench.store.repair import repair

def take_in(path, log, sun):
    with Store.open(path) as store:
        store.foreign.add(foreign.load(Path(log), Path(sun), 33), "0123456789abcdef", "", 33)

does = {
    "open": lambda path: Store.open(path).close(),
    "backup": lambda path, out: backup(Path(path), Path(out), replace=True),
    "repair": lambda path: repair(Path(path)),
    "import": take_in,
}
for line in sys.stdin:
    name, *words = line.split()
    child = os.fork()
    if not child:
        try:
            does[name](*words)
        except BaseException:
            os._exit(1)
        os._exit(0)
    print(child, flush=True)
    sys.stdin.readline()  # not waited for before that, so that its number stays its own
    print(os.waitpid(child, 0)[1], flush=True)
"""


class Nursery:
    def __init__(self):
        self._process = subprocess.Popen(
            [sys.executable, "-c", NURSERY],
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def run(self, *words, kill_after_s=None):
        """Do one thing; True if it was killed before its end, else seconds it took."""
        self._process.stdin.write(" ".join(map(str, words)) + "\n")
        self._process.stdin.flush()
        child = int(self._process.stdout.readline())
        began = time.monotonic()
        if kill_after_s is not None:
            time.sleep(kill_after_s)
            os.kill(child, signal.SIGKILL)  # it may be done, but was not waited for
        self._process.stdin.write("\n")
        self._process.stdin.flush()
        status = int(self._process.stdout.readline())
        if os.WIFSIGNALED(status):
            assert os.WTERMSIG(status) == signal.SIGKILL
            return True
        assert status == 0
        return time.monotonic() - began

    def close(self):
        self._process.stdin.close()
        assert self._process.wait(20) == 0
        self._process.stdout.close()


@pytest.fixture(scope="module")
def nursery():
    made = Nursery()
    yield made
    made.close()


def first_version(path, pages):
    """A store as the first schema step left it, its pages read by an older decoder."""
    from dialbench.store import database

    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        file.execute("PRAGMA journal_mode = WAL")
        file.executescript(database._steps()[0])
        file.execute(f"PRAGMA application_id = {database.APPLICATION_ID}")
        file.execute("PRAGMA user_version = 1")
        file.execute("INSERT INTO board VALUES (1, ?, '0123456789abcdef', 33, '', '', 0)", [UID])
        file.execute("BEGIN")
        for number, raw in pages.items():
            file.execute("INSERT INTO page VALUES (?, 1, 1, ?, ?)", [number + 1, number, raw])
            file.execute("INSERT INTO decoding VALUES (?, 1, NULL, '')", [number + 1])
        file.execute("COMMIT")


def cleared(path):
    for end in ("", "-wal", "-shm", "-journal"):
        Path(f"{path}{end}").unlink(missing_ok=True)


def test_migrations_killed_anywhere(tmp_path, pages, nursery):
    old = tmp_path / "old.sqlite"
    first_version(old, pages)
    path = tmp_path / "store.sqlite"
    shutil.copy(old, path)
    whole_s = nursery.run("open", path)
    with Store.look(path) as store:
        rows = store.crossings(UID)
    assert len(rows.boot) > 10 * PAGES
    with closing(Database.look(path)) as database:
        newest = database.version
    chance = random.Random(6)
    reached = Counter()
    for _ in rounds(reached, ["killed at version 1", f"killed at version {newest}"]):
        cleared(path)
        shutil.copy(old, path)
        killed = nursery.run("open", path, kill_after_s=chance.random() * 0.95 * whole_s)
        with closing(Database.look(path)) as database:  # its tables are those of its version
            version = database.version
        reached[f"killed at version {version}" if killed is True else "done first"] += 1
        found = check(path)
        assert found.kinds() <= {"outdated", "no_clock", "missing"}
        assert ("outdated" in found.kinds()) or killed is not True or version == newest
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as file:
            assert file.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            [(count,)] = file.execute("SELECT count(*) FROM crossing")
            assert count in (0, len(rows.boot)), "all rows are made anew or none"
        assert stored(path) == {(1, number): raw for number, raw in pages.items()}
        with Store.open(path) as store:
            again = store.crossings(UID)
        for name in ("boot", "device_ms", "channel", "threshold", "rise"):
            assert (getattr(again, name) == getattr(rows, name)).all()
        assert check(path).kinds() <= {"no_clock", "missing"}
    print(f"{sum(reached.values())} migrations killed in up to {whole_s:.2f} s: {dict(reached)}")
    assert sum(reached[f"killed at version {version}"] for version in (1, newest)) > KILLS / 2


@pytest.fixture
def sound(tmp_path, pages):
    path = tmp_path / "sound.sqlite"
    with Store.open(path) as store:
        store.add_board(hello())
        with store.writing():
            filled(store, *pages.values())
    return path


def test_backups_killed_anywhere(tmp_path, pages, nursery, sound):
    out = tmp_path / "out.sqlite"
    whole_s = nursery.run("backup", sound, out)
    chance = random.Random(7)
    reached = Counter()
    for _ in rounds(reached, ["killed"]):
        if chance.random() < 0.5:
            out.unlink(missing_ok=True)
        there = out.exists()
        killed = nursery.run("backup", sound, out, kill_after_s=chance.random() * whole_s)
        reached["killed" if killed is True else "done first"] += 1
        assert out.exists() >= there
        if out.exists():
            assert looked_at(out, pages) == PAGES
    assert backup(sound, out, replace=True).pages == PAGES
    print(f"{sum(reached.values())} backups killed in up to {whole_s:.2f} s: {dict(reached)}")
    assert reached["killed"] > KILLS / 2


def _empty(path):
    """Whether it was killed before anything was made of the store, which then holds nothing."""
    try:
        check(path)
    except StoreError as error:
        return "is empty: nothing was pulled into it yet" in str(error)
    return False


def test_imports_killed_anywhere(tmp_path, nursery):
    crossings, sun = tmp_path / "log.csv", tmp_path / "sun.csv"
    crossings.write_text(
        "utc,channel,threshold,direction\n"
        + "".join(
            f"2027-04-16T{n // 3600:02}:{n // 60 % 60:02}:{n % 60:02}Z,{n % 33},0.5,rise\n"
            for n in range(40_000)
        )
    )
    sun.write_text("start,end\n2027-04-16T00:00:00Z,2027-04-17T00:00:00Z\n")
    path = tmp_path / "store.sqlite"
    words = ("import", path, crossings, sun)
    whole_s = nursery.run(*words)
    name = foreign.load(crossings, sun, 33).hash("0123456789abcdef")
    chance = random.Random(8)
    reached = Counter()
    for _ in rounds(reached, ["killed"]):
        cleared(path)
        killed = nursery.run(*words, kill_after_s=chance.random() * whole_s)
        reached["killed" if killed is True else "done first"] += 1
        if path.exists():
            if not _empty(path):
                assert check(path).sound
            with Store.open(path) as store:
                assert [(log.hash, log.crossings) for log in store.foreign.logs()] in (
                    [],
                    [(name, 40_000)],
                )
    nursery.run(*words)
    with Store.open(path) as store:
        assert [log.hash for log in store.foreign.logs()] == [name]
    print(f"{sum(reached.values())} imports killed in up to {whole_s:.2f} s: {dict(reached)}")
    assert reached["killed"] > KILLS / 2
