"""A store is looked at, mended without taking anything away, and copied whole."""

import dataclasses
import os
import sqlite3
import subprocess
import sys
from contextlib import closing

import numpy as np
import pytest
from tests.board_double import log, page, stored
from tests.host.stores import OPEN, OTHER, SHUT, UID, bent, filled, hello, marked, status

from dialbench import whole
from dialbench.store import ForeignLog, Store, StoreError, database, decoding
from dialbench.store.backup import backup
from dialbench.store.check import check
from dialbench.store.repair import repair
from dialcore import records


@pytest.fixture
def path(tmp_path):
    return tmp_path / "store.sqlite"


@pytest.fixture
def pages():
    return log(40)


@pytest.fixture
def sound(path, pages):
    with Store.open(path) as store:
        store.add_board(hello(), "name = 'demo'")
        filled(store, *pages.values())
        store.add_status(UID, status(next_page=40))
    return path


def altered(path, *statements):
    """Change a store as only a broken disk or another program would."""
    with closing(sqlite3.connect(path)) as file:
        triggers = file.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'")
        triggers = triggers.fetchall()
        for name, _ in triggers:
            file.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            file.execute(*statement)
        for _, sql in triggers:
            file.execute(sql)
        file.commit()


def found_in(path):
    return {(one.kind, one.board, one.count) for one in check(path).findings}


# -- what a check finds


def test_a_sound_store_is_sound_and_left_as_it_is(sound):
    before = sound.read_bytes()
    found = check(sound)
    assert found.sound and found.findings == ()
    assert (found.version, found.boards, found.pages) == (3, 1, 40)
    assert sound.read_bytes() == before


def test_what_a_board_says_of_its_own_log_is_told(path, pages):
    health = records.pack_health(3, 1, 2, 40, 0, 0, 90000)
    with Store.open(path) as store:
        store.add_board(hello())
        store.add_board(hello(OTHER))
        first = [(0, records.SETUP, records.pack_setup(500, 600, 7, "files", 1 << 20))]
        later = [
            (0, records.SETUP, records.pack_setup(100, 900, 2, "flash", 1 << 24)),
            (10, records.HEALTH, health),
            (20, records.HEALTH, health[:5]),  # a page of a later version, or of none
        ]
        filled(store, page(0, 1, 0, first), page(1, 2, 0, later))
    found = check(path)
    assert found.as_dict()["told"] == (
        {
            "board": UID,
            "setup": {
                "scan_ms": 100,
                "commit_s": 900,
                "thresholds": (0.5,),
                "storage": "flash",
                "storage_bytes": 1 << 24,
            },
            "health": {
                "retired_pages": 3,
                "torn_pages": 1,
                "failed_writes": 2,
                "erases": 40,
                "records_lost": 0,
                "blind_ms": 0,
                "free_bytes": 90000,
            },
        },
        {"board": OTHER, "setup": None, "health": None},
    )
    setup, health = found.told[0].sentences
    assert "every 100 ms, to store every 900 s at the latest, in flash of 16777216 bytes" in setup
    assert setup.endswith("crossings of 0.50 lit fraction.")
    assert "40 erases, 2 failed writes, 1 torn pages, 0 records lost" in health


def test_a_page_whose_bytes_changed_is_found(sound, pages):
    altered(sound, ("UPDATE page SET raw = ? WHERE number = 7", [bent(pages[7])]))
    assert found_in(sound) == {("spoilt", "", 1)}
    [finding] = check(sound).findings
    assert finding.details == ("page 7 of boot 1",)
    assert "1 spoilt: pages whose bytes do not hold their CRC" in finding.sentence


def test_a_page_filed_under_another_name_is_found(sound):
    altered(sound, ("UPDATE page SET boot = 2 WHERE number = 39", []))
    assert ("spoilt", "", 1) in found_in(sound)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE crossing SET channel = channel + 1 WHERE page = 3 AND place = 0",
        "DELETE FROM crossing WHERE page = 3 AND place = 0",
        "DELETE FROM decoding WHERE page = 3",
        "UPDATE decoding SET last_ms = 5 WHERE page = 3",
        "INSERT INTO event VALUES (3, 99, 1, 1, x'00')",
        "INSERT INTO event VALUES (999, 0, 1, 1, x'00')",
    ],
)
def test_rows_that_are_not_what_the_pages_say_are_found_and_made_anew(sound, statement):
    before = stored(sound)
    with Store.open(sound) as store:
        logged = store.crossings(UID)
    altered(sound, (statement, []))
    kinds = check(sound).kinds()
    # Rows of a page that is not there break a rule of the tables themselves.
    assert kinds == ({"damage"} if "999" in statement else {"decoded"})
    repaired = repair(sound)
    if "999" in statement:
        assert repaired.salvaged.sound
        return
    assert repaired.after.sound and repaired.salvaged is None
    assert stored(sound) == before
    with Store.open(sound) as store:
        again = store.crossings(UID)
    for name in ("boot", "device_ms", "channel", "threshold", "rise"):
        assert (getattr(again, name) == getattr(logged, name)).all()


