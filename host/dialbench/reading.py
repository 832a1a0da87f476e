"""What the dial said, when, and how far off: from crossings to faces to errors.

Only crossings at lit fraction 0.50 count here: a channel is lit from rising to falling.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Collection, Iterable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dialbench.compare import Interval, Ints, Measured, merged
from dialbench.crossing import Crossings
from dialbench.days import DAY_MIN, folded_min
from dialbench.dial import Dial, Plan, Step
from dialbench.predict import plan_step
from dialbench.sky import Sky, from_us

Floats = NDArray[np.float64]
Face = frozenset[int]

SCHEMA = "dialbench.reading/1"

_HALF = 1  # the threshold at lit fraction 0.50
_MIN_US = 60_000_000.0
# The Sun's hour angle is looked up this often and interpolated between: straight within
# about 0.1 s even at the horizon, where refraction bends it most.
_GRID_US = 60_000_000
_EDGE_US = 1000
# A snapshot is taken as direct sun comes; it may be stamped a scan or two before that.
_SNAPSHOT_US = 1_000_000
# While one face changes to the next, channels made 0.1 deg off change up to a minute
# apart, and what is lit meanwhile may happen to be a third face. Nobody reads that.
LASTING_S = 60


@dataclass(frozen=True)
class Pattern:
    """What was lit: from start_us to end_us the channels faces[face], in order of time.

    start_us, end_us, face have shape (n,). The intervals do not overlap; between them
    nothing is known.
    """

    start_us: Ints
    end_us: Ints
    face: Ints
    faces: tuple[Face, ...]

    def within(self, intervals: Iterable[Interval]) -> Pattern:
        """The part of it that lies within intervals (start_us, end_us)."""
        spans = merged(intervals)
        bounds = np.unique(np.concatenate((self.start_us, self.end_us, spans.ravel())))
        a, b = bounds[:-1], bounds[1:]
        ours = _covering(a, self.start_us, self.end_us)
        keep = (ours >= 0) & (_covering(a, spans[:, 0], spans[:, 1]) >= 0)
        return Pattern(a[keep], b[keep], self.face[ours[keep]], self.faces)


@dataclass(frozen=True)
class Errors:
    """Errors of the readings against one kind of time, in minutes, positive: the dial is fast.

    At each instant: the middle of the interval the face stands for, minus the time. So
    half a step either way is in it even for a perfect dial. worst_min: the one largest in
    size, over everything that was read; worst_lasting_min: over faces that stood for
    LASTING_S at least (None if none did); median_min: over time.
    """

    worst_min: float
    worst_lasting_min: float | None
    median_min: float


@dataclass(frozen=True)
class Reading:
    """How the dial read over the plan's time as far as it was observed: plan_hours.

    Shares of that time, None when there is none: right, exactly the channels lit of the
    step the plan has at the Sun's hour angle (as predict.duty counts it); wrong, another
    step's face; blank, nothing lit or no face of the plan. errors against the zone's
    standard time, local mean and local apparent time; None when nothing could be read.
    """

    plan_hours: float
    share_right: float | None
    share_wrong: float | None
    share_blank: float | None
    zone: Errors | None
    mean: Errors | None
    apparent: Errors | None

    def as_dict(self) -> dict[str, Any]:
        """The same as JSON's own types; SCHEMA names its form."""
        return {"schema": SCHEMA, **asdict(self)}


def decode(dial: Dial, lit: Collection[int], near_min: float | None = None) -> Step | None:
    """The step whose face is exactly the lit channels; None for no step's, or none lit.

    Where several steps share the face, near_min (zone standard time, minutes after
    midnight) chooses the one whose middle is nearest, counted round the clock; without
    it the plan's first is taken.
    """
    face = frozenset(lit)
    steps = [step for step in dial.plan.steps if step.channels == face]
    if not steps or not face:
        return None
    if near_min is None:
        return steps[0]
    middles = np.array([_middle_min(dial.plan, step) for step in steps])
    return steps[int(np.argmin(abs(folded_min(middles - near_min))))]


def zone_time(dial: Dial, utc_us: int) -> datetime:
    """The instant in standard time of the dial's zone: a dial knows no summer time."""
    utc = from_us(utc_us)
    ahead = timedelta(hours=dial.site.standard_offset_h(utc.date()))
    return utc.astimezone(timezone(ahead))


def minutes(clock: datetime) -> float:
    """Minutes after midnight of what a clock shows."""
    return 60 * clock.hour + clock.minute + clock.second / 60 + clock.microsecond / 6e7


