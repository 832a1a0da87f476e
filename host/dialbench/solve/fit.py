"""From crossings to causes: the values that make what was measured most likely.

Measured less predicted time is linear in small unknowns, so Gauss and Newton's method finds
them; each round predicts anew. What scatters (axes, widths, gains, noise) has a variance
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
    AXIS,
    DARK,
    ENTRY,
    EXIT,
    GAIN,
    KINDS,
    OFFSET,
    RATE,
    TILT,
    Layout,
    Values,
)
from dialcore.crossing import THRESHOLDS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_ROUNDS = 25
_EM_ROUNDS = 6  # of noise and weights, in one round of partials
_SCATTER_ROUNDS = 40
_FREE_ROUNDS, _FREE = 3, 0.5  # at first scatter is held to this share of its first guess
_SETTLED = 0.02  # of its sigma: no unknown moves more in the last round
_WINDOW_S = 600.0  # a false crossing may lie anywhere this near, one way or the other
_FARTHEST_S = 120.0  # a step of Newton's that is longer is held to this

# Standard deviations before there is any data: wide enough to say nothing, narrow enough
# for the numbers. Pose in rad, offset in s, rate in s/s, shares.
_PRIOR = np.array([0.2, 0.2, 0.2, 1.0, 1e-5, 0.3, 0.3, 1.0])
# What each kind scatters by at first, and the least it is taken to.
_SCATTER = {GAIN: 0.05, DARK: 0.005, AXIS: 2e-3, TILT: 2e-3, ENTRY: 0.03, EXIT: 0.03}
_LEAST = {GAIN: 1e-4, DARK: 1e-5, AXIS: 1e-6, TILT: 1e-6, ENTRY: 1e-5, EXIT: 1e-5}
_MOST = {GAIN: 1.0, DARK: 0.3, EXIT: 0.5, AXIS: 0.1, TILT: 0.1, ENTRY: 0.5}
_LEAST_NOISE = (1e-8, 1e-6)
_NOISE = (0.02, 0.5)  # of the level, and of the time in s
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
    values.common. scatter: of each kind. level_noise, time_noise_s: of one measurement.
    left_s: measured less predicted time; sigma_s: of one crossing's noise; true: the
    probability that a crossing is no false one; told: whether it told anything.
    rounds: how many were needed; settled: whether they were enough.
    """

    values: Values
    sigma: Values
    common_covariance: Floats
    scatter: Floats
    level_noise: float
    time_noise_s: float
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
) -> Fit:
    """Solve for everything at once. Raises SkyError for times out of reach."""
    return _Fitting(dial, sky, data, prior or Prior()).run(progress)


