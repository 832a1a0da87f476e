"""From a log to causes: match, fit, predict anew where the body really stands, and again."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dialbench.compare import Comparison, Measured, compare
from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.logged import Logged, predicted
from dialbench.sky import Sky, from_us
from dialbench.solve.fit import PRIOR_SIGMA, Data, Fit, Prior, fit
from dialbench.solve.observe import RANGE, Pose
from dialbench.solve.unknowns import (
    ALL_EXITS,
    ALL_WIDTHS,
    AXIS,
    DARK,
    EXIT,
    GAIN,
    GHOST,
    OFFSET,
    POSE,
    RATE,
    WIDTH,
    Layout,
)

SCHEMA = "dialbench.solve/1"
_FEWEST = 20  # crossings; with less there is nothing to weigh
_MATCHINGS = 4
_SCATTERING = 5  # bores; fewer say nothing of how bores scatter
_MANY = 20_000  # crossings: twice as many, and some days are looked at before all are
_DAY_US = 86_400_000_000
_DOUBTED = 0.5  # a crossing more likely false than true is shown
_SHOWN = 200  # of them, in the object
_TOLD_SHARE = 0.8  # an unknown is told if its sigma is less than this of what it is beforehand
_RATE_SIGMA = 1e-7  # of the clock model over a whole log


class SolveError(UserError):
    """The data cannot be solved; one sentence."""


@dataclass(frozen=True)
class Solved:
    """What a log says of how its dial stands and came out.

    comparison: how the crossings were matched in the end; places: of the matched ones in the
    order of the fit, indices into comparison.measured.
    """

    dial: Dial
    fit: Fit
    pose: Pose
    comparison: Comparison
    places: NDArray[np.int64]

    @property
    def _told(self) -> NDArray[np.bool_]:
        """Which of COMMON are known better than before there was any data."""
        before = PRIOR_SIGMA.copy()
        prior = clock_prior(self.comparison.measured)
        before[[OFFSET, RATE]] = prior.offset_s, prior.rate
        told: NDArray[np.bool_] = self.fit.sigma.common <= _TOLD_SHARE * before
        return told

    def doubted(self) -> list[dict[str, Any]]:
        """Crossings that count little because they are probably false, the worst first."""
        measured, fitted = self.comparison.measured, self.fit
        where = np.flatnonzero(fitted.told & (fitted.true < _DOUBTED))
        where = where[np.argsort(-np.abs(fitted.left_s[where]))]
        return [
            {
                "utc": from_us(int(measured.utc_us[at])).isoformat(),
                "channel": int(measured.channel[at]),
                "threshold": int(measured.threshold[at]),
                "rise": bool(measured.rise[at]),
                "late_s": round(float(fitted.left_s[row]), 3),
                "weight": round(float(fitted.true[row]), 4),
            }
            for row, at in zip(where.tolist(), self.places[where].tolist(), strict=True)
        ]

    def rows(self) -> list[tuple[str, str]]:
        """Label and value of what is told, for a table; half-widths are of 95% intervals."""
        fitted = self.fit
        shown = [
            (
                f"{angle.name} (body turned about P's {axis})",
                "not told by these data"
                if angle.value_deg is None
                else f"{angle.value_deg:+.3f} +- {angle.half_width_deg:.3f} deg",
            )
            for angle, axis in zip(self.pose.angles, "xyz", strict=True)
        ]
        for label, at in (
            ("bores wider than drawn", ALL_WIDTHS),
            ("exits wider still", ALL_EXITS),
        ):
            wide, half = fitted.values.common[at], RANGE * fitted.sigma.common[at]
            told = f"{wide:+.1%} +- {half:.1%}" if self._told[at] else "not told by these data"
            shown.append((label, told))
        if len(self.dial.bores) >= _SCATTERING:
            shown.append(("axes scatter by", f"{np.degrees(fitted.scatter[AXIS]):.3f} deg"))
            shown.append(("widths scatter by", f"{fitted.scatter[WIDTH]:.1%}"))
        shown.append(("noise of a level", f"{fitted.level_noise:.2%}"))
        shown.append(("crossings", f"{int(fitted.told.sum())} used, {len(self.doubted())} doubted"))
        return shown

    def sentences(self, mends: Sequence[str] = ()) -> list[str]:
        """What else there is to say.

        mends: for each combination that is not told, what would tell it, where that is known.
        """
        other = "log on days when the Sun's declination is another"
        told = [
            f"These data cannot tell {one.sentence}; {mend or other}."
            for one, mend in zip_longest(self.pose.untold, mends)
        ]
        if not self.fit.settled:
            told.append("The solution had not settled when its rounds were over: trust it less.")
        return told

    def as_dict(self) -> dict[str, Any]:
        """The same as JSON's own types; SCHEMA names its form.

        Uncertainties are standard deviations; null stands for what the data cannot tell.
        """
        layout = Layout(self.dial)
        values, sigma, fitted = self.fit.values, self.fit.sigma, self.fit
        told = self._told
        doubted = self.doubted()

        def common(at: int, unit: float = 1.0, above: float = 0.0) -> dict[str, float] | None:
            if not told[at]:
                return None
            return _with_sigma(above + values.common[at], sigma.common[at], unit)

        def own(block: int, column: int, unit: float = 1.0) -> dict[str, float] | None:
            if column < 0:
                return None
            scatter = fitted.scatter[layout.kind[block][column]]
            if sigma.own[block][column] > _TOLD_SHARE * scatter:
                return None
            return _with_sigma(values.own[block][column], sigma.own[block][column], unit)

        bores = []
        for number, bore in enumerate(self.dial.bores):
            bores.append(
                {
                    "bore": number,
                    "channel": bore.channel,
                    "axis_deg": own(bore.channel, layout.column[AXIS, number], np.degrees(1.0)),
                    "width_share": own(bore.channel, layout.column[WIDTH, number]),
                }
            )
        return {
            "schema": SCHEMA,
            "dial_hash": self.dial.hash,
            "crossings": {
                **self.comparison.counts,
                "used": int(fitted.told.sum()),
                "doubted": len(doubted),
            },
            "pose": {
                one.name: None
                if one.value_deg is None
                else {"value_deg": one.value_deg, "half_width_95_deg": one.half_width_deg}
                for one in self.pose.angles
            },
            "not_told": [
                {"angles": list(one.names), "sigma_deg": one.sigma_deg, "text": one.sentence}
                for one in self.pose.untold
            ],
            "clock": {
                "offset_s": common(OFFSET),
                "rate_ppm": common(RATE, unit=1e6),
            },
            "width_share": common(ALL_WIDTHS),
            "exit_share": common(ALL_EXITS),
            "stray_light_factor": common(GHOST, above=1.0),
            "scatter": {
                "axis_deg": float(np.degrees(fitted.scatter[AXIS])),
                "width_share": float(fitted.scatter[WIDTH]),
                "gain": float(fitted.scatter[GAIN]),
                "dark": float(fitted.scatter[DARK]),
            },
            "level_noise": fitted.level_noise,
            "channels": [
                {
                    "channel": number,
                    "gain": own(number, GAIN),
                    "dark": own(number, DARK),
                    "exit_share": own(number, EXIT),
                }
                for number in range(len(self.dial.channels))
            ],
            "bores": bores,
            "doubted": doubted[:_SHOWN],
        }


def _with_sigma(value: float, sigma: float, unit: float = 1.0) -> dict[str, float]:
    return {"value": float(value * unit), "sigma": float(sigma * unit)}


def clock_prior(measured: Measured) -> Prior:
    """What a log's own clock model knows of the offset and rate common to all of it."""
    known_s = measured.sigma_s[np.isfinite(measured.sigma_s)]
    return Prior(float(np.median(known_s)) if len(known_s) else 1.0, _RATE_SIGMA)


