"""Slow change over a campaign, told apart by its cause, at a stated rate of false alarms."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from dialbench.dial import Dial
from dialbench.health import changes as causes
from dialbench.health.absence import Absent, absent, due
from dialbench.health.body import FEWEST_DAYS, Move, moves
from dialbench.health.changes import KINDS, Changes, Found, Suspect, changes
from dialbench.health.common import common
from dialbench.health.lines import lines, named_day, solar_day
from dialbench.logged import Logged
from dialbench.sky import Sky
from dialbench.solve import Solved, solve
from dialcore.crossing import THRESHOLDS

SCHEMA = "dialbench.health/1"
PER_YEAR = 1.0
_YEAR_DAYS = 365.25
# Of all false alarms: what channels change by, what goes dark, what the body does.
_SHARES = (0.5, 0.3, 0.2)
_Z95 = 1.96
_WEEK = 7.0

# What changes, the unit it is told in, and how much of that one of its own is.
_UNITS = ("%", "% of full light", "%", "%", "%", "%", "deg")
_UNIT = (100.0, 100.0, 100.0, 100.0, 100.0, 100.0, float(np.degrees(1.0)))
_MOVED = {
    "turn": "the body turns (or the logger's clock runs away)",
    "swing": "the swing of the body's turn from morning to afternoon changes",
    "bow": "the bow of the body's turn between noon and the day's ends changes",
    "entries": "all entries change alike in width",
    "gain": "all levels change alike (the open-sky sensor's glass is the first to look at)",
}
_COURSE = {
    "settling": "dying away as settling does",
    "season": "going with the season, as warmth and damp do",
    "creep": "going on",
    "step": "at once",
}


@dataclass(frozen=True)
class Health:
    """What changed in a dial over a campaign.

    first_day, last_day: days since 1970 of the site's mean solar time; days: on how many of
    them crossings came. per_year: the rate of false alarms that was asked for.
    """

    dial: Dial
    first_day: int
    last_day: int
    days: int
    crossings: int
    per_year: float
    changes: Changes
    absent: tuple[Absent, ...]
    moves: tuple[Move, ...]

    def rows(self) -> list[tuple[str, str]]:
        """Label and value, for a table."""
        return [
            ("campaign", f"{named_day(self.first_day)} to {named_day(self.last_day)}"),
            ("days with crossings", str(self.days)),
            ("crossings", str(self.crossings)),
            ("watched for change", f"{self.changes.suspects} properties of bores and sensors"),
            ("false alarms asked for", f"{self.per_year:g} a dial-year"),
        ]

    def sentences(self) -> list[str]:
        """What changed, a sentence each."""
        told = [self._absent(one) for one in self.absent]
        told += [self._found(one) for one in self.changes.found]
        told += [self._moved(one) for one in self.moves]
        if self.days < FEWEST_DAYS:
            told.append(
                f"Crossings came on {self.days} day{'' if self.days == 1 else 's'}; slow change is not"
                f" told by fewer than {FEWEST_DAYS}."
            )
        return told or ["Nothing changed that chance would not explain."]

    def _absent(self, one: Absent) -> str:
        who = f"channel {one.channel}" + ("" if one.bore < 0 else f", {self._bore(one.bore)}")
        since = f"since {_date(one.seen + 1)}"
        days = f"{one.days} day{'s' if one.days > 1 else ''} of Sun without it"
        if one.astray:
            return f"{who}: lit at other times than due {since} ({days}); is it the same dial?"
        if one.threshold:
            level = THRESHOLDS[one.threshold]
            return f"{who}: no longer reaches {level:.2f} of full light {since} ({days})."
        if one.bore >= 0:
            return f"{who}: reads dark: clogged {since} ({days})."
        return f"{who}: reads dark: clogged {since}, or its sensor is dead ({days})."

    def _found(self, one: Found) -> str:
        change, kind = one.change, one.suspect.kind
        who = f"channel {one.channel}"
        if one.suspect.bore >= 0:
            who += f", {self._bore(one.suspect.bore)}"
        amount, sigma = change.amount * _UNIT[kind], change.sigma * _UNIT[kind]
        slope = change.shape == "slope"
        when = f"since {_date(change.since + 1)}"
        if change.latest > change.earliest:
            when += f" (between {_date(change.earliest + 1)} and {_date(change.latest + 1)})"
        if slope:
            amount, sigma = amount * _WEEK, sigma * _WEEK
        figure = f"{abs(amount):.2g}{_space(kind)} " + ("a week " if slope else "")
        error = f"(+- {_Z95 * sigma:.1g})"
        told = f"{who}: {_told(kind, amount, slope)} by {figure}{when} {error}"
        if one.others:
            names = dict.fromkeys(_CAUSES[other.kind] for other, _ in one.others)
            told += f"; or {' or '.join(names)}: these days do not tell which"
        return told + "."

    def _moved(self, one: Move) -> str:
        angle = one.term in ("turn", "swing", "bow")
        unit, name = (np.degrees(1.0), " deg") if angle else (100.0, "%")
        amount = f"{one.amount * unit:+.2g}{name} (+- {_Z95 * one.sigma * unit:.1g})"
        told = f"{_MOVED[one.term]} by {amount}, {_COURSE[one.courses[0]]}"
        if one.courses[0] == "settling" and one.decay_days is not None:
            told += f" (half of it in {one.decay_days * np.log(2):.0f} days)"
        if len(one.courses) > 1:
            others = " or ".join(_COURSE[name] for name in one.courses[1:])
            told += f"; these days would as well have it {others}"
        return f"All channels: {told}."

    def _bore(self, number: int) -> str:
        return f"bore {number} (hour angle {self.dial.bores[number].hour_angle_deg:+.1f} deg)"

    def as_dict(self) -> dict[str, Any]:
        """The same as JSON's own types; SCHEMA names its form. Uncertainties are standard
        deviations; dates are of the site's mean solar time."""
        return {
            "schema": SCHEMA,
            "dial_hash": self.dial.hash,
            "from": named_day(self.first_day).isoformat(),
            "to": named_day(self.last_day).isoformat(),
            "days": self.days,
            "crossings": self.crossings,
            "false_alarms_per_year": self.per_year,
            "limit_sigmas": self.changes.limit if np.isfinite(self.changes.limit) else None,
            "dark": [
                {
                    "channel": one.channel,
                    "bore": None if one.bore < 0 else one.bore,
                    "threshold": THRESHOLDS[one.threshold],
                    "last_seen": named_day(one.seen).isoformat(),
                    "told": named_day(one.told).isoformat(),
                    "days_missed": one.days,
                    "astray": one.astray,
                }
                for one in self.absent
            ],
            "changes": [self._change(one) for one in self.changes.found],
            "body": [
                {
                    "what": one.term,
                    "courses": list(one.courses),
                    "amount": one.amount,
                    "sigma": one.sigma,
                    "decay_days": one.decay_days,
                    "since": named_day(one.change.since + 1).isoformat(),
                }
                for one in self.moves
            ],
            "sentences": self.sentences(),
        }

    def _change(self, one: Found) -> dict[str, Any]:
        change = one.change

        def suspect(this: Suspect) -> dict[str, Any]:
            return {"what": KINDS[this.kind], "bore": None if this.bore < 0 else this.bore}

        return {
            "channel": one.channel,
            **suspect(one.suspect),
            "shape": change.shape,
            "amount": change.amount,
            "sigma": change.sigma,
            "since": named_day(change.since + 1).isoformat(),
            "since_earliest": named_day(change.earliest + 1).isoformat(),
            "since_latest": named_day(change.latest + 1).isoformat(),
            "told": named_day(one.told).isoformat(),
            "score": change.score,
            "or": [{**suspect(other), "amount": amount} for other, amount in one.others],
        }


