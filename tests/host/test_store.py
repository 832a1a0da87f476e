"""The store: raw pages kept as they came, and everything read from them."""

import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from contextlib import closing, contextmanager
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from tests.board_double import log, page, stored
from tests.host.stores import OPEN, OTHER, SHUT, UID, filled, hello, status

from dialbench.clock import Mark
from dialbench.store import Store, StoredBoard, StoreError, decoding
from dialbench.store.database import APPLICATION_ID
from dialcore import records


@pytest.fixture
def path(tmp_path):
    return tmp_path / "store.sqlite"


@pytest.fixture
def store(path):
    with Store.open(path) as store:
        store.add_board(hello())
        yield store


# -- boards


def test_boards_are_told_as_they_last_said_hello(store):
    store.add_board(hello(OTHER, firmware="0.0.9"), "name = 'first'")
    store.add_board(hello(OTHER, firmware="0.1.0", channels=12))
    filled(store, *log(3).values())
    facts = ("0123456789abcdef", 33, "0.1.0", "MicroPython", 131072)
    assert store.boards() == [
        # The dial's text is known by its hash, whichever board came with it.
        StoredBoard(UID, *facts, "name = 'first'", 3),
        StoredBoard(OTHER, facts[0], 12, *facts[2:], "name = 'first'", 0),
    ]


def test_a_board_set_up_anew_keeps_the_earlier_dials_text(store):
    store.add_board(hello(dial_hash="a" * 16), "name = 'one'")
    store.add_board(hello(dial_hash="b" * 16), "name = 'two'")
    assert store.boards()[0].dial_toml == "name = 'two'"
    store.add_board(hello(dial_hash="a" * 16))
    assert store.boards()[0].dial_toml == "name = 'one'"


def test_a_board_nobody_knows_is_told(store):
    for ask in (
        lambda: store.add_page(OTHER, page(0)),
        lambda: store.crossings(OTHER),
        lambda: store.marks(OTHER),
        lambda: store.losses(OTHER),
    ):
        with pytest.raises(StoreError, match=f"the store knows no board {OTHER}: pull from it"):
            ask()


# -- pages


def test_a_page_is_kept_once_byte_for_byte(store, path):
    pages = log(5)
    filled(store, *pages.values())
    assert not any(store.add_page(UID, raw) for raw in pages.values())
    assert stored(path) == {(1, number): raw for number, raw in pages.items()}


def test_pages_of_the_same_number_are_told_apart_by_board_and_boot(store, path):
    store.add_board(hello(OTHER))
    filled(store, page(4, boot=1), page(4, boot=2))
    assert store.add_page(OTHER, page(4, boot=1))
    with closing(sqlite3.connect(path)) as file:
        assert file.execute("SELECT count(*) FROM page").fetchone() == (3,)


def test_another_page_of_the_same_name_is_refused(store, path):
    kept = page(4, entries=[(2_400_000, 1, 1, 1)])
    filled(store, kept)
    with pytest.raises(
        StoreError,
        match=f"board {UID} sends a page 4 of boot 1 that differs .* so pull it into a new store",
    ):
        store.add_page(UID, page(4, entries=[(2_400_000, 2, 1, 1)]))
    assert stored(path) == {(1, 4): kept}
    assert store.crossings(UID).channel.tolist() == [1]


def test_what_is_no_whole_page_is_refused(store, path):
    good = page(1, entries=[(600_000, 1, 1, 1)])
    bent = good[:24] + bytes((good[24] ^ 4,)) + good[25:]
    for raw in (b"", good[:-1], good + b"\0", bent, b"XX" + good[2:]):
        with pytest.raises(StoreError, match=f"a page of board {UID} is not kept: "):
            store.add_page(UID, raw)
    assert stored(path) == {}


def test_pages_can_be_neither_altered_nor_dropped(store, path):
    filled(store, page(1))
    with closing(sqlite3.connect(path)) as file:
        for sql in ("UPDATE page SET raw = x'00'", "DELETE FROM page"):
            with pytest.raises(sqlite3.IntegrityError, match="pages are never"):
                file.execute(sql)


