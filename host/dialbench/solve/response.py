"""What levels the channels would have if the unknowns had certain values, and how they move.

A channel's level is gain times its lit fraction plus dark. A crossing says that at its time
the level was a threshold; how far the level would be from it there, over how fast it changes,
is how late the crossing came. Levels and not times are what is compared: along a ramp they
follow the unknowns in almost straight lines, and where it ends they do not run away.

Own light is the closed form of bores that may stand anywhere near where they were drawn.
What strays is the drawn body's, of a strength to be found; it is turned with the body and
with the nearer wall of that bore of its channel which looks nearest to the Sun, whose void
most of it crosses.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from dialbench import ephemeris
from dialbench.dial import Dial
from dialbench.ideal import Bores
from dialbench.lit import Light, light_of
from dialbench.sky import Sky
from dialbench.solve import unknowns
from dialbench.solve.unknowns import (
    ALL_EXITS,
    ALL_WIDTHS,
    AXIS,
    GHOST,
    POSE,
    TILT,
    WIDTH,
    Layout,
    Values,
)
from dialcore import frames

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
T = TypeVar("T")

_STEP = 1e-6  # radians and shares: the level is smooth over it, and its digits suffice
# What strays is known by rays, with noise: over a short way that would pass for a change with
# declination, of which there is little, and so for news of how the body leans.
_FAR = np.radians(1.5)
_SECOND_US = 1_000_000
_COLOURS = 3  # of a channel's bores, so that neighbours that light it together are told apart
_FLAT_PER_S = 1e-6  # a level that changes slower tells no time
_ROWS = 1 << 15  # worked on together
_THREADS = 2
_NEAR = np.radians(0.3)  # beyond a bore's reach: the Sun's disc


@dataclass(frozen=True)
class Met:
    """Channels' levels at some instants as the unknowns' values have them; n rows.

    level: shares of full light; per_s: how fast it changes; told: whether it changes fast
    enough, and the right way, to tell a time at all; common: partial derivatives by the common
    unknowns, (n, 8), 0 for the clock's; own: rows in ascending order, columns and values of
    those by the channel's own.
    """

    level: Floats
    per_s: Floats
    told: Bools
    common: Floats
    own: tuple[Ints, Ints, Floats]

    def of_own(self, part: slice, wide: int) -> Floats:
        """Partial derivatives of some rows, all of one channel, by its own unknowns: (rows, wide)."""
        row, column, partial = self.own
        low, high = np.searchsorted(row, (part.start, part.stop))
        own = np.zeros((part.stop - part.start, wide))
        own[row[low:high] - part.start, column[low:high]] = partial[low:high]
        return own

    def in_time(self) -> Met:
        """The same with partial derivatives of when the level is met, in seconds later."""
        later_s = np.where(self.told, -1 / np.where(self.told, self.per_s, 1.0), 0.0)
        row, column, partial = self.own
        own = row, column, partial * later_s[row]
        return replace(self, common=self.common * later_s[:, None], own=own)


class Response:
    """Of one dial under one sky."""

    def __init__(self, dial: Dial, sky: Sky, layout: Layout) -> None:
        self._dial, self._sky, self._layout = dial, sky, layout
        self._light = light_of(dial)
        colour = np.zeros(len(dial.bores), np.int64)
        for numbers in layout.bores:
            colour[numbers] = np.arange(len(numbers)) % _COLOURS
        self._axis = np.radians([bore.hour_angle_deg for bore in dial.bores])
        self._channel = np.array([bore.channel for bore in dial.bores], np.int64)
        # By how much a slot's outer edge turns outwards as the slot grows, radians a share.
        slope = np.array([(b.exit_mm + b.entry_mm) / b.length_mm / 2 for b in dial.bores])
        self._spread = slope / (1 + slope**2)
        self._of_colour = [np.flatnonzero(colour == number) for number in range(_COLOURS)]
        self._everywhere = _Finder(self._channel, self._axis, np.arange(len(dial.bores)))
        self._finders = [_Finder(self._channel, self._axis, numbers) for numbers in self._of_colour]

    def at(self, values: Values, utc_us: Ints, channel: Ints, rise: Bools) -> Met:
        """One channel each at one instant each, arrays of shape (n,); rise: which way it changes."""
        made = _Made(self._layout, values)
        nudged = _Nudged(self._layout, values, self._of_colour)

        def part(where: slice) -> Met:
            seen = self._seen(values, made, utc_us[where], channel[where])
            return self._met(seen, values, made, nudged, utc_us[where], rise[where])

        return _joined(_in_parts(part, len(utc_us)))

    def levels(self, values: Values, utc_us: Ints, channel: Ints) -> Floats:
        """The levels alone, (n,)."""
        made = _Made(self._layout, values)

        def part(where: slice) -> Floats:
            seen = self._seen(values, made, utc_us[where], channel[where])
            lit = seen.light(made.voids) + seen.strayed()
            level: Floats = (1 + made.gain[seen.channel]) * lit + made.dark[seen.channel]
            return level

        return np.concatenate([np.zeros(0), *_in_parts(part, len(utc_us))])

    def _seen(self, values: Values, made: _Made, utc_us: Ints, channel: Ints) -> _Seen:
        polar, semidiameter = self._sky.toward(ephemeris.ut1_us(utc_us))
        hour_angle, declination = self._place(polar, values.common[POSE])
        nearest = self._everywhere.nearest(channel, hour_angle)
        # By how much the wall that the Sun is nearer to stands off its drawn place.
        spread = self._spread[nearest] * np.where(hour_angle > self._axis[nearest], 1.0, -1.0)
        follow = made.axis[nearest] + spread * made.width[nearest]
        return _Seen(
            self._light,
            made.ghost,
            channel,
            nearest,
            polar,
            hour_angle,
            declination,
            semidiameter,
            spread,
            follow,
        )

    def _met(
        self,
        seen: _Seen,
        values: Values,
        made: _Made,
        nudged: _Nudged,
        utc_us: Ints,
        rise: Bools,
    ) -> Met:
        layout, channel, nearest, light = self._layout, seen.channel, seen.nearest, seen.light
        hour_angle, declination, spread = seen.hour_angle, seen.declination, seen.spread
        pose = values.common[POSE]
        late, _ = self._sky.toward(ephemeris.ut1_us(utc_us + _SECOND_US))
        soon, fall = self._place(late, pose)
        turn_s, fall_s = soon - hour_angle, fall - declination
        own, stray = light(made.voids), seen.strayed()
        own_by_turn = light(made.voids, turned=_STEP) - own
        stray_by_turn = seen.strayed(turned=_STEP) - stray
        by_turn = (own_by_turn + stray_by_turn) / _STEP
        by_fall = (light(made.voids, fallen=_STEP) - own) / _STEP
        by_fall += (seen.strayed(fallen=_FAR) - seen.strayed(fallen=-_FAR)) / (2 * _FAR)
        lit = own + stray
        gain, dark = 1 + made.gain[channel], made.dark[channel]
        per_s = gain * (by_turn * turn_s + by_fall * fall_s)
        told = np.where(rise, per_s, -per_s) > _FLAT_PER_S

        common = np.zeros((len(lit), len(unknowns.COMMON)))
        for axis in range(3):
            ahead = np.array(pose)
            ahead[axis] += _STEP
            turned, fallen = self._place(seen.polar, ahead)
            moved = by_turn * (turned - hour_angle) + by_fall * (fallen - declination)
            common[:, axis] = gain * moved / _STEP
        common[:, GHOST] = gain * stray / made.ghost
        common[:, ALL_EXITS] = gain * (light(nudged.wider_exits) - own) / _STEP
        by_widths = light(nudged.wider) - own - stray_by_turn * spread
        common[:, ALL_WIDTHS] = gain * by_widths / _STEP

        every = np.flatnonzero(told)
        rows, columns, partials = [every] * 3, [], []
        for kind, partial in (
            (unknowns.GAIN, lit),
            (unknowns.DARK, np.ones(len(lit))),
            (unknowns.EXIT, common[:, ALL_EXITS]),
        ):
            columns.append(np.full(len(every), kind))
            partials.append(partial[every])

        def add(where: Ints, bore: Ints, kind: int, moved: Floats) -> None:
            column = layout.column[kind, bore]
            here = (moved != 0) & (column >= 0)
            rows.append(where[here])
            columns.append(column[here])
            partials.append((gain[where] * moved / _STEP)[here])

        # Most crossings are one bore's alone: what moves all bores moves them as it does that one.
        # (A Sun turned back is not the same as an axis turned: the surface cuts that bore off
        # elsewhere. Nor are all bores wider the same as one, as they share no exit.)
        alone = told & (self._everywhere.within(channel, hour_angle, made.reach) < 2)
        one = np.flatnonzero(alone)
        for kind, bores in nudged.all_own:
            moved = light(bores, one) - own[one]
            if kind == AXIS:
                moved -= stray_by_turn[one]
            elif kind == WIDTH:
                moved -= (stray_by_turn * spread)[one]
            add(one, nearest[one], kind, moved)
        several = np.flatnonzero(told & ~alone)
        if len(several):
            for finder, steps in zip(self._finders, nudged.of_colour, strict=True):
                if not len(finder):
                    continue
                bore = finder.nearest(channel[several], hour_angle[several])
                mine = self._channel[bore] == channel[several]
                first = bore == nearest[several]
                for kind, bores in steps:
                    moved = light(bores, several) - own[several]
                    if kind == AXIS:
                        moved = moved - first * stray_by_turn[several]
                    elif kind == WIDTH:
                        moved = moved - first * (stray_by_turn * spread)[several]
                    add(several[mine], bore[mine], kind, moved[mine])
        row = np.concatenate(rows)
        order = np.argsort(row, kind="stable")
        return Met(
            gain * lit + dark,
            per_s,
            told,
            common,
            (row[order], np.concatenate(columns)[order], np.concatenate(partials)[order]),
        )

    def _place(self, polar: Floats, pose: Floats) -> tuple[Floats, Floats]:
        """Hour angle and declination in the body's frame."""
        wx, wy, wz = pose.tolist()
        back = frames.transpose(frames.rotation(wx, wy, wz, np))
        turned = frames.apply(back, (polar[0], polar[1], polar[2]))
        hour_angle, declination = frames.place(turned, self._dial.site.hemisphere, np)
        return hour_angle, declination


