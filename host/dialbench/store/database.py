"""The SQLite file under a store: opened, checked, brought up to date, errors told as sentences.

The schema is the numbered files of schema/, each one step of PRAGMA user_version. A file is
not trusted: it is refused where its tables are not exactly those of its version (a view or
a trigger of somebody else's could compute for ever), what comes out of them is held to the
kinds it must have, and no statement may take more steps than the file's size accounts for.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from importlib.resources import files
from itertools import chain
from pathlib import Path
from typing import Any, Self

from dialbench.errors import UserError, inert

APPLICATION_ID = 0x4469616C  # "Dial"
_OLDEST_SQLITE = (3, 37)  # the first with STRICT tables
_BUSY_S = 10.0
_COPY = "If not, copy it to a folder of yours, and what stands beside it under its name and -wal"
_ROWS = 100  # in one statement

# A row takes 10 bytes at least and a join of it some 50 steps of SQLite's machine, 5 a byte.
_STEPS_A_BYTE = 50
_STEPS_ANYWAY = 2_000_000
_STEPS_A_LOOK = 100_000

_KINDS: dict[str, tuple[type, ...]] = {
    "i": (int,),
    "t": (str,),
    "b": (bytes,),
    "I": (int, type(None)),
    "T": (str, type(None)),
    "B": (bytes, type(None)),
}
_LAYOUT = (
    "SELECT type, name, tbl_name, sql FROM sqlite_schema"
    " WHERE name NOT LIKE 'sqlite\\_stat%' ESCAPE '\\' ORDER BY type, name"
)


class StoreError(UserError):
    """The store cannot do what was asked; one sentence."""


class Damaged(StoreError):
    """The file is no database any more, or its parts contradict each other."""


class NoStore(StoreError):
    """The file's head, or its tables, are not a store's."""


class Database:
    """One connection, for the thread that made it; other processes may hold theirs.

    version: the schema step the file is at. The methods raise StoreError, and Damaged
    where the file is.
    """

    def __init__(self, connection: sqlite3.Connection, name: str, path: Path | None = None) -> None:
        self.name = inert(name)
        self._path = path
        self._connection = connection
        self._within = False
        self._steps_left = 0
        self._steps_allowed = _STEPS_ANYWAY
        connection.set_progress_handler(self._spend, _STEPS_A_LOOK)
        self.version = self._known_version()

    @classmethod
    def open(cls, path: Path) -> Self:
        """The file at path for writing, made if there is none, brought up to date if older.

        Raises StoreError for a file that is no store, or one that cannot be opened.
        """
        database = cls._at(path, f"{path.absolute()}", uri=False)
        try:
            database.prepare()
        except BaseException:
            database.close()
            raise
        return database

    @classmethod
    def look(cls, path: Path) -> Self:
        """The file at path as it stands; nothing can be written, and nothing is.

        One of an older version is brought up to date in a copy of its own, which is gone
        with the connection; version still says how old it was. Raises as open().
        """
        database = cls._at(path, f"{path.absolute().as_uri()}?{_look(path)}", uri=True)
        try:
            database.rows("PRAGMA query_only = ON")
            version = database.version
            if version == len(_steps()):
                return database
            with database.told():
                copy = sqlite3.connect("", isolation_level=None)
                database._connection.backup(copy)
            database.close()
            database = cls(copy, str(path))
            database.prepare()
            database.version = version
        except BaseException:
            database.close()
            raise
        return database

    @classmethod
    def _at(cls, path: Path, place: str, uri: bool) -> Self:
        name = inert(str(path))
        if sqlite3.sqlite_version_info < _OLDEST_SQLITE:
            raise StoreError(
                f"this Python's SQLite is {sqlite3.sqlite_version}, a store needs 3.37 or later:"
                " use a newer Python"
            )
        if "\0" in place:
            raise StoreError(f"{name} is no name for a file: leave the NUL out")
        if path.is_dir():
            raise StoreError(f"{name} is a folder, and a store is a file: name a file in it")
        with _told(name):
            connection = sqlite3.connect(place, timeout=_BUSY_S, isolation_level=None, uri=uri)
        try:
            return cls(connection, str(path), path)
        except BaseException:
            connection.close()
            raise

    def close(self) -> None:
        self._connection.close()

    def rows(self, sql: str, *values: object) -> list[tuple[Any, ...]]:
        """Run one statement and return all its rows."""
        with self.told():
            self._steps_left = self._steps_allowed
            return self._connection.execute(sql, values).fetchall()

    def read(self, kinds: str, sql: str, *values: object) -> list[tuple[Any, ...]]:
        """rows(), each column of the kind its letter says: i int, t text, b bytes; capitals
        may be NULL too. Raises Damaged where one is not."""
        found = self.rows(sql, *values)
        wanted = [_KINDS[kind] for kind in kinds]
        for types in {tuple(map(type, row)) for row in found}:
            if not all(one in kind for one, kind in zip(types, wanted, strict=True)):
                raise Damaged(damaged(self.name))
        return found

    def one(self, kinds: str, sql: str, *values: object) -> tuple[Any, ...]:
        """The only row of read(). Raises Damaged where it is not the only one: an index and
        its table contradict each other then."""
        found = self.read(kinds, sql, *values)
        if len(found) != 1:
            raise Damaged(damaged(self.name))
        return found[0]

    def insert(self, into: str, first: object, rows: Sequence[tuple[object, ...]]) -> None:
        """Insert rows of equal length, with one first value before each; into is the statement
        up to its VALUES."""
        # Many rows in one statement take half the time of as many statements.
        for at in range(0, len(rows), _ROWS):
            some = rows[at : at + _ROWS]
            row = f"(?1{', ?' * len(some[0])})"
            values = chain.from_iterable(some)
            self.rows(f"{into} VALUES {', '.join([row] * len(some))}", first, *values)

    @contextmanager
    def writing(self) -> Iterator[None]:
        """One transaction, or part of the one that is open: all of it is kept, or nothing."""
        with self._transaction("BEGIN IMMEDIATE"):
            yield

    @contextmanager
    def reading(self) -> Iterator[None]:
        """All that is read within is of one moment, whoever writes meanwhile."""
        with self._transaction("BEGIN"):
            yield

    @contextmanager
    def _transaction(self, begin: str) -> Iterator[None]:
        if self._within:
            yield
            return
        self.rows(begin)
        self._within = True
        try:
            yield
            self.rows("COMMIT")
        except BaseException:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise
        finally:
            self._within = False

    def copy_to(self, path: Path) -> None:
        """Write all of one moment into a new file at path, whoever writes meanwhile."""
        with _told(f"a copy of {self.name}"):
            target = sqlite3.connect(path)
            try:
                self._connection.backup(target)
                target.execute("PRAGMA journal_mode = DELETE")  # one file, nothing beside it
            finally:
                target.close()

    def damage(self) -> list[str]:
        """What SQLite itself finds wrong with the file, a line each, at most 100."""
        try:
            # Takes more steps than any query, but sees every part of the file only once.
            self._connection.set_progress_handler(None, 0)
            try:
                found = self.rows("PRAGMA integrity_check(100)")
            finally:
                self._connection.set_progress_handler(self._spend, _STEPS_A_LOOK)
            found += self.rows("PRAGMA foreign_key_check")
        except Damaged as wrong:
            return [str(wrong)]
        return [inert(" ".join(map(str, row))) for row in found if row != ("ok",)]

    def prepare(self) -> None:
        """Bring the tables up to date, and set what a connection needs."""
        if self.version < len(_steps()):
            self._migrate()
        self.rows("PRAGMA journal_mode = WAL")  # so that others read while one writes
        self.rows("PRAGMA foreign_keys = ON")
        # What a power cut takes back of the last commits is still on the board: the next
        # pull fetches it again. The file itself stays whole.
        self.rows("PRAGMA synchronous = NORMAL")

    def _known_version(self) -> int:
        """The version of a file that is a store, or empty; all of it read at one moment."""
        self.rows("PRAGMA cell_size_check = ON")
        self.rows("PRAGMA trusted_schema = OFF")
        with self.reading():
            [(application,)] = self.rows("PRAGMA application_id")
            [(version,)] = self.rows("PRAGMA user_version")
            layout = tuple(self.rows(_LAYOUT))
            [(size,)] = self.rows("PRAGMA page_size")
            [(count,)] = self.rows("PRAGMA page_count")
        self._steps_allowed = _STEPS_ANYWAY + _STEPS_A_BYTE * size * count
        if application != APPLICATION_ID and (application or layout):
            raise NoStore(f"{self.name} is a database, but not a store of Dialbench")
        if version > len(_steps()):
            raise StoreError(
                f"{self.name} was written by a later Dialbench (store version {version}, this"
                f" one knows {len(_steps())}): update Dialbench"
            )
        if version < 0 or layout != _layout(version):
            raise NoStore(
                f"{self.name} says it is a store of version {version}, but its tables are not"
                " that version's: another program has changed them, so go back to a backup"
            )
        return int(version)

    def _migrate(self) -> None:
        with self.writing():
            # Another process may have been faster: look again, now that no one else writes.
            [(version,)] = self.rows("PRAGMA user_version")
            for step in range(version, len(_steps())):
                for statement in _statements(_steps()[step]):
                    self.rows(statement)
                self.rows(f"PRAGMA user_version = {step + 1}")
            self.rows(f"PRAGMA application_id = {APPLICATION_ID}")
        self.version = len(_steps())

    def _spend(self) -> int:
        """Called by SQLite every _STEPS_A_LOOK steps of a statement; not 0 ends it."""
        self._steps_left -= _STEPS_A_LOOK
        if self._steps_left < 0 and self._path is not None:
            # It may have grown since it was opened, by this process or another.
            size = sum(
                os.stat(part).st_size
                for part in (self._path, f"{self._path}-wal")
                if os.path.exists(part)
            )
            grown = _STEPS_ANYWAY + _STEPS_A_BYTE * size - self._steps_allowed
            if grown > 0:
                self._steps_allowed += grown
                self._steps_left += grown
        return int(self._steps_left < 0)

    @contextmanager
    def told(self) -> Iterator[None]:
        """SQLite's errors within as sentences."""
        with _told(self.name):
            yield


