"""From a sweep to bores: the values that make its levels most likely.

Gauss and Newton's method over all channels at once (dialbench.solve.arrow). It begins in a haze,
a light so wide that every edge is felt from far off, finds the shaft's unknowns in it, and goes
on as the haze clears. The levels' noise has three parts, one always there, one that goes with
the light, one of the angle; they are found with the rest by Fisher scoring, as is the scatter of
axes by MacKay's fixed point (Neural Computation 4, 1992, from memory). A share of the samples may
be false (stray light, a shadow): each counts by its probability of being true; none is taken out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from dialbench.aperture.model import (
    AXIS,
    BACKLASH,
    BRIGHT,
    DARK,
    ENTRY,
    EXIT,
    FARTHER,
    FIXED,
    OF_A_BORE,
    OF_A_CHANNEL,
    PRIOR,
    TILT,
    Model,
    Shown,
    Values,
)
from dialbench.aperture.start import Start
from dialbench.solve.arrow import Arrow, Normal, Rows

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_HAZES = (0.035, 0.01, 0.003, 0.0)  # tangents; the last is none
_HAZY_ROUNDS, _ROUNDS = 6, 20
_EM_ROUNDS = 5
_SETTLED = 0.02
# Standard deviations before there are data: of the zero, of the harmonic (a few tenths of a
# degree a turn are what eccentric magnets cause), of backlash; radians.
_PRIOR = np.array([1.0, 0.01, 0.01, 0.01, 1e-9])
_LONGEST = {AXIS: 5e-3, TILT: 5e-3, ENTRY: 0.1, EXIT: 0.1, BRIGHT: 0.3, DARK: 0.2}
_LEAST_AXIS, _MOST_AXIS = 1e-5, 0.05
_TOLD_AXES = 6.0  # so many axes tell their scatter
_NOISE = (1e-3, 1e-3, 1e-6)  # variances at first
_LEAST_NOISE = (1e-8, 1e-10, 1e-14)
_DISC_VARIANCE = 0.25  # across an even disc of radius 1
_STRIDE = 3.0
_FALSE, _RANGE = 0.01, 2.0  # a false level may lie anywhere in so many ranges


@dataclass(frozen=True)
class Fit:
    """Values with their standard deviations, of the same shapes; levels are shares of each
    channel's range.

    common_prior (5,), axis_scatter: before the data, radians. noise: standard deviations of a
    level, of a share of the light, of an angle in radians. left (n,): level less shown; sigma
    (n,): of one sample's noise; true (n,): probability of being no false one.
    """

    values: Values
    sigma: Values
    common_covariance: Floats
    common_prior: Floats
    axis_scatter: float
    noise: tuple[float, float, float]
    left: Floats
    sigma_level: Floats
    true: Floats
    shown: Shown
    settled: bool


def fit(
    model: Model,
    start: Start,
    farther: float,
    progress: Callable[[float], None] | None = None,
) -> Fit:
    """farther: standard deviation of the lamp's distance, as a share; 0 for the Sun."""
    return _Fitting(model, start, farther).run(progress)


