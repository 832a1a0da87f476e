"""From a store to a verdict: predict for the time the log covers, match, read, judge."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import timedelta
from typing import Any

import numpy as np

from dialbench import crossing, predict
from dialbench.compare import Comparison, Interval, Measured, compare
from dialbench.dial import Dial
from dialbench.reading import Reading, pattern, read
from dialbench.sky import Sky, from_us
from dialbench.store import ForeignLog, Losses, Store
from dialbench.verdict import Verdict, verdict
from dialcore import records
from dialcore.crossing import ALL, THRESHOLDS

SCHEMA = "dialbench.analysis/1"


@dataclass(frozen=True)
class Analysis:
    """What a board's log says of its dial.

    duty: the share (0..1) of the observed plan time in which the layout itself shows the
    right face, None where there is none. losses: None where the log does not say.
    boots_without_clock: boots whose times cannot be
    told, other_boots: boots logged with another dial than this; both are left out of
    everything. rejected_marks: why some clock marks were not
    used, a sentence each.
    """

    comparison: Comparison
    reading: Reading
    duty: float | None
    losses: Losses | None
    verdict: Verdict
    boots_without_clock: tuple[int, ...]
    other_boots: tuple[int, ...]
    rejected_marks: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """The same as JSON's own types; SCHEMA names its form."""
        return {
            "schema": SCHEMA,
            "comparison": self.comparison.as_dict(),
            "reading": self.reading.as_dict(),
            "layout_duty": self.duty,
            "losses": asdict(self.losses) if self.losses else None,
            "boots_without_clock": list(self.boots_without_clock),
            "other_boots": list(self.other_boots),
            "rejected_marks": list(self.rejected_marks),
            "verdict": list(self.sentences),
        }

    @property
    def rows(self) -> tuple[tuple[str, str], ...]:
        return self.verdict.rows

    @property
    def sentences(self) -> tuple[str, ...]:
        told = self.verdict.sentences
        if self.boots_without_clock:
            boots = _boots(self.boots_without_clock)
            told += (f"Left out for want of a clock mark or a clock chip's reading: {boots}.",)
        if self.other_boots:
            told += (f"Left out as logged with another dial: {_boots(self.other_boots)}.",)
        if self.rejected_marks:
            marks = "; ".join(self.rejected_marks)
            told += (
                f"Not all clock marks and readings agree, so the times above may be wrong: {marks}.",
            )
        return told


def _boots(numbers: tuple[int, ...]) -> str:
    return f"boot{'s' if len(numbers) > 1 else ''} {', '.join(str(n) for n in numbers)}"


@dataclass(frozen=True)
class _Logged:
    """What a log says, in UTC: crossings, observed spans, snapshots of all channels.

    losses: None where the log does not say what it lost. thresholds: bit k set where those of
    threshold k were ever logged; unlogged: the spans of each threshold in which they were not.
    The rest as in Analysis.
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


def analyse(
    store: Store, uid: str, dial: Dial, sky: Sky, logged_with: str | None = None
) -> Analysis:
    """Compare what board uid logged with what the ephemeris says of the dial as drawn.

    logged_with: hash of the dial that the log must be of, where that is not `dial` itself;
    boots that name another are left out. Raises UserError's kinds for a store or a time that cannot be read.
    """
    return _analysis(_board_log(store, uid, logged_with or dial.hash), dial, sky)


def analyse_foreign(log: ForeignLog, dial: Dial, sky: Sky) -> Analysis:
    """Compare what another make of logger told with what the ephemeris says of the dial.

    Raises UserError's kinds for times that the ephemeris does not reach.
    """
    measured = Measured(
        channel=log.channel,
        threshold=log.threshold,
        rise=log.rise,
        utc_us=log.utc_us,
        sigma_s=np.array([np.nan if one is None else one / 1e6 for one in log.sigma_us]),
    )
    return _analysis(_Logged(measured, list(log.observed), [], None), dial, sky)


def _board_log(store: Store, uid: str, dial_hash: str) -> _Logged:
    """The log of a board's boots with one dial, as far as their clock is known."""
    logged = store.crossings(uid)
    clock = store.clock(uid)
    spans = store.observed(uid)
    boots = sorted({int(boot) for boot in logged.boot} | {boot for boot, _, _ in spans})
    others = {
        one.boot
        for one in store.events(uid, records.BOOT)
        if records.unpack_boot(one.payload)[0].hex() != dial_hash
    }
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
    return _Logged(
        measured,
        observed,
        snapshots,
        store.losses(uid),
        thresholds=ever or ALL,
        unlogged=unlogged,
        boots_without_clock=tuple(boot for boot in boots if not clock.covers(boot)),
        other_boots=tuple(sorted(others & set(boots))),
        rejected_marks=tuple(one.reason for one in clock.rejected),
    )


def _analysis(logged: _Logged, dial: Dial, sky: Sky) -> Analysis:
    measured, observed = logged.measured, logged.observed
    predicted, days = _predicted(dial, sky, observed, measured)
    predicted = predicted.only(logged.thresholds >> predicted.threshold & 1 == 1)
    comparison = compare(predicted, measured, observed, logged.unlogged)
    reading = read(dial, sky, pattern(measured, observed, logged.snapshots))
    best = read(dial, sky, pattern(predicted, days).within(observed))
    known_s = measured.sigma_s[np.isfinite(measured.sigma_s)]
    return Analysis(
        comparison=comparison,
        reading=reading,
        duty=best.share_right,
        losses=logged.losses,
        verdict=verdict(
            dial,
            comparison,
            reading,
            best.share_right,
            logged.losses,
            float(np.median(known_s)) if len(known_s) else None,
        ),
        boots_without_clock=logged.boots_without_clock,
        other_boots=logged.other_boots,
        rejected_marks=logged.rejected_marks,
    )


def _thresholds(store: Store, uid: str) -> dict[int, int]:
    """By boot, the set of thresholds whose crossings were logged, as far as the log says."""
    found = {}
    for event in store.events(uid, records.SETUP):
        try:
            found[event.boot] = int(records.unpack_setup(event.payload)[2])
        except ValueError:
            continue  # it stays among the events, and says nothing
    return found


def _predicted(
    dial: Dial, sky: Sky, observed: list[Interval], measured: Measured
) -> tuple[crossing.Crossings, list[Interval]]:
    """Predicted crossings of every day the log touches, and those days' daylight."""
    instants = [at for span in observed for at in span]
    instants += [int(at) for at in (measured.utc_us[:1], measured.utc_us[-1:]) for at in at]
    touched = {from_us(at).astimezone(dial.site.tz).date() for at in instants}
    for start_us, end_us in observed:
        first, last = (from_us(at).astimezone(dial.site.tz).date() for at in (start_us, end_us))
        touched |= {first + timedelta(days=n) for n in range((last - first).days)}
    days = [span for day in sorted(touched) if (span := sky.daylight(day)) is not None]
    parts = [predict.crossings(dial, sky, start_us, end_us) for start_us, end_us in days]
    if not parts:
        return predict.crossings(dial, sky, 0, 0), days
    return (
        crossing.Crossings(
            *(
                np.concatenate([getattr(part, name) for part in parts])
                for name in ("channel", "threshold", "rise", "utc_us")
            )
        ),
        days,
    )
