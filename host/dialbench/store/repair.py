"""Mends a store without taking anything away from it.

What is made from raw pages is made again. Raw pages whose bytes do not hold are marked, so
that the next pull brings them again. A file that SQLite itself finds damaged is left as it
is: all that can be read goes into a new store beside it.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from dialbench import whole
from dialbench.errors import inert
from dialbench.store import leaves
from dialbench.store.check import Checked, check
from dialbench.store.database import Damaged, Database, NoStore, StoreError, beside
from dialbench.store.store import Store, holds

_MAX_BYTES = 1 << 31
_MEND = {"spoilt", "outdated", "decoded"}

# What is copied row by row where SQLite can still read it; pages and boards are found
# without its help as well.
_COPIED = {
    "dial": 2,
    "mark": 5,
    "status": 6,
    "selftest": 3,
    "foreign_log": 5,
    "foreign_crossing": 6,
    "foreign_observed": 3,
}


@dataclass(frozen=True)
class Repaired:
    """What a repair did, a sentence each; after: the check after it; salvaged: the new
    store's check, where one was made."""

    done: tuple[str, ...]
    after: Checked
    salvaged: Checked | None = None


def repair(path: Path) -> Repaired:
    """Mend the store at path as far as that can be done. Raises StoreError."""
    try:
        before = check(path)
    except (Damaged, NoStore):
        # Not even its head says store: what is found in it must speak for it.
        return _salvaged(path, None)
    if "damage" in before.kinds():
        return _salvaged(path, before)
    if not _MEND & before.kinds():
        return Repaired(("nothing in the file had to be mended",), before)
    done = []
    with Store.open(path) as store, store.writing():
        spoilt = [
            p for p in store.raw_pages() if not p.asked and not holds(p.raw, p.boot, p.number)
        ]
        for page in spoilt:
            store.ask_again(page.page)
        count = store.redecode()
    done.append(f"the decoded rows of {count} pages were made anew")
    if spoilt:
        done.append(f"{len(spoilt)} spoilt pages now count as missing: pull again")
    return Repaired(tuple(done), check(path))


def _salvaged(path: Path, before: Checked | None) -> Repaired:
    new = path.with_name(f"{path.stem}.salvaged{path.suffix}")
    for old in (new, *beside(new)):
        if not old.exists():
            continue
        raise StoreError(
            f"{inert(str(old))} is there already, from an earlier repair: move it away first"
        )
    if path.stat().st_size > _MAX_BYTES:
        raise StoreError(f"{inert(str(path))} is larger than 2 GB, too large to be salvaged")
    raw = path.read_bytes()
    log = path.with_name(path.name + "-wal")
    rows = list(leaves.rows(raw, log.read_bytes() if log.exists() else b""))
    boards = {row[0]: row for row in rows if _is_board(row)}
    # Leaves that are no longer in use tell what a board said earlier: SQLite knows better.
    boards.update((row[0], row) for row in map(list, _read(path, "board")) if _is_board(row))
    pages = [row for row in rows if _is_page(row)]
    pages += _came_again(rows)
    if before is None and not (boards and pages):
        raise StoreError(f"{inert(str(path))} is not a store of Dialbench")
    with whole.placed(new) as part:
        try:
            kept, strays = _filled(part, path, boards, pages)
        finally:
            for end in ("-wal", "-shm"):
                part.with_name(part.name + end).unlink(missing_ok=True)
    done = [f"{kept} pages of {len(boards)} boards were saved into {inert(str(new))}"]
    if strays:
        done.append(f"{strays} pages were left behind, as their board cannot be told")
    done.append(f"{inert(str(path))} was left as it is")
    return Repaired(tuple(done), before or check(new), check(new))


def _filled(
    part: Path,
    old: Path,
    boards: dict[leaves.Value, list[leaves.Value]],
    pages: list[list[leaves.Value]],
) -> tuple[int, int]:
    """Make the new store at part; (pages kept, pages of boards that cannot be told)."""
    strays = 0
    database = Database.open(part)
    with closing(database), database.writing():
        for number, row in sorted(boards.items(), key=str):
            database.rows("INSERT INTO board VALUES (?, ?, ?, ?, ?, ?, ?)", number, *row[1:])
        for table, width in _COPIED.items():
            places = ", ".join("?" * width)
            for values in _read(old, table):
                # A row that breaks a rule of its table was spoilt: it is left behind.
                with suppress(StoreError):
                    database.rows(f"INSERT INTO {table} VALUES ({places})", *values)
        for row in pages:
            if row[1] not in boards:
                strays += 1
                continue
            database.rows(
                "INSERT INTO page (board, boot, number, raw) VALUES (?, ?, ?, ?)"
                " ON CONFLICT (board, boot, number) DO NOTHING",
                *row[1:],
            )
        kept = Store(database).redecode()
    return kept, strays


def _read(path: Path, table: str) -> list[tuple[leaves.Value, ...]]:
    """What SQLite can still read of a table, up to where it fails."""
    found: list[tuple[leaves.Value, ...]] = []
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as old:
            for row in old.execute(f"SELECT * FROM {table}"):
                found.append(row)
                if len(found) > _MAX_BYTES // 10:
                    break
    except sqlite3.Error:
        return found
    return found


def _came_again(rows: list[list[leaves.Value]]) -> list[list[leaves.Value]]:
    """Pages of which the first bytes were spoilt and better ones came, as rows of pages."""
    names = {row[0]: row[:4] for row in rows if len(row) == 5 and isinstance(row[4], bytes)}
    again = [[*names[row[0]], row[1]] for row in rows if len(row) == 2 and row[0] in names]
    return [row for row in again if _is_page(row)]


def _is_board(row: list[leaves.Value]) -> bool:
    return (
        len(row) == 7
        and isinstance(row[0], int)
        and isinstance(row[1], str)
        and len(row[1]) == 16
        and all(isinstance(value, str) for value in (row[2], row[4], row[5]))
        and all(isinstance(value, int) for value in (row[3], row[6]))
    )


def _is_page(row: list[leaves.Value]) -> bool:
    return (
        len(row) == 5
        and isinstance(row[4], bytes)
        and isinstance(row[2], int)
        and isinstance(row[3], int)
        and holds(row[4], row[2], row[3])
    )
