"""What a board says of itself, as plain values; its texts are made inert on the way in.

`read` functions take the payload of an answer and raise ValueError, for a payload that
is too short or tells a time, or a number of pages, that cannot be.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

from dialbench.errors import inert
from dialcore import examining, messages

_LIMIT_MS = 1 << 53  # no board runs so long, and floats and files still hold it exactly
_LIMIT_PAGES = 1 << 20  # no board holds so many; what is not there is remembered page by page


@dataclass(frozen=True)
class Hello:
    """Who the board is. uid and dial_hash are 16 hex digits; heap_bytes 0 means no limit;
    trouble is "" or says why the board does not log."""

    protocol_min: int
    protocol_max: int
    page_version: int
    channels: int
    boot: int
    device_ms: int
    uid: str
    dial_hash: str
    heap_bytes: int
    firmware: str
    runtime: str
    trouble: str

    @classmethod
    def read(cls, payload: bytes) -> Self:
        fields = messages.unpack_hello(payload)
        _check_ms(fields[5])
        uid, dial_hash, heap_bytes = fields[6:9]
        names = (uid.hex(), dial_hash.hex(), heap_bytes)
        return cls(*(*fields[:6], *names, *map(text_of, fields[9:])))


@dataclass(frozen=True)
class Status:
    """The board's counters now. Pages held run from first_page up to, not including,
    next_page; gate is true in direct sun; heap_free in bytes, 0 where there is no limit."""

    boot: int
    device_ms: int
    first_page: int
    next_page: int
    retired_pages: int
    torn_pages: int
    overflow_records: int
    bad_frames: int
    blind_ms: int
    scans: int
    open_records: int
    gate: bool
    channels: int
    heap_free: int

    @classmethod
    def read(cls, payload: bytes) -> Self:
        fields = messages.unpack_status(payload)
        _check_ms(fields[1])
        if not 0 <= fields[3] - fields[2] <= _LIMIT_PAGES:
            raise ValueError(f"pages {fields[2]} to {fields[3]} held")
        return cls(*(*fields[:11], bool(fields[11]), *fields[12:]))


@dataclass(frozen=True)
class Live:
    """One look at the channels: levels[c] counts the thresholds channel c is above, 0..3.

    gate is true in direct sun, direct the open-sky level in counts, dropped how many
    looks the board could not send so far (modulo 65536).
    """

    boot: int
    device_ms: int
    gate: bool
    direct: int
    dropped: int
    levels: tuple[int, ...]

    @classmethod
    def read(cls, payload: bytes) -> Self:
        boot, device_ms, gate, channels, direct, dropped, packed = messages.unpack_live(payload)
        _check_ms(device_ms)
        if len(packed) * 4 < channels:
            raise ValueError(f"levels of {channels} channels in {len(packed)} bytes")
        levels = tuple(packed[c >> 2] >> ((c & 3) << 1) & 3 for c in range(channels))
        return cls(boot, device_ms, bool(gate), direct, dropped, levels)


@dataclass(frozen=True)
class Traced:
    """One look on the bench: the levels of all channels, 1024 for a fully lit exit, and how the
    shaft stood as they were measured.

    angle: 65536 to a turn; state: bits of dialcore.records, WEAK to UNTURNED. gate and dropped
    as in Live.
    """

    boot: int
    device_ms: int
    gate: bool
    dropped: int
    angle: int
    state: int
    levels: tuple[int, ...]

    @classmethod
    def read(cls, payload: bytes) -> Self:
        fields = messages.unpack_traced(payload)
        boot, device_ms, gate, channels, dropped, angle, state, levels = fields
        _check_ms(device_ms)
        if len(levels) < channels:
            raise ValueError(f"levels of {len(levels)} of {channels} channels")
        return cls(boot, device_ms, bool(gate), dropped, angle, state, levels)


@dataclass(frozen=True)
class Look:
    """A place of the board's multiplexers, in counts of 0 to 65535; spread is a standard
    deviation."""

    mean: int
    spread: float
    least: int
    most: int

    @classmethod
    def read(cls, payload: bytes) -> Self:
        mean, spread, least, most = examining.unpack_probe(payload)
        return cls(mean, spread / 16, least, most)


@dataclass(frozen=True)
class Check:
    """How the board's parts do, as a CHECK's answer says: see SPEC.md."""

    supply_mv: int
    settle_us: int
    sky: int
    shade: int
    flags: int
    chip: int
    chip_s: int
    ticks: int
    tick_ms: int
    bad_writes: int
    erases: int
    storage_bytes: int
    read_ms: int

    @classmethod
    def read(cls, payload: bytes) -> Self:
        return cls(*examining.unpack_check(payload))


@dataclass(frozen=True)
class Fetched:
    """What was asked for in one batch, and what it brought: whole pages with a good CRC, by
    number.

    complete: nothing of what the board sent was lost on the way, so a page that was asked
    for and is not here the board does not have, or has damaged. next: one past the last
    page the board looked for, where it is complete.
    """

    asked: range
    pages: dict[int, bytes]
    complete: bool
    next: int

    @property
    def absent(self) -> set[int]:
        """The pages that the board does not have."""
        if not self.complete:
            return set()
        return set(range(self.asked.start, min(self.asked.stop, self.next))) - set(self.pages)


def text_of(raw: bytes) -> str:
    """A board's text, harmless to show."""
    return inert(raw.decode("utf-8", "replace"))


def _check_ms(device_ms: int) -> None:
    if device_ms > _LIMIT_MS:
        raise ValueError(f"a device time of {device_ms} ms")