def beside(path: Path) -> list[Path]:
    """The files that SQLite takes for part of what is, or will be, at path."""
    ends = ("-wal", "-journal")
    return [log for end in ends if (log := path.with_name(path.name + end)).exists()]


def _look(path: Path) -> str:
    """How SQLite is to open the file at path so as to change nothing of it."""
    log = Path(f"{path}-wal")
    # SQLite puts files beside a store, and only who may write clears them away at the end.
    # But where a stopped writer left some, who may write would move them into the store.
    if log.exists():
        return "mode=ro" if log.stat().st_size else "mode=rw"
    effective = os.access in os.supports_effective_ids
    if os.access(path.absolute().parent, os.W_OK, effective_ids=effective):
        return "mode=rw"
    return "immutable=1"  # nothing can be put beside it, and nobody has it open for writing


def is_store(path: Path) -> bool:
    """Whether the file at path has a store's head."""
    with path.open("rb") as file:
        head = file.read(72)
    return head[:16] == b"SQLite format 3\0" and head[68:] == APPLICATION_ID.to_bytes(4, "big")


@contextmanager
def _told(name: str) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        raise _sentence(name, error) from error
    except UnicodeDecodeError as error:  # of an error's own text, that quotes the file
        raise Damaged(damaged(name)) from error


