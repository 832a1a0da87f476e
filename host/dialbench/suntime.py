"""UTC by the Sun alone: how far a logger's clock is off, told by a dial that is known.

A dial whose pose, bores and sensors earlier seasons have told is a clock: an hour of its
crossings has one shift at which they fit. The shift is sought far out first, where the pattern of
channels tells one step of the face from the next, and where it does not, that is said. Then
it is one more unknown beside all that the seasons left uncertain, so its error holds theirs.

The date is taken from the log: the equation of time changes by up to 30 s a day.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dialbench import predict
from dialbench.compare import Interval, Measured
from dialbench.errors import UserError
from dialbench.logged import Logged
from dialbench.sky import Sky, from_us
from dialbench.solve import Solved
from dialbench.solve.arrow import Arrow, Normal, Rows
from dialbench.solve.fit import PRIOR_SIGMA, TIME_S
from dialbench.solve.response import Met, Response
from dialbench.solve.unknowns import COMMON, OFFSET, POSE, RATE, Layout
from dialcore.crossing import THRESHOLDS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

SCHEMA = "dialbench.suntime/1"
FARTHEST_S = 5400.0
_FEWEST = 6  # crossings; with less one insect has too much of a say
_SLOT_S = 10.0  # in which lags of one shift fall together
_CANDIDATES = 60
_APART_S = 60.0  # shifts nearer to each other are one, more or less well hit
_COARSE_S = 2.0  # what a body may have moved since, bore from bore
_FALSE, _MISSED = 0.02, 0.02  # of crossings: come from nowhere, and do not come
_FALSE_S = 600.0  # to either side, over which false ones are spread
_EDGE_S = 60.0  # from a cloud's edge, within which a crossing need not be seen
_SURE = 0.999
_ROUNDS = 8
_NEWTONS = 6
_MANY_DOUBTED = 0.15  # of the crossings: more is no insects and no clouds' edges
_Z95 = 1.96
_ANY_S = 1e4  # of the shift, before there is any data
_RATE_SIGMA = 1e-7  # of the clock in the known seasons


class SunTimeError(UserError):
    """The time cannot be told by the Sun; one sentence."""


@dataclass(frozen=True)
class Candidate:
    """A shift that is not ruled out, with its probability among them."""

    ahead_s: float
    probability: float


@dataclass(frozen=True)
class SunTime:
    """What the Sun says of a log's clock between two instants of that clock.

    ahead_s: clock less UTC, with its standard uncertainty; both None where several shifts fit,
    which candidates names. crossings: how many were looked at; doubted: of them, how many are
    more likely false than true. clock_sigma_s: how well the log's clock claims to be known.
    """

    start_us: int
    end_us: int
    ahead_s: float | None
    sigma_s: float | None
    candidates: tuple[Candidate, ...]
    crossings: int
    doubted: int
    clock_sigma_s: float | None

    def rows(self) -> list[tuple[str, str]]:
        """Label and value, for a table."""
        shown = [
            ("by the log's clock", f"{_shown(self.start_us)} to {_shown(self.end_us)}"),
            ("crossings", f"{self.crossings}, of which {self.doubted} doubted"),
        ]
        if self.ahead_s is not None and self.sigma_s is not None:
            half = f"{_Z95 * self.sigma_s:.2f} s (95%)"
            shown.append(("clock ahead of the Sun's UTC", f"{self.ahead_s:+.2f} +- {half}"))
        if self.clock_sigma_s is not None:
            shown.append(("the clock's own claim", f"+- {_Z95 * self.clock_sigma_s:.2f} s (95%)"))
        return shown

    def sentences(self) -> list[str]:
        """What follows from it."""
        if self.ahead_s is None or self.sigma_s is None:
            fits = ", ".join(f"{one.ahead_s:+.0f} s" for one in self.candidates)
            told = (
                f"The Sun alone cannot tell the time here: the clock may be ahead by {fits}; in"
                " this time the face shows the same at each of them. Take a longer time, or one"
                " in which other channels are lit."
            )
            return [told]
        doubt = []
        if self.doubted > _MANY_DOUBTED * self.crossings:
            doubt.append(
                f"But {self.doubted} of {self.crossings} crossings are more likely false than true:"
                " see what dialbench compare says of this log first."
            )
        sigma_s = float(np.hypot(self.sigma_s, self.clock_sigma_s or 0.0))
        if abs(self.ahead_s) < _Z95 * sigma_s:
            return ["The log's clock agrees with the Sun.", *doubt]
        way = "ahead of" if self.ahead_s > 0 else "behind"
        told = (
            f"The log's clock is {abs(self.ahead_s):.2f} s {way} the Sun's UTC"
            f" (+- {_Z95 * self.sigma_s:.2f} s); a body turned since the known seasons would look"
            " the same, by 240 s a degree."
        )
        return [told, *doubt]

    def as_dict(self) -> dict[str, Any]:
        """The same as JSON's own types; SCHEMA names its form. Null: not told."""
        return {
            "schema": SCHEMA,
            "from": from_us(self.start_us).isoformat(),
            "to": from_us(self.end_us).isoformat(),
            "ahead_s": self.ahead_s,
            "sigma_s": self.sigma_s,
            "candidates": [
                {"ahead_s": one.ahead_s, "probability": one.probability} for one in self.candidates
            ],
            "crossings": self.crossings,
            "doubted": self.doubted,
            "clock_sigma_s": self.clock_sigma_s,
            "sentences": self.sentences(),
        }


