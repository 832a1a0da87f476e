"""The store: everything pulled from boards, in one SQLite file."""

from __future__ import annotations

from dialbench.store.carry import CarriedPage
from dialbench.store.database import Damaged, StoreError
from dialbench.store.facts import (
    Event,
    ForeignLog,
    LoggedCrossings,
    Losses,
    StoredBoard,
    StoredForeign,
    WrittenCrossings,
)
from dialbench.store.store import Store

__all__ = [
    "CarriedPage",
    "Damaged",
    "Event",
    "ForeignLog",
    "LoggedCrossings",
    "Losses",
    "Store",
    "StoreError",
    "StoredBoard",
    "StoredForeign",
    "WrittenCrossings",
]
