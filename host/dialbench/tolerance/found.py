"""What a study found: the yield with its interval, and what each tolerance, halved, would buy."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dialbench.tolerance.errors import NAMES
from dialbench.tolerance.results import Results
from dialbench.tolerance.study import (
    FIGURES,
    Block,
    Progress,
    Question,
    Workers,
    as_drawn,
    blocks,
    halved_runs,
)

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_Z95 = 1.959964
_CLOSE = 1e-9  # a figure that equals its limit keeps it, whatever its last digit says


@dataclass(frozen=True)
class Asked:
    """What a body must meet, None where nothing is asked. duty: least; wrong: most; reading_s: most
    that the face changes early or late in the mean."""

    duty: float | None = None
    wrong: float | None = None
    reading_s: float | None = None

    def met(self, figures: Floats) -> dict[str, Bools]:
        """Of each thing asked, which bodies meet it; figures as (n, len(FIGURES))."""
        duty, wrong, late_s = figures.T
        found = {}
        if self.duty is not None:
            found["duty"] = duty >= self.duty - _CLOSE
        if self.wrong is not None:
            found["wrong"] = wrong <= self.wrong + _CLOSE
        if self.reading_s is not None:
            found["reading"] = np.abs(late_s) <= self.reading_s + _CLOSE
        return found

    def met_all(self, figures: Floats) -> Bools:
        met = np.ones(len(figures), np.bool_)
        for each in self.met(figures).values():
            met &= each
        return met


@dataclass(frozen=True)
class Share:
    """A share of bodies with its 95% interval (Wilson's)."""

    value: float
    low: float
    high: float

    @classmethod
    def of(cls, met: Bools) -> Share:
        count = len(met)
        if not count:
            return cls(math.nan, 0.0, 1.0)
        share, z2 = float(met.mean()), _Z95 * _Z95 / count
        middle = (share + z2 / 2) / (1 + z2)
        half = math.sqrt(z2 * share * (1 - share) + z2 * z2 / 4) / (1 + z2)
        return cls(share, max(0.0, middle - half), min(1.0, middle + half))

    def __str__(self) -> str:
        return f"{100 * self.value:.1f}% ({100 * self.low:.1f} to {100 * self.high:.1f}%)"


@dataclass(frozen=True)
class Bought:
    """What halving one tolerance buys, body by body with the same lots: gains of the yield and of
    the mean duty, with 95% half-widths."""

    tolerance: str
    share: Share
    gain: float
    gain_half: float
    duty_gain: float
    duty_gain_half: float

    @property
    def sure(self) -> bool:
        return abs(self.gain) > self.gain_half or abs(self.duty_gain) > self.duty_gain_half


@dataclass(frozen=True)
class Found:
    """The outcome. drawn: the figures without errors; figures (runs, len(FIGURES)): of all
    bodies in the order of their numbers; each: how many meet each thing asked."""

    question: Question
    asked: Asked
    drawn: tuple[float, ...]
    figures: Floats
    share: Share
    each: dict[str, Share]
    bought: tuple[Bought, ...]
    halved_runs: int

    def quantiles(self) -> dict[str, list[float]]:
        """5%, 50% and 95% of each figure over the bodies; none where it never has a value."""
        told = {}
        for name, column in zip(FIGURES, self.figures.T, strict=True):
            known = column[np.isfinite(column)]
            if len(known):
                told[name] = np.percentile(known, (5, 50, 95)).tolist()
        return told

    def sentences(self) -> list[str]:
        runs = len(self.figures)
        told = [
            (
                f"{self.share} of {runs} bodies meet all that is asked."
                if self.each
                else f"Nothing is asked of the {runs} bodies: name --duty, --wrong or --reading."
            )
        ]
        worst = min(self.each, key=lambda name: self.each[name].value, default=None)
        if worst is not None and len(self.each) > 1 and self.share.value < 1:
            told.append(f"{worst} is met by the fewest: {self.each[worst]}.")
        best = self.best
        if best is not None:
            what, _ = NAMES[best.tolerance]
            told.append(
                f"Halving one tolerance buys most at: {what} (yield {100 * best.gain:+.1f} +-"
                f" {100 * best.gain_half:.1f} points, mean duty {100 * best.duty_gain:+.2f} +-"
                f" {100 * best.duty_gain_half:.2f} points)."
            )
        elif self.bought:
            told.append(
                "No single tolerance, halved, is seen to buy anything: ask for more --runs."
            )
        told.append(
            "Stray light is that of the body as drawn; ghosts, contrast and walls of each body are"
            " not looked at: dialbench audit is for that."
        )
        return told

    @property
    def best(self) -> Bought | None:
        """What buys most yield, or duty where yields do not differ; None where nothing is sure."""
        sure = [one for one in self.bought if one.sure]
        return max(sure, key=lambda one: (max(one.gain, 0.0), one.duty_gain), default=None)

    def rows(self) -> list[tuple[str, ...]]:
        """The table of tolerances, its heading first."""
        given = self.question.tolerances.as_dict()
        rows: list[tuple[str, ...]] = [
            ("tolerance", "sigma", "yield if halved", "gain", "mean duty gain")
        ]
        for one in sorted(self.bought, key=lambda one: (-one.gain, -one.duty_gain)):
            what, unit = NAMES[one.tolerance]
            rows.append(
                (
                    what,
                    f"{given[one.tolerance]:g} {unit}",
                    f"{100 * one.share.value:.1f}%",
                    f"{100 * one.gain:+.1f} +- {100 * one.gain_half:.1f}",
                    f"{100 * one.duty_gain:+.2f} +- {100 * one.duty_gain_half:.2f}",
                )
            )
        return rows

    def as_dict(self) -> dict[str, Any]:
        """All facts as JSON's own types."""
        return {
            "question": self.question.as_dict(),
            "runs": len(self.figures),
            "halved_runs": self.halved_runs,
            "asked": asdict(self.asked),
            "as_drawn": dict(zip(FIGURES, map(_plain, self.drawn), strict=True)),
            "yield": asdict(self.share),
            "met": {name: asdict(share) for name, share in self.each.items()},
            "quantiles": self.quantiles(),
            "halved": [asdict(one) for one in self.bought],
            "sentences": self.sentences(),
        }


def studied(
    question: Question,
    asked: Asked,
    runs: int,
    workers: Workers,
    results: Results,
    progress: Progress,
) -> Found:
    """Work out what is not known yet, keep it, and reduce all in the order of runs.

    Raises WorkersError, and whatever puts an end to it: what came until then is in results.
    """
    total = sum(1 for _ in blocks(question, runs))
    done = sum(1 for block in blocks(question, runs) if block in results)
    progress(done / total)
    for block, figures in workers.results(question, _unknown(question, runs, results)):
        results.add(block, figures)
        done += 1
        progress(done / total)
    given = results.runs(0, runs)
    some = halved_runs(runs)
    bought = tuple(
        _bought(name, asked, given[:some], results.runs(k + 1, some))
        for k, name in enumerate(question.tolerances.some)
    )
    return Found(
        question,
        asked,
        as_drawn(question),
        given,
        Share.of(asked.met_all(given)),
        {name: Share.of(met) for name, met in asked.met(given).items()},
        bought,
        some,
    )


def _unknown(question: Question, runs: int, results: Results) -> Iterator[Block]:
    return (block for block in blocks(question, runs) if block not in results)


def _bought(name: str, asked: Asked, given: Floats, halved: Floats) -> Bought:
    before, after = asked.met_all(given), asked.met_all(halved)
    gain = _gain(int((after & ~before).sum()), int((before & ~after).sum()), len(given))
    return Bought(name, Share.of(after), *gain, *_mean(halved[:, 0] - given[:, 0]))


def _gain(more: int, fewer: int, of: int) -> tuple[float, float]:
    """Gain of a share between pairs, with its 95% half-width.

    Half a pair is added to each of the four kinds, so that none seen does not pass for none:
    Agresti and Min 2005 (from memory).
    """
    spread = (more + fewer + 1.0) - (more - fewer) ** 2 / (of + 2.0)
    return (more - fewer) / of, _Z95 * math.sqrt(spread) / (of + 2.0)


def _mean(values: Floats) -> Sequence[float]:
    if len(values) < 2:
        return float(values.mean()) if len(values) else 0.0, math.inf
    return float(values.mean()), _Z95 * float(values.std(ddof=1)) / math.sqrt(len(values))


def _plain(value: float) -> float | None:
    return value if math.isfinite(value) else None
