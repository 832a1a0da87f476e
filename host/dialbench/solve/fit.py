"""From crossings to causes: the values that make what was measured most likely.

Levels are all but linear in small unknowns, so Gauss and Newton's method finds them; each
round looks anew at where the crossings are. What scatters (axes, widths, gains, noise) has a variance
that is found with it by restricted maximum likelihood: of a random kind by MacKay's fixed
point (Neural Computation 4, 1992, from memory), of the noise by Fisher scoring. A share of the
crossings may be false (a cloud's edge, an insect): each has a probability of being true,
found from its own misfit, and counts by it; none is taken out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from dialbench.dial import Dial
from dialbench.sky import Sky
from dialbench.solve.arrow import Arrow, Normal, Rows
from dialbench.solve.response import Met, Response
from dialbench.solve.unknowns import (
    ALL_EXITS,
    ALL_WIDTHS,
    AXIS,
    DARK,
    EXIT,
    GAIN,
    KINDS,
    OFFSET,
    RATE,
    TILT,
    WIDTH,
    Layout,
    Values,
)
from dialcore.crossing import THRESHOLDS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_ROUNDS = 25
_NEARER = 2  # looks by which crossings come near, where the unknowns are known beforehand
_EM_ROUNDS = 6  # of noise and weights, in one round of partials
_SCATTER_ROUNDS = 40
_SHORTEST = 0.2  # of a step
_PLACED = 1.0  # sigmas that an unknown moved by in a round: from then on variances are learnt
_SETTLED = 0.1  # of their sigmas: unknowns move no more in the last round
_FALSE_OVER = 5.0  # levels that a false crossing may be off by, one as likely as another
_STRAIGHT = 0.15  # of the level: so far a ramp is taken for a straight line
_STEEP = 0.7  # of the usual slope
_CLOSE = 0.03  # of the level: no nearer to the threshold need it be where the ramp bends over
_WINDOW_S = 600.0  # no crossing is moved farther in a round

# Standard deviations before there is any data. Pose in rad, offset in s, rate in s/s, shares.
# A body is set up level and facing the pole to some 3 degrees, or it would not be called a
# dial (common practice, no source): where the data tell no lean, a larger one would bend all
# that they do tell. The rest is wide enough to say nothing.
PRIOR_SIGMA = np.array([0.05, 0.05, 0.2, 1.0, 1e-5, 0.3, 0.05, 1.0])
# What each kind scatters by at first, and the number of looks that this is worth: where the
# data tell nothing of a kind it stays there. Of an exit beyond its bores' width they tell so
# little, and that so little like a straight line, that its scatter is not learnt at all.
_SCATTER = {GAIN: 0.1, DARK: 0.003, EXIT: 0.03, AXIS: 2e-3, TILT: 2e-3, WIDTH: 0.03}
_LOOKS = {GAIN: 0.5, DARK: 20.0, AXIS: 0.5, TILT: 0.5, WIDTH: 0.5}
_NOISE, _LEAST_NOISE = 0.02, 1e-4  # of the level
TIME_S = 0.1  # noise of a time beyond that of the level: the scan's, the prediction's
_FALSE = 0.01


@dataclass(frozen=True)
class Data:
    """Matched crossings: arrays of one length, sorted by channel.

    utc_us: when each was measured, by the clock model; near_us: when it was predicted.
    """

    channel: Ints
    threshold: Ints
    rise: Bools
    utc_us: Ints
    near_us: Ints

    @property
    def level(self) -> Floats:
        return np.asarray(THRESHOLDS)[self.threshold]


@dataclass(frozen=True)
class Prior:
    """What the clock model knows: sigmas of the offset and of the rate common to the data."""

    offset_s: float = 1.0
    rate: float = 1e-5


@dataclass(frozen=True)
class Fit:
    """Values with their uncertainty.

    sigma: as values, standard deviations; common_covariance: (8, 8) in the units of
    values.common; width_sigma: of each bore's whole width, what is common and its own.
    scatter: of each kind; level_noise: of one measurement.
    left_s: measured less predicted time; sigma_s: of one crossing's noise; true: the
    probability that a crossing is no false one; told: whether it told anything.
    rounds: how many were needed; settled: whether they were enough.
    """

    values: Values
    sigma: Values
    common_covariance: Floats
    width_sigma: Floats
    scatter: Floats
    level_noise: float
    left_s: Floats
    sigma_s: Floats
    true: Floats
    told: Bools
    rounds: int
    settled: bool


def fit(
    dial: Dial,
    sky: Sky,
    data: Data,
    prior: Prior | None = None,
    progress: Callable[[float], None] | None = None,
    start: Fit | None = None,
) -> Fit:
    """Solve for everything at once. Raises SkyError for times out of reach.

    start: what other crossings of the same dial came to, to begin with.
    """
    return _Fitting(dial, sky, data, prior or Prior(), start).run(progress)


class _Fitting:
    """The state of a fit: values, variances, and where the values have the crossings."""

    def __init__(self, dial: Dial, sky: Sky, data: Data, prior: Prior, start: Fit | None) -> None:
        self.data = data
        self.layout = Layout(dial)
        self.response = Response(dial, sky, self.layout)
        self.values = self.layout.zeros()
        self.at_us = data.near_us.astype(np.int64)
        self.prior = PRIOR_SIGMA.copy()
        self.prior[[OFFSET, RATE]] = prior.offset_s, prior.rate
        self.scatter = np.array([_SCATTER[kind] for kind in range(len(KINDS))])
        self.noise = _NOISE
        self.time_s = TIME_S
        self.false = _FALSE
        self.stride = 1.0
        self.placed = False  # variances are learnt when the body is about where it stands
        if start is not None:
            self.values, self.scatter, self.noise = start.values, start.scatter, start.level_noise
            self.placed = True
        edges = np.searchsorted(data.channel, np.arange(len(dial.channels) + 1))
        self.slices = [slice(a, b) for a, b in pairwise(edges.tolist())]
        middle_us = int(np.median(data.utc_us)) if len(data.utc_us) else 0
        self.ahead_s = 1e-6 * (data.utc_us - middle_us)

    def run(self, progress: Callable[[float], None] | None) -> Fit:
        share, rounds = np.inf, 0
        last: Floats | None = None
        for _ in range(_NEARER if self.placed else 0):
            self._predicted()
        while (share > _SETTLED or not self.placed) and rounds < _ROUNDS:
            rounds += 1
            met, left = self._predicted()
            if not self.placed and met.told.any():  # so wide that at first nothing is false
                late_s = np.abs(left[met.told] / met.per_s[met.told])
                self.time_s = max(float(np.median(late_s)), TIME_S)
            arrow, sigma = self._solved(met, left)
            share = self._share(arrow, sigma)
            if self.placed:
                step = _in_sigmas(arrow, sigma)
                if last is not None:
                    self.stride = _stride(self.stride, last, step)
                last = step
            if not self.placed and np.abs(arrow.common / sigma.common).max() < _PLACED:
                self.placed, self.time_s, share = True, TIME_S, np.inf
            self._move(met, arrow)
            if progress is not None:
                progress(float(np.clip(np.log(max(share, _SETTLED)) / np.log(_SETTLED), 0, 1)))
        met, left = self._predicted()
        wide = self._wide(met)
        slow = np.where(met.told, met.per_s, np.inf)
        return Fit(
            self.values,
            sigma,
            arrow.common_covariance,
            self._width_sigma(arrow),
            self.scatter.copy(),
            self.noise,
            -left / slow,
            wide / np.abs(slow),
            self._true(left, wide, met.told),
            met.told,
            rounds,
            share <= _SETTLED,
        )

    def _predicted(self) -> tuple[Met, Floats]:
        """Levels where the crossings should be, and how far off they were where they came.

        Partials belong to where a crossing should be: by where it came they would lean
        towards what noise brought it there.
        """
        data = self.data
        met = self.response.at(self.values, self.at_us, data.channel, data.rise)
        per_s = np.where(met.told, met.per_s, 1.0)
        offset, rate = self.values.common[[OFFSET, RATE]]
        true_us = data.utc_us - _us(offset + rate * self.ahead_s)
        # Where the level is flat, the measured instant is the better guess.
        after_s = _later_s(data.level - met.level, met)
        after_s = np.where(met.told, after_s, 0.5e-6 * (true_us - self.at_us))
        self.at_us = self.at_us + _us(after_s)
        # Too far off for the ramp, the level says no more; a straight line does.
        late_s = 1e-6 * (true_us - self.at_us)
        straight_s = np.abs(_STRAIGHT / per_s)
        near_s = np.clip(late_s, -straight_s, straight_s)
        level = self.response.levels(self.values, self.at_us + _us(near_s), data.channel)
        left = data.level - level - met.per_s * (late_s - near_s)
        met.common[:, OFFSET] = -met.per_s
        met.common[:, RATE] = -met.per_s * self.ahead_s
        return met, np.where(met.told, left, 0.0)

    def _wide(self, met: Met) -> Floats:
        """Standard deviations of the levels' misfits."""
        wide: Floats = np.hypot(self.noise, self.time_s * met.per_s)
        return wide

    def _true(self, left: Floats, wide: Floats, told: Bools) -> Floats:
        """The probability of each crossing to be no false one; 0 where nothing is told."""
        good = (1 - self.false) / np.sqrt(2 * np.pi) / wide * np.exp(-0.5 * (left / wide) ** 2)
        true: Floats = good / (good + self.false / _FALSE_OVER)
        return np.where(told, true, 0.0)

    def _rows(self, met: Met, left: Floats, number: int) -> Rows:
        part = self.slices[number]
        own = met.of_own(part, len(self.layout.kind[number]))
        return Rows(own, met.common[part], left[part])

    def _solved(self, met: Met, left: Floats) -> tuple[Arrow, Values]:
        """Increments, and the variances that go with them, for partials that stay as they are."""
        after, spread = left, None
        parts = [self._rows(met, left, number) for number in range(len(self.slices))]
        for _ in range(_EM_ROUNDS if self.placed else 1):
            wide = self._wide(met)
            true = self._true(after, wide, met.told)
            weight = true / wide**2
            normals = [
                Normal.of(rows, weight[part]) for rows, part in zip(parts, self.slices, strict=True)
            ]
            arrow, sigma = self._scattered(normals)
            after = np.concatenate([arrow.left(n, rows) for n, rows in enumerate(parts)])
            if spread is None:  # of what is fitted: it hardly changes with the noise
                spread = np.concatenate([arrow.leverage(n, rows) for n, rows in enumerate(parts)])
            before = self.noise, self.false
            if self.placed:
                self._learn_noise(met, after**2 + spread, true)
            if np.allclose(before, (self.noise, self.false), rtol=1e-3):
                break
        return arrow, sigma

    def _scattered(self, normals: list[Normal]) -> tuple[Arrow, Values]:
        """Increments, and the scatter of each kind that goes with them."""
        for _ in range(_SCATTER_ROUNDS if self.placed else 1):
            before = self.scatter.copy()
            arrow = Arrow(
                normals,
                [1 / np.square(self.scatter[kind]) for kind in self.layout.kind],
                self.values.own,
                1 / np.square(self.prior),
                self.values.common,
            )
            numbers = range(len(self.slices))
            own = tuple(np.sqrt(np.diag(arrow.covariance(number))) for number in numbers)
            sigma = Values(np.sqrt(np.diag(arrow.common_covariance)), own)
            values = self.values.moved(arrow.common, arrow.own)
            for kind, looks in _LOOKS.items() if self.placed else ():
                value = self.layout.of_kind(kind, values.own)
                if not len(value):
                    continue
                spread = self.layout.of_kind(kind, sigma.own)
                known = len(value) - float((spread**2).sum()) / self.scatter[kind] ** 2
                square = float((value**2).sum()) + looks * _SCATTER[kind] ** 2
                self.scatter[kind] = np.sqrt(square / (max(known, 0.0) + looks))
            if np.allclose(before, self.scatter, rtol=2e-3):
                break
        return arrow, sigma

    def _learn_noise(self, met: Met, square: Floats, true: Floats) -> None:
        """The level's noise by Fisher scoring, and the share of false crossings."""
        for _ in range(3):
            variance = self._wide(met) ** 2
            pull = float((true * (square / variance - 1) / variance).sum())
            curvature = float((true / variance**2).sum())
            step = pull / curvature if curvature else 0.0
            self.noise = float(np.sqrt(max(self.noise**2 + step, _LEAST_NOISE**2)))
        told = max(int(met.told.sum()), 1)
        self.false = float(np.clip((met.told - true).sum() / told, 1e-4, 0.3))

    def _width_sigma(self, arrow: Arrow) -> Floats:
        sigma = np.zeros(len(self.layout.dial.bores))
        shared = arrow.common_covariance[ALL_WIDTHS, ALL_WIDTHS]
        for number, kind in enumerate(self.layout.kind):
            own = np.diag(arrow.covariance(number))
            variance = own + shared + 2 * arrow.cross_covariance(number)[:, ALL_WIDTHS]
            widths = kind == WIDTH
            sigma[self.layout.bore[number][widths]] = np.sqrt(variance[widths])
        return sigma

    def _share(self, arrow: Arrow, sigma: Values) -> float:
        """The move of the unknowns in their own sigmas.

        The largest of those common to all, or that of the channels' own in the root mean
        square. Exits are not asked: what little is told of them is no straight line.
        """
        common = np.abs(arrow.common / sigma.common)
        own = [
            (a / b)[kind != EXIT]
            for a, b, kind in zip(arrow.own, sigma.own, self.layout.kind, strict=True)
        ]
        common[ALL_EXITS] = 0.0
        spread = float(np.sqrt(np.mean(np.square(np.concatenate(own))))) if own else 0.0
        return max(float(common.max()), spread)

    def _move(self, met: Met, arrow: Arrow) -> None:
        """The values, and the crossings by what the partials say of them."""
        common = self.stride * arrow.common
        own = [self.stride * each for each in arrow.own]
        self.values = self.values.moved(common, own)
        common[[OFFSET, RATE]] = 0.0  # they move what is measured, not where it would be
        moved = met.common @ common
        row, column, partial = met.own
        increments = np.concatenate(own)
        first = np.cumsum([0, *(len(each) for each in own[:-1])])[self.data.channel]
        moved += np.bincount(row, partial * increments[first[row] + column], len(moved))
        self.at_us = self.at_us + _us(_later_s(-moved, met))


