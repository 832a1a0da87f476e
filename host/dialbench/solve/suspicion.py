"""Wrong inputs, found by how crossings fall and called by name, before anything is solved.

A log that is not what it is taken for (another dial's, of channels in another order, in
another zone's time) gives a solution like any other, and a wrong one. So some days of it are
held against what the dial would show in other cases: where crossings fall much better into
one of these than into the case that was told, that is said, with the mend.

Crossings are told by the Sun's hour angle, in seconds: the pattern of a day is nearly that of
the next, a wrong zone is a shift, and a mirrored body the same with the sign turned. The pose
is unknown: it shifts and bends the pattern, by no more than a badly placed dial would.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from dialbench import predict
from dialbench.compare import Measured, merged
from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.logged import Logged
from dialbench.sky import Sky, from_us

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_DAYS = 6  # looked at
_FEWEST = 24  # crossings, or nothing is suspected
_DAY_S, _HALF_S, _DAY_US = 86_400.0, 43_200.0, 86_400_000_000
_UNIX_EPOCH = date(1970, 1, 1).toordinal()
# A dial set up by eye with a compass and a level stands within 2 deg in each angle (common
# practice, no source): that turns its crossings by so much at most, and bends a day's by less.
_POSE_S, _BEND_S = 780.0, 300.0
_POSE_DEG = 2.0
_NEAR_S = 90.0  # of the predicted, once pose is allowed for: making scatter
# Shares of the log's crossings that fall where they should: a case is believed from the
# first on if it beats what was told by the second; below the third it is another dial's.
_BELIEVED, _BETTER, _STRANGE = 0.7, 0.25, 0.5
_ORDERED = 0.7  # a channel's agreement with another's prediction, and by how much it is better
_APART = 0.3
_SHUFFLED = 1 / 3  # of the channels in wrong places: what is left is no dial to solve
_TANGLED = 0.2  # share of crossings that repeat the one before: two logs in one
_DARK_S = 600.0  # of direct sun while the Sun is down
_DAY_APART_S = 90.0  # by how much two neighbouring days' common shift may differ


class SuspicionError(UserError):
    """The log is not what it is taken for; one sentence a fault, with its mend."""


@dataclass(frozen=True)
class Suspicion:
    """One wrong input. hopeless: there is nothing to solve until it is mended; channels: those
    whose crossings say nothing of the dial as long as it is not."""

    kind: str
    sentence: str
    hopeless: bool
    channels: tuple[int, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """As JSON's own types."""
        return {
            "kind": self.kind,
            "text": self.sentence,
            "hopeless": self.hopeless,
            "channels": list(self.channels),
        }


@dataclass(frozen=True)
class _Events:
    """Crossings of one threshold on some days: arrays of one length.

    hour_s: the Sun's hour angle; tangent: of its declination; day: which of the days.
    """

    day: Ints
    channel: Ints
    rise: Bools
    hour_s: Floats
    tangent: Floats
    utc_us: Ints

    def __len__(self) -> int:
        return len(self.day)

    def only(self, which: Bools) -> _Events:
        return _Events(
            self.day[which],
            self.channel[which],
            self.rise[which],
            self.hour_s[which],
            self.tangent[which],
            self.utc_us[which],
        )

    def mirrored(self) -> _Events:
        """As a body would have them that is reversed east to west."""
        late_us = np.rint(2e6 * self.hour_s).astype(np.int64)
        return replace(self, rise=~self.rise, hour_s=-self.hour_s, utc_us=self.utc_us - late_us)


@dataclass(frozen=True)
class _Case:
    """How the log would have to be taken, and how well it falls into place then: share."""

    mirrored: bool
    late_s: float
    share: float


def refused(found: Sequence[Suspicion]) -> None:
    """Raises SuspicionError where some fault leaves nothing to solve."""
    hopeless = [one.sentence for one in found if one.hopeless]
    if hopeless:
        raise SuspicionError("\n".join(hopeless))


def suspicions(logged: Logged, dial: Dial, sky: Sky) -> list[Suspicion]:
    """What seems wrong with a log, or with the dial it is held against; nothing, of a sound one.

    Raises SkyError.
    """
    return [*_of_other_boots(logged), *_of_crossings(logged, dial, sky)]