def test_an_older_decoders_rows_are_found_and_made_anew(sound):
    altered(sound, ("UPDATE decoding SET version = ?", [decoding.VERSION - 1]))
    assert found_in(sound) == {("outdated", "", 40)}
    assert check(sound).kinds() == {"outdated"}  # looking alone makes nothing anew
    assert repair(sound).after.sound


def test_a_store_of_the_first_version_is_looked_at_as_it_is_and_brought_up_to_date(path, pages):
    first_version(path, pages)
    before = path.read_bytes()
    found = check(path)
    assert (found.version, found.pages, found.kinds()) == (1, 40, {"outdated"})
    assert path.read_bytes() == before
    repaired = repair(path)
    assert repaired.after.sound and repaired.after.version == 3
    assert stored(path) == {(1, number): raw for number, raw in pages.items()}


def first_version(path, pages):
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


def test_gaps_are_found(path):
    miscounted = records.PageWriter()
    miscounted.start(0)
    miscounted.count = 9
    with Store.open(path) as store:
        store.add_board(hello())
        filled(store, page(5), page(8), bytes(miscounted.sealed(9, 1, 0)))
        lost = [(0, records.OVERFLOW, records.pack_count(12))]
        filled(store, page(6, entries=lost, base_ms=0))
        store.add_status(UID, status(first_page=4, next_page=11, torn_pages=2))
    assert found_in(path) == {
        ("missing", UID, 3),  # 4, 7, 10
        ("retired", UID, 4),
        ("torn", UID, 2),
        ("unreadable", UID, 1),
        ("overflow", UID, 12),
    }


def test_crossings_in_two_pages_are_found(path):
    same = (600_000, 3, 1, 1)
    with Store.open(path) as store:
        store.add_board(hello())
        filled(store, page(0, entries=[same, (600_500, 4, 1, 1)]))
        filled(store, page(1, entries=[same]))
    assert found_in(path) == {("twice", UID, 1)}


def test_observed_time_without_a_sure_clock_is_found(path):
    hour_ms = 3_600_000
    with Store.open(path) as store:
        store.add_board(hello())
        gates = [(0, records.GATE, OPEN), (10 * hour_ms, records.GATE, SHUT)]
        filled(store, page(0, 1, 0, gates), page(1, 2, 0, gates), page(2, 3, 0, gates))
        # Boot 1 has two marks, boot 2 one at its start, boot 3 none.
        marked(store, 1, 0, 10 * hour_ms)
        marked(store, 2, 0)
    found = check(path)
    assert found.observed_s == 30 * 3600
    unsure = {one.kind: one.count for one in found.findings}
    assert set(unsure) == {"no_clock", "unsure"}
    assert unsure["no_clock"] == 1
    # A lone mark is good for 0.2 s / 1.96 / 50 ppm, 34 min; the looks are a minute apart.
    assert unsure["unsure"] == pytest.approx(20 * 3600 - 2041, abs=61)
    assert found.covered_s == pytest.approx(found.observed_s - unsure["unsure"], abs=1)


def test_marks_that_contradict_each_other_are_found(path):
    with Store.open(path) as store:
        store.add_board(hello())
        filled(store, page(0))
        marked(store, 1, 0, 600_000, 1_200_000)
        marked(store, 1, 1_800_000, off_us=90_000_000)
    [finding] = check(path).findings
    assert (finding.kind, finding.count) == ("marks", 1)
    assert "1800000 ms of boot 1 differs by 90" in finding.details[0]


