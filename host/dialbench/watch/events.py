"""What the feed tells the screen: small frozen facts, free of link, store and terminal."""

from __future__ import annotations

from dataclasses import dataclass

from dialbench.shares import Shift


@dataclass(frozen=True)
class Connected:
    """A board answered. Texts come from the board: hostile until shown through `inert`."""

    port: str
    uid: str
    dial_hash: str
    firmware: str
    trouble: str


@dataclass(frozen=True)
class Lost:
    """No board; vanished tells that there was one. reason is one sentence."""

    port: str
    reason: str
    vanished: bool


@dataclass(frozen=True)
class Frame:
    """One look at the channels: levels[c] counts the thresholds channel c is above, 0..3.

    utc_us is the frame's own instant by the clock marks; heard_s is when it arrived, on
    the host's monotonic clock. dropped counts the looks that the board or the host's link gave
    up, as the line or the host was too slow; unshown, those that came whole since the last
    frame and gave way to this one.
    """

    utc_us: int
    heard_s: float
    gate: bool
    levels: tuple[int, ...]
    dropped: int
    unshown: int = 0


@dataclass(frozen=True)
class Health:
    """The board's own counters, and how much of its log the store holds (None: no store).

    open_records: logged and not yet in a page; free_bytes: of its memory, 0 without a limit.
    None where it was not asked.
    """

    first_page: int
    next_page: int
    pages_in_store: int | None
    overflow_records: int
    torn_pages: int
    retired_pages: int
    blind_ms: int
    bad_frames: int
    open_records: int | None = None
    free_bytes: int | None = None


@dataclass(frozen=True)
class Marked:
    """A clock mark was made: the device's clock is tied to UTC at utc_us within sigma_us."""

    utc_us: int
    sigma_us: int


@dataclass(frozen=True)
class Pulling:
    """The log is on its way into the store: pages, and bytes of them; total may be 0 while it is
    not known."""

    done: int
    total: int
    size: int = 0


@dataclass(frozen=True)
class Pulled:
    """The pull is complete: so many pages were new, of so many bytes. trouble is "" or what it
    left behind."""

    uid: str
    new_pages: int
    trouble: str
    size: int = 0


@dataclass(frozen=True)
class Compared:
    """What was pulled has been compared with the prediction, or could not be."""


@dataclass(frozen=True)
class Judged:
    """How late crossings come by the log in the store; None where it does not tell."""

    shift: Shift | None


@dataclass(frozen=True)
class Failed:
    """The pull asked for did not work; the board may still be there."""

    reason: str


@dataclass(frozen=True)
class Noted:
    """A line for the list of events, and nothing else."""

    text: str


@dataclass(frozen=True)
class Changes:
    """Predicted crossings of a lit fraction of 0.50 between two instants, in order of time."""

    start_us: int
    end_us: int
    crossings: tuple[tuple[int, int, bool], ...]  # utc_us, channel, rising


@dataclass(frozen=True)
class Looked:
    """One look on the bench: as link.Traced, its instant by the clock marks."""

    utc_us: int
    angle: int
    state: int
    gate: bool
    dropped: int
    levels: tuple[int, ...]


@dataclass(frozen=True)
class Traced:
    """Looks on the bench, in the order in which they were measured."""

    looks: tuple[Looked, ...]


@dataclass(frozen=True)
class Tracing:
    """The board sends looks on the bench from now on, or no more; trouble is "" or why not."""

    on: bool
    trouble: str


Event = (
    Connected
    | Lost
    | Frame
    | Health
    | Marked
    | Pulling
    | Pulled
    | Compared
    | Judged
    | Failed
    | Noted
    | Changes
    | Traced
    | Tracing
)
