"""How a dial read over months and hours: shares, errors, what was mistaken for what, and the
share of each cause in the error.

`reading` tells the whole of a pattern; this takes it apart. Errors are of readings: the middle
of the interval that a face stands for, less the time, in minutes, positive when the dial is fast.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dialbench.crossing import NOMINAL, Pose
from dialbench.days import DAY_MIN, folded_min
from dialbench.dial import Dial
from dialbench.predict import plan_step
from dialbench.reading import Pattern, Reading, decode, read
from dialbench.shares import allowed_min
from dialbench.sky import Sky, from_us
from dialcore import frames

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SCHEMA = "dialbench.readings/1"
CAUSES = ("equation of time", "longitude", "pose", "bores", "step", "refraction", "clock")
_LOOK_US = 30_000_000  # how often the errors are looked at
_QUANTILES = (0.0, 0.05, 0.25, 0.5, 0.75, 0.95, 1.0)
_MIN_US, _DAY_US = 60e6, 86_400_000_000
_CONFUSED = 12  # pairs listed
_MIN_PER_DEG = 4.0


@dataclass(frozen=True)
class Spread:
    """Errors against one kind of time: quantiles by their shares, mean and root mean square."""

    quantile_min: dict[str, float]
    mean_min: float
    rms_min: float

    @classmethod
    def of(cls, errors_min: Floats) -> Spread:
        found = np.quantile(errors_min, _QUANTILES)
        return cls(
            {f"{share:g}": float(at) for share, at in zip(_QUANTILES, found, strict=True)},
            float(errors_min.mean()),
            float(np.sqrt((errors_min**2).mean())),
        )


@dataclass(frozen=True)
class Confused:
    """A face read where another step's was due, or two faces that few channels tell apart."""

    due: str
    read: str
    channels: int
    share: float


@dataclass(frozen=True)
class Readings:
    """whole, by month (1 to 12) and by hour of the zone's standard time (0 to 23), those with
    any of the plan's time only. spreads: against apparent, mean, zone, UTC and legal time;
    None where nothing was read. confused: wrong readings, by their share of the plan's time; alike: the
    pairs of faces nearest to each other. budget: each cause's part in the error against the
    zone's time, in the order of CAUSES; a cause that is not known apart is None, and then
    is in "bores"."""

    dial: Dial
    whole: Reading
    months: dict[int, Reading]
    hours: dict[int, Reading]
    spreads: dict[str, Spread] | None
    confused: tuple[Confused, ...]
    alike: tuple[Confused, ...]
    budget: dict[str, Spread | None]

    def as_dict(self) -> dict[str, Any]:
        """The same as JSON's own types."""
        return {
            "schema": SCHEMA,
            "dial": {"name": self.dial.name, "hash": self.dial.hash},
            "whole": self.whole.as_dict(),
            "months": {str(month): one.as_dict() for month, one in self.months.items()},
            "hours": {str(hour): one.as_dict() for hour, one in self.hours.items()},
            "errors": None
            if self.spreads is None
            else {kind: asdict(one) for kind, one in self.spreads.items()},
            "confused": [asdict(one) for one in self.confused],
            "alike": [asdict(one) for one in self.alike],
            "budget": {
                cause: None if one is None else asdict(one) for cause, one in self.budget.items()
            },
        }

    def table(self) -> tuple[tuple[str, ...], ...]:
        """A heading, the whole, then months and hours."""
        head = ("", "plan h", "right", "wrong", "blank", "median, min", "worst, min")
        rows = [("all", self.whole)]
        rows += [(f"{datetime(2001, month, 1):%B}", one) for month, one in self.months.items()]
        rows += [(f"{hour:02}:00", one) for hour, one in self.hours.items()]
        return (head, *((name, *_cells(one)) for name, one in rows))

    def error_table(self) -> tuple[tuple[str, ...], ...]:
        """Errors against each kind of time, then what each cause has in them."""
        head = ("minutes", "mean", "rms", "5%", "median", "95%", "least", "most")
        rows = [(f"against {kind} time", one) for kind, one in (self.spreads or {}).items()]
        rows += [(f"by {cause}", one) for cause, one in self.budget.items() if one is not None]
        return (head, *((name, *_figures(one)) for name, one in rows))

    def sentences(self) -> tuple[str, ...]:
        if not self.whole.plan_hours:
            return ("There is none of the plan's time in it: nothing was to be read.",)
        told = []
        for one in self.confused[:3]:
            told.append(
                f"{one.read} was read where {one.due} was due, {one.share:.2%} of the plan's time;"
                f" the two differ in {one.channels} channels."
            )
        if self.alike:
            nearest = self.alike[0]
            told.append(
                f"Most easily mistaken: {nearest.due} and {nearest.read}, told apart by"
                f" {nearest.channels} channel{'s' * (nearest.channels != 1)}."
            )
        if self.budget.get("pose") is None:
            told.append(
                "How the body stands is not known here, so its part in the error is in that of the"
                " bores: --pose says it, as solve tells."
            )
        return tuple(told)


