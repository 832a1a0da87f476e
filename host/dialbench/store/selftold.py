"""What a board's log says of the log itself: how it was set up, and how its storage does."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from dialbench.store.store import Store
from dialcore import records

_LIT = (0.25, 0.50, 0.75)  # lit fractions by threshold

_Record = TypeVar("_Record")


@dataclass(frozen=True)
class Setup:
    """A SETUP record. thresholds: the lit fractions whose crossings are logged; storage: where
    pages lie, "files", "flash", "none" or "unknown", within so many bytes."""

    scan_ms: int
    commit_s: int
    thresholds: tuple[float, ...]
    storage: str
    storage_bytes: int


@dataclass(frozen=True)
class Health:
    """A HEALTH record; all but retired_pages counted since the board's start. failed_writes: of
    a chip also erases and reads. free_bytes: of memory, 0 where there is no limit."""

    retired_pages: int
    torn_pages: int
    failed_writes: int
    erases: int
    records_lost: int
    blind_ms: int
    free_bytes: int


@dataclass(frozen=True)
class SelfTold:
    """The last that a board logged of itself; None where its log holds none."""

    board: str
    setup: Setup | None
    health: Health | None

    @property
    def sentences(self) -> list[str]:
        """The same in words."""
        told = []
        if self.setup is not None:
            set_up = self.setup
            lit = ", ".join(f"{fraction:.2f}" for fraction in set_up.thresholds)
            told.append(
                f"board {self.board} was last set to scan every {set_up.scan_ms} ms, to store every"
                f" {set_up.commit_s} s at the latest, in {set_up.storage} of"
                f" {set_up.storage_bytes} bytes, crossings of {lit or 'no'} lit fraction."
            )
        if self.health is not None:
            health = self.health
            told.append(
                f"board {self.board} last said of its storage: {health.retired_pages} pages"
                f" retired over its life; since its start {health.erases} erases,"
                f" {health.failed_writes} failed writes, {health.torn_pages} torn pages,"
                f" {health.records_lost} records lost; {health.free_bytes} bytes of memory free."
            )
        return told


def self_told(store: Store, uid: str) -> SelfTold:
    """What board uid last logged of itself. Raises StoreError as the store does."""
    return SelfTold(
        uid,
        _last(store, uid, records.SETUP, _setup),
        _last(store, uid, records.HEALTH, lambda payload: Health(*records.unpack_health(payload))),
    )


def _setup(payload: bytes) -> Setup:
    scan_ms, commit_s, thresholds, storage, size = records.unpack_setup(payload)
    lit = tuple(fraction for k, fraction in enumerate(_LIT) if thresholds >> k & 1)
    known = storage < len(records.STORAGES)
    return Setup(scan_ms, commit_s, lit, records.STORAGES[storage] if known else "unknown", size)


def _last(store: Store, uid: str, tag: int, read: Callable[[bytes], _Record]) -> _Record | None:
    for event in reversed(store.events(uid, tag)):
        try:
            return read(event.payload)
        except ValueError:
            continue  # it stays among the events, and says nothing
    return None
