"""Is a store sound, and what of the boards' logs is not in it? Looks only, never writes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from dialbench.clock import ClockModel
from dialbench.store.database import Damaged, Database, StoreError
from dialbench.store.decoding import decode
from dialbench.store.selftold import SelfTold, self_told
from dialbench.store.store import Store, holds

# Between two marks the clock's uncertainty rises and falls once: a look a minute, and for
# spans longer than a day as many looks as that makes, miss nothing that matters.
CLOCK_S = 0.2
_SIGMAS = 1.96  # 95% of a normal distribution
_LOOK_MS = 60_000
_LOOKS = 1440

# What each kind of finding means, and what mends it.
KINDS = {
    "damage": "the file itself is damaged; --repair saves what can be read into a new store",
    "spoilt": "pages whose bytes do not hold their CRC any more; --repair has them counted as"
    " missing, then pull again",
    "asked": "pages whose bytes do not hold their CRC any more, and that the next pull brings"
    " again if the board still has them",
    "outdated": "pages read by an older decoder; --repair, or the next pull, reads them anew",
    "decoded": "pages whose decoded rows are not what their bytes say; --repair reads them anew",
    "twice": "crossings that the log tells once more",
    "missing": "pages the board should still hold and the store lacks; pull again",
    "foreign": "imported logs that are not what was imported; import them into a new store",
    "retired": "pages the board gave up before they were pulled; pull more often",
    "torn": "pages a power cut tore",
    "unreadable": "pages whose CRC holds and whose records make no sense",
    "overflow": "records the board had no room for",
    "no_clock": "boots whose times cannot be told",
    "marks": "clock marks that contradict others",
    "unsure": f"seconds of observed time in which the clock is not known to {CLOCK_S:g} s",
}


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong: its kind (of KINDS), the board it is of ("" for the file),
    how many, and details in words."""

    kind: str
    board: str
    count: int
    details: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        told = f"{self.count} {self.kind}: {KINDS[self.kind]}"
        where = f"board {self.board}: " if self.board else ""
        more = f" ({'; '.join(self.details)})" if self.details else ""
        return f"{where}{told}{more}."


@dataclass(frozen=True)
class Checked:
    """What a check saw. version: the store's schema step, -1 where it could not be read;
    observed_s: seconds of observed time of all boards, covered_s: those of them in which
    the clock is known to CLOCK_S, at 95%. told: what each board last said of its log."""

    path: str
    version: int
    boards: int
    pages: int
    foreign_logs: int
    observed_s: float
    covered_s: float
    findings: tuple[Finding, ...]
    told: tuple[SelfTold, ...] = ()

    @property
    def sound(self) -> bool:
        return not self.findings

    def kinds(self) -> set[str]:
        return {finding.kind for finding in self.findings}

    def as_dict(self) -> dict[str, Any]:
        """The same as JSON's own types."""
        findings = [{**asdict(one), "sentence": one.sentence} for one in self.findings]
        return {**asdict(self), "findings": findings, "sound": self.sound}


def check(path: Path) -> Checked:
    """Look at everything in the store at path, all of one moment.

    Raises StoreError for a file that is no store, or one that cannot be opened.
    """
    try:
        database = Database.look(path)
    except Damaged as wrong:
        with path.open("rb") as file:
            if file.read(16) != b"SQLite format 3\0":
                raise
        return _unreadable(path, -1, [str(wrong)])
    try:
        if database.version == 0:
            raise StoreError(
                f"{database.name} is empty: nothing was pulled into it yet, or all of it is gone"
            )
        with database.reading():
            damage = database.damage()
            if damage:
                return _unreadable(path, database.version, damage)
            return _looked(path, database)
    except Damaged as wrong:
        return _unreadable(path, database.version, [str(wrong)])
    finally:
        database.close()


def _unreadable(path: Path, version: int, damage: list[str]) -> Checked:
    """A damaged file is not asked for more: what it answers cannot be believed."""
    finding = Finding("damage", "", len(damage), tuple(damage[:5]))
    return Checked(str(path), version, 0, 0, 0, 0.0, 0.0, (finding,))