class _Fitting:
    def __init__(self, model: Model, start: Start, farther: float) -> None:
        self.model, sweep = model, model.sweep
        self.level = (sweep.level - start.dark[sweep.channel]) / start.bright[sweep.channel]
        values = model.nominal()
        common = values.common.copy()
        common[0] = start.zero
        self.values = replace(values, common=common)
        self.prior = _PRIOR.copy()
        if farther:
            self.prior[FARTHER] = farther
        if sweep.angle is None or len(np.unique(sweep.turning[sweep.turning != 0])) < 2:
            self.prior[BACKLASH] = FIXED
        self.scatter = PRIOR[AXIS]
        self.noise = np.array(_NOISE)
        self.false = _FALSE
        channels = len(model.dial.channels)
        edges = np.searchsorted(sweep.channel, np.arange(channels + 1))
        self.parts = [slice(a, b) for a, b in pairwise(edges.tolist())]
        # Columns of each channel's block: kind and index.
        self.columns = []
        self.place = np.full((len(model.nominal().own), max(channels, len(model.channel))), -1)
        for channel in range(channels):
            block = [(DARK, channel), (EXIT, channel)]
            for bore in np.flatnonzero((model.channel == channel) & model.open).tolist():
                kinds = [BRIGHT, AXIS, ENTRY]
                if model.is_round[bore]:
                    kinds.append(TILT)
                block += [(kind, bore) for kind in kinds]
            for column, (kind, index) in enumerate(block):
                self.place[kind, index] = column
            self.columns.append(block)

    def run(self, progress: Callable[[float], None] | None) -> Fit:
        done, share = 0, np.inf
        for haze in _HAZES:
            limit = _HAZY_ROUNDS if haze else _ROUNDS
            for _ in range(limit):
                shown = self.model.shown(self.values, self._blur(haze))
                arrow = self._solved(shown, haze)
                share = self._move(arrow)
                done += 1
                if progress is not None:
                    progress(min(1.0, done / 25))
                if share < (_SETTLED if not haze else 0.3):
                    break
        shown = self.model.shown(self.values, self._blur(0.0))
        left = self.level - shown.level
        variance = self.noise @ _shape(shown)
        own = self.model.nominal()
        sigma = Values(
            np.sqrt(np.diag(arrow.common_covariance)),
            tuple(np.zeros_like(each) for each in own.own),
        )
        for number, block in enumerate(self.columns):
            spread = np.sqrt(np.diag(arrow.covariance(number)))
            for column, (kind, index) in enumerate(block):
                sigma.own[kind][index] = spread[column]
        noise = [float(one) for one in np.sqrt(self.noise)]
        return Fit(
            self.values,
            sigma,
            arrow.common_covariance,
            self.prior,
            self.scatter,
            (noise[0], noise[1], noise[2]),
            left,
            np.sqrt(variance),
            self._true(left, variance, shown.told),
            shown,
            share < _SETTLED,
        )

    def _blur(self, haze: float) -> float:
        """Haze, and what an angle that is not well known does: on average its samples see an
        edge as softly as a light so much wider shows it."""
        return float(np.hypot(haze, np.sqrt(self.noise[2] / _DISC_VARIANCE)))

    def _rows(self, shown: Shown, left: Floats) -> list[Rows]:
        row, kind, index, moved = shown.own
        column = self.place[kind, index]
        channel = self.model.sweep.channel[row]
        found = []
        for number, part in enumerate(self.parts):
            own = np.zeros((part.stop - part.start, len(self.columns[number])))
            own[:, 0] = 1.0
            mine = (channel == number) & (column >= 0)
            np.add.at(own, (row[mine] - part.start, column[mine]), moved[mine])
            found.append(Rows(own, shown.common[part], left[part]))
        return found

    def _solved(self, shown: Shown, haze: float) -> Arrow:
        left = self.level - shown.level
        rows = self._rows(shown, left)
        shape = _shape(shown)
        after = left
        hold = {AXIS: 0.3, ENTRY: 0.05, EXIT: 0.05, TILT: 0.05} if haze else {}
        for _ in range(_EM_ROUNDS):
            variance = self.noise @ shape
            # In a haze everything looks false: there it only passes for noise.
            told = shown.told.astype(np.float64)
            true = told if haze else self._true(after, variance, shown.told)
            weight = true / variance
            normals = [
                Normal.of(each, weight[part]) for each, part in zip(rows, self.parts, strict=True)
            ]
            own_prior = [
                np.array([self._prior(kind) * hold.get(kind, 1.0) for kind, _ in block])
                for block in self.columns
            ]
            own_now = [
                np.array([self.values.own[kind][index] - (kind == BRIGHT) for kind, index in block])
                for block in self.columns
            ]
            arrow = Arrow(
                normals,
                [1 / prior**2 for prior in own_prior],
                own_now,
                1 / self.prior**2,
                # The zero was found from the data, and is held to no value.
                np.append(0.0, self.values.common[1:]),
            )
            after, leverage = left.copy(), np.zeros(len(left))
            for number, (each, part) in enumerate(zip(rows, self.parts, strict=True)):
                after[part] -= each.own @ arrow.own[number] + each.common @ arrow.common
                leverage[part] = arrow.leverage(number, each)
            before = np.append(self.noise, self.false)
            self._learn(shape, after**2 + leverage, true, shown.told)
            if not haze:
                self._learn_scatter(arrow)
            if np.allclose(before, np.append(self.noise, self.false), rtol=1e-3):
                break
        return arrow

    def _prior(self, kind: int) -> float:
        return self.scatter if kind == AXIS else PRIOR[kind]

    def _learn_scatter(self, arrow: Arrow) -> None:
        values, spread = [], []
        for number, block in enumerate(self.columns):
            variance = np.diag(arrow.covariance(number))
            for column, (kind, index) in enumerate(block):
                if kind == AXIS:
                    values.append(self.values.own[kind][index] + arrow.own[number][column])
                    spread.append(variance[column])
        known = len(values) - sum(spread) / self.scatter**2
        if known >= _TOLD_AXES:
            found = np.sqrt(np.square(values).sum() / known)
            self.scatter = float(np.clip(found, _LEAST_AXIS, _MOST_AXIS))

    def _true(self, left: Floats, variance: Floats, told: Bools) -> Floats:
        good = (1 - self.false) * np.exp(-0.5 * left**2 / variance)
        good /= np.sqrt(2 * np.pi * variance)
        true: Floats = good / (good + self.false / _RANGE)
        return np.where(told, true, 0.0)

    def _learn(self, shape: Floats, square: Floats, true: Floats, told: Bools) -> None:
        for _ in range(3):
            variance = self.noise @ shape
            pull = shape * (true * (square / variance**2 - 1 / variance))
            curvature = (shape * (true / variance**2)) @ shape.T
            step = np.linalg.lstsq(curvature, pull.sum(axis=1), rcond=1e-12)[0]
            # Far from its goal a step may go anywhere.
            self.noise = np.clip(self.noise + step, self.noise / _STRIDE, self.noise * _STRIDE)
            self.noise = np.maximum(self.noise, _LEAST_NOISE)
        count = max(int(told.sum()), 1)
        self.false = float(np.clip((told - true).sum() / count, 1e-5, 0.3))

    def _move(self, arrow: Arrow) -> float:
        """Values moved; the largest move, in its own sigmas."""
        share = float(
            np.abs(arrow.common / np.sqrt(np.diag(arrow.common_covariance))).max(initial=0.0)
        )
        steps = {kind: np.zeros_like(self.values.own[kind]) for kind in (*OF_A_CHANNEL, *OF_A_BORE)}
        for number, block in enumerate(self.columns):
            spread = np.sqrt(np.diag(arrow.covariance(number)))
            share = max(share, float(np.abs(arrow.own[number] / spread).max(initial=0.0)))
            for column, (kind, index) in enumerate(block):
                step = float(np.clip(arrow.own[number][column], -_LONGEST[kind], _LONGEST[kind]))
                steps[kind][index] = step
        self.values = replace(self.values, common=self.values.common + arrow.common)
        for kind, moves in steps.items():
            self.values = self.values.moved(kind, moves)
        return share


def _shape(shown: Shown) -> Floats:
    """What variances of a level, of the light's share and of the angle do to samples, (3, n)."""
    return np.stack((np.ones(len(shown.light)), shown.light**2, shown.per_turn**2))