def ahead_min(plan: Plan, step: Step, clock_min: float) -> float:
    """By how many minutes a step is ahead of a clock, -720..720, positive where the dial is
    fast: the middle of the interval that it stands for, minus the clock (as Errors count it)."""
    return folded_min(_middle_min(plan, step) - clock_min)


def unpack_levels(levels: bytes) -> Face:
    """The lit channels of packed levels (two bits a channel, as in a snapshot)."""
    return frozenset(
        4 * at + k for at, byte in enumerate(levels) for k in range(4) if byte >> 2 * k & 3 > _HALF
    )


def pattern(
    crossings: Crossings | Measured,
    observed: Iterable[Interval],
    initial: Iterable[tuple[int, bytes]] = (),
) -> Pattern:
    """What was lit during the observed intervals (start_us, end_us).

    Each begins dark unless a snapshot says otherwise. initial: snapshots (utc_us, levels),
    levels packing two bits a channel, the number of thresholds it is above; one within an
    interval, or up to 1 s before its start, sets every channel. Predicted crossings are
    best followed over whole days and then cut: pattern(p, days).within(observed).
    """
    half = np.flatnonzero(crossings.threshold == _HALF)
    events: list[tuple[int, int, Face | int]] = [
        (int(utc), 1 + bool(rise), int(channel))
        for utc, rise, channel in zip(
            crossings.utc_us[half], crossings.rise[half], crossings.channel[half], strict=True
        )
    ]
    events += [(int(utc), 0, unpack_levels(levels)) for utc, levels in initial]
    events.sort(key=lambda event: event[:2])
    at_us = [event[0] for event in events]

    starts: list[int] = []
    ends: list[int] = []
    shown: list[Face] = []
    for start, end in merged(observed).tolist():
        lit: set[int] = set()
        since = start
        first = bisect_left(at_us, start - _SNAPSHOT_US)
        for utc, kind, what in events[first : bisect_left(at_us, end)]:
            if utc < start and kind:
                continue
            before = frozenset(lit)
            if isinstance(what, frozenset):
                lit = set(what)
            elif kind == 2:
                lit.add(what)
            else:
                lit.discard(what)
            if lit != before and utc > since:
                starts.append(since)
                ends.append(utc)
                shown.append(before)
                since = utc
        starts.append(since)
        ends.append(end)
        shown.append(frozenset(lit))
    names = {face: at for at, face in enumerate(dict.fromkeys(shown))}
    return Pattern(
        np.array(starts, np.int64),
        np.array(ends, np.int64),
        np.array([names[face] for face in shown], np.int64),
        tuple(names),
    )