def _looked(path: Path, database: Database) -> Checked:
    store = Store(database)
    boards = store.boards()
    findings = list(_page_findings(store))
    foreign = store.foreign.logs()
    changed = [
        f"log {log.hash}"
        for log in foreign
        if store.foreign.get(log.hash).hash(log.dial_hash) != log.hash
    ]
    if changed:
        findings.append(Finding("foreign", "", len(changed), tuple(changed[:5])))
    observed_s = covered_s = 0.0
    for board in boards:
        findings += _log_findings(store, board.uid)
        clock = store.clock(board.uid)
        spans = store.observed(board.uid)
        seen_s, sure_s, dark = covered(clock, spans)
        observed_s += seen_s
        covered_s += sure_s
        if dark:
            why = tuple(f"boot {boot}: {clock.why_not(boot)}" for boot in dark[:5])
            findings.append(Finding("no_clock", board.uid, len(dark), why))
        if clock.rejected:
            reasons = tuple(one.reason for one in clock.rejected[:5])
            findings.append(Finding("marks", board.uid, len(clock.rejected), reasons))
        if round(seen_s - sure_s) > 0:
            findings.append(Finding("unsure", board.uid, round(seen_s - sure_s)))
    return Checked(
        str(path),
        database.version,
        len(boards),
        sum(board.pages for board in boards),
        len(foreign),
        round(observed_s, 3),
        round(covered_s, 3),
        tuple(findings),
        tuple(self_told(store, board.uid) for board in boards),
    )


def _page_findings(store: Store) -> Iterator[Finding]:
    """CRC of every page again, and its rows again."""
    spoilt: list[str] = []
    asked: list[str] = []
    wrong: list[str] = []
    outdated = store.outdated()
    for page in store.raw_pages():
        if not holds(page.raw, page.boot, page.number):
            (asked if page.asked else spoilt).append(f"page {page.number} of boot {page.boot}")
        elif not outdated and store.decoded(page.page) != decode(page.raw):
            wrong.append(f"page {page.number} of boot {page.boot}")
    strays = store.strays()
    if strays:
        wrong.append(f"{strays} rows of no page")
    if spoilt:
        yield Finding("spoilt", "", len(spoilt), tuple(spoilt[:5]))
    if asked:
        yield Finding("asked", "", len(asked), tuple(asked[:5]))
    if outdated:
        yield Finding("outdated", "", outdated)
    if wrong:
        yield Finding("decoded", "", len(wrong), tuple(wrong[:5]))


def _log_findings(store: Store, uid: str) -> Iterator[Finding]:
    """What of one board's log is not there, or there twice."""
    logged = store.crossings(uid)
    columns = (logged.boot, logged.device_ms, logged.channel, logged.threshold, logged.rise)
    same = np.unique(np.column_stack(columns), axis=0)
    losses = store.losses(uid)
    for kind, count in (
        ("twice", len(logged.boot) - len(same)),
        ("missing", losses.missing_pages),
        ("retired", losses.retired_pages),
        ("torn", losses.torn_pages),
        ("unreadable", losses.unreadable_pages),
        ("overflow", losses.overflow_records),
    ):
        if count:
            yield Finding(kind, uid, count)


def covered(
    clock: ClockModel, spans: Iterable[tuple[int, int, int]]
) -> tuple[float, float, list[int]]:
    """Seconds of observed time, those in which the clock is known to CLOCK_S, and the boots
    whose clock is not known at all."""
    seen_s = sure_s = 0.0
    dark: list[int] = []
    for boot, start_ms, end_ms in spans:
        length_s = (end_ms - start_ms) / 1000
        seen_s += length_s
        if not clock.covers(boot):
            if boot not in dark:
                dark.append(boot)
            continue
        looks = min(_LOOKS, 2 + (end_ms - start_ms) // _LOOK_MS)
        at_ms = np.linspace(start_ms, end_ms, looks).astype(np.int64)
        sure = _SIGMAS * clock.sigma_s(boot, at_ms) <= CLOCK_S
        sure_s += length_s * float(np.mean(sure))
    return seen_s, sure_s, dark