def _in_sigmas(arrow: Arrow, sigma: Values) -> Floats:
    """A step in the sigmas of what it moves; the many unknowns of channels weigh as one."""
    own = [a / b for a, b in zip(arrow.own, sigma.own, strict=True)]
    many = max(sum(len(each) for each in own), 1)
    return np.concatenate([arrow.common / sigma.common, *(each / np.sqrt(many) for each in own)])


def _stride(taken: float, last: Floats, step: Floats) -> float:
    """How much of a step to take: so much as would have left none, had it been taken of the last
    one. Steps that run to and fro about where they should end get shorter, and those that go on
    and on the same way whole again. (The secant over all unknowns at once: Barzilai and Borwein,
    IMA Journal of Numerical Analysis 8 (1988) 141, from memory.)"""
    shrunk = float(last @ (last - step))
    return min(max(taken * float(last @ last) / shrunk, _SHORTEST), 1.0) if shrunk > 0 else 1.0


def _later_s(higher: Floats, met: Met) -> Floats:
    """When a ramp is so much higher. Where it bends over small steps are not taken: they would
    go to and fro, and partials change little over them."""
    slow = np.where(met.told, np.abs(met.per_s), np.inf)
    steep = slow > _STEEP * np.median(slow)
    seconds = np.clip(higher / np.where(met.told, met.per_s, np.inf), -_WINDOW_S, _WINDOW_S)
    return np.where(steep | (np.abs(higher) > _CLOSE), seconds, 0.0)


def _us(seconds: Floats) -> Ints:
    return np.rint(1e6 * seconds).astype(np.int64)
