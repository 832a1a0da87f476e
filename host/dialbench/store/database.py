"""The SQLite file under a store: opened, checked, brought up to date, errors told as sentences.

The schema is the numbered files of schema/, each one step of PRAGMA user_version.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib.resources import files
from itertools import chain
from pathlib import Path
from typing import Any

from dialbench.errors import UserError, inert

APPLICATION_ID = 0x4469616C  # "Dial"
_OLDEST_SQLITE = (3, 37)  # the first with STRICT tables
_BUSY_S = 10.0
_ROWS = 100  # in one statement


class StoreError(UserError):
    """The store cannot do what was asked; one sentence."""


class Database:
    """One connection, for the thread that made it; other processes may hold theirs.

    Raises StoreError for a file that is no store, or one that cannot be opened.
    """

    def __init__(self, path: Path) -> None:
        self._name = inert(str(path))
        self._writing = False
        if sqlite3.sqlite_version_info < _OLDEST_SQLITE:
            raise StoreError(
                f"this Python's SQLite is {sqlite3.sqlite_version}, a store needs 3.37 or later:"
                " use a newer Python"
            )
        if path.is_dir():
            raise StoreError(f"{self._name} is a folder, and a store is a file: name a file in it")
        with self._told():
            self._connection = sqlite3.connect(path, timeout=_BUSY_S, isolation_level=None)
        try:
            with self._told():
                self._prepare()
        except BaseException:
            self._connection.close()
            raise

    def close(self) -> None:
        self._connection.close()

    def rows(self, sql: str, *values: object) -> list[tuple[Any, ...]]:
        """Run one statement and return all its rows."""
        with self._told():
            return self._connection.execute(sql, values).fetchall()

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
        if self._writing:
            yield
            return
        self.rows("BEGIN IMMEDIATE")
        self._writing = True
        try:
            yield
            self.rows("COMMIT")
        except BaseException:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise
        finally:
            self._writing = False

    def _prepare(self) -> None:
        steps = sorted(
            (file for file in (files(__package__) / "schema").iterdir()),
            key=lambda file: file.name,
        )
        [(application,)] = self.rows("PRAGMA application_id")
        [(tables,)] = self.rows("SELECT count(*) FROM sqlite_schema")
        if application != APPLICATION_ID and (application or tables):
            raise StoreError(f"{self._name} is a database, but not a store of Dialbench")
        version = self._version()
        if version > len(steps):
            raise StoreError(
                f"{self._name} was written by a later Dialbench (store version {version}, this"
                f" one knows {len(steps)}): update Dialbench"
            )
        if version < len(steps):
            self._migrate([step.read_text(encoding="utf-8") for step in steps])
        self.rows("PRAGMA foreign_keys = ON")
        # What a power cut takes back of the last commits is still on the board: the next
        # pull fetches it again. The file itself stays whole.
        self.rows("PRAGMA synchronous = NORMAL")

    def _version(self) -> int:
        [(version,)] = self.rows("PRAGMA user_version")
        return int(version)

    def _migrate(self, steps: list[str]) -> None:
        self.rows("PRAGMA journal_mode = WAL")
        with self.writing():
            # Another process may have been faster: look again, now that no one else writes.
            for version in range(self._version(), len(steps)):
                for statement in _statements(steps[version]):
                    self.rows(statement)
                self.rows(f"PRAGMA user_version = {version + 1}")
            self.rows(f"PRAGMA application_id = {APPLICATION_ID}")

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise StoreError(self._sentence(error)) from error

    def _sentence(self, error: sqlite3.Error) -> str:
        code = getattr(error, "sqlite_errorname", "")
        for start, text in (
            ("SQLITE_NOTADB", "is not a store of Dialbench"),
            ("SQLITE_CANTOPEN", "cannot be opened: is its folder there, and may you write in it?"),
            ("SQLITE_READONLY", "cannot be written: may you write it, and in its folder?"),
            ("SQLITE_BUSY", "is being written by another process: try again when it is done"),
            ("SQLITE_FULL", "cannot grow: the disk is full"),
            ("SQLITE_CORRUPT", "is damaged: keep it, and pull the log into a new store"),
        ):
            if code.startswith(start):
                return f"{self._name} {text}"
        return f"{self._name} cannot be used as a store: {inert(str(error))}"


def _statements(script: str) -> Iterator[str]:
    """The statements of a script one by one (executescript would commit in between)."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""