@dataclass(frozen=True)
class _Seen:
    """Where the Sun stands to some channels, one each: angles in radians, arrays of shape (n,).

    nearest: the bore that looks nearest to it; spread: by how much the wall of that one which
    is nearer to the Sun turns as the bore widens; follow: by how much it stands off.
    """

    strays: Light
    ghost: float
    channel: Ints
    nearest: Ints
    polar: Floats
    hour_angle: Floats
    declination: Floats
    semidiameter: Floats
    spread: Floats
    follow: Floats

    def light(
        self,
        voids: _Voids,
        where: Ints | slice = slice(None),
        turned: float = 0.0,
        fallen: float = 0.0,
    ) -> Floats:
        """Own light, in that of the exit as drawn, if the Sun stood a little elsewhere."""
        channel = self.channel[where]
        lit = voids.bores.lit(
            self.hour_angle[where] + turned,
            self.declination[where] + fallen,
            self.semidiameter[where],
            channel,
        )
        lit *= voids.area[channel]
        return lit

    def strayed(self, turned: float = 0.0, fallen: float = 0.0) -> Floats:
        strayed: Floats = self.ghost * self.strays.strayed(
            self.hour_angle - self.follow + turned, self.declination + fallen, self.channel
        )
        return strayed


@dataclass(frozen=True)
class _Voids:
    """Bores as some values have them, and by how much more each channel's exit takes in."""

    bores: Bores
    area: Floats

    @classmethod
    def of(cls, layout: Layout, values: Values) -> _Voids:
        return cls(Bores(layout.made(values)), layout.exits(values))