def readings(
    dial: Dial,
    sky: Sky,
    lit: Pattern,
    pose_deg: Pose | None = None,
    clock_sigma_s: float = 0.0,
    progress: Callable[[float], None] | None = None,
) -> Readings:
    """A pattern's readings, measured or predicted.

    pose_deg: how the body stands, where that is known; clock_sigma_s: how well the log's times
    are. Raises SkyError.
    """
    report = progress or (lambda _: None)
    whole = read(dial, sky, lit)
    report(0.2)
    months: dict[int, Reading] = {}
    hours: dict[int, Reading] = {}
    for at, (found, groups) in enumerate(
        ((months, _by_month(dial, lit)), (hours, _by_hour(dial, lit)))
    ):
        for number, spans in sorted(groups.items()):
            one = read(dial, sky, lit.within(spans))
            if one.plan_hours:
                found[number] = one
        report(0.4 + 0.3 * at)
    spreads, confused, budget = _looked(dial, sky, lit, pose_deg, clock_sigma_s)
    report(1.0)
    return Readings(dial, whole, months, hours, spreads, confused, _alike(dial), budget)


def _by_month(dial: Dial, lit: Pattern) -> dict[int, list[tuple[int, int]]]:
    """The calendar months of the zone that a pattern touches, by number, in UTC."""
    groups: dict[int, list[tuple[int, int]]] = {}
    if not len(lit.start_us):
        return groups
    at = from_us(int(lit.start_us[0])).astimezone(dial.site.tz)
    month = at.replace(day=1, hour=0, minute=0, second=0, microsecond=0)
    last = from_us(int(lit.end_us[-1]))
    while month <= last:
        after = (month + timedelta(days=32)).replace(day=1)
        groups.setdefault(month.month, []).append((_us(month), _us(after)))
        month = after
    return groups


def _by_hour(dial: Dial, lit: Pattern) -> dict[int, list[tuple[int, int]]]:
    """Hours of the zone's standard time over the days that a pattern touches."""
    groups: dict[int, list[tuple[int, int]]] = {}
    if not len(lit.start_us):
        return groups
    first, last = int(lit.start_us[0]) // _DAY_US - 1, int(lit.end_us[-1]) // _DAY_US + 1
    for day in range(first, last + 1):
        ahead_h = dial.site.standard_offset_h(datetime.fromtimestamp(day * 86_400, UTC).date())
        begin = day * _DAY_US - round(ahead_h * 3600e6)
        for hour in range(24):
            start = begin + hour * 3_600_000_000
            groups.setdefault(hour, []).append((start, start + 3_600_000_000))
    return groups


def _us(moment: datetime) -> int:
    return round(moment.timestamp()) * 1_000_000


