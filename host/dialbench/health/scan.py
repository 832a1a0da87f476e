"""Finds a slow or a sudden change in lines, and keeps a stated rate of false alarms.

On each day it is asked, for each thing that may change and for some ages of a change, whether
a slope that began so long ago, or a step then, explains the lines better than no change: the
generalised likelihood ratio, with each line's own mean unknown. (Lorden, Annals of
Mathematical Statistics 42, 1971; Basseville and Nikiforov, Detection of Abrupt Changes, 1993;
both from memory.)

How far chance carries it is measured on the log itself: from day to day, and, for what grows
slowly, from what most of the things of the same kind do, since all but a few are sound. Which
value is exceeded by chance as seldom as is asked comes from noise alone, run through the
same sums with the same days.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

AGES = (2, 3, 5, 7, 10, 14, 20, 28, 40, 56, 80, 112, 160, 224, 320, 448)  # days
SHAPES = ("slope", "step")
SLOW = 3  # crossings after which noise is another, and what is slow the same
_FEWEST_DAYS = 2  # with Sun after a change
_Z95 = 1.96
_MAD = 1.4826  # a normal distribution's sigma over its median distance
_POOLED = 20.0  # days for which the scatter of all counts beside one's own
_MOST = 0.9  # of the suspects are taken to be sound, or all but those of one or two blocks
_SAMPLES = 12  # days on which the spread of a kind is looked at
_FEWEST_ABOVE, _FEW = 10, 0.02  # suspects, and share of them, from which a tail is laid
_NOISES = 1000
_TAIL = 0.1  # share of them beyond which their tail is taken to be a normal one's


@dataclass(frozen=True)
class Block:
    """Lines that have their suspects in common: those of a channel.

    late_s, weight: (lines, days). partial: (lines, suspects) seconds for one unit of each.
    kind: (suspects,) numbers of kinds that share a spread.
    """

    late_s: Floats
    weight: Floats
    partial: Floats
    kind: Ints


@dataclass(frozen=True)
class Change:
    """amount: a day for a slope, in all for a step; sigma with spread. since: the last day
    before it; earliest, latest: of 95%. score: in sigmas; fit: in those that the lines'
    weights alone would have, by which causes and days are told apart."""

    suspect: int
    shape: str
    since: int
    earliest: int
    latest: int
    amount: float
    sigma: float
    score: float
    fit: float


class Sums:
    """Of lines over days, so that a change of any age is judged at once.

    day: (days,), ascending.
    """

    def __init__(self, day: Ints, late_s: Floats, weight: Floats) -> None:
        self.day = day
        # Counted from the middle: the digits last longer.
        self.middle = float(day[len(day) // 2]) if len(day) else 0.0
        time = day - self.middle

        self._w = _running(weight)
        self._wt = _running(weight * time)
        self._wtt = _running(weight * time**2)
        self._wr = _running(weight * late_s)
        self._wtr = _running(weight * time * late_s)

    def gain(self, shape: str, ends: Ints, since: Ints) -> tuple[Floats, Floats]:
        """Of a change after the days `since`, judged with all days before index `ends`, (m,):
        pull and curvature of each line, (lines, m), so that pull / curvature is its amount."""
        start = np.searchsorted(self.day, since, "right")
        start = np.minimum(start, ends)
        w = self._w[:, ends] - self._w[:, start]
        wr = self._wr[:, ends] - self._wr[:, start]
        if shape == "step":
            first, second, pull = w, w, wr
        else:
            from_ = since - self.middle
            wt = self._wt[:, ends] - self._wt[:, start]
            first = wt - from_ * w
            second = self._wtt[:, ends] - self._wtt[:, start] - 2 * from_ * wt + from_**2 * w
            pull = self._wtr[:, ends] - self._wtr[:, start] - from_ * wr
        share = first / np.maximum(self._w[:, ends], 1e-300)
        curvature = np.maximum(second - first * share, 0.0)
        # What is a difference of nearly equal sums is nothing.
        curvature[curvature < 1e-9 * second] = 0.0
        return pull - share * self._wr[:, ends], curvature


class Scan:
    """Of blocks over the same days.

    misfit: (kinds,) by how much suspects of each kind are known to go up and down slowly without
    any change. Where it is not told, most suspects of a kind are taken to be sound, and what
    they do is what chance does.
    """

    def __init__(self, day: Ints, blocks: list[Block], misfit: Floats | None = None) -> None:
        self.day = day
        self.blocks = blocks
        self._ends = np.arange(1, len(day) + 1)
        self._kinds = int(max((block.kind.max(initial=-1) for block in blocks), default=-1)) + 1
        self._scatter = self._scatters()
        self._alike = misfit is None
        self._spread = self._spreads() if misfit is None else _spread_of(misfit)

    @property
    def suspects(self) -> int:
        return sum(len(block.kind) for block in self.blocks)

    def scatter(self, number: int) -> Floats:
        """By how much more than their weights say a block's suspects scatter from day to day."""
        return self._scatter[number]

    def peaks(self, number: int, block: Block | None = None) -> Floats:
        """The greatest score up to each day of each suspect of a block, (suspects, days)."""
        block = block or self.blocks[number]
        best = np.zeros((len(block.kind), len(self.day)))
        for at, _, amount, variance in self._judged(number, block, self._ends):
            spread = self._spread[at][block.kind, None] ** 2
            score = np.abs(amount) / np.sqrt(variance + spread)
            np.maximum(best, score, out=best)
        running: Floats = np.maximum.accumulate(best, axis=1)
        return running

    def latest(self, number: int, suspect: int, block: Block) -> Change:
        """The change that explains most of a suspect's days, all of them taken together."""
        sums = Sums(self.day, block.late_s, block.weight)
        found: list[Change] = []
        last = int(self.day[-1])
        for shape in SHAPES:
            since = np.arange(int(self.day[0]) - 1, last - 1)
            ends = np.full(len(since), len(self.day))
            pull, curvature = sums.gain(shape, ends, since)
            part = block.partial[:, suspect]
            square = part**2 @ curvature
            told = square > 0
            amount = np.where(told, (part @ pull) / np.where(told, square, 1.0), 0.0)
            fit = np.abs(amount) * np.sqrt(square)
            at = int(fit.argmax())
            age = int(np.abs(np.log(np.array(AGES) / (last - since[at]))).argmin())
            row = age * len(SHAPES) + SHAPES.index(shape)
            spread = float(self._spread[row, block.kind[suspect]])
            noise = float(self._scatter[number][suspect]) / np.sqrt(max(float(square[at]), 1e-300))
            sigma = float(np.hypot(noise, spread))
            likely = fit**2 > fit[at] ** 2 - _Z95**2
            near = since[likely]
            # When it began is one more thing that is not known, and its amount goes with it.
            sway = float(np.ptp(amount[likely])) / (2 * _Z95)
            found.append(
                Change(
                    suspect,
                    shape,
                    int(since[at]),
                    int(near.min()),
                    int(near.max()),
                    float(amount[at]),
                    float(np.hypot(sigma, sway)),
                    abs(float(amount[at])) / sigma,
                    float(fit[at]),
                )
            )
        return max(found, key=lambda one: one.fit)

    def without(self, block: Block, change: Change) -> Block:
        """The block as if the change had not been."""
        after = np.maximum(self.day - change.since, 0).astype(float)
        course = after if change.shape == "slope" else (after > 0).astype(float)
        moved = change.amount * np.outer(block.partial[:, change.suspect], course)
        return Block(
            np.where(block.weight > 0, block.late_s - moved, 0.0),
            block.weight,
            block.partial,
            block.kind,
        )

    def slow(self, block: Block, suspect: int) -> float:
        """By how much of it a suspect strays for longer than a few days, noise not counted."""
        part = block.partial[:, suspect]
        square = part**2 @ block.weight
        here = square > 0
        square = square[here]
        value = (part @ (block.weight * block.late_s))[here] / square
        weight = square[SLOW:] * square[:-SLOW]
        if not len(weight):
            return 0.0
        value -= np.average(value, weights=square)
        return float(np.sqrt(max(np.average(value[SLOW:] * value[:-SLOW], weights=weight), 0.0)))

    def limit(self, share: float, seed: int = 1) -> float:
        """The score that one suspect's noise exceeds in all these days with this probability."""
        rng = np.random.default_rng(seed)
        total = [np.maximum(block.weight.T @ block.partial**2, 0.0).T for block in self.blocks]
        every = np.concatenate(total) if total else np.zeros((0, len(self.day)))
        every = every[(every > 0).sum(axis=1) > _FEWEST_DAYS]
        if not len(every):
            return np.inf
        weight = every[rng.integers(len(every), size=_NOISES)]
        weight = weight / weight.max(axis=1, keepdims=True)
        seen = weight > 0
        late_s = np.where(seen, rng.normal(size=weight.shape), 0.0)
        late_s /= np.sqrt(np.where(seen, weight, 1.0))
        sums = Sums(self.day, late_s, weight)
        days = _running(seen.astype(float))
        best = np.zeros(_NOISES)
        for age in AGES:
            since = self.day - age
            start = np.searchsorted(self.day, since, "right")
            enough = days[:, self._ends] - days[:, start] >= _FEWEST_DAYS
            for shape in SHAPES:
                pull, curvature = sums.gain(shape, self._ends, since)
                told = (curvature > 0) & enough
                score = np.where(told, np.abs(pull) / np.sqrt(np.where(told, curvature, 1)), 0)
                np.maximum(best, score.max(axis=1, initial=0.0), out=best)
        limit = _beyond(best, share)
        return max(limit, self._own_limit(share)) if self._alike else limit

    def _own_limit(self, share: float) -> float:
        """The same, from the greatest scores of the suspects themselves but for the highest.

        Misfit that comes and goes with the season has a wider tail than noise: an exponential
        one is laid through scores that half, a tenth and a few of them exceed. The blocks that
        stand out most, which may have changed, are left out.
        """
        peaks = [self.peaks(number)[:, -1] for number in range(len(self.blocks))]
        worst = max(1, round((1 - _MOST) / 2 * len(peaks)))
        peaks.sort(key=lambda one: float(one.max(initial=0.0)))
        every = np.concatenate(peaks[:-worst] or peaks)
        middle, high = np.quantile(every, (0.5, _MOST))
        fall = (high - middle) / np.log(0.5 / (1 - _MOST))
        few = max(_FEWEST_ABOVE / len(every), _FEW)
        if few < (1 - _MOST) / 2:
            top = np.quantile(every, 1 - few)
            fall = max(fall, (top - high) / np.log((1 - _MOST) / few))
        return float(high + fall * np.log(max((1 - _MOST) / share, 1.0)))

    def _judged(
        self, number: int, block: Block, ends: Ints
    ) -> Iterator[tuple[int, str, Floats, Floats]]:
        """Of each age and shape, numbered: amounts and variances, (suspects, ends)."""
        sums = Sums(self.day, block.late_s, block.weight)
        square_of = block.partial**2
        informed = (block.weight.T @ square_of).T > 0
        days = _running(informed.astype(float))
        scatter = self._scatter[number][:, None] ** 2
        for count, age in enumerate(AGES):
            since = self.day[ends - 1] - age
            start = np.searchsorted(self.day, since, "right")
            enough = days[:, ends] - days[:, start] >= _FEWEST_DAYS
            for at, shape in enumerate(SHAPES):
                pull, curvature = sums.gain(shape, ends, since)
                square = square_of.T @ curvature
                told = (square > 0) & enough
                safe = np.where(told, square, 1.0)
                amount = np.where(told, (block.partial.T @ pull) / safe, 0.0)
                yield count * len(SHAPES) + at, shape, amount, scatter / safe

    def _scatters(self) -> list[Floats]:
        """By how much more than their weights say suspects scatter from day to day."""
        sizes: list[list[Floats]] = []
        for block in self.blocks:
            square = (block.weight.T @ block.partial**2).T
            pull = ((block.weight * block.late_s).T @ block.partial).T
            mine = []
            for suspect in range(len(block.kind)):
                here = np.flatnonzero(square[suspect])
                value = pull[suspect, here] / square[suspect, here]
                noise = 1 / square[suspect, here]
                mine.append(np.abs(np.diff(value)) / np.sqrt(noise[1:] + noise[:-1]))
            sizes.append(mine)
        pooled = np.ones(self._kinds)
        for kind in range(self._kinds):
            every = [
                size
                for block, mine in zip(self.blocks, sizes, strict=True)
                for size, of in zip(mine, block.kind, strict=True)
                if of == kind and len(size)
            ]
            if every:
                pooled[kind] = _MAD * float(np.median(np.concatenate(every)))
        found = []
        for block, mine in zip(self.blocks, sizes, strict=True):
            own = np.array([_MAD * float(np.median(s)) if len(s) else 0.0 for s in mine])
            count = np.array([float(len(s)) for s in mine])
            common = pooled[block.kind]
            square = (_POOLED * common**2 + count * own**2) / (_POOLED + count)
            found.append(np.maximum(np.sqrt(square), 0.1))
        return found

    def _spreads(self) -> Floats:
        """What most suspects of a kind change by, beyond their scatter: (ages and shapes,
        kinds)."""
        rows = len(AGES) * len(SHAPES)
        spread = np.zeros((rows, max(self._kinds, 1)))
        if not len(self.day):
            return spread
        ends = np.unique(np.linspace(1, len(self.day), _SAMPLES + 1)[1:].astype(np.int64))
        amounts: list[list[Floats]] = [[] for _ in range(rows)]
        variances: list[list[Floats]] = [[] for _ in range(rows)]
        for number, block in enumerate(self.blocks):
            for at, _, amount, variance in self._judged(number, block, ends):
                amounts[at].append(amount)
                variances[at].append(np.where(amount == 0, np.nan, variance))
        kind = np.concatenate([block.kind for block in self.blocks])
        share = max(min(_MOST, 1 - 1.5 / len(self.blocks)), 0.5)
        for at in range(rows):
            amount, variance = np.concatenate(amounts[at]), np.concatenate(variances[at])
            for one in range(self._kinds):
                here = amount[kind == one]
                noise = variance[kind == one]
                told = np.isfinite(noise)
                if told.sum():
                    spread[at, one] = _excess(here[told], noise[told], share)
        return spread


