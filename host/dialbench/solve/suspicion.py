"""Wrong inputs, found by how crossings fall and called by name, before anything is solved.

A log that is not what it is taken for (another dial's, of channels in another order, in
another zone's time) gives a solution like any other, and a wrong one. So some days of it are
held against what the dial would show in other cases: where crossings fall much better into
one of these than into the case that was told, that is said, with the mend.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dialbench.compare import Measured, merged
from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.logged import Logged
from dialbench.sky import Sky, from_us
from dialbench.solve.pattern import (
    BELIEVED,
    BEND_S,
    BETTER,
    HALF_S,
    NEAR_S,
    POSE_S,
    Case,
    Events,
    Order,
    best,
    date_of,
    events,
    folded,
    pairs,
)

Ints = NDArray[np.int64]

_FEWEST = 48  # crossings (some sixteen edges), or nothing is suspected
# How well sound logs agree with their dial; one that agrees less than the second is another's.
_SOUND, _STRANGE = 0.8, 0.55
_SHUFFLED = 1 / 3  # of the channels in wrong places: what is left is no dial to solve
_TANGLED = 0.2  # share of crossings that repeat the one before: two logs in one
_DARK_S = 600.0  # of direct sun while the Sun is down
# Nearer than the least of zones a shift may be a body that is turned too far, which is no
# wrong input; and so near to a zone's offset a clock is taken to be set to it.
_CLOCK_S, _ZONE_S = 1300.0, 600.0


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


def refused(found: Sequence[Suspicion]) -> None:
    """Raises SuspicionError where some fault leaves nothing to solve."""
    hopeless = [one.sentence for one in found if one.hopeless]
    if hopeless:
        raise SuspicionError(*hopeless)


def sound(logged: Logged, dial: Dial, sky: Sky) -> tuple[Logged, list[Suspicion]]:
    """What of a log can be solved, and what seems wrong with the rest or with the whole.

    Raises SuspicionError where nothing can, SkyError.
    """
    found = suspicions(logged, dial, sky)
    refused(found)
    return without(logged, found), found


def suspicions(logged: Logged, dial: Dial, sky: Sky) -> list[Suspicion]:
    """What seems wrong with a log, or with the dial it is held against; nothing, of a sound one.

    Raises SkyError.
    """
    return [*_other_boots(logged), *of_crossings(logged, dial, sky)]


def _other_boots(logged: Logged) -> Iterator[Suspicion]:
    if logged.other_boots:
        boots = ", ".join(str(number) for number in logged.other_boots)
        yield Suspicion(
            "boots",
            f"Boots {boots} were logged with another dial than {logged.dial_hash}: they are left"
            " out; pull a board that serves two dials into a store for each.",
            False,
        )


def of_crossings(logged: Logged, dial: Dial, sky: Sky) -> list[Suspicion]:
    """The same, of how crossings fall alone."""
    observed = merged(logged.observed)
    tangled = list(_tangled(logged, observed))
    if tangled or not len(observed):
        return tangled
    log, due = events(logged, dial, sky)
    if len(log) < _FEWEST or not len(due):
        return []
    here = best(log, due, POSE_S)
    case = max(
        (
            replace(best(log, seen, HALF_S), mirrored=turned)
            for turned, seen in ((False, due), (True, due.mirrored()))
        ),
        key=lambda one: one.share,
    )
    if case.share < max(BELIEVED, here.share + BETTER):
        case = here
    if case.mirrored:
        return [_mirror(case.share, logged, dial, sky)]
    if abs(case.late_s) > _CLOCK_S:
        return [_clock(case, dial, sky, int(np.median(log.utc_us)))]
    found = Order(log, due, case.late_s, len(dial.channels), observed)
    if found.fit < _SOUND:  # a body that leans may cut its own light: look again with the pose
        leant = events(logged, dial, sky, found.pose_deg(dial.site.hemisphere))[1]
        again = Order(log, leant, 0.0, len(dial.channels), observed)
        if again.fit > found.fit:
            found, due = again, leant
    if found.fit < _STRANGE:
        turned = Order(log, due.mirrored(), 0.0, len(dial.channels), observed)
        if turned.fit > BELIEVED:
            return [_mirror(turned.fit, logged, dial, sky)]
    told = [
        *_exchanged(found, dial),
        *_dark(logged, dial, sky),
        *_days(log, due, found, dial),
        *_stranger(found.fit, logged, dial),
    ]
    hopeless = [one for one in told if one.hopeless]
    return hopeless[:1] or told  # what comes after it may come of it


def _stranger(fit: float, logged: Logged, dial: Dial) -> Iterator[Suspicion]:
    """A dial that is not the log's, by how crossings fall or by its name alone."""
    own = f"; the log was made with dial {logged.dial_hash}, and this is dial {dial.hash}"
    strange = logged.dial_hash not in (None, dial.hash)
    if fit < _STRANGE:
        yield Suspicion(
            "dial",
            f"Crossings come where this dial's would no more than by chance ({fit:.0%})"
            f"{own if strange else ''}: name the dial.toml of the body that was logged with --dial.",
            True,
        )
    elif strange:
        yield Suspicion(
            "hash",
            f"Crossings fall as this dial's would{own}: if the file was measured or mended"
            " since, all is well; if not, name the right one with --dial.",
            False,
        )


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


def _swaps(moved: dict[int, int]) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """Pairs that are exchanged, and moves that are no exchange."""
    swaps = [(a, b) for a, b in moved.items() if a < b and moved.get(b) == a]
    held = {channel for pair in swaps for channel in pair}
    return swaps, [(a, b) for a, b in moved.items() if a not in held]


