"""From a store to a verdict: predict for the time the log covers, match, read, judge."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from dialbench.compare import Comparison, compare
from dialbench.dial import Dial
from dialbench.logged import Logged, board_log, left_out, predicted
from dialbench.reading import Reading, pattern, read
from dialbench.shares import Shift
from dialbench.sky import Sky
from dialbench.store import Losses, Store
from dialbench.verdict import Verdict, verdict

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
    def shift(self) -> Shift | None:
        """How late crossings come in the mean; None where too few say so."""
        return Shift.of(self.comparison, "store")

    @property
    def rows(self) -> tuple[tuple[str, str], ...]:
        return self.verdict.rows

    @property
    def sentences(self) -> tuple[str, ...]:
        return self.verdict.sentences + left_out(
            self.boots_without_clock, self.other_boots, self.rejected_marks
        )


def analyse(
    store: Store, uid: str, dial: Dial, sky: Sky, logged_with: str | None = None
) -> Analysis:
    """Compare what board uid logged with what the ephemeris says of the dial as drawn.

    logged_with: hash of the dial that the log must be of, where that is not `dial` itself;
    boots that name another are left out. Raises UserError's kinds for a store or a time that cannot be read.
    """
    with store.reading():  # a pull may be writing
        logged = board_log(store, uid, logged_with or dial.hash)
    return analysed(logged, dial, sky)


def analysed(logged: Logged, dial: Dial, sky: Sky) -> Analysis:
    """The same of any log. Raises UserError's kinds for times the ephemeris does not reach."""
    measured, observed = logged.measured, logged.observed
    expected, days = predicted(logged, dial, sky)
    comparison = compare(expected, measured, observed, logged.unlogged)
    reading = read(dial, sky, pattern(measured, observed, logged.snapshots))
    best = read(dial, sky, pattern(expected, days).within(observed))
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