def damaged(name: str) -> str:
    """The sentence of Damaged."""
    return (
        f"{name} is damaged: keep it; dialbench check {name} --repair saves what can be read into"
        " a new store"
    )


def _sentence(name: str, error: sqlite3.Error) -> StoreError:
    code = getattr(error, "sqlite_errorname", "")
    for start, text in (
        (
            "SQLITE_CANTOPEN",
            f"cannot be opened: is its folder there, and may you write in it? {_COPY}",
        ),
        ("SQLITE_READONLY", f"cannot be written: may you write it, and in its folder? {_COPY}"),
        ("SQLITE_BUSY", "is being written by another process: try again when it is done"),
        ("SQLITE_FULL", "cannot grow: the disk is full"),
    ):
        if code.startswith(start):
            return StoreError(f"{name} {text}")
    if code.startswith("SQLITE_NOTADB"):
        return Damaged(f"{name} is not a store of Dialbench")
    # Text that is no UTF-8 has no name of its own among SQLite's errors, nor has a
    # statement that ran away; a schema that cannot be read is a plain error.
    if code.startswith(("SQLITE_CORRUPT", "SQLITE_INTERRUPT")) or "UTF-8" in str(error):
        return Damaged(damaged(name))
    return StoreError(f"{name} cannot be used as a store: {inert(str(error))}")


@cache
def _steps() -> tuple[str, ...]:
    """The schema's steps in order, as SQL."""
    found = sorted((files(__package__) / "schema").iterdir(), key=lambda file: file.name)
    return tuple(step.read_text(encoding="utf-8") for step in found)


@cache
def _layout(version: int) -> tuple[tuple[Any, ...], ...]:
    """What _LAYOUT finds in a store of a version."""
    fresh = sqlite3.connect(":memory:")
    try:
        for step in _steps()[:version]:
            fresh.executescript(step)
        return tuple(fresh.execute(_LAYOUT))
    finally:
        fresh.close()


def _statements(script: str) -> Iterator[str]:
    """The statements of a script one by one (executescript would commit in between)."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""
