"""From a bundle back into a store: every file held to its hash first, then all of it or nothing."""

from __future__ import annotations

import base64
import binascii
import csv
import hashlib
import io
import json
import lzma
import zipfile
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import BinaryIO

from dialbench import csvtable, foreign, whole
from dialbench.clock import Mark
from dialbench.errors import UserError, inert
from dialbench.exchange import ExchangeError, bundle, package
from dialbench.exchange.log import MARK_COLUMNS
from dialbench.exchange.table import Column, unguarded
from dialbench.store import CarriedPage, Store, StoredBoard
from dialbench.store.carry import CarriedStatus

_DESCRIPTOR_BYTES = 16_000_000
_DIAL_BYTES = 4_000_000
_LINE = 1_000_000  # characters: a page of a log in base64 is far shorter
_LISTED = 10_000  # boards, or logs, that a bundle may name
_BLOCK = 1 << 20
_WHOLE = 1 << 63  # what a store keeps is less, either way
# What reading a spoilt file, or a zip that was, can raise.
_SPOILT = (
    OSError,
    EOFError,
    KeyError,
    ValueError,
    NotImplementedError,
    RuntimeError,
    zlib.error,
    lzma.LZMAError,
    zipfile.BadZipFile,
)
_ENDS = ("-wal", "-shm")

Progress = Callable[[str, float], None]
Row = dict[str, str]


@dataclass(frozen=True)
class Restored:
    """What a bundle held, and a store now holds."""

    boards: int
    pages: int
    foreign_logs: int


def is_bundle(path: Path) -> bool:
    """Whether path is for restore() to read: a folder, or a zip by its first bytes."""
    try:
        if path.is_dir():
            return True
        with path.open("rb") as stream:
            return stream.read(4) in (b"PK\x03\x04", b"PK\x05\x06")
    except (OSError, ValueError):
        return False


def restore(path: Path, store_path: Path, progress: Progress) -> Restored:
    """Make a new store of the bundle at path, a folder or a zip; whole or not at all.

    Raises ExchangeError for what is no bundle, or one of which a file is missing or was changed,
    and where something is at store_path already.
    """
    if store_path.exists():
        raise ExchangeError(
            f"--store {store_path}: is there already: name a new one, for a bundle makes a store"
        )
    if not store_path.absolute().parent.is_dir():
        raise ExchangeError(f"--store {store_path}: its folder is not there: make it first")
    with _opened(path) as source, whole.placed(store_path) as part, ExitStack() as after:
        for end in _ENDS:
            after.callback(part.with_name(part.name + end).unlink, missing_ok=True)
        source.check(progress)
        with Store.open(part) as store, store.writing():
            return _Reader(source, store).all(progress)