class _Fitting:
    """The state of a fit: values, variances, and where the values have the crossings."""

    def __init__(self, dial: Dial, sky: Sky, data: Data, prior: Prior) -> None:
        self.data = data
        self.layout = Layout(dial)
        self.response = Response(dial, sky, self.layout)
        self.values = self.layout.zeros()
        self.at_us = data.near_us.astype(np.int64)
        self.prior = _PRIOR.copy()
        self.prior[[OFFSET, RATE]] = prior.offset_s, prior.rate
        self.scatter = np.array([_SCATTER[kind] for kind in range(len(KINDS))])
        self.noise = np.square(_NOISE)  # variances: of the level, of the time
        self.false = _FALSE
        edges = np.searchsorted(data.channel, np.arange(len(dial.channels) + 1))
        self.slices = [slice(a, b) for a, b in pairwise(edges.tolist())]
        middle_us = int(np.median(data.utc_us)) if len(data.utc_us) else 0
        self.ahead_s = 1e-6 * (data.utc_us - middle_us)

    def run(self, progress: Callable[[float], None] | None) -> Fit:
        share, rounds = np.inf, 0
        while (share > _SETTLED or rounds <= _FREE_ROUNDS) and rounds < _ROUNDS:
            rounds += 1
            # As long as the noise is taken for wide it would explain all scatter away.
            self.least = (
                {kind: _FREE * first for kind, first in _SCATTER.items()}
                if rounds <= _FREE_ROUNDS
                else _LEAST
            )
            met, left_s = self._predicted()
            if rounds == 1 and met.told.any():  # so wide that at first nothing is false
                self.noise[1] = max(np.median(left_s[met.told] ** 2), self.noise[1])
            arrow, sigma = self._solved(met, left_s)
            share = self._share(arrow, sigma)
            self._move(met, arrow)
            if progress is not None:
                progress(float(np.clip(np.log(max(share, _SETTLED)) / np.log(_SETTLED), 0, 1)))
        met, left_s = self._predicted()
        variance = self._variance(met)
        return Fit(
            self.values,
            sigma,
            arrow.common_covariance,
            self.scatter.copy(),
            float(np.sqrt(self.noise[0])),
            float(np.sqrt(self.noise[1])),
            left_s,
            np.sqrt(variance),
            self._true(left_s, variance, met.told),
            met.told,
            rounds,
            share <= _SETTLED,
        )

    def _predicted(self) -> tuple[Met, Floats]:
        """Where the values have the crossings, and by how much the measured ones are later."""
        data = self.data
        met = self.response.at(self.values, self.at_us, data.channel, data.level, data.rise)
        step_s = np.clip(met.step_s, -_FARTHEST_S, _FARTHEST_S)
        # Where the level is flat, the measured instant is the better guess.
        lost = ~met.told
        step_s[lost] = 0.5e-6 * (data.utc_us - self.at_us)[lost]
        self.at_us = self.at_us + np.rint(1e6 * step_s).astype(np.int64)
        offset, rate = self.values.common[[OFFSET, RATE]]
        left_s = 1e-6 * (data.utc_us - self.at_us) - offset - rate * self.ahead_s
        met.common[:, OFFSET] = 1.0
        met.common[:, RATE] = self.ahead_s
        return met, left_s

    def _variance(self, met: Met) -> Floats:
        variance: Floats = self.noise @ _shape(met)
        return variance

    def _true(self, left_s: Floats, variance: Floats, told: Bools) -> Floats:
        """The probability of each crossing to be no false one; 0 where nothing is told."""
        good = (1 - self.false) * np.exp(-0.5 * left_s**2 / variance)
        good /= np.sqrt(2 * np.pi * variance)
        true: Floats = good / (good + self.false / (2 * _WINDOW_S))
        return np.where(told, true, 0.0)

    def _rows(self, met: Met, left_s: Floats, number: int) -> Rows:
        part = self.slices[number]
        row, column, seconds = met.own
        low, high = np.searchsorted(row, (part.start, part.stop))
        own = np.zeros((part.stop - part.start, len(self.layout.kind[number])))
        own[row[low:high] - part.start, column[low:high]] = seconds[low:high]
        return Rows(own, met.common[part], left_s[part])

    def _solved(self, met: Met, left_s: Floats) -> tuple[Arrow, Values]:
        """Increments, and the variances that go with them, for partials that stay as they are."""
        after_s = left_s
        for _ in range(_EM_ROUNDS):
            variance = self._variance(met)
            true = self._true(after_s, variance, met.told)
            weight = true / variance
            normals = [
                Normal.of(self._rows(met, left_s, number), weight[part])
                for number, part in enumerate(self.slices)
            ]
            arrow, sigma = self._scattered(normals)
            after_s, leverage = left_s.copy(), np.zeros(len(left_s))
            for number, part in enumerate(self.slices):
                rows = self._rows(met, left_s, number)
                after_s[part] -= rows.own @ arrow.own[number] + rows.common @ arrow.common
                leverage[part] = arrow.leverage(number, rows)
            before = np.append(self.noise, self.false)
            self._learn_noise(met, after_s**2 + leverage, true)
            if np.allclose(before, np.append(self.noise, self.false), rtol=1e-3):
                break
        return arrow, sigma

    def _scattered(self, normals: list[Normal]) -> tuple[Arrow, Values]:
        """Increments, and the scatter of each kind that goes with them."""
        for _ in range(_SCATTER_ROUNDS):
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
            for kind in range(len(KINDS)):
                value = self.layout.of_kind(kind, values.own)
                if not len(value):
                    continue
                spread = self.layout.of_kind(kind, sigma.own)
                known = len(value) - float((spread**2).sum()) / self.scatter[kind] ** 2
                variance = float((value**2).sum()) / max(known, 1e-3)
                self.scatter[kind] = np.clip(np.sqrt(variance), self.least[kind], _MOST[kind])
            if np.allclose(before, self.scatter, rtol=2e-3):
                break
        return arrow, sigma

    def _learn_noise(self, met: Met, square_s2: Floats, true: Floats) -> None:
        """The noise's variances by Fisher scoring, and the share of false crossings."""
        shape = _shape(met)
        for _ in range(3):
            variance = self.noise @ shape
            pull = shape * (true * (square_s2 / variance**2 - 1 / variance))
            curvature = (shape * (true / variance**2)) @ shape.T
            step = np.linalg.lstsq(curvature, pull.sum(axis=1), rcond=1e-12)[0]
            self.noise = np.maximum(self.noise + step, _LEAST_NOISE)
        told = max(int(met.told.sum()), 1)
        self.false = float(np.clip((met.told - true).sum() / told, 1e-4, 0.3))

    def _share(self, arrow: Arrow, sigma: Values) -> float:
        """The largest move of any unknown, in its own sigmas."""
        moves = [np.abs(arrow.common / sigma.common)]
        moves += [np.abs(a / b) for a, b in zip(arrow.own, sigma.own, strict=True)]
        return float(max(each.max(initial=0.0) for each in moves))

    def _move(self, met: Met, arrow: Arrow) -> None:
        """The values, and the crossings by what the partials say of them."""
        self.values = self.values.moved(arrow.common, arrow.own)
        common = arrow.common.copy()
        common[[OFFSET, RATE]] = 0.0  # they move what is measured, not where it would be
        moved_s = met.common @ common
        row, column, seconds = met.own
        increments = np.concatenate(arrow.own)
        first = np.cumsum([0, *(len(own) for own in arrow.own[:-1])])[self.data.channel]
        moved_s += np.bincount(row, seconds * increments[first[row] + column], len(moved_s))
        moved_s = np.where(met.told, np.clip(moved_s, -_WINDOW_S, _WINDOW_S), 0.0)
        self.at_us = self.at_us + np.rint(1e6 * moved_s).astype(np.int64)


def _shape(met: Met) -> Floats:
    """What a variance of the level and one of the time do to a crossing's, shape (2, n)."""
    slow = np.where(met.told, met.per_s, np.inf)
    return np.stack((1 / np.square(slow), np.ones(len(slow))))