def _looked(
    dial: Dial, sky: Sky, lit: Pattern, pose_deg: Pose | None, clock_sigma_s: float
) -> tuple[dict[str, Spread] | None, tuple[Confused, ...], dict[str, Spread | None]]:
    """Errors, mistakes and causes at instants _LOOK_US apart throughout a pattern."""
    nothing = dict.fromkeys(CAUSES)
    at_us, face = _instants(lit)
    if not len(at_us):
        return None, (), nothing
    sun = sky.sun(at_us)
    due = plan_step(dial, sun.hour_angle_deg)
    keep = (due >= 0) & sun.up
    at_us, face, due = at_us[keep], face[keep], due[keep]
    polar = tuple(part[keep] for part in sun.polar)
    hour_deg = sun.hour_angle_deg[keep]
    if not len(at_us):
        return None, (), nothing
    plan, site = dial.plan, dial.site
    starts_min = np.array([step.start_min for step in plan.steps]) + plan.step_min / 2
    offset_min, legal_min = _offsets_min(dial, at_us)
    zone_min = at_us / _MIN_US % DAY_MIN + offset_min
    said = _said(dial, lit, face, zone_min)
    is_said = said >= 0
    confused = _confusions(dial, due, said)
    if not is_said.any():
        return None, confused, nothing
    at_us, due, said, hour_deg = at_us[is_said], due[is_said], said[is_said], hour_deg[is_said]
    zone_min, offset_min, legal_min = zone_min[is_said], offset_min[is_said], legal_min[is_said]
    middle = starts_min[said]
    apparent_min = DAY_MIN / 2 + _MIN_PER_DEG * hour_deg
    mean_min = at_us / _MIN_US % DAY_MIN + _MIN_PER_DEG * site.longitude_deg
    kinds = {
        "apparent": apparent_min,
        "mean": mean_min,
        "zone": zone_min,
        "UTC": at_us / _MIN_US,
        "legal": zone_min + legal_min,
    }
    spreads = {kind: Spread.of(folded_min(middle - minutes)) for kind, minutes in kinds.items()}
    # The causes of the error against the zone's time; they add up to it.
    eot_min = sky.equation_of_time_s(at_us) / 60
    allowed_eot, allowed_longitude = allowed_min(site, plan)
    pose_min = _pose_min(
        tuple(part[is_said] for part in polar), hour_deg, site.hemisphere, pose_deg
    )
    stands_min = apparent_min - allowed_eot - allowed_longitude + pose_min
    planned = plan_step(dial, hour_deg + pose_min / _MIN_PER_DEG)
    inside = planned >= 0
    step_min = np.where(inside, folded_min(starts_min[planned] - stands_min), 0.0)
    due_min = np.where(inside, starts_min[planned], stands_min)
    budget: dict[str, Spread | None] = {
        "equation of time": Spread.of(eot_min - allowed_eot),
        "longitude": Spread.of(
            folded_min(_MIN_PER_DEG * site.longitude_deg - offset_min - allowed_longitude)
        ),
        "pose": None if pose_deg is None else Spread.of(pose_min),
        "bores": Spread.of(folded_min(middle - due_min)),
        "step": Spread.of(step_min),
        "refraction": Spread.of(folded_min(apparent_min - mean_min - eot_min)),
        "clock": Spread.of(np.array([-clock_sigma_s, clock_sigma_s]) / 60),
    }
    return spreads, confused, budget