class _Source:
    """The files of a bundle, read as the descriptor tells them."""

    def __init__(self, name: str, opened: Callable[[str], BinaryIO]) -> None:
        self.name = name
        self._opened = opened
        self._stated: dict[str, tuple[int, str]] = {}
        self._describe()

    def wrong(self, file: str, what: str) -> ExchangeError:
        return ExchangeError(f"{inert(self.name)}: {inert(file)}: {what}")

    def _describe(self) -> None:
        raw = self._read(package.NAME, _DESCRIPTOR_BYTES + 1)
        try:
            if len(raw) > _DESCRIPTOR_BYTES:
                raise ValueError
            facts = json.loads(raw)
            form = facts["dialbench"]["format"]
            stated = {
                str(one["path"]): (int(one["bytes"]), str(one["hash"]))
                for one in facts["resources"]
            }
        except (ValueError, OverflowError, KeyError, TypeError, RecursionError):
            raise self.wrong(
                package.NAME, "does not describe a bundle of dialbench export; get it anew"
            ) from None
        if form != package.FORMAT:
            raise self.wrong(
                package.NAME,
                f"says its form is {form!r}, this Dialbench knows {package.FORMAT}: update it",
            )
        for file in stated:
            # The standard's own rule; without it a descriptor could have any file here read.
            if file.startswith("/") or set(file) & set("\\:\0") or ".." in file.split("/"):
                raise self.wrong(
                    package.NAME, f"names {file!r}, which is no file of a bundle; get it anew"
                )
        self._stated = stated

    def open(self, file: str) -> BinaryIO:
        try:
            return self._opened(file)
        except _SPOILT:
            raise self.wrong(file, "is not there, or cannot be read; get the bundle anew") from None

    def _read(self, file: str, count: int) -> bytes:
        with self.open(file) as stream:
            return self._block(file, stream, count)

    @property
    def files(self) -> list[str]:
        return list(self._stated)

    def check(self, progress: Progress) -> None:
        """Hold every file to its bytes and hash."""
        for done, (file, (size, stated)) in enumerate(self._stated.items()):
            progress("checking", done / len(self._stated))
            found, count = hashlib.sha256(), 0
            with self.open(file) as stream:
                while count <= size and (block := self._block(file, stream)):
                    count += len(block)
                    found.update(block)
            if (count, f"sha256:{found.hexdigest()}") != (size, stated):
                raise self.wrong(
                    file, f"is not what {package.NAME} tells of it, so it was changed; get it anew"
                )
        progress("checking", 1.0)

    def _block(self, file: str, stream: BinaryIO, count: int = _BLOCK) -> bytes:
        try:
            return stream.read(count)
        except _SPOILT:
            raise self.wrong(file, "cannot be read; get the bundle anew") from None

    def bytes(self, file: str, most: int) -> bytes:
        raw = self._read(file, most + 1)
        if len(raw) > most:
            raise self.wrong(file, f"is larger than {most // 1_000_000} MB")
        return raw

    def rows(self, file: str, columns: Sequence[Column]) -> Iterator[tuple[int, Row]]:
        """(line, cells by name) of a table; its heading must hold the columns."""
        if file not in self._stated:
            raise self.wrong(file, f"is not in {package.NAME}; get the bundle anew")
        names = [column.name for column in columns]
        texts = [column.kind == "string" for column in columns]
        with self.open(file) as stream:
            lines = csv.reader(self._lines(file, stream), strict=True)
            try:
                if next(lines, None) != names:
                    raise self.wrong(file, f"must begin with the heading {','.join(names)}")
                for cells in lines:
                    if len(cells) != len(names):
                        raise self.wrong(file, f"line {lines.line_num}: has not {len(names)} cells")
                    told = map(lambda cell, text: unguarded(cell) if text else cell, cells, texts)
                    yield lines.line_num, dict(zip(names, told, strict=True))
            except (csv.Error, UnicodeDecodeError):
                raise self.wrong(file, f"line {lines.line_num}: is no CSV in UTF-8") from None

    def _lines(self, file: str, stream: BinaryIO) -> Iterator[str]:
        """Lines of text; none is read whole that is longer than any of ours, for a zip of a few
        kilobytes can hold one of gigabytes."""
        text = io.TextIOWrapper(stream, "utf-8", newline="")
        while line := text.readline(_LINE):
            if len(line) == _LINE:
                raise self.wrong(file, "has a line that is longer than any of a bundle")
            yield line

    def listed(self, file: str, columns: Sequence[Column]) -> list[tuple[int, Row]]:
        """rows() of a table that names what is in the bundle."""
        found = list(islice(self.rows(file, columns), _LISTED + 1))
        if len(found) > _LISTED:
            raise self.wrong(file, f"has more than {_LISTED} lines")
        return found