class _Made:
    """Bores and sensors as they came out by some values."""

    def __init__(self, layout: Layout, values: Values) -> None:
        self.axis = layout.by_bore(AXIS, values)
        self.width = layout.by_bore(WIDTH, values) + values.common[ALL_WIDTHS]
        self.gain, self.dark = layout.sensors(values)
        self.ghost = 1 + float(values.common[GHOST])
        self.voids = _Voids.of(layout, values)
        self.reach = float(self.voids.bores.reach(np.radians(25.0), 0.0)) + _NEAR


class _Nudged:
    """Bores a step off those that came out by some values, one kind of unknown at a time."""

    def __init__(self, layout: Layout, values: Values, colours: list[Ints]) -> None:
        self._layout, self._values, self._colours = layout, values, colours
        self.wider_exits, self.wider = self._common(ALL_EXITS), self._common(ALL_WIDTHS)
        self.all_own = self._each_own(np.arange(len(layout.dial.bores)))

    @cached_property
    def of_colour(self) -> list[list[tuple[int, _Voids]]]:
        """By colour, bores with the unknowns of that colour's alone a step off; many dials have
        no channel that two of its bores light at once, and need none."""
        return [self._each_own(numbers) for numbers in self._colours]

    def _common(self, which: int) -> _Voids:
        ahead = self._values.common.copy()
        ahead[which] += _STEP
        return _Voids.of(self._layout, Values(ahead, self._values.own))

    def _each_own(self, numbers: Ints) -> list[tuple[int, _Voids]]:
        """By kind, with that unknown of each of these bores a step off."""
        kinds = (AXIS, TILT, WIDTH)
        found = ((kind, self._own(kind, numbers)) for kind in kinds)
        return [(kind, bores) for kind, bores in found if bores is not None]

    def _own(self, kind: int, numbers: Ints) -> _Voids | None:
        layout, values = self._layout, self._values
        numbers = numbers[layout.column[kind, numbers] >= 0]
        if not len(numbers):
            return None
        blocks = zip(values.own, layout.kind, layout.bore, strict=True)
        ahead = tuple(
            np.where((of == kind) & np.isin(bore, numbers), block + _STEP, block)
            for block, of, bore in blocks
        )
        return _Voids.of(layout, Values(values.common, ahead))