def solve(
    logged: Logged,
    dial: Dial,
    sky: Sky,
    progress: Callable[[str, float], None] | None = None,
) -> Solved:
    """Find what made the crossings of a log differ from those of the dial as drawn.

    Raises SolveError where too few match, SkyError for times out of reach.
    """
    if not logged.observed:
        raise SolveError(
            "the log holds no time in which the Sun was observed to shine, so none of its crossings"
            " can be taken for the Sun's: log or import the observed time as well"
        )
    stages = _Stages(dial, sky, clock_prior(logged.measured), progress)
    found = None
    for part in _parts(logged, dial.site.longitude_deg):
        matched = -1
        for number in range(_MATCHINGS):
            more = stages.matched(part, found, number)
            if len(more.places) <= matched:
                break
            matched = len(more.places)
            found = stages.fitted(part, more, found)
    assert found is not None
    return found


@dataclass(frozen=True)
class _Matched:
    """Which measured crossings are which predicted ones, sorted by channel."""

    comparison: Comparison
    places: NDArray[np.int64]
    near_us: NDArray[np.int64]


@dataclass(frozen=True)
class _Stages:
    """The two things that are done in turn, each to as much of a log as is asked."""

    dial: Dial
    sky: Sky
    prior: Prior
    progress: Callable[[str, float], None] | None

    def matched(self, logged: Logged, known: Solved | None, number: int) -> _Matched:
        """Crossings against those of the dial as drawn, where it is known to stand."""
        if self.progress is not None:
            self.progress("matching", number / _MATCHINGS)
        pose = np.degrees(known.fit.values.common[POSE]) if known is not None else np.zeros(3)
        wx, wy, wz = pose.tolist()
        expected, _ = predicted(logged, self.dial, self.sky, (wx, wy, wz))
        measured = logged.measured
        found = compare(expected, measured, logged.observed, logged.unlogged)
        if len(found.measured_index) < _FEWEST:
            raise SolveError(
                f"only {len(found.measured_index)} crossings match what this dial would show, and"
                f" {_FEWEST} are the least to solve for anything: is it the dial of this log?"
            )
        order = np.argsort(measured.channel[found.measured_index], kind="stable")
        near_us = expected.utc_us[found.predicted_index[order]]
        return _Matched(found, found.measured_index[order], near_us)

    def fitted(self, logged: Logged, matched: _Matched, known: Solved | None) -> Solved:
        measured, places = logged.measured, matched.places
        data = Data(
            measured.channel[places],
            measured.threshold[places],
            measured.rise[places],
            measured.utc_us[places],
            matched.near_us,
        )
        progress = self.progress
        stage = None if progress is None else lambda share: progress("fitting", share)
        start = None if known is None else known.fit
        fitted = fit(self.dial, self.sky, data, self.prior, stage, start)
        return Solved(self.dial, fitted, _pose(fitted), matched.comparison, places)


