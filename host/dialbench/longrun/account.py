"""The long run of one dial, told: its drift by years and causes, and when it is a step off."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from dialbench import ephemeris
from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.longrun import mean, slowing
from dialbench.longrun.drift import (
    DECLINATIONS_DEG,
    NORTHWARD,
    Drift,
    at_declinations,
    drift,
    first_wrong,
)

FIRST_YEAR, LAST_YEAR = -699, 10_000  # 700 BC is the year -699
_OVERLAP = (1902.0, 2051.0)  # Julian years that DE421 holds whole
_COARSE = 120  # pieces of the way that a search for the first wrong year begins with
_NEAR = (1, 10, 100, 1000)
# Dinosaurs, the first and the last (International Chronostratigraphic Chart, from memory).
_DINOSAURS = (230, 66)  # million years ago

_TABLE = tuple[tuple[str, ...], ...]


class LongRunError(UserError):
    """Years that nothing can be told of; str() is one sentence for the user."""


@dataclass(frozen=True)
class LongRun:
    """drifts: from the base year to each of some years, in order, the last of them the one
    asked for. first_wrong_*: the first year between base and that one in which the dial is
    a whole step off, at some declination, None if there is none; first_wrong_uniform_95: between
    which years that one lies, at 95%, as delta T is known, None for later than `to`. method_s: how far the two
    methods differ (largest, root mean square) over three years that both hold."""

    dial: Dial
    base: int
    to: int
    drifts: tuple[Drift, ...]
    first_wrong_earth: int | None
    first_wrong_uniform: int | None
    first_wrong_uniform_95: tuple[int | None, int | None]
    method_s: tuple[float, float]

    def as_dict(self) -> dict[str, Any]:
        """The same as JSON's own types."""
        return {
            "dial": {"name": self.dial.name, "hash": self.dial.hash},
            "base_year": self.base,
            "to_year": self.to,
            "step_min": self.dial.plan.step_min,
            "first_year_a_step_off": {
                "earth": self.first_wrong_earth,
                "uniform": self.first_wrong_uniform,
                "uniform_95": list(self.first_wrong_uniform_95),
            },
            "methods_differ_s": {"largest": self.method_s[0], "rms": self.method_s[1]},
            "deep_time": _deep_time(),
            "declination_deg": DECLINATIONS_DEG.tolist(),
            "northward": NORTHWARD.tolist(),
            "years": [_facts(one) for one in self.drifts],
            "sources": ephemeris.facts(),
        }

    def table(self) -> _TABLE:
        """A heading, and a row for each year."""
        head = ("year", "against UT1, s", "against TAI", "lost by the Earth", "1 sigma", "day, s")
        return (head, *(_row(one) for one in self.drifts))

    def sentences(self) -> tuple[str, ...]:
        last = self.drifts[-1]
        return (
            _worst(last, self.base),
            *_causes(last),
            self._step("a clock that follows the Earth (UT1, or UTC with leap seconds)", "earth"),
            self._step("uniform time (TAI, or UTC without leap seconds)", "uniform"),
            (
                f"Delta T, {span(last.delta_t_s)} from {told(self.base)} to {told(self.to)}, is known"
                f" within {span(last.delta_t_sigma_s)} (1 sigma); all that is said against uniform"
                " time is uncertain by as much."
            ),
            (
                f"The day has {_day(self.to)} in {told(self.to)}, and {_day(self.base)} in"
                f" {told(self.base)}. It lengthens by some {slowing.LENGTHENING_MS} ms a century and"
                " unevenly: which is why since 1967 the second has been so many periods of a"
                " caesium atom (13th General Conference on Weights and Measures, resolution 1; from"
                " memory) and no longer a part of the day."
            ),
            _far(),
            (
                "Years count as astronomers count them: year 0 is 1 BC. They are Julian years of"
                " 365.25 days from J2000.0; no calendar enters, since years are compared where"
                " the Sun's declination is the same."
            ),
            (
                f"Worked out from a Kepler orbit with polynomial elements; where the ephemeris"
                f" DE421 also tells, the two differ by at most {self.method_s[0]:.1f} s."
            ),
        )

    def _step(self, clock: str, which: str) -> str:
        year = self.first_wrong_earth if which == "earth" else self.first_wrong_uniform
        step = f"{self.dial.plan.step_min:g} minutes, a whole step,"
        early, late = self.first_wrong_uniform_95 if which == "uniform" else (None, None)
        if year is None:
            doubt = f" Delta T may have it wrong by {told(early)} (95%)." if early else ""
            return f"Against {clock} it stays within {step} to {told(self.to)}.{doubt}"
        doubt = f" (95%: {told(early)} to {told(late) if late else 'later'})" if early else ""
        return f"Against {clock} it is first wrong by {step} in {told(year)}{doubt}."


def long_run(
    dial: Dial, base: int, to: int, progress: Callable[[float], None] | None = None
) -> LongRun:
    """A dial that is right all through the year `base`, followed to the year `to`, before or
    after it. Raises LongRunError for years out of reach, SkyError."""
    for year in (base, to):
        if not FIRST_YEAR <= year <= LAST_YEAR:
            raise LongRunError(
                f"year {year}: the long run is told from {told(FIRST_YEAR)} to {told(LAST_YEAR)}"
            )
    if base == to:
        raise LongRunError(f"from {told(base)} to {told(to)} nothing changes: choose another year")
    way = 1 if to > base else -1
    near = [base + way * years for years in _NEAR if years < abs(to - base)]
    limit_s = 60 * dial.plan.step_min
    grid = np.linspace(base, to, 1 + min(_COARSE, abs(to - base)))[1:]
    report = progress or (lambda _: None)

    def first(size: Callable[[Drift], float], share: float = 1.0) -> int | None:
        found = first_wrong(base, limit_s, [float(year) for year in np.rint(grid)], size)
        report(share)
        return None if found is None else int(found)

    return LongRun(
        dial,
        base,
        to,
        tuple(drift(base, year) for year in [*near, to]),
        first(lambda one: one.largest_earth_s, 0.5),
        first(lambda one: one.largest_uniform_s, 0.7),
        (
            first(lambda one: one.largest_uniform_95_s[1], 0.8),
            first(lambda one: one.largest_uniform_95_s[0]),
        ),
        methods_differ_s(),
    )