class _Reader:
    """Fills a store out of a source that was checked."""

    def __init__(self, source: _Source, store: Store) -> None:
        self._source = source
        self._store = store

    def all(self, progress: Progress) -> Restored:
        source, store = self._source, self._store
        dials = {}
        for file in source.files:
            if file.startswith(f"{bundle.DIALS}/"):
                name = self._hex(
                    file, 1, file.removeprefix(f"{bundle.DIALS}/").removesuffix(".toml")
                )
                try:
                    dials[name] = source.bytes(file, _DIAL_BYTES).decode()
                except UnicodeDecodeError:
                    raise source.wrong(file, "is no UTF-8") from None
                store.carry.add_dial(name, dials[name])
        boards = source.listed(bundle.BOARDS, bundle.BOARD_COLUMNS)
        logs = source.listed(bundle.LOGS, bundle.LOG_COLUMNS)
        pages = 0
        for done, (line, row) in enumerate(boards):
            progress("boards", done / len(boards))
            pages += self._board(line, row)
        for done, (line, row) in enumerate(logs):
            progress("logs", done / len(logs))
            self._log(line, row, dials)
        return Restored(len(boards), pages, len(logs))

    def _board(self, line: int, row: Row) -> int:
        source, store = self._source, self._store
        uid = self._hex(bundle.BOARDS, line, row["uid"])
        board = StoredBoard(
            uid,
            self._hex(bundle.BOARDS, line, row["dial_hash"]),
            self._whole(bundle.BOARDS, line, row, "channels"),
            row["firmware"],
            row["runtime"],
            self._whole(bundle.BOARDS, line, row, "heap_bytes"),
            None,
            0,
        )
        store.add_board(board)
        folder = f"board-{uid}"
        file = f"{folder}/statuses.csv"
        for at, cells in source.rows(file, bundle.STATUS_COLUMNS):
            names = [column.name for column in bundle.STATUS_COLUMNS]
            store.add_status(
                uid, CarriedStatus(*(self._whole(file, at, cells, name) for name in names))
            )
        file = f"{folder}/marks.csv"
        for at, cells in source.rows(file, MARK_COLUMNS):
            if cells["source"] == "link":  # the others stand in the log
                names = [column.name for column in MARK_COLUMNS[:4]]
                boot, device_ms, utc_us, sigma_us = (
                    self._whole(file, at, cells, name) for name in names
                )
                store.add_mark(uid, Mark(boot, device_ms, utc_us, sigma_us, "link"))
        pages = 0
        file = f"{folder}/pages.csv"
        for at, cells in source.rows(file, bundle.PAGE_COLUMNS):
            again = cells["again_base64"]
            page = CarriedPage(
                self._whole(file, at, cells, "boot"),
                self._whole(file, at, cells, "number"),
                self._bytes(file, at, cells["raw_base64"]),
                cells["asked"] == "true",
                self._bytes(file, at, again) if again else None,
            )
            try:
                store.add_carried(uid, page)
            except UserError:
                raise source.wrong(file, f"line {at}: this page is there twice") from None
            pages += 1
        if store.digest(uid) != row["log_sha256"]:
            raise source.wrong(
                bundle.BOARDS, f"line {line}: log_sha256 is not that of pages and marks in here"
            )
        return pages

    def _log(self, line: int, row: Row, dials: dict[str, str]) -> None:
        source = self._source
        name = self._hex(bundle.LOGS, line, row["hash"])
        dial_hash = self._hex(bundle.LOGS, line, row["dial_hash"])
        channels = self._whole(bundle.LOGS, line, row, "channels")
        crossings, observed = (f"log-{name}/{what}.csv" for what in ("crossings", "observed"))
        log = foreign.parse(
            source.bytes(crossings, csvtable.MAX_BYTES),
            f"{source.name}: {crossings}",
            source.bytes(observed, csvtable.MAX_BYTES),
            f"{source.name}: {observed}",
            channels,
        )
        if log.hash(dial_hash) != name or dial_hash not in dials:
            raise source.wrong(bundle.LOGS, f"line {line}: hash is not that of what the log says")
        kept = replace(log, name=row["name"][:200])
        self._store.foreign.add(kept, dial_hash, dials[dial_hash], channels)

    def _hex(self, file: str, line: int, text: str) -> str:
        if bundle.HEX.fullmatch(text) is None:
            raise self._source.wrong(file, f"line {line}: {text!r} is not 16 hex digits")
        return text

    def _whole(self, file: str, line: int, row: Row, name: str) -> int:
        text = row[name]
        try:
            if len(text) > 20:
                raise ValueError
            number = int(text)
            if not -_WHOLE <= number < _WHOLE:
                raise ValueError
        except ValueError:
            raise self._source.wrong(
                file, f"line {line}: {name}: {text[:40]!r} is no whole number"
            ) from None
        return number

    def _bytes(self, file: str, line: int, text: str) -> bytes:
        try:
            return base64.b64decode(text, validate=True)
        except (binascii.Error, ValueError):
            raise self._source.wrong(file, f"line {line}: holds no base64") from None


@contextmanager
def _opened(path: Path) -> Iterator[_Source]:
    name = str(path)
    if path.is_dir():
        yield _Source(name, lambda file: _plain(path / file))
        return
    try:
        packed = zipfile.ZipFile(path)
    except _SPOILT as error:
        raise ExchangeError(f"{inert(name)}: cannot be read as a zip ({error})") from None
    with packed:
        yield _Source(name, lambda file: packed.open(file))  # type: ignore[return-value, arg-type]


def _plain(path: Path) -> BinaryIO:
    """A file to be read. Raises OSError for what never ends, such as a pipe or a device."""
    if not path.is_file():
        raise OSError("no plain file")
    return path.open("rb")
