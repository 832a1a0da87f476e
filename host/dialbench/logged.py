"""A log in UTC: what a board's log, or another make's, says of one dial."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

from dialbench import crossing, predict
from dialbench.compare import Interval, Measured
from dialbench.crossing import NOMINAL, Pose
from dialbench.dial import Dial
from dialbench.sky import Sky, from_us
from dialbench.store import ForeignLog, Losses, Store
from dialcore import records
from dialcore.crossing import ALL, THRESHOLDS


@dataclass(frozen=True)
class Logged:
    """What a log says, in UTC: crossings, observed spans, snapshots of all channels.

    losses: None where the log does not say what it lost. thresholds: bit k set where those of
    threshold k were ever logged; unlogged: the spans of each threshold in which they were not.
    boots_without_clock:
    boots whose times cannot be told, other_boots: boots logged with another dial; both are left
    out of everything. rejected_marks: why some clock marks were not used, a sentence each.
    dial_hash: of the dial that it was logged with, None where it does not say.
    """

    measured: Measured
    observed: list[Interval]
    snapshots: list[tuple[int, bytes]]
    losses: Losses | None
    thresholds: int = ALL
    unlogged: Mapping[int, Sequence[Interval]] = field(default_factory=dict)
    boots_without_clock: tuple[int, ...] = ()
    other_boots: tuple[int, ...] = ()
    rejected_marks: tuple[str, ...] = ()
    dial_hash: str | None = None

    @property
    def left_out(self) -> tuple[str, ...]:
        """What of it does not count, and what is doubtful: a sentence each."""
        return left_out(self.boots_without_clock, self.other_boots, self.rejected_marks)


def left_out(
    boots_without_clock: tuple[int, ...], other_boots: tuple[int, ...], rejected: tuple[str, ...]
) -> tuple[str, ...]:
    """The same of what a Logged knows of its boots and marks."""
    told: tuple[str, ...] = ()
    if boots_without_clock:
        boots = _boots(boots_without_clock)
        told += (f"Left out for want of a clock mark or a clock chip's reading: {boots}.",)
    if other_boots:
        told += (f"Left out as logged with another dial: {_boots(other_boots)}.",)
    if rejected:
        marks = "; ".join(rejected)
        told += (
            f"Not all clock marks and readings agree, so the times above may be wrong: {marks}.",
        )
    return told


def _boots(numbers: tuple[int, ...]) -> str:
    return f"boot{'s' if len(numbers) > 1 else ''} {', '.join(str(n) for n in numbers)}"


def board_log(store: Store, uid: str, dial_hash: str) -> Logged:
    """The log of a board's boots with one dial, as far as their clock is known."""
    logged = store.crossings(uid)
    clock = store.clock(uid)
    spans = store.observed(uid)
    boots = sorted({int(boot) for boot in logged.boot} | {boot for boot, _, _ in spans})
    others = _of_other_dials(store, uid, dial_hash)
    known = [boot for boot in boots if clock.covers(boot) and boot not in others]
    told = np.isin(logged.boot, known)
    boot, device_ms = logged.boot[told], logged.device_ms[told]
    sigma_s = clock.sigma_s(boot, device_ms)
    measured = Measured(
        channel=logged.channel[told],
        threshold=logged.threshold[told],
        rise=logged.rise[told],
        utc_us=clock.utc_us(boot, device_ms),
        sigma_s=sigma_s,
    )

    def utc(boot: int, *device_ms: int) -> list[int]:
        return [int(at) for at in clock.utc_us(boot, device_ms)]

    observed: list[Interval] = []
    unlogged: dict[int, list[Interval]] = {}
    thresholds = _thresholds(store, uid)
    ever = 0
    for boot_number in known:
        ever |= thresholds.get(boot_number, ALL)
    for boot_number, start_ms, end_ms in spans:
        if boot_number in known:
            start_us, end_us = utc(boot_number, start_ms, end_ms)
            observed.append((start_us, end_us))
            for threshold in range(len(THRESHOLDS)):
                if not thresholds.get(boot_number, ALL) >> threshold & 1:
                    unlogged.setdefault(threshold, []).append((start_us, end_us))
    snapshots = [
        (utc(one.boot, one.device_ms)[0], one.payload)
        for one in store.events(uid, records.SNAPSHOT)
        if one.boot in known
    ]
    return Logged(
        measured,
        observed,
        snapshots,
        store.losses(uid),
        thresholds=ever or ALL,
        unlogged=unlogged,
        boots_without_clock=tuple(boot for boot in boots if not clock.covers(boot)),
        other_boots=tuple(sorted(others & set(boots))),
        rejected_marks=tuple(one.reason for one in clock.rejected),
        dial_hash=dial_hash,
    )