# What each fault looks like


def _tangled(logged: Logged, spans: Ints) -> Iterator[Suspicion]:
    """Crossings that rise twice without a fall between: two logs in one."""
    measured = logged.measured
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


def _mirror(share: float, logged: Logged, dial: Dial, sky: Sky) -> Suspicion:
    told = (
        f"Crossings come as they would of this dial reversed east to west ({share:.0%} of them"
        f" in their places, about noon): "
    )
    if dial.site.latitude_deg == 0:  # there is no other hemisphere to have come from
        return Suspicion(
            "mirrored",
            f"{told}the body was made mirror-inverted; turn the signs of hour_angle_deg of the bores"
            " and of y_mm of the channels in the dial.toml.",
            True,
        )
    beyond = any(one.kind == "hemisphere" for one in _dark(logged, dial, sky))
    other = "northern" if dial.site.hemisphere < 0 else "southern"
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


def _clock(case: Case, dial: Dial, sky: Sky, utc_us: int) -> Suspicion:
    """What shift of the clock, or of the site, it is."""
    late_s = case.late_s
    moment = from_us(utc_us)
    ahead = moment.astimezone(dial.site.tz).utcoffset() or timedelta(0)
    own_h = ahead.total_seconds() / 3600
    hours = [h / 2 for h in range(-24, 29)] + [5.75, 8.75, 12.75, 13.75]  # zones there are

    def rest(seconds: float) -> float:
        return abs(float(folded(np.array(late_s - seconds))))

    # A zone's own offset first; among the others the nearest, east of Greenwich before west.
    zone_h = min(hours, key=lambda h: (round(rest(3600 * h) / 60), abs(h - own_h) > 0.01, abs(h)))
    if abs(own_h) > 0.2 and rest(3600 * own_h) <= _ZONE_S:
        zone_h = own_h
    by_site = rest(480.0 * dial.site.longitude_deg)
    turned = (
        f"write longitude_deg = {-dial.site.longitude_deg:g} in the dial.toml if the site lies"
        f" {'west' if dial.site.longitude_deg > 0 else 'east'} of Greenwich"
    )
    if by_site < min(rest(3600 * zone_h), 2 * BEND_S) and zone_h != own_h:
        return Suspicion(
            "longitude",
            f"Crossings come {_span(late_s)} for this site, as they would at the other longitude:"
            f" {turned}.",
            True,
        )
    if zone_h == 0 or rest(3600 * zone_h) > _ZONE_S:
        return Suspicion(
            "clock",
            f"Crossings come {_span(late_s)}, which is no time zone: the logger's clock was not"
            f" set, or the body is turned by {abs(late_s) / 240:.0f} deg; correct the log's times by"
            " so much, or the dial.",
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
    if by_site < BEND_S:
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
    early, late = (np.mean(side * sun.hour_angle_deg[down] > 0) for side in (-1, 1))
    if shines > 0.9 and min(early, late) > 0.2:  # mornings and evenings
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
            f"{told}: the spans of observed time hold more than direct sun, or the site's latitude"
            " and longitude in the dial.toml are wrong.",
            False,
        )


def _days(log: Events, due: Events, found: Order, dial: Dial) -> Iterator[Suspicion]:
    """Days on which the log is another dial's than on the rest."""
    placed = replace(log, channel=found.order[log.channel])
    one, other = pairs(placed, due, alike=True)
    late_s = folded(log.hour_s[one] - due.hour_s[other] - found.late_s[other])
    near = np.abs(late_s) <= 2 * NEAR_S
    days = np.arange(int(log.day.max()) + 1)
    counts = np.bincount(log.day, minlength=len(days))
    fits = np.bincount(log.day[np.unique(one[near])], minlength=len(days)) / np.maximum(counts, 1)
    enough = counts >= _FEWEST / 2
    good, bad = enough & (fits > BELIEVED), enough & (fits < _STRANGE)
    if not (good.any() and bad.any()):
        return
    first_us = [int(log.utc_us[log.day == n].min()) for n in days[bad]]
    listed = ", ".join(date_of(dial, at_us).isoformat() for at_us in first_us)
    yield Suspicion(
        "mixed",
        f"Of the days looked at {listed} fit this dial as it stands on the others no more than by"
        " chance: the log holds those of two dials, or the dial was moved; bring in each part by"
        " itself.",
        True,
    )


def _exchanged(found: Order, dial: Dial) -> Iterator[Suspicion]:
    """Channels that are where others should be, if any are."""
    every = np.arange(len(dial.channels))
    gains = []
    for words, order in _orders(dial):
        turned = order != every
        good, drawn = found.fit_in(order, turned), found.fit_in(every, turned)
        count = int(found.logged[turned].sum())
        if count >= _FEWEST and good > max(BELIEVED, drawn + BETTER):
            gains.append((count * (good - drawn), words, np.flatnonzero(turned)))
    if gains:
        _, words, whose = max(gains, key=lambda gain: gain[0])
        yield _told(found, words, whose)
        return
    moved = np.flatnonzero(found.order != every)
    if len(moved):
        swaps, rest = _swaps(dict(zip(moved.tolist(), found.order[moved].tolist(), strict=True)))
        told = [f"{a} and {b} are exchanged" for a, b in swaps]
        told += [f"what is logged as {a} is the light of {b}" for a, b in rest]
        yield _told(found, f"channels {'; '.join(told)}", moved)


def _told(found: Order, words: str, moved: Ints) -> Suspicion:
    hopeless = bool(len(moved) > _SHUFFLED * np.count_nonzero(found.logged))
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