class _Finder:
    """Finds some of the bores by channel and hour angle."""

    def __init__(self, channel: Ints, hour_angle: Floats, numbers: Ints) -> None:
        key = 100.0 * channel[numbers] + hour_angle[numbers]
        order = np.argsort(key)
        self._numbers, self._key = numbers[order], key[order]

    def __len__(self) -> int:
        return len(self._key)

    def nearest(self, channel: Ints, hour_angle: Floats) -> Ints:
        """The nearest bore, of the channel itself where it has one; there must be some."""
        wanted = 100.0 * channel + hour_angle
        after = np.clip(np.searchsorted(self._key, wanted), 0, len(self._key) - 1)
        before = np.maximum(after - 1, 0)
        nearer = np.abs(self._key[before] - wanted) <= np.abs(self._key[after] - wanted)
        return self._numbers[np.where(nearer, before, after)]

    def within(self, channel: Ints, hour_angle: Floats, reach: float) -> Ints:
        """How many of the channel's bores look so near to the Sun."""
        wanted = 100.0 * channel + hour_angle
        first = np.searchsorted(self._key, wanted - reach)
        return np.searchsorted(self._key, wanted + reach) - first


def _in_parts(part: Callable[[slice], T], rows: int) -> list[T]:
    parts = [slice(at, at + _ROWS) for at in range(0, rows, _ROWS)]
    with ThreadPoolExecutor(_THREADS) as pool:
        return list(pool.map(part, parts))


def _joined(parts: list[Met]) -> Met:
    if not parts:
        none = np.zeros(0)
        empty = np.zeros(0, np.int64)
        common = np.zeros((0, len(unknowns.COMMON)))
        return Met(none, none, np.zeros(0, np.bool_), common, (empty, empty, none))
    starts = np.cumsum([0, *(len(each.level) for each in parts)])
    rows = [each.own[0] + start for each, start in zip(parts, starts, strict=False)]
    return Met(
        np.concatenate([each.level for each in parts]),
        np.concatenate([each.per_s for each in parts]),
        np.concatenate([each.told for each in parts]),
        np.concatenate([each.common for each in parts]),
        (
            np.concatenate(rows),
            np.concatenate([each.own[1] for each in parts]),
            np.concatenate([each.own[2] for each in parts]),
        ),
    )
