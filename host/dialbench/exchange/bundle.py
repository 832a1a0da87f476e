"""The research bundle: everything in a store, in files that any program reads, so that others
can check it, and that dialbench import takes back without loss."""

from __future__ import annotations

import base64
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from importlib.resources import files
from pathlib import Path

import numpy as np

from dialbench import dialfile
from dialbench.errors import UserError, inert
from dialbench.exchange import ExchangeError, package, sink
from dialbench.exchange.log import Late, board_tables, foreign_tables
from dialbench.exchange.table import Chunk, Column, Table, csv_text, cut
from dialbench.logged import Logged, board_log, foreign_log
from dialbench.sky import Sky
from dialbench.store import CarriedPage, Store

Progress = Callable[[str, float], None]

BOARDS, LOGS, DIALS = "boards.csv", "logs.csv", "dials"
HEX = re.compile(r"[0-9a-f]{16}")
_PAGES = 300

BOARD_COLUMNS = (
    Column("uid", "string", "The board's number, 16 hex digits; its files lie in board-UID."),
    Column("dial_hash", "string", "The dial it carried last; its file is dials/HASH.toml."),
    Column("channels", "integer", "How many channels that dial has."),
    Column("firmware", "string", "Version of what the board runs."),
    Column("runtime", "string", "What it runs on."),
    Column("heap_bytes", "integer", "Its memory, bytes."),
    Column("log_sha256", "string", "SHA-256 of its pages and clock marks, as dialbench tells it."),
)
LOG_COLUMNS = (
    Column("hash", "string", "Names what the log says; its files lie in log-HASH."),
    Column("name", "string", "The file it was imported from."),
    Column("dial_hash", "string", "The dial it is of; its file is dials/HASH.toml."),
    Column("channels", "integer", "How many channels that dial has."),
)
PAGE_COLUMNS = (
    Column("boot", "integer", "The boot the page was written in."),
    Column("number", "integer", "The page's number in the log."),
    Column("raw_base64", "string", "Its bytes as they came, in base64; SPEC.md tells their form."),
    Column("asked", "boolean", "Those bytes were spoilt since, and the board was asked again."),
    Column("again_base64", "string", "What it sent then; empty: nothing yet, or not asked."),
)
STATUS_COLUMNS = (
    Column("boot", "integer", "The boot in which the board said this, as the last of that boot."),
    Column("device_ms", "integer", "When it said so: its own time, ms since the boot."),
    Column("first_page", "integer", "The first page it still held."),
    Column("next_page", "integer", "The page it would write next."),
    Column("torn_pages", "integer", "Pages that a power cut had torn."),
)


@dataclass(frozen=True)
class Bundled:
    """What was written. remarks: what is not in it and why, a sentence each."""

    files: int
    bytes: int
    boards: int
    logs: int
    remarks: tuple[str, ...]


def write(
    store: Store,
    out: Path,
    licence_name: str | None = None,
    predictions: bool = True,
    progress: Progress = lambda what, share: None,
) -> Bundled:
    """Put everything in store into a bundle at out, a folder or a .zip; all of it or nothing.

    predictions: also what the ephemeris says, for each log whose dial is known. Raises
    ExchangeError where out cannot be written, StoreError for what cannot be read.
    """
    with sink.placed(out) as into, store.reading():  # a pull may be writing
        writer = _Writer(store, into, predictions)
        writer.all(progress)
        writer.finish(licence_name)
        return Bundled(
            len(into.written),
            sum(one.bytes for one in into.written),
            len(store.boards()),
            len(store.foreign.logs()),
            tuple(writer.remarks),
        )