def _of_other_boots(logged: Logged) -> Iterator[Suspicion]:
    if logged.other_boots:
        boots = ", ".join(str(number) for number in logged.other_boots)
        yield Suspicion(
            "boots",
            f"Boots {boots} were logged with another dial than {logged.dial_hash}: they are left"
            " out; pull a board that serves two dials into a store for each.",
            False,
        )


def _of_crossings(logged: Logged, dial: Dial, sky: Sky) -> list[Suspicion]:
    strange = logged.dial_hash is not None and logged.dial_hash != dial.hash
    own = f"; the log was made with dial {logged.dial_hash}, and this is dial {dial.hash}"
    own = own if strange else ""
    tangled = list(_tangled(logged))
    log, due = _events(logged, dial, sky)
    if len(log) < _FEWEST or not len(due):
        return tangled
    here = _best(log, due, _POSE_S)
    case = max(
        (
            replace(_best(log, seen, _HALF_S), mirrored=turned)
            for turned, seen in ((False, due), (True, due.mirrored()))
        ),
        key=lambda one: one.share,
    )
    if case.share < max(_BELIEVED, here.share + _BETTER):
        case = here
    if tangled:
        return tangled
    if case.mirrored:
        return [_mirror(case, logged, dial, sky)]
    if abs(case.late_s) > _POSE_S:
        return [_clock(case, dial, sky, int(np.median(log.utc_us)))]
    found = _Order(log, due, case.late_s, len(dial.channels), logged)
    order = found.suspicion(dial)
    if order is not None and order.hopeless:
        return [order]
    dark = list(_dark(logged, dial, sky))
    if dark:
        return dark
    days = list(_days(log, due, found, dial))
    if days:
        return days
    told = [] if order is None else [order]
    if found.share < _STRANGE:
        return [
            Suspicion(
                "dial",
                f"Of the log's crossings {found.share:.0%} come where this dial's would, as by"
                f" chance{own}: name the dial.toml of the body that was logged with --dial.",
                True,
            )
        ]
    if strange:
        told.append(
            Suspicion(
                "hash",
                f"Crossings fall as this dial's would{own}: if the file was measured or mended"
                " since, all is well; if not, name the right one with --dial.",
                False,
            )
        )
    return told


def without(logged: Logged, found: Sequence[Suspicion]) -> Logged:
    """The log without the crossings of channels that stand in each other's places."""
    out = sorted({channel for one in found for channel in one.channels})
    if not out:
        return logged
    measured = logged.measured
    keep = ~np.isin(measured.channel, out)
    return replace(
        logged,
        measured=Measured(
            measured.channel[keep],
            measured.threshold[keep],
            measured.rise[keep],
            measured.utc_us[keep],
            measured.sigma_s[keep],
        ),
    )


# From a log to events


def _events(logged: Logged, dial: Dial, sky: Sky) -> tuple[_Events, _Events]:
    """Some days of the log, and what is due on them."""
    measured = logged.measured
    counts = np.bincount(measured.threshold, minlength=3)
    threshold = 1 if counts[1] else int(counts.argmax())
    chosen = np.flatnonzero(measured.threshold == threshold)
    number = _solar_day(dial, measured.utc_us[chosen])
    days = _some_days(number)
    at = np.isin(number, days)
    chosen, number = chosen[at], number[at]
    log = _placed(
        sky,
        np.searchsorted(days, number),
        measured.channel[chosen],
        measured.rise[chosen],
        measured.utc_us[chosen],
    )
    parts = []
    for n, day in enumerate(days.tolist()):
        span = sky.daylight(date.fromordinal(_UNIX_EPOCH + day))
        if span is None:
            continue
        due = predict.crossings(dial, sky, *span)
        due = due.only(due.threshold == threshold)
        parts.append(_placed(sky, np.full(len(due.utc_us), n), due.channel, due.rise, due.utc_us))
    if not parts:
        return log, log.only(np.zeros(len(log), bool))
    columns = ("day", "channel", "rise", "hour_s", "tangent", "utc_us")
    return log, _Events(*(np.concatenate([getattr(p, name) for p in parts]) for name in columns))


def _solar_day(dial: Dial, utc_us: Ints) -> Ints:
    days: Ints = (utc_us + round(dial.site.longitude_deg * 240e6)) // _DAY_US
    return days