def between(logged: Logged, start_us: int, end_us: int) -> Logged:
    """The part of a log from start_us to before end_us."""
    measured = logged.measured
    here = (measured.utc_us >= start_us) & (measured.utc_us < end_us)

    def cut(spans: list[Interval]) -> list[Interval]:
        held = [(max(a, start_us), min(b, end_us)) for a, b in spans]
        return [(a, b) for a, b in held if b > a]

    names = ("channel", "threshold", "rise", "utc_us", "sigma_s")
    return replace(
        logged,
        measured=Measured(*(getattr(measured, name)[here] for name in names)),
        observed=cut(logged.observed),
        snapshots=[one for one in logged.snapshots if start_us <= one[0] < end_us],
        unlogged={key: cut(list(spans)) for key, spans in logged.unlogged.items()},
    )


def suntime(logged: Logged, known: Solved, sky: Sky, farthest_s: float = FARTHEST_S) -> SunTime:
    """How far the clock of a log, an hour or so of it, is ahead of UTC.

    known: the dial as other logs have it. farthest_s: how far off the clock may be. Raises
    SunTimeError where there is too little to go by, SkyError for times out of reach.
    """
    measured = logged.measured
    if len(measured.utc_us) < _FEWEST:
        raise SunTimeError(
            f"only {len(measured.utc_us)} crossings lie in this time, and {_FEWEST} are the least"
            " to tell the time by: choose a longer time, or one with more Sun (--from, --hours)"
        )
    dialled = _Dial(known, sky)
    spans = logged.observed or [(int(measured.utc_us.min()), int(measured.utc_us.max()))]
    start_us, end_us = min(a for a, _ in spans), max(b for _, b in spans)
    reach_us = round(1e6 * farthest_s)
    candidates = _candidates(
        dialled, measured, spans, start_us - reach_us, end_us + reach_us, reach_us
    )
    if not candidates:
        raise SunTimeError(
            f"no shift of the clock up to {farthest_s / 60:.0f} minutes makes these crossings those of"
            " this dial: is it the dial of this log, and is the date right?"
        )
    finite = measured.sigma_s[np.isfinite(measured.sigma_s)]
    claim = float(np.median(finite)) if len(finite) else None
    best = candidates[0]
    if best.probability < _SURE:
        near = tuple(one for one in candidates if one.probability > 1 - _SURE)
        return SunTime(start_us, end_us, None, None, near, len(measured.utc_us), 0, claim)
    ahead_s, sigma_s, true = dialled.shift(measured, best.ahead_s)
    return SunTime(
        start_us,
        end_us,
        ahead_s,
        sigma_s,
        (Candidate(ahead_s, best.probability),),
        len(measured.utc_us),
        int(np.sum(true < 0.5)),
        claim,
    )


@dataclass(frozen=True)
class _Expected:
    """Crossings of the dial as it is known: where and, each by itself, how well."""

    key: Ints
    at_us: Ints
    sigma_s: Floats


