"""How a log's crossings fall against those of a dial: by what shift, and channel by channel.

Crossings are told by the Sun's hour angle, in seconds: the pattern of a day is nearly that of
the next, a wrong zone is a shift, and a mirrored body the same with the sign turned. The pose
is unknown: it shifts and bends the pattern, by no more than a badly placed dial would.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from dialbench import predict
from dialbench.crossing import NOMINAL, Pose
from dialbench.dial import Dial
from dialbench.logged import Logged
from dialbench.sky import Sky
from dialcore.crossing import THRESHOLDS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

FEW = 12  # crossings of channels that are in each other's places, at least
_DAYS = 6  # looked at
_DAY_S, HALF_S, _DAY_US = 86_400.0, 43_200.0, 86_400_000_000
_UNIX_EPOCH = date(1970, 1, 1).toordinal()
# A dial set up by eye with a compass and a level stands within 2 deg in each angle (common
# practice, no source): that turns its crossings by so much at most, and bends a day's by less.
POSE_S, BEND_S = 780.0, 300.0
_POSE_DEG = 2.0
NEAR_S = 120.0  # of the predicted, once pose is allowed for: making scatter
_COARSE_S = 120.0
# A case is believed if so much of the log agrees with it, and so much more than with the case
# that was told.
BELIEVED, BETTER = 0.7, 0.25
_LEANING = 0.15  # by so much another channel's agreement is better before it is tried


@dataclass(frozen=True)
class Events:
    """Crossings on some days: arrays of one length.

    hour_s: the Sun's hour angle; tangent: of its declination; day: which of the days.
    """

    day: Ints
    channel: Ints
    threshold: Ints
    rise: Bools
    hour_s: Floats
    tangent: Floats
    utc_us: Ints

    def __len__(self) -> int:
        return len(self.day)

    def only(self, which: Bools) -> Events:
        return Events(
            self.day[which],
            self.channel[which],
            self.threshold[which],
            self.rise[which],
            self.hour_s[which],
            self.tangent[which],
            self.utc_us[which],
        )

    def mirrored(self) -> Events:
        """As a body would have them that is reversed east to west."""
        late_us = np.rint(2e6 * self.hour_s).astype(np.int64)
        return replace(self, rise=~self.rise, hour_s=-self.hour_s, utc_us=self.utc_us - late_us)


@dataclass(frozen=True)
class Case:
    """How the log would have to be taken, and how well it falls into place then: share."""

    mirrored: bool
    late_s: float
    share: float


# From a log to events


def events(logged: Logged, dial: Dial, sky: Sky, pose_deg: Pose = NOMINAL) -> tuple[Events, Events]:
    """Some days of the log, and what is due on them of a body in some pose."""
    measured = logged.measured
    counts = np.bincount(measured.threshold, minlength=len(THRESHOLDS))
    # Those that were logged all the time: the log itself may not say which.
    used = [
        number
        for number, count in enumerate(counts.tolist())
        if count >= 0.5 * counts.max() and not logged.unlogged.get(number)
    ]
    known = measured.channel < len(dial.channels)
    chosen = np.flatnonzero(np.isin(measured.threshold, used) & known)
    number = solar_day(dial, measured.utc_us[chosen])
    days = _some_days(number)
    at = np.isin(number, days)
    chosen, number = chosen[at], number[at]
    log = _placed(
        sky,
        np.searchsorted(days, number),
        measured.channel[chosen],
        measured.threshold[chosen],
        measured.rise[chosen],
        measured.utc_us[chosen],
    )
    parts = []
    for n, day in enumerate(days.tolist()):
        span = sky.daylight(date.fromordinal(_UNIX_EPOCH + day))
        if span is None:
            continue
        due = predict.crossings(dial, sky, *span, pose_deg)
        due = due.only(np.isin(due.threshold, used))
        whose = due.channel, due.threshold, due.rise, due.utc_us
        parts.append(_placed(sky, np.full(len(due.utc_us), n), *whose))
    if not parts:
        return log, log.only(np.zeros(len(log), bool))
    columns = ("day", "channel", "threshold", "rise", "hour_s", "tangent", "utc_us")
    return log, Events(*(np.concatenate([getattr(p, name) for p in parts]) for name in columns))


def solar_day(dial: Dial, utc_us: Ints) -> Ints:
    days: Ints = (utc_us + round(dial.site.longitude_deg * 240e6)) // _DAY_US
    return days


def date_of(dial: Dial, utc_us: int) -> date:
    """The day, by the Sun at the site."""
    return date.fromordinal(_UNIX_EPOCH + int(solar_day(dial, np.array([utc_us]))[0]))


def _some_days(number: Ints) -> Ints:
    """Days that tell much, from all over the log."""
    days, counts = np.unique(number, return_counts=True)
    rich: Ints = days[counts >= 0.5 * counts.max(initial=0)]
    if len(rich) > _DAYS:
        rich = rich[np.linspace(0, len(rich) - 1, _DAYS).round().astype(int)]
    return rich


def _placed(
    sky: Sky, day: Ints, channel: Ints, threshold: Ints, rise: Bools, utc_us: Ints
) -> Events:
    sun = sky.sun(utc_us)
    tangent = np.tan(np.radians(sun.declination_deg))
    return Events(day, channel, threshold, rise, 240 * sun.hour_angle_deg, tangent, utc_us)


# One shift for all


def folded(seconds: Floats) -> Floats:
    """Differences of hour angles, folded into half a day either way."""
    return (seconds + HALF_S) % _DAY_S - HALF_S


def pairs(log: Events, due: Events, alike: bool) -> tuple[Ints, Ints]:
    """All pairs of a logged and a due crossing of one day and direction, and of one channel
    where they must be alike."""

    def key(of: Events) -> Ints:
        whose = of.channel if alike else np.zeros_like(of.channel)
        found: Ints = ((3 * of.day + of.threshold) * 2 + of.rise) * 1024 + whose
        return found

    ours, theirs = key(log), key(due)
    order = np.argsort(theirs, kind="stable")
    theirs = theirs[order]
    low, high = np.searchsorted(theirs, ours), np.searchsorted(theirs, ours, "right")
    many = high - low
    one = np.repeat(np.arange(len(ours)), many)
    other = np.arange(many.sum()) - np.repeat(np.cumsum(many) - many - low, many)
    return one, order[other]


def best(log: Events, due: Events, reach_s: float) -> Case:
    """The one shift under which most logged crossings come near a due one of their channel."""
    one, other = pairs(log, due, alike=True)
    late_s = folded(log.hour_s[one] - due.hour_s[other])
    near = np.abs(late_s) <= reach_s
    one, late_s = one[near], late_s[near]
    if not len(one):
        return Case(False, 0.0, 0.0)
    order = np.argsort(late_s)
    one, late_s = one[order], late_s[order]
    if reach_s >= HALF_S:  # a shift of half a day is one either way
        one = np.concatenate((one, one))
        late_s = np.concatenate((late_s, late_s + _DAY_S))
    middles = np.unique(np.rint(late_s / 30.0)) * 30.0
    low = np.searchsorted(late_s, middles - BEND_S)
    high = np.searchsorted(late_s, middles + BEND_S, "right")
    best, found = -1.0, (0, 0)
    for a, b in sorted(zip(low.tolist(), high.tolist(), strict=True), key=lambda e: e[0] - e[1]):
        if b - a <= best:
            break
        count = len(np.unique(one[a:b]))
        if count > best:
            best, found = count, (a, b)
    here = slice(*found)
    middle = float(np.median(late_s[here]))
    return Case(False, float(folded(np.array(middle))), best / len(log))


# Which channel is which


class Order:
    """Whose predictions each channel's crossings agree with, pose allowed for.

    agreement, shape (channels, channels), 0..1: of what is logged as a channel with what is due
    of another, 1 where all that was logged was due and all that was due was logged; counts:
    crossings that agree; logged: crossings, shape (channels,). order: whose light each channel
    shows, its own but where channels are in each other's places for certain; fit: how well the
    whole log agrees in this order. late_s: how late the body's pose has the due crossings.
    """

    late_s: Floats
    counts: Ints
    agreement: Floats
    _paired: Ints  # with whom each channel agrees, so that in all agreement is best
    _place: Ints  # the same where that is much better than with itself

    def __init__(
        self, log: Events, due: Events, late_s: float, channels: int, observed: Ints
    ) -> None:
        self._log, self._due, self._channels, self._observed = log, due, channels, observed
        self.logged = np.bincount(log.channel, minlength=channels)
        if not self._begin(late_s) > BELIEVED:  # too few are in their places to tell the shift
            starts = [late_s, *np.arange(-POSE_S, POSE_S + 1, _COARSE_S).tolist()]
            late_s = max(starts, key=self._begin)
            self._begin(late_s)
        near_s = BEND_S
        for _ in range(4):
            self.late_s, self._turn = _bent(log, due, self.late_s, self._place, near_s)
            near_s = max(near_s / 2, NEAR_S)
            self._agree(near_s)
        self.order = self._exchanged()
        self.fit = self.fit_in(self.order)

    def pose_deg(self, hemisphere: int) -> Pose:
        """The pose that has the due crossings so late, to first order (dialcore.frames)."""
        turn, cosine, sine = self._turn.tolist()
        return cosine, -hemisphere * sine, -hemisphere * turn

    def _exchanged(self) -> Ints:
        every = np.arange(self._channels)
        order = every.copy()
        for cycle in _cycles(self._paired):
            here = np.isin(every, cycle)
            good, told = self.fit_in(self._paired, here), self.fit_in(every, here)
            if self.logged[here].sum() >= FEW and good > max(BELIEVED, told + BETTER):
                order[here] = self._paired[here]
        return order

    def fit_in(self, order: Ints, some: Bools | slice = slice(None)) -> float:
        """How well the log, or that of some channels, agrees if each is that of an order: 0..1."""
        matched = self.counts[np.arange(self._channels), order][some].sum()
        return float(2 * matched / max((self.logged + self._expected(order))[some].sum(), 1))

    def _begin(self, late_s: float) -> float:
        """Take one shift for all, and say how well everything falls into some place then."""
        self.late_s = np.full(len(self._due), late_s)
        self._agree(BEND_S / 2)
        return self.fit_in(self._place)

    def _expected(self, order: Ints) -> Ints:
        """Crossings that were due, of each channel's place, at least those that came."""
        return np.maximum(self._due_of[order], self.counts[np.arange(self._channels), order])

    def _agree(self, near_s: float) -> None:
        log, due, channels = self._log, self._due, self._channels
        one, other = pairs(log, due, alike=False)
        late_s = folded(log.hour_s[one] - due.hour_s[other] - self.late_s[other])
        near = np.abs(late_s) <= near_s
        one, other = one[near], other[near]
        # One logged crossing counts once for each channel, whatever is due of it.
        key = np.unique(one * channels + due.channel[other])
        count = np.bincount(
            log.channel[key // channels] * channels + key % channels, minlength=channels**2
        )
        self.counts = count.reshape(channels, channels)
        when_us = due.utc_us + np.rint(1e6 * self.late_s).astype(np.int64)
        at = np.searchsorted(self._observed[:, 0], when_us, "right") - 1
        seen = (at >= 0) & (when_us < self._observed[np.maximum(at, 0), 1])
        self._due_of = np.bincount(due.channel[seen], minlength=channels)
        whole = self.logged[:, None] + np.maximum(self._due_of[None, :], self.counts)
        self.agreement = 2 * self.counts / np.maximum(whole, 1)
        # Only a log that fits nothing comes here: scipy's half a second is not everybody's.
        from scipy.optimize import linear_sum_assignment

        ours, theirs = linear_sum_assignment(self.agreement, maximize=True)
        self._paired = theirs
        self._place = np.arange(channels)
        better = self.agreement[ours, theirs] > self.agreement[ours, ours] + _LEANING
        self._place[ours[better]] = theirs[better]


def _cycles(order: Ints) -> Iterator[list[int]]:
    """Channels that go round among each other in an order, two at least."""
    left = set(range(len(order)))
    while left:
        cycle = [left.pop()]
        while (after := int(order[cycle[-1]])) != cycle[0]:
            cycle.append(after)
            left.discard(after)
        if len(cycle) > 1:
            yield cycle


def _bent(
    log: Events, due: Events, late_s: Floats, place: Ints, near_s: float
) -> tuple[Floats, Floats]:
    """By how much a turned body makes the due crossings late: what fits the pairs so far.

    With it three angles in degrees: what all are late by, and by how much more for each unit of
    the declination's tangent times the hour angle's cosine, and its sine.
    """
    placed = replace(log, channel=place[log.channel])
    one, other = pairs(placed, due, alike=True)
    left_s = folded(log.hour_s[one] - due.hour_s[other])
    near = np.abs(left_s - late_s[other]) <= near_s
    one, other, left_s = one[near], other[near], left_s[near]
    if len(one) < 6:
        return late_s, np.zeros(3)

    def terms(index: Ints) -> Floats:
        angle = np.radians(due.hour_s[index] / 240)
        bend = due.tangent[index]
        return 240.0 * np.stack((np.ones(len(index)), bend * np.cos(angle), bend * np.sin(angle)))

    rows = terms(other).T
    prior = np.diag(np.full(3, 60.0 / _POSE_DEG))  # as strong as one crossing good to a minute
    fitted = np.zeros(3)
    for _ in range(5):  # farther ones count less: the sum of sizes, not of squares
        size = np.sqrt(1 / np.maximum(np.abs(left_s - rows @ fitted), 10.0))
        fitted = np.linalg.lstsq(
            np.vstack((rows * size[:, None], prior / 60.0)),
            np.append(left_s * size, np.zeros(3)),
            rcond=None,
        )[0]
    return np.asarray(fitted @ terms(np.arange(len(due)))), fitted