def test_a_batch_is_kept_whole_or_not_at_all(store, path):
    with pytest.raises(RuntimeError), store.writing():
        filled(store, page(1), page(2))
        raise RuntimeError
    assert stored(path) == {}
    with store.writing():
        filled(store, page(1), page(2))
    assert len(stored(path)) == 2
    with pytest.raises(StoreError), store.writing():
        filled(store, page(3))
        store.add_page(UID, page(1, base_ms=7))
    assert len(stored(path)) == 2


def test_missing_pages_are_named_in_runs(store):
    filled(store, *(page(n) for n in (2, 3, 7)))
    assert store.missing(UID, 0, 10) == [range(2), range(4, 7), range(8, 10)]
    assert store.missing(UID, 2, 4) == []
    assert store.missing(UID, 3, 8) == [range(4, 7)]
    assert store.missing(UID, 5, 5) == []


def test_numbers_mean_the_present_log_of_a_board_that_was_wiped(store):
    filled(store, *log(10, boot=1).values(), *log(5, boot=2, first=10).values())
    assert store.missing(UID, 0, 15) == []
    filled(store, page(0, boot=3), page(1, boot=4))
    assert store.missing(UID, 0, 15) == [range(2, 15)]
    filled(store, *log(20, boot=4, first=2).values())
    assert store.missing(UID, 0, 22) == []
    assert store.missing(UID, 0, 23) == [range(22, 23)]


# -- crossings and events


def test_crossings_come_back_in_order_of_boot_and_time(store):
    filled(
        store,
        page(3, 2, 5000, [(5000, 9, 2, 0)]),
        page(0, 1, 0, [(900, 4, 0, 1), (500, 127, 1, 1)]),
        page(1, 1, 700, [(700, 0, 2, 0)]),
    )
    got = store.crossings(UID)
    assert got.boot.tolist() == [1, 1, 1, 2]
    assert got.device_ms.tolist() == [500, 700, 900, 5000]
    assert got.channel.tolist() == [127, 0, 4, 9]
    assert got.threshold.tolist() == [1, 2, 0, 2]
    assert got.rise.tolist() == [True, False, True, False]
    assert got.boot.dtype == got.device_ms.dtype == np.int64 and got.rise.dtype == np.bool_


def test_a_board_without_crossings_has_empty_arrays(store):
    got = store.crossings(UID)
    assert [len(got.boot), len(got.device_ms), len(got.rise)] == [0, 0, 0]


def test_records_of_unknown_tags_are_kept(store):
    filled(
        store, page(0, 1, 0, [(10, 0x55, b"new"), (20, records.SNAPSHOT, b"\xe4"), (30, 0x56, b"")])
    )
    assert [(e.boot, e.device_ms, e.tag, e.payload) for e in store.events(UID)] == [
        (1, 10, 0x55, b"new"),
        (1, 20, records.SNAPSHOT, b"\xe4"),
        (1, 30, 0x56, b""),
    ]
    assert [e.device_ms for e in store.events(UID, 0x56)] == [30]


def test_a_page_whose_records_make_no_sense_is_kept_and_told(store, path):
    # A sound page but for its count of records, and one of a time no board can reach.
    def miscounted(writer):
        writer.count = 5

    def late(writer):
        pass

    sealed = []
    for spoil, base_ms in ((miscounted, 0), (late, 1 << 60)):
        writer = records.PageWriter()
        writer.start(0)
        writer.crossing(1, 1, 1, 0)
        spoil(writer)
        sealed.append(bytes(writer.sealed(len(sealed), 1, base_ms)))
    filled(store, *sealed)
    assert len(stored(path)) == 2
    assert len(store.crossings(UID).boot) == 0
    assert store.losses(UID).unreadable_pages == 2


def test_decoded_tables_can_be_made_anew(store, path):
    filled(store, *log(4).values(), page(4, entries=[(2_400_000, records.GATE, OPEN)]))
    before, events = store.crossings(UID), store.events(UID)
    with closing(sqlite3.connect(path)) as file:
        file.execute("DELETE FROM crossing")
        file.execute("UPDATE event SET tag = 99")
        file.commit()
    assert len(store.crossings(UID).boot) == 0
    assert store.redecode() == 5
    assert store.crossings(UID).device_ms.tolist() == before.device_ms.tolist()
    assert store.events(UID) == events