class _Dial:
    """A known dial: what it will show, and how uncertain that is."""

    def __init__(self, known: Solved, sky: Sky) -> None:
        self._known, self._sky = known, sky
        self._layout = Layout(known.dial)
        self._response = Response(known.dial, sky, self._layout)

    def expected(self, start_us: int, end_us: int) -> _Expected:
        """All crossings that are due."""
        dial, values = self._known.dial, self._known.fit.values
        wx, wy, wz = np.degrees(values.common[POSE]).tolist()
        drawn = predict.crossings(dial, self._sky, start_us, end_us, (wx, wy, wz))
        met, at_us = self._met(drawn.utc_us, drawn.channel, drawn.threshold, drawn.rise)
        key = _keys(drawn.channel, drawn.threshold, drawn.rise)[met.told]
        return _Expected(key, at_us[met.told], np.sqrt(self._variance(met))[met.told])

    def shift(self, measured: Measured, near_s: float) -> tuple[float, float, Floats]:
        """The clock's lead and its sigma in seconds, and how probable each crossing is true."""
        order = np.argsort(measured.channel, kind="stable")
        channel, threshold, rise, utc_us = (
            getattr(measured, name)[order] for name in ("channel", "threshold", "rise", "utc_us")
        )
        due_us = utc_us - round(1e6 * near_s)
        met, at_us = self._met(due_us, channel, threshold, rise)
        left_s = 1e-6 * (due_us - at_us)
        met = replace(met, told=met.told & (np.abs(left_s) < _FALSE_S))
        common = np.zeros((len(channel), len(COMMON) + 1))
        common[:, :-1] = met.common
        common[:, -1] = 1.0  # the shift; the clock of the seasons is another
        rows = self._rows(met, common, left_s, channel)
        variance = self._variance(met)
        # At first the shift is only as near as the candidate.
        true = np.where(met.told, 1.0, 0.0)
        spread_s2 = variance + _SLOT_S**2
        seasons = self._seasons()
        for _ in range(_ROUNDS):
            weight = true / spread_s2
            arrow = self._arrow(seasons, rows, _cut(channel, weight, len(seasons)))
            after = [
                part.left - part.own @ own - part.common @ arrow.common
                for part, own in zip(rows, arrow.own, strict=True)
            ]
            true = np.where(met.told, _true(np.concatenate(after), variance), 0.0)
            spread_s2 = variance
        sigma_s = float(np.sqrt(arrow.common_covariance[-1, -1]))
        back = np.empty(len(true))
        back[order] = true
        return near_s + float(arrow.common[-1]), sigma_s, back

    def _met(self, near_us: Ints, channel: Ints, threshold: Ints, rise: Bools) -> tuple[Met, Ints]:
        """Crossings of the known dial nearest to instants, and when they are."""
        level = np.asarray(THRESHOLDS)[threshold]
        at_us = near_us.astype(np.int64)
        for _ in range(_NEWTONS):
            met = self._response.at(self._known.fit.values, at_us, channel, rise)
            step_s = (level - met.level) / np.where(met.told, met.per_s, np.inf)
            step_us = np.rint(1e6 * np.clip(step_s, -60.0, 60.0)).astype(np.int64)
            at_us = at_us + step_us
        told = met.told & (np.abs(step_us) < 100_000)
        return replace(met.in_time(), told=told), at_us

    def _variance(self, met: Met) -> Floats:
        fitted = self._known.fit
        slow = np.where(met.told, met.per_s, 1.0)
        variance: Floats = (fitted.level_noise / slow) ** 2 + TIME_S**2
        return variance

    def _rows(self, met: Met, common: Floats, left_s: Floats, channel: Ints) -> list[Rows]:
        """A block a channel of crossings sorted by channel."""
        edges = np.searchsorted(channel, np.arange(len(self._layout.kind) + 1))
        rows = []
        for number, (first, last) in enumerate(pairwise(edges.tolist())):
            own = met.of_own(slice(first, last), len(self._layout.kind[number]))
            rows.append(Rows(own, common[first:last], left_s[first:last]))
        return rows

    def _seasons(self) -> list[Normal]:
        """What the known seasons say, about the values that they gave."""
        known, fitted = self._known, self._known.fit
        measured, places = known.comparison.measured, known.places
        channel, utc_us = measured.channel[places], measured.utc_us[places]
        offset, rate = fitted.values.common[[OFFSET, RATE]]
        ahead_s = 1e-6 * (utc_us - np.median(utc_us))
        late_s = fitted.left_s + offset + rate * ahead_s
        at_us = utc_us - np.rint(1e6 * late_s).astype(np.int64)
        met = self._response.at(fitted.values, at_us, channel, measured.rise[places]).in_time()
        common = np.zeros((len(channel), len(COMMON) + 1))
        common[:, :-1] = met.common
        common[:, OFFSET], common[:, RATE] = 1.0, ahead_s
        weight = np.where(met.told, fitted.true / fitted.sigma_s**2, 0.0)
        rows = self._rows(met, common, fitted.left_s, channel)
        return [
            Normal.of(part, each)
            for part, each in zip(rows, _cut(channel, weight, len(rows)), strict=True)
        ]

    def _arrow(self, seasons: list[Normal], rows: list[Rows], weights: list[Floats]) -> Arrow:
        fitted = self._known.fit
        normals = []
        for season, part, weight in zip(seasons, rows, weights, strict=True):
            hour = Normal.of(part, weight)
            normals.append(
                Normal(
                    season.square + hour.square,
                    season.side + hour.side,
                    season.right + hour.right,
                    season.common + hour.common,
                    season.pull + hour.pull,
                )
            )
        sigma_s = self._known.comparison.measured.sigma_s
        finite = sigma_s[np.isfinite(sigma_s)]
        wide = np.append(PRIOR_SIGMA, _ANY_S)
        wide[OFFSET] = float(np.median(finite)) if len(finite) else 1.0
        wide[RATE] = _RATE_SIGMA
        return Arrow(
            normals,
            [1 / np.square(fitted.scatter[kind]) for kind in self._layout.kind],
            fitted.values.own,
            1 / np.square(wide),
            np.append(fitted.values.common, 0.0),
        )