def test_what_is_no_store_is_no_finding(tmp_path):
    for name, text in (("notes.txt", "no store " * 2000), ("empty", "")):
        (tmp_path / name).write_text(text)
    with pytest.raises(StoreError, match="is not a store of Dialbench"):
        check(tmp_path / "notes.txt")
    with pytest.raises(StoreError, match="is not a store of Dialbench"):
        repair(tmp_path / "notes.txt")
    for looked in (check, repair):
        with pytest.raises(StoreError, match="empty is empty: nothing was pulled into it"):
            looked(tmp_path / "empty")
    assert (tmp_path / "empty").read_text() == ""
    with closing(sqlite3.connect(tmp_path / "other")) as file:
        file.execute("CREATE TABLE song (title TEXT)")
    with pytest.raises(StoreError, match="is a database, but not a store"):
        check(tmp_path / "other")
    assert not list(tmp_path.glob("*salvaged*"))


def test_a_store_of_a_later_version_is_not_taken_apart(sound):
    with closing(sqlite3.connect(sound)) as file:
        file.execute("PRAGMA user_version = 99")
    for looked in (check, repair):
        with pytest.raises(StoreError, match="by a later Dialbench .* update Dialbench"):
            looked(sound)
    assert not list(sound.parent.glob("*salvaged*"))


def test_an_imported_log_that_changed_is_found(sound):
    with Store.open(sound) as store:
        when = np.array([1_774_000_000_000_000, 1_774_000_060_000_000])
        log = ForeignLog(
            "other.csv", when, when % 2, when % 3, when > 0, (None, 5), ((0, int(when[1])),)
        )
        assert store.foreign.add(log, "0123456789abcdef", "name = 'demo'", 33)
    assert check(sound).sound
    altered(sound, ("UPDATE foreign_crossing SET sigma_us = 4 WHERE sigma_us = 5", []))
    assert found_in(sound) == {("foreign", "", 1)}


def test_a_check_sees_one_moment_while_another_process_writes(sound):
    with Store.open(sound) as writer, writer.writing():
        filled(writer, *log(5, boot=2, first=40).values())
        found = check(sound)
    assert found.sound and found.pages == 40
    assert check(sound).pages == 45


# -- pages that are spoilt come again


def test_a_spoilt_page_is_asked_for_again_and_kept_beside_the_old_bytes(sound, pages):
    altered(sound, ("UPDATE page SET raw = ? WHERE number = 7", [bent(pages[7])]))
    with Store.open(sound) as store:
        assert store.missing(UID, 0, 40) == []
    repaired = repair(sound)
    assert repaired.done[-1] == "1 spoilt pages now count as missing: pull again"
    assert found_in(sound) == {("asked", "", 1), ("missing", UID, 1)}
    assert repair(sound).done == ("nothing in the file had to be mended",)
    backup(sound, sound.with_name("backup"))
    assert found_in(sound.with_name("backup")) == found_in(sound)
    with Store.open(sound) as store:
        assert store.missing(UID, 0, 40) == [range(7, 8)]
        assert store.add_page(UID, pages[7])
        assert not store.add_page(UID, pages[7])
        assert store.missing(UID, 0, 40) == []
        count = len(store.crossings(UID).boot)
    assert count == sum(records.check(raw)[4] for raw in pages.values())
    assert check(sound).sound
    assert stored(sound)[1, 7] == bent(pages[7])


def test_a_page_that_came_again_and_is_spoilt_again_is_asked_for_again(sound, pages):
    altered(sound, ("UPDATE page SET raw = ? WHERE number = 7", [bent(pages[7])]))
    with Store.open(sound) as store:
        assert store.add_page(UID, pages[7])
    altered(sound, ("UPDATE spare SET raw = ?", [bent(pages[7])]))
    repair(sound)
    with Store.open(sound) as store:
        assert store.missing(UID, 0, 40) == [range(7, 8)]
        assert store.add_page(UID, pages[7])
    assert check(sound).sound


def test_a_spoilt_page_that_comes_unasked_is_kept_too(sound, pages):
    altered(sound, ("UPDATE page SET raw = ? WHERE number = 0", [bent(pages[0])]))
    with Store.open(sound) as store:
        assert store.add_page(UID, pages[0])
    assert check(sound).sound


# -- damaged files


def overwritten(path, first, count):
    """Pages of SQLite's from first on, counted from 0, become rubbish."""
    with closing(sqlite3.connect(path)) as file:
        assert file.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0] == 0
        [size] = file.execute("PRAGMA page_size").fetchone()
    with open(path, "r+b") as file:
        file.seek(first * size)
        file.write(b"\xaa" * size * count)