def _some_days(number: Ints) -> Ints:
    """Days that tell much, from all over the log."""
    days, counts = np.unique(number, return_counts=True)
    rich: Ints = days[counts >= 0.5 * counts.max(initial=0)]
    if len(rich) > _DAYS:
        rich = rich[np.linspace(0, len(rich) - 1, _DAYS).round().astype(int)]
    return rich


def _placed(sky: Sky, day: Ints, channel: Ints, rise: Bools, utc_us: Ints) -> _Events:
    sun = sky.sun(utc_us)
    tangent = np.tan(np.radians(sun.declination_deg))
    return _Events(day, channel, rise, 240 * sun.hour_angle_deg, tangent, utc_us)


# One shift for all


def _round(seconds: Floats) -> Floats:
    """Differences of hour angles, folded into half a day either way."""
    return (seconds + _HALF_S) % _DAY_S - _HALF_S


def _pairs(log: _Events, due: _Events, alike: bool) -> tuple[Ints, Ints]:
    """All pairs of a logged and a due crossing of one day and direction, and of one channel
    where they must be alike."""

    def key(of: _Events) -> Ints:
        whose = of.channel if alike else np.zeros_like(of.channel)
        found: Ints = (2 * of.day + of.rise) * 1024 + whose
        return found

    ours, theirs = key(log), key(due)
    order = np.argsort(theirs, kind="stable")
    theirs = theirs[order]
    low, high = np.searchsorted(theirs, ours), np.searchsorted(theirs, ours, "right")
    many = high - low
    one = np.repeat(np.arange(len(ours)), many)
    other = np.arange(many.sum()) - np.repeat(np.cumsum(many) - many - low, many)
    return one, order[other]


def _best(log: _Events, due: _Events, reach_s: float) -> _Case:
    """The one shift under which most logged crossings come near a due one of their channel."""
    one, other = _pairs(log, due, alike=True)
    late_s = _round(log.hour_s[one] - due.hour_s[other])
    near = np.abs(late_s) <= reach_s
    one, late_s = one[near], late_s[near]
    if not len(one):
        return _Case(False, 0.0, 0.0)
    order = np.argsort(late_s)
    one, late_s = one[order], late_s[order]
    if reach_s >= _HALF_S:  # a shift of half a day is one either way
        one = np.concatenate((one, one))
        late_s = np.concatenate((late_s, late_s + _DAY_S))
    middles = np.unique(np.rint(late_s / 30.0)) * 30.0
    low = np.searchsorted(late_s, middles - _BEND_S)
    high = np.searchsorted(late_s, middles + _BEND_S, "right")
    best, found = -1.0, (0, 0)
    for a, b in sorted(zip(low.tolist(), high.tolist(), strict=True), key=lambda e: e[0] - e[1]):
        if b - a <= best:
            break
        count = len(np.unique(one[a:b]))
        if count > best:
            best, found = count, (a, b)
    here = slice(*found)
    middle = float(np.median(late_s[here]))
    return _Case(False, float(_round(np.array(middle))), best / len(log))


# Which channel is which