def test_a_store_read_by_an_older_decoder_is_read_anew_when_opened(path):
    with Store.open(path) as store:
        store.add_board(hello())
        filled(store, *log(2).values())
        count = len(store.crossings(UID).boot)
    with closing(sqlite3.connect(path)) as file:
        file.execute("DELETE FROM crossing")
        file.execute("UPDATE decoding SET version = ?", (decoding.VERSION - 1,))
        file.commit()
    with Store.open(path) as store:
        assert len(store.crossings(UID).boot) == count > 0


# -- observed time


def test_observed_time_runs_from_gate_to_gate(store):
    filled(
        store,
        page(0, 1, 0, [(0, records.BOOT, bytes(10)), (1000, records.GATE, OPEN)]),
        page(1, 1, 2000, [(2000, 1, 1, 1), (5000, records.GATE, SHUT), (7000, records.GATE, OPEN)]),
        page(2, 1, 8000, [(8000, records.SNAPSHOT, b""), (9500, 1, 1, 0), (9000, 1, 2, 0)]),
        page(3, 2, 0, [(0, records.BOOT, bytes(10)), (400, records.SNAPSHOT, b"")]),
        page(4, 3, 0, [(100, records.GATE, OPEN), (200, records.GATE, OPEN), (300, 1, 1, 1)]),
    )
    # The log of boot 1 ends with a crossing at 9500; boot 2 never saw direct sun.
    assert store.observed(UID) == [(1, 1000, 5000), (1, 7000, 9500), (3, 100, 300)]


def test_a_missing_page_breaks_observed_time_until_the_next_gate(store):
    filled(
        store,
        page(0, 1, 0, [(0, records.GATE, OPEN), (4000, 1, 1, 1), (3990, 2, 1, 1)]),
        page(2, 1, 20_000, [(20_000, 3, 1, 1), (30_000, records.GATE, SHUT)]),
        page(3, 1, 40_000, [(40_000, records.GATE, OPEN), (50_000, 4, 1, 1)]),
    )
    assert store.observed(UID) == [(1, 0, 4000), (1, 40_000, 50_000)]
    store.add_page(UID, page(1, 1, 5000, [(5000, 9, 1, 1)]))
    assert store.observed(UID) == [(1, 0, 30_000), (1, 40_000, 50_000)]


def test_what_comes_before_the_first_gate_held_is_not_observed(store):
    filled(store, page(7, 1, 0, [(100, 1, 1, 1), (900, records.GATE, SHUT)]))
    assert store.observed(UID) == []


def test_blind_time_is_cut_out(store):
    blind = records.pack_count
    filled(
        store,
        page(
            0,
            1,
            0,
            [
                (1000, records.GATE, OPEN),
                (1500, records.BLIND, blind(2000)),  # reaches back before the gate
                (3000, records.BLIND, blind(500)),
                (5000, records.GATE, SHUT),
                (9000, records.BLIND, blind(100)),
            ],
        ),
    )
    assert store.observed(UID) == [(1, 1500, 2500), (1, 3000, 5000)]
    assert store.losses(UID).blind_ms == 2600


def test_lost_records_break_observed_time_until_the_next_gate(store):
    filled(
        store,
        page(0, 1, 0, [(0, records.GATE, OPEN), (2000, 1, 1, 1)]),
        page(1, 1, 6000, [(6000, records.OVERFLOW, records.pack_count(12)), (7000, 1, 1, 0)]),
        page(2, 1, 8000, [(8000, records.GATE, OPEN), (9000, 1, 1, 1)]),
    )
    assert store.observed(UID) == [(1, 0, 2000), (1, 8000, 9000)]
    assert store.losses(UID).overflow_records == 12


def test_a_page_that_cannot_be_read_breaks_observed_time(store):
    writer = records.PageWriter()
    writer.start(0)
    writer.crossing(1, 1, 1, 0)
    writer.count = 9
    filled(
        store,
        page(0, 1, 0, [(0, records.GATE, OPEN), (2000, 1, 1, 1)]),
        bytes(writer.sealed(1, 1, 3000)),
        page(2, 1, 8000, [(8000, 1, 1, 1)]),
    )
    assert store.observed(UID) == [(1, 0, 2000)]


