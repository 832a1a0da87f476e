"""What the log page shows, as plain values and rows of text. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace

from dialbench.drift import Drift
from dialbench.errors import inert
from dialbench.holdings import Holdings, listed
from dialbench.store.selftold import SelfTold
from dialbench.watch.events import Connected, Event, Failed, Lost, Pulled, Pulling
from dialbench.watch.model import LiveState
from dialbench.watch.panel import Row, Section, span

_Z95 = 1.96
_LEAST_S = 0.2  # of a pull, before its rate is told


@dataclass(frozen=True)
class Progress:
    """A pull: pages done and in all, bytes, and how long it has taken or took.

    over: it has ended, and how is in `told`.
    """

    begun_s: float
    at_s: float
    done: int = 0
    total: int = 0
    size: int = 0
    over: bool = False
    told: str = ""

    @property
    def seconds(self) -> float:
        return self.at_s - self.begun_s

    @property
    def bytes_s(self) -> float | None:
        """Bytes a second so far, None too soon."""
        return self.size / self.seconds if self.seconds >= _LEAST_S and self.size else None

    @property
    def left_s(self) -> float | None:
        """Seconds to go, if the pages to come are as quick as those before; None too soon."""
        if self.over or not self.done or self.seconds < _LEAST_S:
            return None
        return self.seconds / self.done * (self.total - self.done)


def followed(before: Progress | None, event: Event, now_s: float) -> Progress | None:
    """The pull after an event; the last one stays to be seen until the next."""
    running = before if before is not None and not before.over else None
    match event:
        case Pulling(done=done, total=total, size=size):
            begun = running or Progress(now_s, now_s)
            return replace(begun, at_s=now_s, done=done, total=total, size=size)
        case Pulled(new_pages=pages, size=size, trouble=trouble):
            begun = running or Progress(now_s, now_s)
            return replace(begun, at_s=now_s, done=pages, size=size, over=True, told=trouble)
        case Failed(reason=reason) if running is not None:
            return replace(running, at_s=now_s, over=True, told=reason)
        case Lost(reason=reason) if running is not None:
            return replace(running, at_s=now_s, over=True, told=f"cut: {reason}")
    return before


@dataclass(frozen=True)
class Told:
    """What the store says of one board: found, or why not in a sentence. others: boards in it
    besides."""

    found: Holdings | None
    clock: Drift | None
    others: int
    why_not: str = ""


@dataclass(frozen=True)
class Checked:
    """A check of the store: what it said, empty while it goes on."""

    sentences: tuple[str, ...] = ()
    sound: bool | None = None


def sections(
    live: LiveState, pull: Progress | None, told: Told | None, store: str
) -> tuple[Section, ...]:
    """Labels and values; values are at most 24 characters where names are not longer."""
    found = told.found if told else None
    return (
        Section("board", _board(live)),
        Section("settings and self-test, by the board", _by_itself(found.told if found else None)),
        Section("pull", _pull(pull)),
        Section("store", (Row("store", inert(store)), *_store(told))),
    )


def _board(live: LiveState) -> tuple[Row, ...]:
    match live.connection:
        case None:
            return (Row("board", "looking for it"),)
        case Lost(vanished=vanished):
            return (Row("board", "VANISHED" if vanished else "NOT THERE", alert=True),)
        case Connected(uid=uid, firmware=firmware, trouble=trouble):
            rows = [
                Row("board", inert(uid)),
                Row("firmware", inert(firmware)),
                Row("logging", "NO, see right" if trouble else "yes", alert=bool(trouble)),
            ]
    health = live.health
    if health is None:
        return tuple(rows)
    there = health.next_page - health.first_page
    lacking = None if health.pages_in_store is None else there - health.pages_in_store
    spoilt = health.overflow_records + health.torn_pages > 0
    return (
        *rows,
        Row("board pages", _run(health.first_page, health.next_page - 1, there)),
        Row("to be pulled", "-" if lacking is None else _many(lacking, "page")),
        Row("open, memory", f"{_records(health.open_records)}, {_free(health.free_bytes)}"),
        Row("overflow,torn", f"{health.overflow_records}, {health.torn_pages}", alert=spoilt),
        Row("retired,blind", f"{health.retired_pages}, {health.blind_ms / 1000:.1f} s"),
    )


def _by_itself(told: SelfTold | None) -> tuple[Row, ...]:
    rows = []
    if told is not None and told.setup is not None:
        setup = told.setup
        lit = " ".join(f"{fraction:.2f}" for fraction in setup.thresholds)
        rows += [
            Row("scan, store", f"{setup.scan_ms} ms, {setup.commit_s} s"),
            Row("thresholds", lit or "none"),
            Row("storage", f"{setup.storage}, {_size(setup.storage_bytes)}"),
        ]
    if told is not None and told.health is not None:
        health = told.health
        text = f"{health.failed_writes} failed, {health.erases} erases"
        rows.append(Row("writes", text, alert=health.failed_writes > 0))
    return tuple(rows) or (Row("settings", "no page tells"),)


def _pull(pull: Progress | None) -> tuple[Row, ...]:
    if pull is None:
        return (Row("pull", "none yet"),)
    rate = "-" if pull.bytes_s is None else f"{_size(pull.bytes_s)}/s"
    if pull.over:
        what, left = f"{pull.done} pages, {_size(pull.size)}", f"in {span(pull.seconds)}"
    else:
        what = f"{pull.done} of {pull.total} pages" if pull.total else "asking"
        left = "-" if pull.left_s is None else f"{span(pull.left_s)} left"
    return (Row("pull", what, alert=pull.over and bool(pull.told)), Row("rate", f"{rate}, {left}"))


def _store(told: Told | None) -> tuple[Row, ...]:
    if told is None:
        return (Row("stored pages", "being counted"),)
    found, clock = told.found, told.clock
    if found is None or found.first_page is None or found.last_page is None:
        return (Row("stored pages", "none"),)
    dark = f", {len(found.dark_boots)} dark" if found.dark_boots else ""
    hours = f"{found.observed_s / 3600:.1f} h, {_many(len(found.days), 'day')}"
    known = f"{found.covered_s / 3600:.1f} h to {found.clock_s:g} s"
    unsure = round(found.observed_s - found.covered_s) > 0
    drift = "-"
    over = [boot for boot in clock.boots if boot.drift_ppm is not None] if clock else []
    if over:
        ppm, sigma = over[-1].drift_ppm or 0.0, over[-1].drift_sigma_ppm or 0.0
        drift = f"{round(ppm, 2) + 0.0:+.2f} +-{_Z95 * sigma:.2f} ppm"
    return (
        Row("stored pages", _run(found.first_page, found.last_page, found.pages)),
        Row("gaps", listed(found.gaps, 2) or "none", alert=bool(found.gaps)),
        Row("boots", f"{found.boots}{dark}", alert=bool(dark)),
        Row("direct sun", hours),
        Row("clock known", known, alert=unsure),
        Row("drift", drift),
    )


def says(
    live: LiveState, pull: Progress | None, told: Told | None, check: Checked | None
) -> list[str]:
    """What is not a figure, a sentence each."""
    connection = live.connection
    sentences = []
    if isinstance(connection, Lost):
        sentences.append(connection.reason)
    if isinstance(connection, Connected) and connection.trouble:
        sentences.append(f"The board does not log: {connection.trouble}")
    if pull is not None and pull.told:
        sentences.append(f"The last pull: {pull.told}")
    if told is not None and told.why_not:
        sentences.append(told.why_not)
    if told is not None and told.others:
        sentences.append(f"The store holds {_many(told.others, 'other board')} besides.")
    if check is not None:
        sentences += check.sentences if check.sound is not None else ["Checking the store ..."]
    if told is not None and told.clock is not None:
        sentences += told.clock.sentences
    return sentences


def _run(first: int, last: int, many: int) -> str:
    return f"{first} to {last}, {many}" if last >= first else "none"


def _many(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def _records(count: int | None) -> str:
    return "-" if count is None else f"{count} records"


def _free(size: int | None) -> str:
    return "-" if size is None else f"{_size(size)} free" if size else "no limit"


def _size(size: float) -> str:
    """A number of bytes, to three figures."""
    for unit in ("B", "kB", "MB"):
        if size < 1000:
            return f"{size:.3g} {unit}"
        size /= 1000
    return f"{size:.3g} GB"