class _Order:
    """Whose predictions each channel's crossings agree with, pose allowed for.

    agreement, shape (channels, channels), 0..1: of what is logged as a channel with what is due
    of another; counts likewise, crossings. share: of the log that falls into place when every
    channel is where it agrees best.
    """

    def __init__(
        self, log: _Events, due: _Events, late_s: float, channels: int, logged: Logged
    ) -> None:
        self.late_s = np.full(len(due), late_s)
        place = np.arange(channels)
        near_s = _BEND_S
        for _ in range(4):
            self.late_s = _bent(log, due, self.late_s, place, near_s)
            self._agree(log, due, channels, logged, max(near_s / 2, _NEAR_S))
            ours, theirs = linear_sum_assignment(self.agreement, maximize=True)
            place = np.arange(channels)
            better = self.agreement[ours, theirs] > self.agreement[ours, ours] + _APART / 2
            place[ours[better]] = theirs[better]
            near_s = max(near_s / 2, _NEAR_S)
        self.place = place
        total = self.logged.sum()
        self.share = float(self.counts[np.arange(channels), place].sum() / max(total, 1))

    def _agree(
        self, log: _Events, due: _Events, channels: int, logged: Logged, near_s: float
    ) -> None:
        one, other = _pairs(log, due, alike=False)
        late_s = _round(log.hour_s[one] - due.hour_s[other] - self.late_s[other])
        near = np.abs(late_s) <= near_s
        one, other = one[near], other[near]
        # One logged crossing counts once for each channel, whatever is due of it.
        key = np.unique(one * channels + due.channel[other])
        count = np.bincount(
            log.channel[key // channels] * channels + key % channels, minlength=channels**2
        )
        self.counts = count.reshape(channels, channels)
        spans = merged(logged.observed)
        when_us = due.utc_us + np.rint(1e6 * self.late_s).astype(np.int64)
        at = np.searchsorted(spans[:, 0], when_us, "right") - 1
        seen = (at >= 0) & (when_us < spans[np.maximum(at, 0), 1])
        # Something due is seen only if it falls well within observed time; a match is anyway.
        expected = np.bincount(due.channel[seen], minlength=channels)
        self.logged = np.bincount(log.channel, minlength=channels)
        whole = self.logged[:, None] + np.maximum(expected[None, :], self.counts)
        self.agreement = 2 * self.counts / np.maximum(whole, 1)

    def suspicion(self, dial: Dial) -> Suspicion | None:
        """Channels that are where others should be, if any are."""
        size = len(self.place)
        diagonal = np.arange(size)
        moved = np.flatnonzero(
            (self.place != diagonal)
            & (self.agreement[diagonal, self.place] > _ORDERED)
            & (self.agreement[diagonal, self.place] > self.agreement[diagonal, diagonal] + _APART)
            & (self.counts[diagonal, self.place] >= 4)
        )
        if len(moved) < 2:
            return None
        known = self.logged >= 4
        for words, order in _orders(dial):
            changed = known & (order != diagonal)
            fits = self.agreement[diagonal, order] > _ORDERED
            if (
                np.all(np.isin(moved, np.flatnonzero(changed)))
                and np.all(order[moved] == self.place[moved])
                and np.mean(fits[changed]) > 0.8
            ):
                return self._told(words, np.flatnonzero(order != diagonal))
        swaps, rest = _cycles(dict(zip(moved.tolist(), self.place[moved].tolist(), strict=True)))
        told = [f"{a} and {b} are exchanged" for a, b in swaps]
        told += [f"what is logged as {a} is the light of {b}" for a, b in rest]
        return self._told(f"channels {'; '.join(told)}", moved)

    def _told(self, words: str, moved: Ints) -> Suspicion:
        hopeless = bool(len(moved) > _SHUFFLED * np.count_nonzero(self.logged))
        mend = (
            "mend the wiring, or the channel numbers of the log"
            if hopeless
            else "their crossings are left out; mend the wiring, or the log's channel numbers"
        )
        return Suspicion(
            "channels",
            f"The {words}, to judge by when they are lit: {mend}.",
            hopeless,
            tuple(moved.tolist()),
        )


def _bent(log: _Events, due: _Events, late_s: Floats, place: Ints, near_s: float) -> Floats:
    """By how much a turned body makes the due crossings late: what fits the pairs so far."""
    placed = replace(log, channel=place[log.channel])
    one, other = _pairs(placed, due, alike=True)
    left_s = _round(log.hour_s[one] - due.hour_s[other])
    near = np.abs(left_s - late_s[other]) <= near_s
    one, other, left_s = one[near], other[near], left_s[near]
    if len(one) < 6:
        return late_s

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
    return np.asarray(fitted @ terms(np.arange(len(due))))


def _orders(dial: Dial) -> Iterator[tuple[str, Ints]]:
    """Ways in which cables and faces are turned about: words, and whose light each logs."""
    size = len(dial.channels)
    every = np.arange(size)
    cells = {(channel.column, channel.row): n for n, channel in enumerate(dial.channels)}
    columns = [channel.column for channel in dial.channels]
    rows = [channel.row for channel in dial.channels]
    for words, mirrored in (
        ("channels are in mirror order, left for right", lambda c, r: (_turned(columns, c), r)),
        ("channels are upside down", lambda c, r: (c, _turned(rows, r))),
        (
            "channels are turned by half a turn",
            lambda c, r: (_turned(columns, c), _turned(rows, r)),
        ),
    ):
        found = [cells.get(mirrored(channel.column, channel.row)) for channel in dial.channels]
        if None not in found:
            yield words, np.array(found)
    blocks = [(0, size)] + [
        (at, min(at + width, size)) for width in (8, 16) for at in range(0, size, width)
    ]
    for low, high in blocks:
        if high - low < 3:
            continue
        part = np.arange(low, high)
        order = every.copy()
        order[part] = part[::-1]
        yield f"cable of channels {low} to {high - 1} is reversed", order
        for by in (1, -1, 2, -2):
            order = every.copy()
            order[part] = np.roll(part, by)
            way = "up" if by > 0 else "down"
            yield (
                f"connector of channels {low} to {high - 1} sits {abs(by)} too far {way}",
                order,
            )


def _turned(numbers: list[int], one: int) -> int:
    return min(numbers) + max(numbers) - one


def _cycles(moved: dict[int, int]) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """Pairs that are exchanged, and moves that are no exchange."""
    swaps = [(a, b) for a, b in moved.items() if a < b and moved.get(b) == a]
    held = {channel for pair in swaps for channel in pair}
    return swaps, [(a, b) for a, b in moved.items() if a not in held]


# What each fault looks like


def _tangled(logged: Logged) -> Iterator[Suspicion]:
    """Crossings that rise twice without a fall between: two logs in one."""
    measured, spans = logged.measured, merged(logged.observed)
    if not len(spans):
        return
    span = np.searchsorted(spans[:, 0], measured.utc_us, "right")
    order = np.lexsort((measured.utc_us, measured.threshold, measured.channel))
    same = np.ones(max(len(order) - 1, 0), bool)
    for of in (measured.channel, measured.threshold, span):
        same &= of[order][1:] == of[order][:-1]
    again = same & (measured.rise[order][1:] == measured.rise[order][:-1])
    if same.sum() >= _FEWEST and again.sum() > _TANGLED * same.sum():
        yield Suspicion(
            "mixed",
            f"Of the crossings {again.sum() / same.sum():.0%} rise or fall like the one before on"
            " the same channel, which one dial's cannot: the log holds those of two dials, or one"
            " log twice; bring each dial's log in by itself.",
            True,
        )


def _mirror(case: _Case, logged: Logged, dial: Dial, sky: Sky) -> Suspicion:
    beyond = dial.site.latitude_deg == 0 or bool(list(_dark(logged, dial, sky)))
    other = "northern" if dial.site.hemisphere < 0 else "southern"
    told = (
        f"Crossings come as they would of this dial reversed east to west ({case.share:.0%} of them"
        f" in their places, about noon): "
    )
    if beyond:
        return Suspicion(
            "hemisphere",
            f"{told}and there was direct sun while the Sun is down at this site: it is a {other}"
            f" dial in a {_side(dial)} file; write latitude_deg ="
            f" {-dial.site.latitude_deg:g} and that site's own bores.",
            True,
        )
    return Suspicion(
        "mirrored",
        f"{told}the body was made mirror-inverted, or the dial is a {other} one in a"
        f" {_side(dial)} file; turn the signs of hour_angle_deg of the bores and of y_mm of the"
        " channels in the dial.toml, or of its latitude_deg.",
        True,
    )


def _side(dial: Dial) -> str:
    return "northern" if dial.site.hemisphere > 0 else "southern"


def _clock(case: _Case, dial: Dial, sky: Sky, utc_us: int) -> Suspicion:
    """What shift of the clock, or of the site, it is."""
    late_s = case.late_s
    moment = from_us(utc_us)
    ahead = moment.astimezone(dial.site.tz).utcoffset() or timedelta(0)
    own_h = ahead.total_seconds() / 3600
    hours = [h / 2 for h in range(-24, 29)] + [5.75, 8.75, 12.75, 13.75]  # zones there are

    def rest(seconds: float) -> float:
        return abs(float(_round(np.array(late_s - seconds))))

    # A zone's own offset first; among the others the nearest, east of Greenwich before west.
    zone_h = min(hours, key=lambda h: (round(rest(3600 * h) / 60), abs(h - own_h) > 0.01, abs(h)))
    if abs(own_h) > 0.2 and rest(3600 * own_h) <= _POSE_S:
        zone_h = own_h
    by_site = rest(480.0 * dial.site.longitude_deg)
    turned = (
        f"write longitude_deg = {-dial.site.longitude_deg:g} in the dial.toml if the site lies"
        f" {'west' if dial.site.longitude_deg > 0 else 'east'} of Greenwich"
    )
    if by_site < min(rest(3600 * zone_h), 2 * _BEND_S) and zone_h != own_h:
        return Suspicion(
            "longitude",
            f"Crossings come {_span(late_s)} for this site, as they would at the other longitude:"
            f" {turned}.",
            True,
        )
    if zone_h == 0 or rest(3600 * zone_h) > _POSE_S:
        return Suspicion(
            "clock",
            f"Crossings come {_span(late_s)}, which is no time zone: the logger's clock was not"
            " set; correct its times by so much, or log again.",
            True,
        )
    name = f"UTC{'+' if zone_h > 0 else '-'}{int(abs(zone_h))}"
    if zone_h % 1:
        name += f":{round(abs(zone_h) % 1 * 60):02d}"
    where = f", the zone of {dial.site.name}" if abs(zone_h - own_h) < 0.01 else ""
    way = "subtract" if zone_h > 0 else "add"
    told = (
        f"The clock seems to be {name}{where}: crossings come {_span(late_s)}; {way}"
        f" {_clockwise(abs(zone_h))} {'from' if zone_h > 0 else 'to'} the log's times, which must"
        " be UTC"
    )
    if by_site < _BEND_S:
        told += f" (or {turned})"
    return Suspicion("clock", told + ".", True)


def _span(seconds: float) -> str:
    minutes = round(abs(seconds) / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min {'late' if seconds > 0 else 'early'}"


def _clockwise(hours: float) -> str:
    return f"{int(hours)} h" + (f" {round(hours % 1 * 60)} min" if hours % 1 else "")


def _dark(logged: Logged, dial: Dial, sky: Sky) -> Iterator[Suspicion]:
    """Direct sun while the Sun is down, which the other hemisphere's would not be."""
    grid = [np.arange(start, end, 60_000_000) for start, end in merged(logged.observed).tolist()]
    if not grid:
        return
    at_us = np.concatenate(grid)
    sun = sky.sun(at_us)
    down = sun.altitude_deg + sun.semidiameter_deg < -0.5
    if 60.0 * down.sum() < _DARK_S:
        return
    there = replace(dial.site, latitude_deg=-dial.site.latitude_deg)
    other = Sky(there).sun(at_us[down])
    shines = np.mean(other.altitude_deg + other.semidiameter_deg > -0.5)
    told = f"Direct sun was logged for {down.sum()} min while the Sun is down at this site"
    if shines > 0.9:
        side = "southern" if dial.site.hemisphere > 0 else "northern"
        yield Suspicion(
            "hemisphere",
            f"{told}, but up beyond the equator: it is a {side} dial in a {_side(dial)} file; write"
            f" latitude_deg = {there.latitude_deg:g} in the dial.toml.",
            True,
        )
    else:
        yield Suspicion(
            "site",
            f"{told}: see to the site's latitude and longitude in the dial.toml, and to the"
            " logger's clock.",
            True,
        )


def _days(log: _Events, due: _Events, found: _Order, dial: Dial) -> Iterator[Suspicion]:
    """Days on which the log is another dial's than on the rest."""
    placed = replace(log, channel=found.place[log.channel])
    one, other = _pairs(placed, due, alike=True)
    late_s = _round(log.hour_s[one] - due.hour_s[other] - found.late_s[other])
    near = np.abs(late_s) <= 2 * _NEAR_S
    days = np.arange(int(log.day.max()) + 1)
    counts = np.bincount(log.day, minlength=len(days))
    fits = np.bincount(log.day[np.unique(one[near])], minlength=len(days)) / np.maximum(counts, 1)
    enough = counts >= _FEWEST / 2
    good, bad = enough & (fits > _BELIEVED), enough & (fits < _STRANGE)
    if not (good.any() and bad.any()):
        return
    which = sorted({int(_solar_day(dial, log.utc_us[log.day == n])[0]) for n in days[bad]})
    dates = [date.fromordinal(_UNIX_EPOCH + number).isoformat() for number in which]
    listed = ", ".join(dates)
    yield Suspicion(
        "mixed",
        f"Of the days looked at {listed} fit this dial as it stands on the others no more than by"
        " chance: the log holds those of two dials, or the dial was moved; bring in each part by"
        " itself.",
        True,
    )