def _candidates(
    dial: _Dial,
    measured: Measured,
    spans: list[Interval],
    start_us: int,
    end_us: int,
    reach_us: int,
) -> list[Candidate]:
    """Shifts at which the pattern fits, the likeliest first; of one place the best."""
    expected = dial.expected(start_us, end_us)
    key = _keys(measured.channel, measured.threshold, measured.rise)
    same = key[:, None] == expected.key
    lag_s = np.asarray(1e-6 * (measured.utc_us[:, None] - expected.at_us), np.float64)
    lags = lag_s[same & (np.abs(lag_s) <= 1e-6 * reach_us)]
    if not len(lags):
        return []
    slots, counts = np.unique(np.round(lags / _SLOT_S).astype(np.int64), return_counts=True)
    found: list[tuple[float, float]] = []
    for slot in slots[np.argsort(-counts, kind="stable")][:_CANDIDATES].tolist():
        near = lags[np.abs(lags - slot * _SLOT_S) < _SLOT_S]
        shift_s = float(np.median(near))
        found.append(
            (_fits(expected, key, measured, spans, same, lag_s - shift_s, shift_s), shift_s)
        )
    found.sort(reverse=True)
    kept: list[tuple[float, float]] = []
    for score, shift_s in found:
        if all(abs(shift_s - other) > _APART_S for _, other in kept):
            kept.append((score, shift_s))
    nothing = len(key) * np.log(_FALSE / (2 * _FALSE_S))
    if kept[0][0] <= nothing:
        return []
    chance = np.exp(np.array([score for score, _ in kept]) - kept[0][0])
    chance /= chance.sum()
    return [Candidate(shift_s, float(p)) for (_, shift_s), p in zip(kept, chance, strict=True)]


def _fits(
    expected: _Expected,
    key: Ints,
    measured: Measured,
    spans: list[Interval],
    same: Bools,
    off_s: Floats,
    shift_s: float,
) -> float:
    """Log likelihood of a shift: of all that came, and of all that should have."""
    sigma_s = np.hypot(expected.sigma_s, _COARSE_S)
    density = np.exp(-0.5 * (off_s / sigma_s) ** 2) / (np.sqrt(2 * np.pi) * sigma_s)
    good = np.where(same, density, 0.0)
    came = np.log((1 - _FALSE) * good.max(axis=1, initial=0.0) + _FALSE / (2 * _FALSE_S)).sum()
    at_us = expected.at_us + round(1e6 * shift_s)
    edge_us = round(1e6 * _EDGE_S)
    inside = np.zeros(len(at_us), bool)
    for start_us, end_us in spans:
        inside |= (at_us > start_us + edge_us) & (at_us < end_us - edge_us)
    seen = (same & (np.abs(off_s) < 5 * sigma_s)).any(axis=0)
    return float(came + np.log(_MISSED) * np.sum(inside & ~seen))


def _keys(channel: Ints, threshold: Ints, rise: Bools) -> Ints:
    return (channel.astype(np.int64) * 3 + threshold) * 2 + rise


def _cut(channel: Ints, values: Floats, blocks: int) -> list[Floats]:
    return np.split(values, np.searchsorted(channel, np.arange(1, blocks)))


def _true(left_s: Floats, variance: Floats) -> Floats:
    good = (1 - _FALSE) * np.exp(-0.5 * left_s**2 / variance) / np.sqrt(2 * np.pi * variance)
    true: Floats = good / (good + _FALSE / (2 * _FALSE_S))
    return true


def _shown(utc_us: int) -> str:
    return f"{from_us(utc_us):%Y-%m-%d %H:%M:%S}"


def last_sun(logged: Logged, hours: float) -> tuple[int, int] | None:
    """The span of so many hours that ends a log, by its crossings; None where it has none."""
    if not len(logged.measured.utc_us):
        return None
    end_us = int(logged.measured.utc_us.max()) + 1
    return end_us - round(3.6e9 * hours), end_us
