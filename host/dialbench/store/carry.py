"""What a store holds as it stands in its file, piece by piece, for carrying it into another."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from dialbench.store.database import Database
from dialbench.store.facts import WrittenCrossings

_PAGES = 300  # at a time: some hundred thousand crossings


@dataclass(frozen=True)
class CarriedPage:
    """A page with all that is kept of it.

    raw: its bytes as they came first. asked: they were found spoilt, and the board is asked
    again; again: what it sent then, None where nothing came or nothing was asked.
    """

    boot: int
    number: int
    raw: bytes
    asked: bool = False
    again: bytes | None = None


@dataclass(frozen=True)
class CarriedStatus:
    """The last that a board said of its log in one boot."""

    boot: int
    device_ms: int
    first_page: int
    next_page: int
    torn_pages: int


class Carry:
    """What stands in a store's tables; boards by their uid."""

    def __init__(self, database: Database) -> None:
        self._read = database.read
        self._rows = database.rows

    def dials(self) -> list[tuple[str, str]]:
        """(hash, text) of every dial file, in order of the hashes."""
        return self._read("tt", "SELECT dial_hash, toml FROM dial ORDER BY dial_hash")

    def add_dial(self, dial_hash: str, toml: str) -> None:
        """Keep a dial file under the hash that the caller has for it."""
        self._rows(
            "INSERT INTO dial (dial_hash, toml) VALUES (?, ?) ON CONFLICT (dial_hash) DO NOTHING",
            dial_hash,
            toml,
        )

    def statuses(self, uid: str) -> list[CarriedStatus]:
        """The last status of each boot."""
        return [
            CarriedStatus(*row)
            for row in self._read(
                "iiiii",
                "SELECT boot, device_ms, first_page, next_page, torn_pages"
                " FROM status JOIN board USING (board) WHERE uid = ? ORDER BY boot",
                uid,
            )
        ]

    def pages(self, uid: str) -> Iterator[CarriedPage]:
        """Every page of a board, in the order they came."""
        after = -1
        while True:
            rows = self._read(
                "iiibiB",
                "SELECT page, boot, number, page.raw, spare.page IS NOT NULL, spare.raw"
                " FROM page JOIN board USING (board) LEFT JOIN spare USING (page)"
                " WHERE uid = ? AND page > ? ORDER BY page LIMIT ?",
                uid,
                after,
                _PAGES,
            )
            for _, boot, number, raw, asked, again in rows:
                yield CarriedPage(boot, number, raw, bool(asked), again)
            if len(rows) < _PAGES:
                return
            after = rows[-1][0]

    def crossings(self, board: int) -> Iterator[WrittenCrossings]:
        """Crossings of a board's row in the order written: by boot, page and place."""
        starts = self._read(
            "ii", "SELECT boot, number FROM page WHERE board = ? ORDER BY boot, number", board
        )
        for at in range(0, len(starts), _PAGES):
            some = starts[at : at + _PAGES]
            rows = self._read(
                "iiiiii",
                "SELECT boot, number, device_ms, channel, threshold, rise"
                " FROM page JOIN crossing USING (page) WHERE board = ?"
                " AND (boot, number) BETWEEN (?, ?) AND (?, ?) ORDER BY boot, number, place",
                board,
                *some[0],
                *some[-1],
            )
            table = np.array(rows, dtype=np.int64).reshape(-1, 6)
            boot, page, device_ms, channel, threshold, rise = (col.copy() for col in table.T)
            yield WrittenCrossings(boot, device_ms, channel, threshold, rise.astype(np.bool_), page)