def test_known_records_too_short_to_read_say_nothing(store):
    filled(
        store,
        page(
            0,
            1,
            0,
            [
                (0, records.GATE, OPEN),
                (1000, 1, 1, 1),
                (2000, records.GATE, b"\1"),
                (3000, records.MARK, b"short"),
                (4000, records.OVERFLOW, b""),
                (5000, records.BLIND, b"\1"),
            ],
        ),
    )
    assert store.observed(UID) == []
    assert store.marks(UID) == []
    assert store.losses(UID).overflow_records == store.losses(UID).blind_ms == 0


# -- marks


def test_marks_of_link_and_log_are_kept_and_doubles_merged(store):
    made = Mark(1, 5000, 1_774_000_000_123_456, 900, "link")
    store.add_mark(UID, made)
    store.add_mark(UID, made)
    told = records.pack_mark(made.device_ms, made.utc_us, made.sigma_us)
    older = records.pack_mark(200, 1_773_999_995_000_000, 4000)
    filled(store, page(0, 1, 0, [(300, records.MARK, older), (5100, records.MARK, told)]))
    assert store.marks(UID) == [Mark(1, 200, 1_773_999_995_000_000, 4000, "log"), made]


def test_a_mark_of_nonsense_in_the_log_is_left_out(store):
    for number, (device_ms, utc_us) in enumerate(((1 << 63, 0), (0, -(1 << 62)))):
        filled(
            store, page(number, 1, 0, [(0, records.MARK, records.pack_mark(device_ms, utc_us, 1))])
        )
    assert store.marks(UID) == []
    assert len(store.events(UID, records.MARK)) == 2


# -- losses


def test_losses_are_told_apart(store):
    filled(store, *(page(n, boot=2) for n in (5, 8, 9, 12)))
    store.add_status(UID, status(2, first_page=8, next_page=15, torn_pages=1))
    store.add_status(UID, status(1, first_page=0, next_page=3, torn_pages=2))
    losses = store.losses(UID)
    assert losses.retired_pages == 7  # 0 to 7 without 5
    assert losses.missing_pages == 4  # 10, 11, 13, 14
    assert losses.torn_pages == 3
    assert (losses.overflow_records, losses.blind_ms, losses.unreadable_pages) == (0, 0, 0)


def test_without_a_status_gaps_count_as_missing(store):
    filled(store, page(2), page(4))
    assert store.losses(UID).missing_pages == 3
    assert store.losses(UID).retired_pages == 0


def test_an_older_status_does_not_replace_a_newer_one(store):
    store.add_status(UID, status(device_ms=2000, next_page=9))
    store.add_status(UID, status(device_ms=1000, next_page=4))
    assert store.losses(UID).missing_pages == 9


# -- the file


def sentence_of(path):
    with pytest.raises(StoreError) as caught:
        Store.open(path)
    text = str(caught.value)
    assert "\n" not in text and text.isprintable()
    return text


def test_files_that_are_no_store_are_told_and_left_alone(tmp_path):
    text = tmp_path / "notes.txt"
    text.write_text("These are notes, and quite long enough to be looked at as a database. " * 20)
    before = text.read_bytes()
    assert sentence_of(text) == f"{text} is not a store of Dialbench"
    assert text.read_bytes() == before

    other = tmp_path / "other.sqlite"
    with closing(sqlite3.connect(other)) as file:
        file.execute("CREATE TABLE song (title TEXT)")
    before = other.read_bytes()
    assert sentence_of(other) == f"{other} is a database, but not a store of Dialbench"
    assert other.read_bytes() == before

    assert "is a folder, and a store is a file" in sentence_of(tmp_path)
    assert "cannot be opened: is its folder there" in sentence_of(tmp_path / "none" / "a.sqlite")
    assert "cannot be opened: is its folder there" in sentence_of(text / "a.sqlite")
    assert "\\x1b" in sentence_of(tmp_path / "\x1b[1m" / "a.sqlite")


def test_a_store_of_a_later_version_is_told(path):
    Store.open(path).close()
    with closing(sqlite3.connect(path)) as file:
        file.execute("PRAGMA user_version = 99")
    assert "was written by a later Dialbench (store version 99, this one knows " in sentence_of(
        path
    )


@contextmanager
def _unprivileged():
    """What follows runs as a user that may not do everything."""
    if os.geteuid():
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_a_store_that_may_not_be_written_is_told():
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "store.sqlite"
        with Store.open(path) as store:
            store.add_board(hello())
        os.chmod(path, 0o444)
        os.chmod(folder, 0o555)
        with _unprivileged():
            assert sentence_of(path) == (
                f"{path} cannot be written: may you write it, and in its folder? If not, copy it to"
                " a folder of yours, and what stands beside it under its name and -wal"
            )
            assert "cannot be opened" in sentence_of(Path(folder) / "new.sqlite")
        os.chmod(folder, 0o755)