_CAUSES = (
    "its sensor's gain",
    "its sensor's dark level",
    "its exit",
    "a bore's width",
    "one wall of a bore",
    "one wall of a bore",
    "where a bore points",
)


def _told(kind: int, amount: float, slope: bool) -> str:
    more = amount > 0
    if kind in (causes.GAIN, causes.DARK):
        what = "its sensor's gain" if kind == causes.GAIN else "its dark level"
        return f"{what} {('rises' if more else 'falls') if slope else ('rose' if more else 'fell')}"
    if kind == causes.AXIS:
        return "axis turns" if slope else "axis turned"
    what = "exit" if kind == causes.EXIT else "opening"
    verb = ("widens" if more else "shrinks") if slope else ("widened" if more else "shrank")
    side = {causes.RISE: " from the wall lit last", causes.FALL: " from the wall lit first"}
    return f"{what} {verb}{side.get(kind, '')}"


def _space(kind: int) -> str:
    return ("" if _UNITS[kind].startswith("%") else " ") + _UNITS[kind]


def _date(day: int) -> str:
    named = named_day(day)
    return f"{named.day} {named:%B %Y}"


def health(
    logged: Logged,
    dial: Dial,
    sky: Sky,
    per_year: float = PER_YEAR,
    progress: Callable[[str, float], None] | None = None,
) -> Health:
    """Solve a log and say what changed in its time. Raises as dialbench.solve.solve does."""
    return judged(solve(logged, dial, sky, progress), sky, per_year)


def judged(solved: Solved, sky: Sky, per_year: float = PER_YEAR) -> Health:
    """The same of a solved log. Raises SkyError for times out of reach."""
    dial, comparison = solved.dial, solved.comparison
    every = lines(solved, sky)
    measured = comparison.measured
    days = solar_day(measured.utc_us, dial.site.longitude_deg)
    first, last = int(days.min()), int(days.max())
    chance = per_year * (last - first + 1) / _YEAR_DAYS
    alike = common(every)
    stray = comparison.unexpected
    unexpected = set(zip(measured.channel[stray].tolist(), days[stray].tolist(), strict=True))
    return Health(
        dial=dial,
        first_day=first,
        last_day=last,
        days=len(every.day),
        crossings=int(np.count_nonzero(solved.fit.told)),
        per_year=per_year,
        changes=changes(every, alike.late_s, _SHARES[0] * chance),
        absent=tuple(absent(due(solved, sky), _SHARES[1] * chance, unexpected)),
        moves=tuple(moves(every.day, alike, _SHARES[2] * chance)),
    )
