"""The store: everything pulled from boards, in one SQLite file."""

from __future__ import annotations

from dialbench.store.database import StoreError
from dialbench.store.facts import Event, LoggedCrossings, Losses, StoredBoard
from dialbench.store.store import Store

__all__ = ["Event", "LoggedCrossings", "Losses", "Store", "StoreError", "StoredBoard"]