def test_wherever_a_file_is_damaged_every_whole_page_of_it_is_saved(tmp_path, pages):
    """Each page of SQLite's is spoilt in turn; what is lost is at most the pages on it."""
    lost = []
    whole = tmp_path / "whole.sqlite"
    with Store.open(whole) as store:
        store.add_board(hello())
        filled(store, *pages.values())
    size = whole.stat().st_size // 4096
    for at in range(size):
        path = tmp_path / f"{at}.sqlite"
        path.write_bytes(whole.read_bytes())
        overwritten(path, at, 1)
        before = path.read_bytes()
        try:
            found = check(path)
        except StoreError as wrong:
            assert at == 0 and "is not a store" in str(wrong)
        else:
            if found.sound:
                continue  # a page that nothing hangs on
            assert found.kinds() <= {"damage"}, at
        if at == board_page(whole):
            continue
        repaired = repair(path)
        assert path.read_bytes() == before, "the damaged file is left as it is"
        new = tmp_path / f"{at}.salvaged.sqlite"
        kept = stored(new)
        assert kept.items() <= {(1, n): raw for n, raw in pages.items()}.items()
        lost.append(40 - len(kept))
        assert repaired.salvaged.kinds() <= {"missing"}
    assert len(lost) > 10
    assert 35 <= sum(lost) <= 40  # each page lies on one of them, and is lost but once


def board_page(path):
    """Where SQLite keeps the board's only row: nobody can say whose the pages are without."""
    with closing(sqlite3.connect(path)) as file:
        return (
            file.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'board'").fetchone()[0]
            - 1
        )


def test_without_its_boards_a_damaged_store_keeps_its_pages_and_says_so(sound):
    overwritten(sound, board_page(sound), 1)
    repaired = repair(sound)
    assert "40 pages were left behind, as their board cannot be told" in repaired.done


def test_what_was_not_yet_in_the_file_itself_is_saved_from_beside_it(path, pages):
    """The newest pages stand in the write-ahead log when a computer stops."""
    ended = f"""
import os, sys
from tests.board_double import log
from tests.host.stores import UID, filled, hello
from dialbench.store import Store
store = Store.open({str(path)!r})
store.add_board(hello())
filled(store, *log(40).values())
os._exit(0)
"""
    subprocess.run(
        [sys.executable, "-c", ended],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        check=True,
    )
    assert path.with_name("store.sqlite-wal").stat().st_size > 40_000
    with open(path, "r+b") as file:
        file.write(b"\xaa" * 8192)
    with open(path.with_name("store.sqlite-wal"), "r+b") as file:
        file.write(b"\xaa" * 8)  # SQLite itself believes no word of it now
    repaired = repair(path)
    assert repaired.done[0].startswith("40 pages of 1 boards were saved into ")
    assert repaired.salvaged.sound


def test_a_salvaged_store_is_not_written_over(sound):
    overwritten(sound, 5, 1)
    repair(sound)
    with pytest.raises(StoreError, match="is there already, from an earlier repair: move it"):
        repair(sound)


def test_dials_marks_and_foreign_logs_are_saved_too(sound, pages):
    with Store.open(sound) as store:
        marked(store, 1, 0, 600_000)
        marks = store.marks(UID)
    with closing(sqlite3.connect(sound)) as file:
        [root] = file.execute(
            "SELECT rootpage FROM sqlite_schema WHERE name = 'crossing'"
        ).fetchone()
    overwritten(sound, root - 1, 1)
    repair(sound)
    with Store.open(sound.with_name("store.salvaged.sqlite")) as store:
        [board] = store.boards()
        assert (board.uid, board.dial_toml, board.pages) == (UID, "name = 'demo'", 40)
        assert store.marks(UID) == marks
        assert store.missing(UID, 0, 40) == []


def test_a_page_that_came_again_is_saved_too(sound, pages):
    altered(sound, ("UPDATE page SET raw = ? WHERE number = 7", [bent(pages[7])]))
    with Store.open(sound) as store:
        assert store.add_page(UID, pages[7])
    with closing(sqlite3.connect(sound)) as file:
        [root] = file.execute(
            "SELECT rootpage FROM sqlite_schema WHERE name = 'crossing'"
        ).fetchone()
    overwritten(sound, root - 1, 1)
    assert repair(sound).salvaged.sound
    kept = stored(sound.with_name("store.salvaged.sqlite"))
    assert kept == {(1, number): raw for number, raw in pages.items()}


