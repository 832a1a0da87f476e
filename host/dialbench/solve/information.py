"""How well the unknowns would be told by crossings, whether measured already or only foreseen.

What crossings tell is their normal equations without anything measured in them: what days
tell adds up. The bores' and sensors' own unknowns are common to all days, so they are taken
out of the sum (the arrow's Schur complement) and never day by day: two days that tell
nothing each may tell all together. The inverse of what is left bounds what any unbiased
estimator can reach (Cramer and Rao), for known scatter and noise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from dialbench.crossing import Crossings
from dialbench.dial import Dial
from dialbench.sky import Sky
from dialbench.solve.arrow import Normal, Rows
from dialbench.solve.fit import PRIOR_SIGMA, Data, Fit
from dialbench.solve.response import Met, Response
from dialbench.solve.unknowns import AXIS, COMMON, KINDS, OFFSET, POSE, RATE, Layout, Values

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


_DEG = float(np.radians(1.0))
# Axes, widths, gains and the noise of a level scatter as in the studies of dials that this
# project began with (common practice of a good workshop, no source); the rest is taken.
_KINDS_SCATTER = {"axis": 0.1 * _DEG, "tilt": 0.1 * _DEG, "gain": 0.1, "dark": 0.005}
_WIDTHS_SCATTER = 0.03


@dataclass(frozen=True)
class Assumed:
    """What is taken for known: standard deviations.

    scatter: of each kind of a channel's own unknowns, (len(KINDS),), as Values.own has them;
    level_noise: of a level, a share of full light; time_noise_s: of a crossing's time;
    offset_s, rate: of the clock, common to all crossings.
    """

    scatter: Floats = field(
        default_factory=lambda: np.array(
            [_KINDS_SCATTER.get(kind, _WIDTHS_SCATTER) for kind in KINDS]
        )
    )
    level_noise: float = 0.01
    time_noise_s: float = 0.1
    offset_s: float = 0.1
    rate: float = 1e-7

    def with_(
        self,
        axis_deg: float | None = None,
        width: float | None = None,
        gain: float | None = None,
        **others: float,
    ) -> Assumed:
        """The same but for what is given; axis_deg is of both ways an axis may be off, width
        of all widths, others as the fields are called."""
        given = {"axis": axis_deg, "tilt": axis_deg, "gain": gain, "dark": None}
        scatter = self.scatter.copy()
        for number, kind in enumerate(KINDS):
            value = given.get(kind, width)
            if value is not None:
                scatter[number] = value * (_DEG if kind in ("axis", "tilt") else 1.0)
        return replace(self, scatter=scatter, **others)


@dataclass(frozen=True)
class Information:
    """What some crossings tell. It adds up.

    Normal equations of c channels with up to k unknowns of their own, filled up with 0: square
    (c, k, k), side (c, k, 8); of the common ones, summed over the channels, common (8, 8).
    count: of the crossings that tell something; ahead_s: the sum of their times after
    Model.zero_us.
    """

    square: Floats
    side: Floats
    common: Floats
    count: float
    ahead_s: float

    def __add__(self, other: Information) -> Information:
        return Information(
            self.square + other.square,
            self.side + other.side,
            self.common + other.common,
            self.count + other.count,
            self.ahead_s + other.ahead_s,
        )

    def __mul__(self, times: float) -> Information:
        """What so many times these crossings would tell."""
        return Information(
            times * self.square,
            times * self.side,
            times * self.common,
            times * self.count,
            times * self.ahead_s,
        )


class Model:
    """Turns crossings of one dial into information, and information into uncertainty.

    values: where the unknowns are thought to be; left out, the dial as drawn and placed as
    meant. zero_us: the instant from which the clock's rate counts.
    """

    def __init__(
        self, dial: Dial, sky: Sky, assumed: Assumed, zero_us: int, values: Values | None = None
    ) -> None:
        self.dial, self.sky, self.assumed, self.zero_us = dial, sky, assumed, zero_us
        self.layout = Layout(dial)
        self.values = self.layout.zeros() if values is None else values
        self._response = Response(dial, sky, self.layout)
        kinds = self.layout.kind
        self._widest = max((len(kind) for kind in kinds), default=0)
        self._own_precision = np.ones((len(kinds), self._widest))
        for row, kind in zip(self._own_precision, kinds, strict=True):
            row[: len(kind)] = 1 / np.square(assumed.scatter[kind])
        prior = PRIOR_SIGMA.copy()
        prior[[OFFSET, RATE]] = assumed.offset_s, assumed.rate
        self.common_precision = 1 / np.square(prior)

    def nothing(self) -> Information:
        """What no crossing at all tells."""
        channels, wide, many = *self._own_precision.shape, len(COMMON)
        return Information(
            np.zeros((channels, wide, wide)),
            np.zeros((channels, wide, many)),
            np.zeros((many, many)),
            0.0,
            0.0,
        )

    def foreseen(self, parts: Sequence[Crossings]) -> list[Information]:
        """What predicted crossings will tell, each part by itself."""
        names = ("channel", "threshold", "rise", "utc_us")
        columns = [np.concatenate([getattr(one, name) for one in parts]) for name in names]
        part = np.repeat(np.arange(len(parts)), [len(one.utc_us) for one in parts])
        order = np.lexsort((columns[0], part))
        channel, threshold, rise, utc_us = (column[order] for column in columns)
        data = Data(channel, threshold, rise, utc_us, utc_us)
        met = self._met(self.values, data)
        wide = np.hypot(self.assumed.level_noise, self.assumed.time_noise_s * met.per_s)
        return self._of(met, data, met.told / wide**2, part, len(parts))

    def told(self, data: Data, fitted: Fit) -> Information:
        """What measured crossings, sorted by channel, have told a fit."""
        at_us = data.utc_us - np.rint(1e6 * fitted.left_s).astype(np.int64)
        data = replace(data, near_us=at_us)
        met = self._met(fitted.values, data)
        told = met.told & fitted.told
        wide = np.where(told, fitted.sigma_s * met.per_s, np.inf)
        weight: Floats = np.where(told, fitted.true, 0.0) / wide**2
        return self._of(met, data, weight, np.zeros(len(at_us), np.int64), 1)[0]

    def _met(self, values: Values, data: Data) -> Met:
        """Partial derivatives where the crossings are near, the clock's among them."""
        met = self._response.at(values, data.near_us, data.channel, data.rise)
        met.common[:, OFFSET] = -met.per_s
        met.common[:, RATE] = -met.per_s * self._ahead_s(data)
        return met

    def _ahead_s(self, data: Data) -> Floats:
        return np.asarray(1e-6 * (data.near_us - self.zero_us), np.float64)

    def _of(
        self, met: Met, data: Data, weight: Floats, part: Ints, parts: int
    ) -> list[Information]:
        """Information of rows sorted by part and channel."""
        ahead_s = self._ahead_s(data)
        channels, wide = self._own_precision.shape
        block = part * channels + data.channel
        found = []
        for number in range(parts):
            one = self.nothing()
            for channel in range(channels):
                begin, end = np.searchsorted(block, number * channels + channel + np.arange(2))
                own = met.of_own(slice(begin, end), wide)
                rows = Rows(own, met.common[begin:end], np.zeros(end - begin))
                normal = Normal.of(rows, weight[begin:end])
                one.square[channel], one.side[channel] = normal.square, normal.side
                one.common[:] += normal.common
            told = met.told & (part == number)
            found.append(replace(one, count=float(told.sum()), ahead_s=float(ahead_s[told].sum())))
        return found

    def covariance(self, information: Information) -> Floats:
        """Of the common unknowns, (8, 8), in the units of Values.common.

        As arrow.Arrow has it, of all channels at once. The clock's offset is that at the
        crossings' mean time, as a fit has it.
        """
        mean_s = information.ahead_s / max(information.count, 1.0)
        later = np.eye(len(COMMON))  # a clock whose rate counts from so much later
        later[OFFSET, RATE] = -mean_s
        side = information.side @ later
        square = information.square.copy()
        diagonal = np.arange(self._widest)
        square[:, diagonal, diagonal] += self._own_precision
        schur = later.T @ information.common @ later + np.diag(self.common_precision)
        schur -= np.einsum("cki,ckj->ij", side, np.linalg.solve(square, side))
        scale = np.sqrt(np.diag(schur))  # seconds beside radians
        inverse: Floats = np.linalg.inv(schur / np.outer(scale, scale)) / np.outer(scale, scale)
        return inverse

    def pose_deg2(self, information: Information) -> Floats:
        """The covariance of the pose in square degrees, (3, 3)."""
        return np.degrees(np.degrees(self.covariance(information)[POSE, POSE]))

    def bores_seen(self, information: Information) -> int:
        """How many bores' axes move any of the crossings."""
        return sum(
            int((np.diag(square)[: len(kind)][kind == AXIS] > 0).sum())
            for square, kind in zip(information.square, self.layout.kind, strict=True)
        )