def read(dial: Dial, sky: Sky, lit: Pattern) -> Reading:
    """How the dial read during a pattern's time (measured, or predicted for comparison).

    Of steps that share a face, decode() by the zone's clock says which is read, each time
    the face comes or the plan goes over to another step. Raises SkyError.
    """
    grid, hour_angle_deg = _sun_grid(sky, lit)

    def hours(utc_us: Ints) -> Floats:
        return np.interp(utc_us, grid, hour_angle_deg)

    def step_at(utc_us: Ints) -> Ints:
        folded = (hours(utc_us) + 180) % 360 - 180
        return np.asarray(plan_step(dial, folded), np.int64)

    bounds = np.unique(np.concatenate((lit.start_us, lit.end_us, _step_edges(step_at, grid))))
    a, b = bounds[:-1], bounds[1:]
    piece = _covering(a, lit.start_us, lit.end_us)
    planned = step_at((a + b) // 2) if len(a) else np.empty(0, np.int64)
    keep = (piece >= 0) & (planned >= 0)
    a, b, piece, planned = a[keep], b[keep], piece[keep], planned[keep]
    lasted = b - a
    whole = int(lasted.sum())
    if not whole:
        return Reading(0.0, None, None, None, None, None, None)

    # Faces by number: steps that share one have one number; -1 is no face of the plan.
    numbers: dict[Face, int] = {}
    of_step = np.array([numbers.setdefault(s.channels, len(numbers)) for s in dial.plan.steps])
    of_face = np.array([numbers.get(face, -1) for face in lit.faces])
    empty = np.array([not face for face in lit.faces])
    face = lit.face[piece]
    right = of_face[face] == of_step[planned]
    blank = ~right & (empty[face] | (of_face[face] < 0))

    said = np.flatnonzero((of_face[face] >= 0) & ~empty[face])
    a, b, piece = a[said], b[said], piece[said]
    ahead_h = _standard_offsets_h(dial, a)
    zone_min = (a / _MIN_US + 60 * ahead_h) % DAY_MIN
    middle = np.empty(len(said))
    for number in np.unique(of_face[face[said]]):
        these = of_face[face[said]] == number
        middles = np.array(
            [_middle_min(dial.plan, s) for s in dial.plan.steps if numbers[s.channels] == number]
        )
        off = abs(folded_min(middles - zone_min[these, None]))
        middle[these] = middles[np.argmin(off, axis=1)]
    lasting = (lit.end_us - lit.start_us)[piece] >= LASTING_S * 1_000_000

    def errors(time_min: Floats, passed_min: Floats) -> Errors | None:
        first = folded_min(middle - time_min)
        return _errors(first, first - passed_min, lasting) if len(first) else None

    passed = (b - a) / _MIN_US
    return Reading(
        plan_hours=whole / _MIN_US / 60,
        share_right=int(lasted[right].sum()) / whole,
        share_wrong=int(lasted[~right & ~blank].sum()) / whole,
        share_blank=int(lasted[blank].sum()) / whole,
        zone=errors(zone_min, passed),
        mean=errors(a / _MIN_US + 4 * dial.site.longitude_deg, passed),
        apparent=errors(DAY_MIN / 2 + 4 * hours(a), 4 * (hours(b) - hours(a))),
    )


def _middle_min(plan: Plan, step: Step) -> float:
    return step.start_min + plan.step_min / 2


def _covering(utc_us: Ints, start_us: Ints, end_us: Ints) -> Ints:
    """For each instant the index of the interval (sorted, disjoint) it lies in, or -1."""
    at = np.searchsorted(start_us, utc_us, "right") - 1
    if len(start_us):
        at[utc_us >= end_us[at]] = -1
    return at


def _sun_grid(sky: Sky, lit: Pattern) -> tuple[Ints, Floats]:
    """Instants _GRID_US apart that cover the pattern, and the Sun's hour angle, unwrapped."""
    spans = merged(
        (int(start) // _GRID_US, -(-int(end) // _GRID_US))
        for start, end in zip(lit.start_us, lit.end_us, strict=True)
    )
    if not len(spans):
        return np.empty(0, np.int64), np.empty(0)
    grid = _GRID_US * np.concatenate([np.arange(start, end + 1) for start, end in spans])
    return grid, np.unwrap(sky.sun(grid).hour_angle_deg, period=360)


def _step_edges(step_at: Callable[[Ints], Ints], grid: Ints) -> Ints:
    """Instants, within _EDGE_US, at which the plan goes over to another step."""
    early, late = grid[:-1], grid[1:]
    whole = late - early == _GRID_US
    early, late = early[whole], late[whole]
    while len(early):
        change = step_at(early) != step_at(late)
        early, late = early[change], late[change]
        if not len(early) or late[0] - early[0] <= _EDGE_US:
            break
        middle = (early + late) // 2
        early, late = np.concatenate((early, middle)), np.concatenate((middle, late))
    return late


def _standard_offsets_h(dial: Dial, utc_us: Ints) -> Floats:
    """Hours the zone's standard time is ahead of UTC at each instant, day by day."""
    days, which = np.unique(utc_us // 86_400_000_000, return_inverse=True)
    ahead = [
        dial.site.standard_offset_h(datetime.fromtimestamp(int(day) * 86_400, UTC).date())
        for day in days
    ]
    return np.array(ahead, float)[which]


def _errors(first: Floats, last: Floats, lasting: NDArray[np.bool_]) -> Errors:
    """Errors that each run evenly from first to last, each for a time that is first - last."""

    ends = np.stack((first, last))
    worst = ends.ravel()[np.argmax(abs(ends))]
    lasts = ends[:, lasting].ravel()

    # Time spent below an error is a broken line with a bend at each end: find its half.
    bends = np.concatenate((last, first))
    order = np.argsort(bends, kind="stable")
    slope = np.cumsum(np.repeat((1, -1), len(first))[order])
    bends = bends[order]
    below = np.concatenate(([0.0], np.cumsum(slope[:-1] * np.diff(bends))))
    return Errors(
        worst_min=float(worst),
        worst_lasting_min=float(lasts[np.argmax(abs(lasts))]) if len(lasts) else None,
        median_min=float(np.interp(below[-1] / 2, below, bends)),
    )
