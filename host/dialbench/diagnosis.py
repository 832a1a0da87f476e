"""The whole way from a log to what to do: suspicions, causes, what would tell more, advice."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from dialbench.campaign import NO_REMEDY, remedies
from dialbench.campaign.remedy import Remedy
from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.logged import Logged
from dialbench.sky import Sky
from dialbench.solve import Solved, solve, stand
from dialbench.solve.advice import Advice, advice
from dialbench.solve.stand import Foot
from dialbench.solve.suspicion import Suspicion, sound

Progress = Callable[[str, float], None]  # what is being done, and the share of it done


@dataclass(frozen=True)
class Diagnosis:
    """solved: the causes; doubts: wrong inputs that did not hinder; mends: for each combination
    that is not told, what tells it; advised: what to do; whose: where the feet are taken from."""

    solved: Solved
    doubts: tuple[Suspicion, ...]
    mends: tuple[Remedy | None, ...]
    advised: Advice
    whose: tuple[str, ...]

    def sentences(self) -> list[str]:
        """All that is not a figure, in order: not told, doubted, to be done."""
        mends = [mend.sentence if mend else NO_REMEDY for mend in self.mends]
        return [
            *self.solved.sentences(mends),
            *(doubt.sentence for doubt in self.doubts),
            *self.advised.sentences(),
            *self.whose,
        ]

    def as_dict(self) -> dict[str, Any]:
        """As JSON's own types: the solution's object, with the rest in it."""
        facts = self.solved.as_dict()
        for one, mend in zip(facts["not_told"], self.mends, strict=True):
            one["mend"] = None if mend is None else mend.as_dict()
        return {
            **facts,
            "suspicions": [doubt.as_dict() for doubt in self.doubts],
            "advice": self.advised.as_dict(),
            "rows": [list(row) for row in self.solved.rows()],
            "sentences": self.sentences(),
        }


def diagnose(
    logged: Logged, dial: Dial, sky: Sky, progress: Progress, feet: Sequence[Foot] | None = None
) -> Diagnosis:
    """All that a log tells of its dial. feet: where the base stands; None, as it would be drawn.

    progress may raise, to put an end to it. Raises SuspicionError, SolveError, SkyError.
    """
    whose: tuple[str, ...] = ()
    if feet is None:
        feet, whose = _as_drawn(dial)
    progress("looking for wrong inputs", 0.0)
    logged, doubts = sound(logged, dial, sky)
    progress("looking for wrong inputs", 1.0)
    found = solve(logged, dial, sky, progress)
    mends = remedies(found, sky, progress)
    progress("advice", 0.0)
    advised = advice(found, sky, feet)
    progress("advice", 1.0)
    return Diagnosis(found, tuple(doubts), tuple(mends), advised, whose)


def _as_drawn(dial: Dial) -> tuple[tuple[Foot, ...], tuple[str, ...]]:
    """The base's feet as fabricate draws them, and a sentence that says so."""
    try:
        feet = stand.footprint(dial)
    except UserError as error:
        return (), (f"Nothing is said of the base, which cannot be drawn ({error}): name --feet.",)
    places = "; ".join(
        f"{n} {north:+.0f} mm north, {east:+.0f} mm east" for n, (east, north) in enumerate(feet, 1)
    )
    return feet, (f"Feet as dialbench fabricate draws them ({places}): name others with --feet.",)
