"""What was pulled from boards: raw pages as they came, and the tables made from them.

A page is named by its board, its number and its boot. A board whose storage was wiped
numbers its pages from 0 again; as long as its boot counter went on, both logs stay in
the store side by side, and questions about page numbers mean the newer log. Where the
counter began anew too, two different pages claim one name: the second is refused.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Self

import numpy as np

from dialbench.clock import ClockModel, Mark, Reading
from dialbench.store.carry import CarriedPage, Carry
from dialbench.store.database import Damaged, Database, StoreError, damaged
from dialbench.store.decoding import LIMIT, VERSION, Decoded, decode
from dialbench.store.facts import (
    BoardFacts,
    Event,
    LoggedCrossings,
    Losses,
    StatusFacts,
    StoredBoard,
    WrittenCrossings,
)
from dialbench.store.foreign import ForeignLogs
from dialbench.store.numbering import gaps, present_since
from dialbench.store.observed import PageEvents, observed
from dialcore import records

# The bytes that count: as they came, or as they came again after those were spoilt.
_RAW = "coalesce(spare.raw, page.raw) FROM page LEFT JOIN spare USING (page)"


@dataclass(frozen=True)
class RawPage:
    """A page as stored: its row, its board's row, the boot and number it is filed under.

    asked: its bytes were found spoilt, and the board is asked for it again.
    """

    page: int
    board: int
    boot: int
    number: int
    raw: bytes
    asked: bool


def holds(raw: bytes, boot: int, number: int) -> bool:
    """Whether bytes are one whole page with a good CRC, of this boot and number."""
    try:
        return bool(records.check(raw)[:2] == (number, boot))
    except ValueError:
        return False


class Store:
    """An open store, for the thread that opened it; a context manager.

    Boards are named by their uid, 16 hex digits. Every method raises StoreError, one
    sentence, where the file fails or a uid is not known.
    """

    def __init__(self, database: Database) -> None:
        self._database = database
        self._rows = database.rows
        self._read = database.read
        self._one = database.one
        self.foreign = ForeignLogs(database)
        self.carry = Carry(database)

    @classmethod
    def open(cls, path: Path | str) -> Self:
        """The store at path, made if there is nothing yet, brought up to date if older.

        Raises StoreError for a file that is something else, a folder, a store of a later
        version, or what cannot be opened.
        """
        store = cls(Database.open(Path(path)))
        try:
            if store.outdated():
                store.redecode()
        except BaseException:
            store.close()
            raise
        return store

    @classmethod
    def look(cls, path: Path | str) -> Self:
        """The store at path as it stands, to be read only. Raises as open()."""
        return cls(Database.look(Path(path)))

    def close(self) -> None:
        self._database.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def writing(self) -> AbstractContextManager[None]:
        """A transaction around several calls: all they write is kept, or nothing."""
        return self._database.writing()

    def reading(self) -> AbstractContextManager[None]:
        """Several calls within see the store as it is at one moment, whoever writes."""
        return self._database.reading()

    # -- boards

    def add_board(self, hello: BoardFacts, dial_toml: str | None = None) -> None:
        """Note a board as it says HELLO, and the text of the dial file it was set up with.

        The caller has made sure that the file's dial has hello.dial_hash.
        """
        facts = (hello.dial_hash, hello.channels, hello.firmware, hello.runtime, hello.heap_bytes)
        with self.writing():
            self._rows(
                "INSERT INTO board (uid, dial_hash, channels, firmware, runtime, heap_bytes)"
                " VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (uid) DO UPDATE SET"
                " dial_hash = excluded.dial_hash, channels = excluded.channels,"
                " firmware = excluded.firmware, runtime = excluded.runtime,"
                " heap_bytes = excluded.heap_bytes",
                hello.uid,
                *facts,
            )
            if dial_toml is not None:
                self._rows(
                    "INSERT INTO dial (dial_hash, toml) VALUES (?, ?)"
                    " ON CONFLICT (dial_hash) DO UPDATE SET toml = excluded.toml",
                    hello.dial_hash,
                    dial_toml,
                )

    def boards(self) -> list[StoredBoard]:
        """Every board of the store, in the order they were first met."""
        return [
            StoredBoard(*row)
            for row in self._read(
                "ttittiTi",
                "SELECT uid, dial_hash, channels, firmware, runtime, heap_bytes, toml,"
                " (SELECT count(*) FROM page WHERE page.board = board.board)"
                " FROM board LEFT JOIN dial USING (dial_hash) ORDER BY board.board",
            )
        ]

    def add_status(self, uid: str, status: StatusFacts) -> None:
        """Note what a board says about its log; the last word of each boot is kept."""
        self._rows(
            "INSERT INTO status (board, boot, device_ms, first_page, next_page, torn_pages)"
            " VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (board, boot) DO UPDATE SET"
            " device_ms = excluded.device_ms, first_page = excluded.first_page,"
            " next_page = excluded.next_page, torn_pages = excluded.torn_pages"
            " WHERE excluded.device_ms >= device_ms",
            self._board(uid),
            status.boot,
            status.device_ms,
            status.first_page,
            status.next_page,
            status.torn_pages,
        )

    def add_selftest(self, uid: str, utc_us: int, facts: str) -> None:
        """Keep what a test of a board found, a JSON object."""
        self._rows(
            "INSERT INTO selftest (board, utc_us, facts) VALUES (?, ?, ?)"
            " ON CONFLICT (board, utc_us) DO UPDATE SET facts = excluded.facts",
            self._board(uid),
            utc_us,
            facts,
        )

    def selftest(self, uid: str) -> str | None:
        """The newest that is kept of a board; None where there is none."""
        rows = self._read(
            "t",
            "SELECT facts FROM selftest WHERE board = ? ORDER BY utc_us DESC LIMIT 1",
            self._board(uid),
        )
        return next((str(facts) for (facts,) in rows), None)

    # -- pages

    def add_page(self, uid: str, raw: bytes) -> bool:
        """Keep one page; False if the store has it already.

        Where the bytes in the store have lost their CRC since, it is kept beside them.
        Raises StoreError where raw is not one whole page with a good CRC, or where the
        store holds another page of the same board, number and boot.
        """
        board = self._board(uid)
        try:
            number, boot = records.check(raw)[:2]
        except ValueError as wrong:
            raise StoreError(f"a page of board {uid} is not kept: {wrong}") from None
        with self.writing():
            added = self._rows(
                "INSERT INTO page (board, boot, number, raw) VALUES (?, ?, ?, ?)"
                " ON CONFLICT (board, boot, number) DO NOTHING RETURNING page",
                board,
                boot,
                number,
                raw,
            )
            if added:
                self._decode(added[0][0], raw)
                return True
            page, held = self._one(
                "ib",
                f"SELECT page, {_RAW} WHERE board = ? AND boot = ? AND number = ?",
                board,
                boot,
                number,
            )
            if held != raw and not holds(held, boot, number):
                self._rows(
                    "INSERT INTO spare (page, raw) VALUES (?, ?)"
                    " ON CONFLICT (page) DO UPDATE SET raw = excluded.raw",
                    page,
                    raw,
                )
                self._undecode(page)
                self._decode(page, raw)
                return True
        if held != raw:
            raise StoreError(
                f"board {uid} sends a page {number} of boot {boot} that differs from the one in"
                " the store: its log and its boot counter were begun anew, so pull it into a"
                " new store"
            )
        return False

    def add_carried(self, uid: str, page: CarriedPage) -> None:
        """Keep a page out of another store, spoilt bytes and all; this one must not have it yet.

        Raises StoreError.
        """
        with self.writing():
            [(row,)] = self._rows(
                "INSERT INTO page (board, boot, number, raw) VALUES (?, ?, ?, ?) RETURNING page",
                self._board(uid),
                page.boot,
                page.number,
                page.raw,
            )
            if page.asked or page.again is not None:
                self._rows("INSERT INTO spare (page, raw) VALUES (?, ?)", row, page.again)
            self._decode(row, page.raw if page.again is None else page.again)

    def missing(self, uid: str, first: int, next: int) -> list[range]:
        """Which pages from first up to, not including, next the store lacks."""
        return gaps(self._numbers(self._board(uid)), first, next)

    def numbers(self, uid: str) -> list[int]:
        """Numbers of the pages held of a board's present log, in order."""
        return self._numbers(self._board(uid))

    def log_pages(self, uid: str) -> range:
        """The pages that a board's log reached over when it was last heard of: those before
        were given up by the board, held here or not."""
        board = self._board(uid)
        status = self._read(
            "ii",
            "SELECT first_page, next_page FROM status WHERE board = ? ORDER BY boot DESC LIMIT 1",
            board,
        )
        first, next = status[0] if status else (0, 0)
        return range(first, max([next, *(number + 1 for number in self._numbers(board)[-1:])]))

    def extent(self) -> tuple[int, ...]:
        """Counts of all that the store holds: the same as long as nothing was added or marked."""
        tables = ("board", "page", "spare", "mark", "foreign_log")
        counts = [self._one("i", f"SELECT count(*) FROM {table}")[0] for table in tables]
        return (*counts, *self._one("i", "SELECT count(raw) FROM spare"))

    def _numbers(self, board: int) -> list[int]:
        """Numbers of the pages held of a board's present log, in order."""
        boots = self._read(
            "iii",
            "SELECT boot, min(number), max(number) FROM page WHERE board = ?"
            " GROUP BY boot ORDER BY boot DESC",
            board,
        )
        rows = self._read(
            "i",
            "SELECT number FROM page LEFT JOIN spare USING (page) WHERE board = ? AND boot >= ?"
            " AND (spare.page IS NULL OR spare.raw IS NOT NULL) ORDER BY number",
            board,
            present_since(boots),
        )
        return [number for (number,) in rows]

    def raw_pages(self) -> Iterator[RawPage]:
        """Every page, one at a time, in the order they came."""
        for (page,) in self._read("i", "SELECT page FROM page ORDER BY page"):
            _, board, boot, number, raw, asked = self._one(
                "iiiibi",
                "SELECT page, board, boot, number, coalesce(spare.raw, page.raw),"
                " spare.page IS NOT NULL AND spare.raw IS NULL"
                " FROM page LEFT JOIN spare USING (page) WHERE page = ?",
                page,
            )
            yield RawPage(page, board, boot, number, raw, bool(asked))

    def digest(self, uid: str) -> str:
        """SHA-256 of all that is known of a board's log: its pages by boot and number, however
        they came, then its clock marks."""
        board = self._board(uid)
        total = hashlib.sha256()
        for boot, number, raw in self._read(
            "iib",
            "SELECT boot, number, coalesce(spare.raw, page.raw) FROM page"
            " LEFT JOIN spare USING (page) WHERE board = ? ORDER BY boot, number, page.raw",
            board,
        ):
            total.update(f"page {boot} {number} {len(raw)}\n".encode() + raw)
        for mark in self.marks(uid):
            total.update(
                f"mark {mark.boot} {mark.device_ms} {mark.utc_us} {mark.sigma_us}\n".encode()
            )
        return total.hexdigest()

    def outdated(self) -> int:
        """How many pages were read by an older decoder than this."""
        (old,) = self._one("i", "SELECT count(*) FROM decoding WHERE version < ?", VERSION)
        return int(old)

    def redecode(self) -> int:
        """Make the decoded tables anew from the raw pages; return how many pages."""
        count = 0
        with self.writing():
            for table in ("crossing", "event", "decoding"):
                self._rows(f"DELETE FROM {table}")
            for page in self.raw_pages():
                self._decode(page.page, page.raw)
                count += 1
        return count

    def ask_again(self, page: int) -> None:
        """Note that a page's bytes do not hold any more: it counts as missing, and the next
        pull brings it again."""
        self._rows(
            "INSERT INTO spare (page) VALUES (?) ON CONFLICT (page) DO UPDATE SET raw = NULL", page
        )

    def decoded(self, page: int) -> Decoded | None:
        """What the tables say of one page; None where it was never read."""
        told = self._read("It", "SELECT last_ms, problem FROM decoding WHERE page = ?", page)
        crossings = self._read(
            "iiiii",
            "SELECT place, device_ms, channel, threshold, rise FROM crossing WHERE page = ?"
            " ORDER BY place",
            page,
        )
        events = self._read(
            "iiib",
            "SELECT place, device_ms, tag, payload FROM event WHERE page = ? ORDER BY place",
            page,
        )
        return Decoded(crossings, events, *told[0]) if told else None

    def strays(self) -> int:
        """How many decoded rows belong to no page."""
        count = 0
        for table in ("crossing", "event", "decoding"):
            (found,) = self._one(
                "i", f"SELECT count(*) FROM {table} WHERE page NOT IN (SELECT page FROM page)"
            )
            count += found
        return count

    def _undecode(self, page: int) -> None:
        for table in ("crossing", "event", "decoding"):
            self._rows(f"DELETE FROM {table} WHERE page = ?", page)

    def _decode(self, page: int, raw: bytes) -> None:
        found = decode(raw)
        self._rows(
            "INSERT INTO decoding (page, version, last_ms, problem) VALUES (?, ?, ?, ?)",
            page,
            VERSION,
            found.last_ms,
            found.problem,
        )
        self._database.insert(
            "INSERT INTO crossing (page, place, device_ms, channel, threshold, rise)",
            page,
            found.crossings,
        )
        self._database.insert(
            "INSERT INTO event (page, place, device_ms, tag, payload)",
            page,
            found.events,
        )

    # -- what the log says

    def crossings(self, uid: str) -> LoggedCrossings:
        """Every crossing a board logged."""
        # In the order written, and only then sorted: the rows of a long log would fill memory.
        parts = [
            (part.boot, part.device_ms, part.channel, part.threshold, part.rise)
            for part in self.crossings_written(uid)
        ]
        if not parts:
            none = np.empty(0, np.int64)
            return LoggedCrossings(none, none, none, none, np.empty(0, np.bool_))
        boot, device_ms, channel, threshold, rise = map(np.concatenate, zip(*parts, strict=True))
        order = np.lexsort((device_ms, boot))
        return LoggedCrossings(
            boot[order], device_ms[order], channel[order], threshold[order], rise[order]
        )

    def crossings_written(self, uid: str) -> Iterator[WrittenCrossings]:
        """Every crossing in the order it was written, some pages at a time."""
        for found in self.carry.crossings(self._board(uid)):
            if (
                np.any(found.channel < 0)
                or np.any(found.channel > 127)
                or np.any((found.threshold < 0) | (found.threshold > 2))
            ):
                raise Damaged(damaged(self._database.name))
            yield found

    def events(self, uid: str, tag: int | None = None) -> list[Event]:
        """Every record that is no crossing, or those with one tag, in the order written."""
        return [
            Event(*row)
            for row in self._read(
                "iiib",
                "SELECT boot, device_ms, tag, payload FROM page JOIN event USING (page)"
                " WHERE board = ? AND tag = coalesce(?, tag) ORDER BY boot, number, place",
                self._board(uid),
                tag,
            )
        ]

    def observed(self, uid: str) -> list[tuple[int, int, int]]:
        """Observed time as (boot, start_ms, end_ms), in order; see store.observed."""
        board = self._board(uid)
        return [
            (boot, start, end)
            for boot, pages in groupby(self._page_events(board), key=lambda found: found[0])
            for start, end in observed(page for _, page in pages)
        ]

    def _page_events(self, board: int) -> Iterator[tuple[int, PageEvents]]:
        rows = self._read(
            "iiIIIIB",
            "SELECT boot, number, last_ms, place, device_ms, tag, payload"
            " FROM page JOIN decoding USING (page) LEFT JOIN event USING (page)"
            " WHERE board = ? ORDER BY boot, number, place",
            board,
        )
        for (boot, number, last_ms), found in groupby(rows, key=lambda row: row[:3]):
            events = [row[4:] for row in found if row[3] is not None]
            yield boot, PageEvents(number, last_ms, events)

    # -- clock marks

    def add_mark(self, uid: str, mark: Mark) -> None:
        """Keep a mark made over the link; one that is there already stays as it is."""
        self._rows(
            "INSERT INTO mark (board, boot, device_ms, utc_us, sigma_us) VALUES (?, ?, ?, ?, ?)"
            " ON CONFLICT (board, boot, device_ms, utc_us) DO NOTHING",
            self._board(uid),
            mark.boot,
            mark.device_ms,
            mark.utc_us,
            mark.sigma_us,
        )

    def marks(self, uid: str) -> list[Mark]:
        """Every mark, from link, log and satellites, in order of boot and device time.

        A mark made over the link that the board also wrote into its log counts once, as
        one of the link.
        """
        found: dict[tuple[int, int, int], Mark] = {}
        for boot, device_ms, utc_us, sigma_us in self._read(
            "iiii",
            "SELECT boot, device_ms, utc_us, sigma_us FROM mark WHERE board = ?",
            self._board(uid),
        ):
            found[boot, device_ms, utc_us] = Mark(boot, device_ms, utc_us, sigma_us, "link")
        for event in self.events(uid, records.MARK):
            try:
                device_ms, utc_us, sigma_us = records.unpack_mark(event.payload)
            except ValueError:
                continue  # it stays among the events, and says nothing
            if max(device_ms, abs(utc_us)) <= LIMIT:
                mark = Mark(event.boot, device_ms, utc_us, sigma_us, "log")
                found.setdefault((event.boot, device_ms, utc_us), mark)
        for event, told in self._told(uid, records.SATELLITES):
            found.setdefault((event.boot, *told[:2]), Mark(event.boot, *told, "satellites"))
        return [found[key] for key in sorted(found)]

    def readings(self, uid: str) -> list[Reading]:
        """Every reading of a clock chip in the log, in order of boot and device time."""
        stops = [
            (event.boot, event.device_ms)
            for event in self.events(uid, records.RTC_FAULT)
            if event.payload[:2] == records.pack_rtc_fault(records.CHIP_STOPPED, records.CHIP)
        ]
        found = []
        for event, reading in self._told(uid, records.CHIP):
            stopped = bool(stops) and stops[0] <= (event.boot, event.device_ms)
            while stops and stops[0] <= (event.boot, event.device_ms):
                stops.pop(0)
            found.append(Reading(event.boot, *reading, stopped))
        return sorted(found, key=lambda one: (one.boot, one.device_ms))

    def _told(self, uid: str, source: int) -> Iterator[tuple[Event, tuple[int, int, int]]]:
        """RTC records of one source, each with (device_ms, utc_us, sigma_us) of the reading."""
        for event in self.events(uid, records.RTC):
            try:
                device_ms, utc_us, sigma_us, told_by = records.unpack_rtc(event.payload)
            except ValueError:
                continue  # it stays among the events, and says nothing
            if told_by == source and max(device_ms, abs(utc_us)) <= LIMIT:
                yield event, (device_ms, utc_us, sigma_us)

    def clock(self, uid: str) -> ClockModel:
        """The clock model of all that is known of a board's time."""
        return ClockModel(self.marks(uid), self.readings(uid))

    def extents(self, uid: str) -> dict[int, tuple[int, int]]:
        """By boot, the device time (ms) of the first and the last record that is held."""
        rows = self._read(
            "iii",
            "SELECT boot, min(first), max(last) FROM (SELECT boot,"
            " min(coalesce((SELECT min(device_ms) FROM crossing WHERE crossing.page = page.page),"
            " last_ms), coalesce((SELECT min(device_ms) FROM event WHERE event.page = page.page),"
            " last_ms)) AS first, last_ms AS last"
            " FROM page JOIN decoding USING (page) WHERE board = ? AND last_ms IS NOT NULL)"
            " GROUP BY boot ORDER BY boot",
            self._board(uid),
        )
        return {boot: (first, last) for boot, first, last in rows}

    # -- what is not there

    def losses(self, uid: str) -> Losses:
        """What of a board's log is not in the store, as far as board and log have told."""
        board = self._board(uid)
        held = self._numbers(board)
        log = self.log_pages(uid)
        retired = log.start - sum(number < log.start for number in held)
        (torn,) = self._one(
            "i", "SELECT coalesce(sum(torn_pages), 0) FROM status WHERE board = ?", board
        )
        (unreadable,) = self._one(
            "i",
            "SELECT count(*) FROM page JOIN decoding USING (page) LEFT JOIN spare USING (page)"
            " WHERE board = ? AND problem <> '' AND (spare.page IS NULL OR spare.raw IS NOT NULL)",
            board,
        )
        return Losses(
            overflow_records=self._total(uid, records.OVERFLOW),
            missing_pages=log.stop - len(held) - retired,
            retired_pages=retired,
            torn_pages=torn,
            blind_ms=self._total(uid, records.BLIND),
            unreadable_pages=unreadable,
        )

    def _total(self, uid: str, tag: int) -> int:
        total = 0
        for event in self.events(uid, tag):
            try:
                total += records.unpack_count(event.payload)
            except ValueError:
                continue  # it stays among the events, and says nothing
        return total

    def _board(self, uid: str) -> int:
        found = self._read("i", "SELECT board FROM board WHERE uid = ?", uid)
        if not found:
            raise StoreError(f"the store knows no board {uid}: pull from it first")
        return int(found[0][0])