def _parts(logged: Logged, longitude_deg: float) -> Iterator[Logged]:
    """First some days of a long log, by which it is soon known about how everything stands."""
    share = len(logged.measured.utc_us) // _MANY
    if share > 1:
        yield _every(logged, share, longitude_deg)
    yield logged


def _every(logged: Logged, share: int, longitude_deg: float) -> Logged:
    """One in so many of a log's days, from midnight to midnight by the Sun."""
    measured = logged.measured
    ahead_us = round(longitude_deg / 360 * _DAY_US)
    first = (int(measured.utc_us.min()) + ahead_us) // _DAY_US
    kept = ((measured.utc_us + ahead_us) // _DAY_US - first) % share == 0
    observed = []
    for start_us, end_us in logged.observed:
        for day in range((start_us + ahead_us) // _DAY_US, (end_us + ahead_us) // _DAY_US + 1):
            if (day - first) % share == 0:
                dawn_us = day * _DAY_US - ahead_us
                span = max(start_us, dawn_us), min(end_us, dawn_us + _DAY_US)
                observed += [span] if span[0] < span[1] else []
    some = Measured(
        measured.channel[kept],
        measured.threshold[kept],
        measured.rise[kept],
        measured.utc_us[kept],
        measured.sigma_s[kept],
    )
    return replace(logged, measured=some, observed=observed)


def _pose(fitted: Fit) -> Pose:
    return Pose.of(fitted.values.common[POSE], fitted.common_covariance[POSE, POSE])