# -- tables that are not a store's


@pytest.mark.parametrize(
    "statement",
    [
        "CREATE TRIGGER more AFTER INSERT ON page BEGIN DELETE FROM mark; END",
        "CREATE VIEW extra AS SELECT 1",
        "DROP TRIGGER page_is_never_altered",
        "ALTER TABLE mark ADD COLUMN note TEXT",
    ],
)
def test_tables_that_are_not_a_stores_are_refused(sound, statement):
    with closing(sqlite3.connect(sound)) as file:
        file.execute(statement)
    before = sound.read_bytes()
    with pytest.raises(StoreError, match="but its tables are not that version's"):
        Store.open(sound)
    assert sound.read_bytes() == before


def test_a_users_own_statistics_do_not_disturb(sound):
    with closing(sqlite3.connect(sound)) as file:
        file.execute("ANALYZE")
    assert check(sound).sound


def test_values_of_the_wrong_kind_are_damage_not_a_traceback(sound):
    """STRICT keeps other programs from writing them, not a broken disk."""
    with closing(sqlite3.connect(sound)) as file:
        [strict] = file.execute("SELECT sql FROM sqlite_schema WHERE name = 'mark'").fetchone()
        lax = strict.replace(") STRICT, WITHOUT", ") WITHOUT")
        for sql in (lax, strict):
            if sql == strict:
                file.execute("INSERT INTO mark VALUES (1, 1, 'ten', 0, 0)")
            file.execute("PRAGMA writable_schema = ON")
            file.execute("UPDATE sqlite_schema SET sql = ? WHERE name = 'mark'", [sql])
            file.execute("PRAGMA writable_schema = RESET")
        file.commit()
    with Store.open(sound) as store, pytest.raises(StoreError, match="is damaged: keep it"):
        store.marks(UID)
    assert check(sound).kinds() == {"damage"}
    assert repair(sound).salvaged.sound


def interior(children, child):
    """A page of SQLite's inner nodes, every child of which is the same page."""
    page = bytearray(4096)
    page[0] = 0x05
    page[3:5] = children.to_bytes(2, "big")
    page[5:7] = (4096 - 6 * children).to_bytes(2, "big")
    page[8:12] = child.to_bytes(4, "big")
    for k in range(children):
        at = 4096 - 6 * (k + 1)
        page[12 + 2 * k : 14 + 2 * k] = at.to_bytes(2, "big")
        page[at : at + 6] = child.to_bytes(4, "big") + bytes((0x81, 0x00))
    return bytes(page)


