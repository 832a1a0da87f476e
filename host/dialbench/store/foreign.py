"""Logs of other makes in the store: crossings in UTC as somebody else's logger told them."""

from __future__ import annotations

import numpy as np

from dialbench.store.database import Damaged, Database, StoreError, damaged
from dialbench.store.facts import ForeignLog, StoredForeign


class ForeignLogs:
    """The foreign logs of one store; each is named by a hash of all that is in it."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._rows = database.rows
        self._read = database.read

    def add(self, log: ForeignLog, dial_hash: str, dial_toml: str, channels: int) -> bool:
        """Keep a log with its dial, all of it or nothing; False if it is there already."""
        with self._database.writing():
            added = self._rows(
                "INSERT INTO foreign_log (hash, name, dial_hash, channels) VALUES (?, ?, ?, ?)"
                " ON CONFLICT (hash) DO NOTHING RETURNING log",
                log.hash(dial_hash),
                log.name,
                dial_hash,
                channels,
            )
            if not added:
                return False
            [(number,)] = added
            self._rows(
                "INSERT INTO dial (dial_hash, toml) VALUES (?, ?)"
                " ON CONFLICT (dial_hash) DO NOTHING",
                dial_hash,
                dial_toml,
            )
            self._database.insert(
                "INSERT INTO foreign_crossing (log, utc_us, channel, threshold, rise, sigma_us)",
                number,
                list(log.rows()),
            )
            self._database.insert(
                "INSERT INTO foreign_observed (log, start_us, end_us)",
                number,
                log.observed,
            )
        return True

    def logs(self) -> list[StoredForeign]:
        """Every foreign log, in the order they were imported."""
        return [
            StoredForeign(*row)
            for row in self._read(
                "tttiTi",
                "SELECT hash, name, dial_hash, channels, toml,"
                " (SELECT count(*) FROM foreign_crossing AS one WHERE one.log = foreign_log.log)"
                " FROM foreign_log LEFT JOIN dial USING (dial_hash) ORDER BY foreign_log.log",
            )
        ]

    def get(self, hash: str) -> ForeignLog:
        """The log of a hash. Raises StoreError where there is none."""
        found = self._read("it", "SELECT log, name FROM foreign_log WHERE hash = ?", hash)
        if not found:
            raise StoreError(f"the store knows no foreign log {hash}: import it first")
        [(number, name)] = found
        rows = self._read(
            "iiiiI",
            "SELECT utc_us, channel, threshold, rise, sigma_us FROM foreign_crossing"
            " WHERE log = ? ORDER BY utc_us, channel, threshold, rise",
            number,
        )
        spans = self._read(
            "ii",
            "SELECT start_us, end_us FROM foreign_observed WHERE log = ? ORDER BY start_us",
            number,
        )
        table = np.array([row[:4] for row in rows], dtype=np.int64).reshape(-1, 4)
        if np.any(table[:, 1:3] < 0) or np.any(table[:, 1:3] > (127, 2)):
            raise Damaged(damaged(self._database.name))
        return ForeignLog(
            name=name,
            utc_us=table[:, 0].copy(),
            channel=table[:, 1].copy(),
            threshold=table[:, 2].copy(),
            rise=table[:, 3].astype(np.bool_),
            sigma_us=tuple(row[4] for row in rows),
            observed=tuple(spans),
        )
