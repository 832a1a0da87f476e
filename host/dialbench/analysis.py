"""From a store to a verdict: predict for the time the log covers, match, read, judge."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import timedelta
from typing import Any

import numpy as np

from dialbench import crossing, predict
from dialbench.clock import ClockModel
from dialbench.compare import Comparison, Interval, Measured, compare
from dialbench.dial import Dial
from dialbench.reading import Reading, pattern, read
from dialbench.sky import Sky, from_us
from dialbench.store import Losses, Store
from dialbench.verdict import Verdict, verdict
from dialcore import records

SCHEMA = "dialbench.analysis/1"


@dataclass(frozen=True)
class Analysis:
    """What a board's log says of its dial.

    duty: the share (0..1) of the observed plan time in which the layout itself shows the
    right face, None where there is none. boots_without_clock: boots whose times cannot be
    told; they are left out of everything. rejected_marks: why some clock marks were not
    used, a sentence each.
    """

    comparison: Comparison
    reading: Reading
    duty: float | None
    losses: Losses
    verdict: Verdict
    boots_without_clock: tuple[int, ...]
    rejected_marks: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """The same as JSON's own types; SCHEMA names its form."""
        return {
            "schema": SCHEMA,
            "comparison": self.comparison.as_dict(),
            "reading": self.reading.as_dict(),
            "layout_duty": self.duty,
            "losses": asdict(self.losses),
            "boots_without_clock": list(self.boots_without_clock),
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
            boots = ", ".join(str(boot) for boot in self.boots_without_clock)
            told += (f"What was logged in boot {boots} is left out: it has no clock mark.",)
        if self.rejected_marks:
            marks = "; ".join(self.rejected_marks)
            told += (f"Not all clock marks agree, so the times above may be wrong: {marks}.",)
        return told


def analyse(store: Store, uid: str, dial: Dial, sky: Sky) -> Analysis:
    """Compare what board uid logged with what the ephemeris says of the dial as drawn.

    Raises UserError's kinds for a store or a time that cannot be read.
    """
    logged = store.crossings(uid)
    clock = ClockModel(store.marks(uid))
    spans = store.observed(uid)
    boots = sorted({int(boot) for boot in logged.boot} | {boot for boot, _, _ in spans})
    known = [boot for boot in boots if clock.covers(boot)]
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
    for boot_number, start_ms, end_ms in spans:
        if clock.covers(boot_number):
            start_us, end_us = utc(boot_number, start_ms, end_ms)
            observed.append((start_us, end_us))
    snapshots = [
        (utc(one.boot, one.device_ms)[0], one.payload)
        for one in store.events(uid, records.SNAPSHOT)
        if clock.covers(one.boot)
    ]
    predicted, days = _predicted(dial, sky, observed, measured)
    comparison = compare(predicted, measured, observed)
    reading = read(dial, sky, pattern(measured, observed, snapshots))
    best = read(dial, sky, pattern(predicted, days).within(observed))
    losses = store.losses(uid)
    return Analysis(
        comparison=comparison,
        reading=reading,
        duty=best.share_right,
        losses=losses,
        verdict=verdict(
            dial,
            comparison,
            reading,
            best.share_right,
            losses,
            float(np.median(sigma_s)) if len(sigma_s) else None,
        ),
        boots_without_clock=tuple(boot for boot in boots if boot not in known),
        rejected_marks=tuple(one.reason for one in clock.rejected),
    )


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