def test_a_file_that_would_be_read_for_years_is_given_up(sound):
    """A tree whose branches lead to one another: 400 ** 5 visits, in a file as small as ever."""
    with closing(sqlite3.connect(sound)) as file:
        file.execute("PRAGMA journal_mode = DELETE")
        query = "SELECT rootpage FROM sqlite_schema WHERE name = 'decoding'"
        [root] = file.execute(query).fetchone()
    raw = bytearray(sound.read_bytes())
    leaf = raw[4096 * (root - 1) : 4096 * root]
    count = len(raw) // 4096
    raw[4096 * (root - 1) : 4096 * root] = interior(400, count + 1)
    for level in range(1, 5):
        raw += interior(400, count + level + 1)
    raw += leaf
    raw[28:32] = (len(raw) // 4096).to_bytes(4, "big")
    raw[92:96] = raw[24:28]
    sound.write_bytes(raw)
    with pytest.raises(StoreError, match="is damaged: keep it"):
        Store.open(sound)


def test_a_store_that_grows_while_it_is_open_is_still_read(path, pages, monkeypatch):
    monkeypatch.setattr(database, "_STEPS_ANYWAY", 0)
    monkeypatch.setattr(database, "_STEPS_A_LOOK", 100)
    with Store.open(path) as store:
        store.add_board(hello())
        allowed = store._database._steps_allowed
        filled(store, *pages.values())
        assert len(store.crossings(UID).boot) > 500
        assert store._database._steps_allowed > allowed


# -- backups


def test_a_backup_holds_everything_and_is_checked(sound, tmp_path):
    out = tmp_path / "backup.sqlite"
    made = backup(sound, out)
    assert dataclasses.astuple(made) == (1, 40, 0, out.stat().st_size)
    assert stored(out) == stored(sound)
    assert check(out).sound
    assert {file.name for file in tmp_path.iterdir()} == {"store.sqlite", "backup.sqlite"}


def test_a_backup_writes_over_nothing_unless_told(sound, tmp_path):
    out = tmp_path / "mine"
    out.write_text("mine")
    with pytest.raises(StoreError, match="is there already: name another file, or say --replace"):
        backup(sound, out)
    for other in (out, tmp_path):
        with pytest.raises(StoreError, match="is no backup of a store: name another file"):
            backup(sound, other, replace=True)
    assert out.read_text() == "mine"
    out = tmp_path / "backup"
    backup(sound, out)
    backup(sound, out, replace=True)
    assert check(out).sound
    with pytest.raises(StoreError, match="is there already"):
        backup(sound, sound, replace=True)
    with pytest.raises(StoreError, match="is no folder: make it first"):
        backup(sound, tmp_path / "none" / "out")


def left_behind(store_path, path):
    """A write-ahead log of another store at path, as a stopped writer leaves one."""
    with closing(sqlite3.connect(store_path)) as file:
        file.execute("PRAGMA journal_mode = WAL")
        file.execute("INSERT INTO dial VALUES ('feedfeedfeedfeed', 'of another store')")
        file.commit()
        path.write_bytes(store_path.with_name(store_path.name + "-wal").read_bytes())


@pytest.mark.parametrize("there", [False, True])
def test_nothing_of_another_store_gets_into_a_backup(sound, tmp_path, there):
    other, out = tmp_path / "other", tmp_path / "out"
    backup(sound, other)
    if there:
        backup(sound, out)
    left_behind(other, tmp_path / "out-wal")
    with pytest.raises(StoreError, match="out-wal belongs to another store of that name"):
        backup(sound, out, replace=True)
    assert out.exists() == there


def test_nothing_of_another_store_gets_into_what_is_saved(sound, tmp_path):
    other = tmp_path / "other"
    backup(sound, other)
    left_behind(other, tmp_path / "store.salvaged.sqlite-wal")
    overwritten(sound, 5, 1)
    with pytest.raises(StoreError, match="salvaged.sqlite-wal is there already"):
        repair(sound)


def test_two_backups_at_once_do_not_meet(sound, tmp_path):
    out = tmp_path / "out"
    with whole.placed(out) as one, whole.placed(out) as other:
        one.write_text("one")
        other.write_text("other")
    assert out.read_text() == "one"
    mine = tmp_path / "copy.part"
    mine.write_text("mine")
    backup(sound, tmp_path / "copy")
    assert mine.read_text() == "mine"


def test_a_backup_beside_a_writer_is_of_one_moment(sound, tmp_path):
    with Store.open(sound) as writer, writer.writing():
        filled(writer, *log(5, boot=2, first=40).values())
        assert backup(sound, tmp_path / "during").pages == 40
    assert backup(sound, tmp_path / "after").pages == 45


def test_an_unsound_store_is_not_backed_up_over_a_sound_backup(sound, pages, tmp_path):
    out = tmp_path / "backup.sqlite"
    backup(sound, out)
    before = out.read_bytes()
    altered(sound, ("UPDATE page SET raw = ? WHERE number = 7", [bent(pages[7])]))
    with pytest.raises(StoreError, match="is not backed up, as it is not sound .1 spoilt"):
        backup(sound, out, replace=True)
    overwritten(sound, 5, 2)
    with pytest.raises(StoreError, match="is not backed up|damaged"):
        backup(sound, out, replace=True)
    assert out.read_bytes() == before
    assert not list(tmp_path.glob("*.part*"))


def test_a_backup_that_does_not_fit_leaves_nothing(sound, tmp_path):
    limited = f"""
import resource, signal
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (40_000, 40_000))
from pathlib import Path
from dialbench.errors import UserError
from dialbench.store.backup import backup
try:
    backup(Path({str(sound)!r}), Path({str(tmp_path / "out")!r}))
except UserError as wrong:
    print(wrong)
"""
    ran = subprocess.run(
        [sys.executable, "-c", limited],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.stderr == "" and "a copy of " in ran.stdout and "store.sqlite" in ran.stdout
    assert {file.name for file in tmp_path.iterdir()} == {"store.sqlite"}