def _instants(lit: Pattern) -> tuple[Ints, Ints]:
    """Instants spread evenly over a pattern, and the face shown at each."""
    lasted = lit.end_us - lit.start_us
    ends = np.cumsum(lasted)
    if not len(ends):
        return np.empty(0, np.int64), np.empty(0, np.int64)
    into = np.arange(_LOOK_US // 2, int(ends[-1]), _LOOK_US, dtype=np.int64)
    piece = np.searchsorted(ends, into, side="right")
    return (lit.end_us[piece] - (ends[piece] - into)).astype(np.int64), lit.face[piece]


def _said(dial: Dial, lit: Pattern, face: Ints, zone_min: Floats) -> Ints:
    """The step that each face spells, -1 for none; of steps that share one, the nearest."""
    said = np.full(len(face), -1)
    for number, channels in enumerate(lit.faces):
        these = np.flatnonzero(face == number)
        if not len(these) or decode(dial, channels) is None:
            continue
        steps = [step for step in dial.plan.steps if step.channels == channels]
        middles = np.array([step.start_min + dial.plan.step_min / 2 for step in steps])
        nearest = np.argmin(abs(folded_min(middles - zone_min[these, None])), axis=1)
        said[these] = np.array([step.index for step in steps])[nearest]
    return said


def _confusions(dial: Dial, due: Ints, said: Ints) -> tuple[Confused, ...]:
    """The most frequent wrong readings, by their share of the plan's time."""
    steps = dial.plan.steps
    faces = np.array([hash(step.channels) for step in steps])
    wrong = (said >= 0) & (faces[said] != faces[due])
    pairs, counts = np.unique(np.stack((due[wrong], said[wrong])), axis=1, return_counts=True)
    order = np.argsort(-counts, kind="stable")[:_CONFUSED]
    return tuple(
        Confused(
            steps[a].spells,
            steps[b].spells,
            len(steps[a].channels ^ steps[b].channels),
            float(count / len(due)),
        )
        for (a, b), count in zip(pairs.T[order].tolist(), counts[order], strict=True)
    )


def _alike(dial: Dial) -> tuple[Confused, ...]:
    """The pairs of different faces that the fewest channels tell apart."""
    steps = list({step.channels: step for step in dial.plan.steps}.values())
    pairs = [
        Confused(a.spells, b.spells, len(a.channels ^ b.channels), 0.0)
        for at, a in enumerate(steps)
        for b in steps[at + 1 :]
    ]
    return tuple(sorted(pairs, key=lambda pair: pair.channels)[:_CONFUSED])


def _pose_min(
    polar: tuple[Floats, ...], hour_deg: Floats, hemisphere: int, pose_deg: Pose | None
) -> Floats:
    """By how much a body that stands so is fast, in minutes: its own hour angle of the Sun less
    the true one."""
    wx, wy, wz = np.radians(NOMINAL if pose_deg is None else pose_deg)
    seen = frames.apply(frames.transpose(frames.rotation(wx, wy, wz, np)), polar)
    own, _ = frames.place(seen, hemisphere, np)
    turned: Floats = _MIN_PER_DEG * ((np.degrees(own) - hour_deg + 180) % 360 - 180)
    return turned


def _offsets_min(dial: Dial, at_us: Ints) -> tuple[Floats, Floats]:
    """Minutes that standard time is ahead of UTC, and clocks ahead of standard time, hour by
    hour (zones change at whole hours of UTC, or at halves: within half an hour of it)."""
    hours, which = np.unique(at_us // 1_800_000_000, return_inverse=True)
    standard, legal = [], []
    for hour in hours.tolist():
        moment = from_us(hour * 1_800_000_000)
        ahead = dial.site.standard_offset_h(moment.date()) * 60
        whole = (moment.astimezone(dial.site.tz).utcoffset() or timedelta()) / timedelta(minutes=1)
        standard.append(ahead)
        legal.append(whole - ahead)
    return np.array(standard)[which], np.array(legal)[which]


def _cells(one: Reading) -> Iterable[str]:
    shares = (one.share_right, one.share_wrong, one.share_blank)
    zone = one.zone
    return (
        f"{one.plan_hours:.1f}",
        *("-" if share is None else f"{share:.2%}" for share in shares),
        "-" if zone is None else f"{zone.median_min:+.1f}",
        "-" if zone is None else f"{zone.worst_min:+.1f}",
    )


def _figures(one: Spread) -> Iterable[str]:
    at = one.quantile_min
    values = (at["0.05"], at["0.5"], at["0.95"], at["0"], at["1"])
    return (f"{one.mean_min:+.2f}", f"{one.rms_min:.2f}", *(f"{value:+.2f}" for value in values))