class _Writer:
    def __init__(self, store: Store, into: sink.Sink, predictions: bool) -> None:
        self._store = store
        self._into = into
        self._predictions = predictions
        self._tables: dict[str, Table] = {}
        self._about: dict[str, str] = {}
        self.remarks: list[str] = []

    def all(self, progress: Progress) -> None:
        store = self._store
        boards, logs = store.boards(), store.foreign.logs()
        dials = store.carry.dials()
        for name in (
            *(board.uid for board in boards),
            *(log.hash for log in logs),
            *(dial_hash for dial_hash, _ in dials),
        ):
            if HEX.fullmatch(name) is None:
                raise ExchangeError(
                    f"the store names a board, a log or a dial {name!r}, and no program writes such"
                    " a name into one: see dialbench check"
                )
        self._table(
            BOARDS,
            _rows(
                BOARDS,
                "The boards whose logs these are.",
                BOARD_COLUMNS,
                [
                    (
                        board.uid,
                        board.dial_hash,
                        board.channels,
                        board.firmware,
                        board.runtime,
                        board.heap_bytes,
                        store.digest(board.uid),
                    )
                    for board in boards
                ],
            ),
        )
        self._table(
            LOGS,
            _rows(
                LOGS,
                "Logs of other makes of logger, as they were imported.",
                LOG_COLUMNS,
                [(log.hash, log.name, log.dial_hash, log.channels) for log in logs],
            ),
        )
        for dial_hash, toml in dials:
            path = f"{DIALS}/{dial_hash}.toml"
            self._into.write(path, [toml.encode()])
            self._about[path] = "A dial as drawn, and its site: angles in degrees, lengths in mm."
        count = len(boards) + len(logs)
        for done, board in enumerate(boards):
            folder = f"board-{board.uid}"
            progress(folder, done / count)
            clock = store.clock(board.uid)
            for table in (*board_tables(store, board.uid, clock), *_carried(store, board.uid)):
                self._table(f"{folder}/{table.name}.csv", table)
            self._late(
                folder,
                board.dial_toml,
                partial(board_log, store, board.uid, board.dial_hash),
            )
            progress(folder, (done + 1) / count)
        for done, log in enumerate(logs, len(boards)):
            folder = f"log-{log.hash}"
            progress(folder, done / count)
            kept = store.foreign.get(log.hash)
            for table in foreign_tables(kept):
                self._table(f"{folder}/{table.name}.csv", table)
            self._late(folder, log.dial_toml, partial(foreign_log, kept))
            progress(folder, (done + 1) / count)

    def finish(self, licence_name: str | None) -> None:
        text = files(__package__).joinpath("bundle.md").read_text(encoding="utf-8")
        remarks = "".join(f"- {inert(one)}\n" for one in self.remarks) or "- Nothing.\n"
        under = licence_name or "none was named: ask whoever gave you this before you pass it on"
        text = text.replace("@REMARKS@", remarks.rstrip()).replace("@LICENCE@", under)
        self._into.write("README.md", [text.encode()])
        self._about["README.md"] = "What this is, and how to check it."
        written = list(self._into.written)
        made = package.described(
            written, self._tables, self._about, "Logs of light-channel dials", licence_name
        )
        self._into.write(package.NAME, [made])

    def _table(self, path: str, table: Table) -> None:
        self._tables[path] = table
        self._into.write(path, csv_text(table))

    def _late(self, folder: str, toml: str | None, logged: Callable[[], Logged]) -> None:
        if not self._predictions:
            self.remarks.append(f"{folder}: predictions were left out, as was asked.")
            return
        if toml is None:
            self.remarks.append(f"{folder}: no predictions, as its dial is not known.")
            return
        try:
            dial = dialfile.parse(toml, f"dial of {folder}")
            tables = list(Late.of(logged(), dial, Sky(dial.site)).tables())
        except UserError as error:
            self.remarks.append(f"{folder}: no predictions ({' '.join(str(error).split())}).")
            return
        for table in tables:
            self._table(f"{folder}/{table.name}.csv", table)


def _carried(store: Store, uid: str) -> Iterator[Table]:
    """What only Dialbench reads again: the pages as they came, and what the board said of them."""

    def pages() -> Iterator[Chunk]:
        some: list[CarriedPage] = []
        for page in store.carry.pages(uid):
            some.append(page)
            if len(some) == _PAGES:
                yield _cells(some)
                some = []
        yield _cells(some)

    yield Table("pages", "The log's pages, in the order they were pulled.", PAGE_COLUMNS, pages)
    yield _rows(
        "statuses",
        "What the board said of its log when it was last asked, boot by boot.",
        STATUS_COLUMNS,
        [tuple(vars(one).values()) for one in store.carry.statuses(uid)],
    )


def _cells(pages: list[CarriedPage]) -> Chunk:
    return (
        [page.boot for page in pages],
        [page.number for page in pages],
        [_base64(page.raw) for page in pages],
        np.array([page.asked for page in pages], np.bool_),
        ["" if page.again is None else _base64(page.again) for page in pages],
    )


def _base64(raw: bytes) -> str:
    return base64.b64encode(raw).decode("ascii")


def _rows(
    name: str, about: str, columns: tuple[Column, ...], rows: list[tuple[object, ...]]
) -> Table:
    """A small table out of its rows."""
    cells = [[row[at] for row in rows] for at in range(len(columns))]
    return Table(name, about, columns, lambda: cut(cells))