def methods_differ_s() -> tuple[float, float]:
    """How far the orbit's equation of time is from the ephemeris', largest and root mean
    square, over the first, middle and last year of DE421."""
    first, last = _OVERLAP
    off = []
    for begin in (first, (first + last) / 2, last - 1):
        year = begin + np.linspace(0, 1, 400)
        t = (year - 2000) / 100
        days = t * 36525 + 2451545.0 - 2440587.5
        ut1_us = np.rint((days * 86400 - slowing.delta_t_s(year)) * 1e6).astype(np.int64)
        by_orbit, _ = mean.equation_of_time_s(t)
        off.append(by_orbit - ephemeris.apparent(ut1_us)[0] * (43200 / np.pi))
    every = np.concatenate(off)
    return float(abs(every).max()), float(np.sqrt((every**2).mean()))


def told(year: float) -> str:
    """A year as people say it."""
    whole = int(year)
    return f"{1 - whole} BC" if whole < 1 else str(whole) if whole > 999 else f"AD {whole}"


def span(seconds: float) -> str:
    """A stretch of time in the unit that suits it."""
    size = abs(seconds)
    if size < 300:
        return f"{seconds:.1f} s" if size < 10 else f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if size < 7200 else f"{seconds / 3600:.1f} h"


def _facts(one: Drift) -> dict[str, Any]:
    return {
        "year": int(one.year),
        "earth_s": one.earth_s.tolist(),
        "shares_s": {cause: values.tolist() for cause, values in one.shares_s.items()},
        "uniform_s": one.uniform_s.tolist(),
        "largest_earth_s": one.largest_earth_s,
        "largest_uniform_s": one.largest_uniform_s,
        "delta_t_change_s": one.delta_t_s,
        "delta_t_sigma_s": one.delta_t_sigma_s,
        "equation_of_time_s": at_declinations(one.year).tolist(),
        "day_s": float(slowing.day_s(np.array([one.year]))[0]),
    }


def _row(one: Drift) -> tuple[str, ...]:
    return (
        told(one.year),
        f"{one.largest_earth_s:+.1f}",
        _signed(one.largest_uniform_s),
        _signed(one.delta_t_s),
        span(one.delta_t_sigma_s),
        f"{slowing.day_s(np.array([one.year]))[0]:.4f}",
    )


def _signed(seconds: float) -> str:
    told = span(round(seconds, 1) + 0.0)  # no "-0.0"
    return told if told.startswith("-") else f"+{told}"


def _worst(one: Drift, base: int) -> str:
    at = int(np.argmax(abs(one.earth_s)))
    way = "northward" if NORTHWARD[at] else "southward"
    fast = "fast" if one.earth_s[at] > 0 else "slow"
    return (
        f"A dial right in {told(base)} is {span(abs(one.earth_s[at]))} {fast} in"
        f" {told(one.year)} against a clock that follows the Earth, where that is worst: the Sun"
        f" at declination {DECLINATIONS_DEG[at]:+.0f} deg, moving {way}."
    )


def _causes(one: Drift) -> tuple[str, ...]:
    said = {
        "perihelion": "the perihelion's way round the year",
        "obliquity": "the obliquity",
        "eccentricity": "the orbit's eccentricity",
        "definition": "UT1 itself, which counts turns against the stars and not mean Suns",
    }
    parts = [
        f"{said[cause]} up to {span(float(abs(values).max()))}"
        for cause, values in sorted(
            one.shares_s.items(), key=lambda item: -float(abs(item[1]).max())
        )
    ]
    return (f"Of that, at one declination or another: {'; '.join(parts)}.",)


def _deep_time() -> dict[str, Any]:
    """What constant rates would make of ages that no eclipse reaches: for each rate."""
    rates = (slowing.LENGTHENING_MS, slowing.TIDAL_MS)
    return {
        "lengthening_ms_per_century": list(rates),
        "day_h": {
            str(ago): [slowing.day_long_ago_h(1e6 * ago, rate) for rate in rates]
            for ago in _DINOSAURS
        },
        "years_to_lock": [slowing.years_to_lock(rate) for rate in rates],
    }


def _far() -> str:
    found = _deep_time()
    first, last = (sorted(found["day_h"][str(ago)]) for ago in _DINOSAURS)
    low, high = (round(years / 1e9, -1) for years in sorted(found["years_to_lock"]))
    slow, fast = found["lengthening_ms_per_century"]
    return (
        f"At a constant {slow} to {fast} ms a century the day had {first[0]:.1f} to {first[1]:.1f} h"
        f" {_DINOSAURS[0]} million years ago and {last[0]:.1f} to {last[1]:.1f} h"
        f" {_DINOSAURS[1]} million years ago (about 23, it is said), and day and month would be"
        f" of one length in {low:.0f} to {high:.0f} thousand million years (some 50, it is said)."
        " No constant rate holds so long: tides weaken as the Moon recedes, and depend on the"
        " shape of seas that the Sun will have boiled away long before."
    )


def _day(year: int) -> str:
    return f"{slowing.day_s(np.array([float(year)]))[0]:.3f} s"