def _running(values: Floats) -> Floats:
    """Sums before each day and in the end, (lines, days + 1)."""
    sums = np.zeros((values.shape[0], values.shape[1] + 1))
    np.cumsum(values, axis=1, out=sums[:, 1:])
    return sums


def _spread_of(misfit: Floats) -> Floats:
    """The spread of changes, (ages and shapes, kinds), of what goes slowly up and down."""
    apart = np.sqrt(2.0) * misfit
    rows = [apart / age if shape == "slope" else apart for age in AGES for shape in SHAPES]
    return np.stack(rows)


def _excess(amount: Floats, variance: Floats, share: float) -> float:
    """The spread that has to be added to the variances for a share of the amounts to lie where
    that of a normal distribution does."""
    sigmas = NormalDist().inv_cdf((1 + share) / 2)

    def wide(spread: float) -> bool:
        return bool(np.quantile(np.abs(amount) / np.sqrt(variance + spread**2), share) > sigmas)

    low, high = 0.0, float(np.abs(amount).max()) * 3
    if not wide(low):
        return 0.0
    for _ in range(14):
        middle = (low + high) / 2
        low, high = (middle, high) if wide(middle) else (low, middle)
    return high


def _beyond(best: Floats, share: float) -> float:
    """What noise exceeds with a probability, from the greatest scores of many noises."""
    if share >= _TAIL:
        return float(np.quantile(best, 1 - min(share, 1.0)))
    first = float(np.quantile(best, 1 - _TAIL))
    # Beyond that the tail falls as a normal one's does that is tried at ever more moments.
    low, high = first, first + 20
    for _ in range(60):
        middle = (low + high) / 2
        fall = np.log(middle / first) - (middle**2 - first**2) / 2
        if fall > np.log(share / _TAIL):
            low = middle
        else:
            high = middle
    return high
