"""The plain values that go into a store and come out of it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray


class BoardFacts(Protocol):
    """What a store keeps of a board's HELLO. uid and dial_hash are 16 hex digits."""

    @property
    def uid(self) -> str: ...
    @property
    def dial_hash(self) -> str: ...
    @property
    def channels(self) -> int: ...
    @property
    def firmware(self) -> str: ...
    @property
    def runtime(self) -> str: ...
    @property
    def heap_bytes(self) -> int: ...


class StatusFacts(Protocol):
    """What a store keeps of a board's STATUS."""

    @property
    def boot(self) -> int: ...
    @property
    def device_ms(self) -> int: ...
    @property
    def first_page(self) -> int: ...
    @property
    def next_page(self) -> int: ...
    @property
    def torn_pages(self) -> int: ...


@dataclass(frozen=True)
class StoredBoard:
    """A board as it last said HELLO; dial_toml is the file of its dial, None if never given."""

    uid: str
    dial_hash: str
    channels: int
    firmware: str
    runtime: str
    heap_bytes: int
    dial_toml: str | None
    pages: int


@dataclass(frozen=True)
class LoggedCrossings:
    """Crossings as logged: arrays of equal length, sorted by boot and device time.

    device_ms counts from the boot; threshold is 0, 1, 2 for lit fractions 0.25, 0.50,
    0.75; rise is true where the lit fraction grew past it.
    """

    boot: NDArray[np.int64]
    device_ms: NDArray[np.int64]
    channel: NDArray[np.int64]
    threshold: NDArray[np.int64]
    rise: NDArray[np.bool_]


@dataclass(frozen=True)
class WrittenCrossings(LoggedCrossings):
    """The same in the order written; page: the number of the page each stands on."""

    page: NDArray[np.int64]


@dataclass(frozen=True)
class Event:
    """A record that is no crossing; payload as written, whatever its tag means."""

    boot: int
    device_ms: int
    tag: int
    payload: bytes


@dataclass(frozen=True)
class Losses:
    """What of a board's log is not there to be compared.

    overflow_records: records the board had no room for, by its own log.
    missing_pages: pages the board should still hold and the store lacks.
    retired_pages: pages the board gave up before they were pulled.
    torn_pages: pages a power cut tore, over all boots whose status was heard.
    blind_ms: time in direct sun in which the board did not scan, by its own log.
    unreadable_pages: pages held whose CRC is right and whose records make no sense.
    """

    overflow_records: int
    missing_pages: int
    retired_pages: int
    torn_pages: int
    blind_ms: int
    unreadable_pages: int = 0


@dataclass(frozen=True)
class ForeignLog:
    """A log of another make: crossings in UTC, and the time in which it saw direct sun.

    name is the file it came from. utc_us, channel, threshold, rise: arrays of equal length
    sorted by all four, threshold 0, 1, 2 for lit fractions 0.25, 0.50, 0.75. sigma_us: the
    standard uncertainty of each time in microseconds, None where the log does not say.
    observed: spans (start_us, end_us), in order, apart from each other.
    """

    name: str
    utc_us: NDArray[np.int64]
    channel: NDArray[np.int64]
    threshold: NDArray[np.int64]
    rise: NDArray[np.bool_]
    sigma_us: tuple[int | None, ...]
    observed: tuple[tuple[int, int], ...]

    @property
    def seen(self) -> int:
        """How many of the crossings lie within the observed time."""
        edges = np.array(self.observed, dtype=np.int64).reshape(-1, 2)
        begun = np.searchsorted(edges[:, 0], self.utc_us, side="right")
        ended = np.searchsorted(edges[:, 1], self.utc_us, side="left")
        return int(np.sum(begun > ended))

    def rows(self) -> Iterator[tuple[int, int, int, int, int | None]]:
        """(utc_us, channel, threshold, rise, sigma_us) of each crossing, in order."""
        columns = (self.utc_us, self.channel, self.threshold, self.rise.astype(np.int64))
        return zip(*(column.tolist() for column in columns), self.sigma_us, strict=True)

    def hash(self, dial_hash: str) -> str:
        """16 hex digits that name what the log says of a dial, whatever its file looks like."""
        return self.sha256(dial_hash)[:16]

    def sha256(self, dial_hash: str) -> str:
        """The whole of what hash() gives the beginning of, 64 hex digits."""
        facts = [dial_hash, list(self.rows()), self.observed]
        return hashlib.sha256(json.dumps(facts).encode()).hexdigest()


@dataclass(frozen=True)
class StoredForeign:
    """A foreign log as the store lists it; dial_toml is the file of its dial."""

    hash: str
    name: str
    dial_hash: str
    channels: int
    dial_toml: str | None
    crossings: int