def foreign_log(log: ForeignLog, dial_hash: str | None = None) -> Logged:
    """The log of another make of logger, brought in with a dial."""
    measured = Measured(
        channel=log.channel,
        threshold=log.threshold,
        rise=log.rise,
        utc_us=log.utc_us,
        sigma_s=np.array([np.nan if one is None else one / 1e6 for one in log.sigma_us]),
    )
    return Logged(measured, list(log.observed), [], None, dial_hash=dial_hash)


def _of_other_dials(store: Store, uid: str, dial_hash: str) -> set[int]:
    """The boots that name another dial."""
    found = set()
    for event in store.events(uid, records.BOOT):
        try:
            logged_with = records.unpack_boot(event.payload)[0].hex()
        except ValueError:
            continue  # it stays among the events, and says nothing
        if logged_with != dial_hash:
            found.add(event.boot)
    return found


def _thresholds(store: Store, uid: str) -> dict[int, int]:
    """By boot, the set of thresholds whose crossings were logged, as far as the log says."""
    found = {}
    for event in store.events(uid, records.SETUP):
        try:
            found[event.boot] = int(records.unpack_setup(event.payload)[2])
        except ValueError:
            continue  # it stays among the events, and says nothing
    return found


def predicted(
    logged: Logged, dial: Dial, sky: Sky, pose_deg: Pose = NOMINAL
) -> tuple[crossing.Crossings, list[Interval]]:
    """Predicted crossings of every day the log touches, of the thresholds it ever logged, and
    those days' daylight. Raises SkyError for times out of reach."""
    observed, measured = logged.observed, logged.measured
    instants = [at for span in observed for at in span]
    instants += [int(at) for at in (measured.utc_us[:1], measured.utc_us[-1:]) for at in at]
    if instants:  # no calendar goes as far as a log may claim
        sky.sun(np.array([min(instants), max(instants)]))
    touched = {from_us(at).astimezone(dial.site.tz).date() for at in instants}
    for start_us, end_us in observed:
        first, last = (from_us(at).astimezone(dial.site.tz).date() for at in (start_us, end_us))
        touched |= {first + timedelta(days=n) for n in range((last - first).days)}
    days = {day: span for day in sorted(touched) if (span := sky.daylight(day)) is not None}
    parts = [predict.crossings(dial, sky, *run, pose_deg) for run in _runs(days)]
    if not parts:
        return predict.crossings(dial, sky, 0, 0), []
    every = crossing.Crossings(
        *(
            np.concatenate([getattr(part, name) for part in parts])
            for name in ("channel", "threshold", "rise", "utc_us")
        )
    )
    return every.only(logged.thresholds >> every.threshold & 1 == 1), list(days.values())


def _runs(days: Mapping[date, Interval]) -> list[Interval]:
    """Days that follow one another run together, the nights between them included, in which there
    is no crossing: they are predicted at once, several times as quickly as one by one."""
    runs: list[Interval] = []
    for day, (start_us, end_us) in days.items():
        if runs and day - timedelta(days=1) in days:
            runs[-1] = (runs[-1][0], end_us)
        else:
            runs.append((start_us, end_us))
    return runs