def test_a_store_where_nothing_may_be_written_is_looked_at():
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "store.sqlite"
        left = Path(folder) / "left.sqlite"
        with Store.open(path) as store:
            store.add_board(hello())
            filled(store, *log(5).values())
            for end in ("", "-wal"):  # as if its writer had been killed
                shutil.copy(f"{path}{end}", f"{left}{end}")
        with closing(sqlite3.connect(Path(folder) / "old.sqlite")) as old:
            old.executescript((files("dialbench.store") / "schema" / "001_first.sql").read_text())
            old.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            old.execute("PRAGMA user_version = 1")
            old.execute("PRAGMA journal_mode = WAL")
        there = sorted(os.listdir(folder))
        os.chmod(folder, 0o555)
        try:
            with _unprivileged():
                with Store.look(path) as store:
                    assert store.boards()[0].pages == 5
                with Store.look(Path(folder) / "old.sqlite") as store:
                    assert store.boards() == []
                with pytest.raises(StoreError, match=r"cannot be opened: .* copy it to a folder"):
                    Store.look(left)
        finally:
            os.chmod(folder, 0o755)
        assert sorted(os.listdir(folder)) == there


def test_a_damaged_store_is_told(path):
    with Store.open(path) as store:
        store.add_board(hello())
        filled(store, *log(200).values())
    with open(path, "r+b") as file:
        file.seek(4096)
        file.write(b"\xaa" * 4096 * 30)
    damaged = "is damaged: keep it; dialbench check .* --repair saves what can be read"
    with pytest.raises(StoreError, match=damaged), Store.open(path) as store:
        store.redecode()


def test_a_store_says_what_it_is(path):
    Store.open(path).close()
    with closing(sqlite3.connect(path)) as file:
        assert file.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
        assert file.execute("PRAGMA user_version").fetchone() == (3,)
        assert file.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        tables = file.execute("SELECT name, strict, wr FROM pragma_table_list").fetchall()
    ours = {name: (strict, wr) for name, strict, wr in tables if not name.startswith("sqlite_")}
    assert all(strict for strict, _ in ours.values())
    assert {name for name, (_, wr) in ours.items() if wr} == {
        "crossing", "event", "mark", "dial", "status", "foreign_crossing", "foreign_observed",
    }  # fmt: skip


def test_opening_again_changes_nothing(path):
    with Store.open(path) as store:
        store.add_board(hello())
        filled(store, *log(3).values())
    with Store.open(str(path)) as store:
        assert store.boards()[0].pages == 3


READER = """
import sys
from dialbench.store import Store
with Store.open(sys.argv[1]) as store:
    for line in sys.stdin:
        boards = store.boards()
        print(boards[0].pages, len(store.crossings(boards[0].uid).boot), flush=True)
"""


def test_another_process_reads_while_one_writes(store, path):
    pages = list(log(30).values())
    counts = [records.check(raw)[4] for raw in pages]
    with subprocess.Popen(
        [sys.executable, "-c", READER, str(path)],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as reader:

        def read():
            reader.stdin.write("\n")
            reader.stdin.flush()
            return tuple(map(int, reader.stdout.readline().split()))

        assert read() == (0, 0)
        filled(store, *pages[:10])
        assert read() == (10, sum(counts[:10]))
        with store.writing():
            filled(store, *pages[10:])
            assert read() == (10, sum(counts[:10]))  # it does not wait, nor see half a batch
        assert read() == (30, sum(counts))
        reader.stdin.close()
    assert reader.returncode == 0


def test_two_may_make_a_store_at_once(tmp_path):
    path = tmp_path / "store.sqlite"
    make = f"from dialbench.store import Store; Store.open({str(path)!r}).close()"
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    makers = [
        subprocess.Popen([sys.executable, "-c", make], env=environment, stderr=subprocess.PIPE)
        for _ in range(4)
    ]
    for maker in makers:
        assert (maker.communicate()[1], maker.returncode) == (b"", 0)
    Store.open(path).close()
