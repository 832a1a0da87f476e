"""When the crossings would be if the unknowns had certain values, and how they would move.

A channel's level is gain times its lit fraction plus dark; a crossing is where the level
meets a threshold. Near where it was thought to be, one step of Newton's finds it; how it
moves with an unknown is how the level does, over how fast the level changes with time.

Own light is the closed form of bores that may stand anywhere near where they were drawn.
What strays is the drawn body's, of a strength to be found; it is turned with the body and
with the nearer wall of that bore of its channel which looks nearest to the Sun, whose void
most of it crosses.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench import ephemeris
from dialbench.dial import Dial
from dialbench.ideal import Bores
from dialbench.lit import light_of
from dialbench.sky import Sky
from dialbench.solve import unknowns
from dialbench.solve.unknowns import (
    ALL_ENTRIES,
    ALL_EXITS,
    AXIS,
    ENTRY,
    GHOST,
    POSE,
    TILT,
    Layout,
    Values,
)
from dialcore import frames

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

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
    """Crossings as the unknowns' values have them, and their partial derivatives; n rows.

    step_s: from where they were thought to be to where the level meets the threshold,
    as Newton has it; per_s: how fast the level changes; told: whether it changes fast
    enough, and the right way, to tell a time at all; common: seconds per common unknown,
    (n, 8), 0 for the clock's; own: rows in ascending order, columns and values of the
    partials by the channel's own unknowns.
    """

    step_s: Floats
    per_s: Floats
    told: Bools
    common: Floats
    own: tuple[Ints, Ints, Floats]


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
        # By how much a slot's wall turns outwards as its entry grows, radians a share.
        slope = np.array([bore.entry_mm / bore.length_mm / 2 for bore in dial.bores])
        self._spread = slope / (1 + slope**2)
        self._of_colour = [np.flatnonzero(colour == number) for number in range(_COLOURS)]
        self._everywhere = _Finder(self._channel, self._axis, np.arange(len(dial.bores)))
        self._finders = [_Finder(self._channel, self._axis, numbers) for numbers in self._of_colour]

    def at(self, values: Values, utc_us: Ints, channel: Ints, level: Floats, rise: Bools) -> Met:
        """Crossings thought to be at utc_us, arrays of shape (n,); level is the threshold."""
        made = _Made(self._layout, values, self._of_colour)
        parts = [slice(at, at + _ROWS) for at in range(0, len(utc_us), _ROWS)]
        with ThreadPoolExecutor(_THREADS) as pool:
            found = list(
                pool.map(
                    lambda part: self._part(
                        values, made, utc_us[part], channel[part], level[part], rise[part]
                    ),
                    parts,
                )
            )
        return _joined(found)

    def _part(
        self,
        values: Values,
        made: _Made,
        utc_us: Ints,
        channel: Ints,
        level: Floats,
        rise: Bools,
    ) -> Met:
        layout = self._layout
        polar, semidiameter = self._sky.toward(ephemeris.ut1_us(utc_us))
        late, _ = self._sky.toward(ephemeris.ut1_us(utc_us + _SECOND_US))
        pose = values.common[POSE]
        hour_angle, declination = self._place(polar, pose)
        soon, fall = self._place(late, pose)
        turn_s, fall_s = soon - hour_angle, fall - declination
        nearest = self._everywhere.nearest(channel, hour_angle)
        # By how much the wall that the Sun is nearer to stands off its drawn place.
        spread = self._spread[nearest] * np.where(hour_angle > self._axis[nearest], 1.0, -1.0)
        follow = made.axis[nearest] + spread * made.entry[nearest]

        def light(bores: Bores, where: Ints | slice = slice(None)) -> Floats:
            return bores.lit(
                hour_angle[where], declination[where], semidiameter[where], channel[where]
            )

        def strayed(turned: float, fallen: float) -> Floats:
            return made.ghost * self._light.strayed(
                hour_angle - follow + turned, declination + fallen, channel
            )

        own, stray = light(made.bores), strayed(0.0, 0.0)
        own_by_turn = made.bores.lit(hour_angle + _STEP, declination, semidiameter, channel) - own
        by_fall = made.bores.lit(hour_angle, declination + _STEP, semidiameter, channel) - own
        stray_by_turn = strayed(_STEP, 0.0) - stray
        by_turn = (own_by_turn + stray_by_turn) / _STEP
        by_fall = by_fall / _STEP + (strayed(0.0, _FAR) - strayed(0.0, -_FAR)) / (2 * _FAR)
        lit = own + stray
        gain, dark = 1 + made.gain[channel], made.dark[channel]
        per_s = gain * (by_turn * turn_s + by_fall * fall_s)
        told = np.where(rise, per_s, -per_s) > _FLAT_PER_S
        # Seconds later for a level that much higher.
        later = np.where(told, -gain / np.where(told, per_s, 1.0), 0.0)

        common = np.zeros((len(utc_us), len(unknowns.COMMON)))
        for axis in range(3):
            ahead = np.array(pose)
            ahead[axis] += _STEP
            turned, fallen = self._place(polar, ahead)
            moved = by_turn * (turned - hour_angle) + by_fall * (fallen - declination)
            common[:, axis] = later * moved / _STEP
        common[:, GHOST] = later * stray / made.ghost
        common[:, ALL_EXITS] = later * (light(made.wider_exits) - own) / _STEP
        by_entries = light(made.wider_entries) - own - stray_by_turn * spread
        common[:, ALL_ENTRIES] = later * by_entries / _STEP

        every = np.flatnonzero(told)
        rows, columns, seconds = [every] * 3, [], []
        for kind, partial in (
            (unknowns.GAIN, lit * later / gain),
            (unknowns.DARK, later / gain),
            (unknowns.EXIT, common[:, ALL_EXITS]),
        ):
            columns.append(np.full(len(every), kind))
            seconds.append(partial[every])

        def add(where: Ints, bore: Ints, kind: int, moved: Floats) -> None:
            column = layout.column[kind, bore]
            here = (moved != 0) & (column >= 0)
            rows.append(where[here])
            columns.append(column[here])
            seconds.append((later[where] * moved / _STEP)[here])

        # Most crossings are one bore's alone: what moves them is what moves that bore.
        alone = told & (self._everywhere.within(channel, hour_angle, made.reach) < 2)
        one = np.flatnonzero(alone)
        add(one, nearest[one], AXIS, -(own_by_turn + stray_by_turn)[one])
        add(one, nearest[one], ENTRY, by_entries[one])
        if made.tilted is not None:
            add(one, nearest[one], TILT, light(made.tilted, one) - own[one])
        several = np.flatnonzero(told & ~alone)
        if len(several):
            for finder, nudged in zip(self._finders, made.nudged, strict=True):
                if not len(finder):
                    continue
                bore = finder.nearest(channel[several], hour_angle[several])
                mine = self._channel[bore] == channel[several]
                first = bore == nearest[several]
                for kind, bores in nudged:
                    moved = light(bores, several) - own[several]
                    if kind == AXIS:
                        moved = moved - first * stray_by_turn[several]
                    elif kind == ENTRY:
                        moved = moved - first * (stray_by_turn * spread)[several]
                    add(several[mine], bore[mine], kind, moved[mine])
        row = np.concatenate(rows)
        order = np.argsort(row, kind="stable")
        return Met(
            np.where(told, (level - gain * lit - dark) / np.where(told, per_s, 1.0), 0.0),
            per_s,
            told,
            common,
            (row[order], np.concatenate(columns)[order], np.concatenate(seconds)[order]),
        )

    def _place(self, polar: Floats, pose: Floats) -> tuple[Floats, Floats]:
        """Hour angle and declination in the body's frame."""
        wx, wy, wz = pose.tolist()
        back = frames.transpose(frames.rotation(wx, wy, wz, np))
        turned = frames.apply(back, (polar[0], polar[1], polar[2]))
        hour_angle, declination = frames.place(turned, self._dial.site.hemisphere, np)
        return hour_angle, declination


class _Made:
    """Bores and sensors as they came out by some values, and bores a step off them."""

    def __init__(self, layout: Layout, values: Values, colours: list[Ints]) -> None:
        self.axis = layout.by_bore(AXIS, values)
        self.entry = layout.by_bore(ENTRY, values) + values.common[ALL_ENTRIES]
        self.gain, self.dark = layout.sensors(values)
        self.ghost = 1 + float(values.common[GHOST])
        self.bores = Bores(layout.made(values))
        self.reach = float(self.bores.reach(np.radians(25.0), 0.0)) + _NEAR

        def common(which: int) -> Bores:
            ahead = values.common.copy()
            ahead[which] += _STEP
            return Bores(layout.made(Values(ahead, values.own)))

        def own(kind: int, numbers: Ints) -> Bores | None:
            numbers = numbers[layout.column[kind, numbers] >= 0]
            if not len(numbers):
                return None
            blocks = zip(values.own, layout.kind, layout.bore, strict=True)
            ahead = tuple(
                np.where((of == kind) & np.isin(bore, numbers), block + _STEP, block)
                for block, of, bore in blocks
            )
            return Bores(layout.made(Values(values.common, ahead)))

        self.wider_exits, self.wider_entries = common(ALL_EXITS), common(ALL_ENTRIES)
        self.tilted = own(TILT, np.arange(len(layout.dial.bores)))
        self.nudged = [
            [
                (kind, bores)
                for kind in (AXIS, TILT, ENTRY)
                if (bores := own(kind, numbers)) is not None
            ]
            for numbers in colours
        ]


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


def _joined(parts: list[Met]) -> Met:
    if not parts:
        none = np.zeros(0)
        empty = np.zeros(0, np.int64)
        common = np.zeros((0, len(unknowns.COMMON)))
        return Met(none, none, np.zeros(0, np.bool_), common, (empty, empty, none))
    starts = np.cumsum([0, *(len(each.step_s) for each in parts)])
    rows = [each.own[0] + start for each, start in zip(parts, starts, strict=False)]
    return Met(
        np.concatenate([each.step_s for each in parts]),
        np.concatenate([each.per_s for each in parts]),
        np.concatenate([each.told for each in parts]),
        np.concatenate([each.common for each in parts]),
        (
            np.concatenate(rows),
            np.concatenate([each.own[1] for each in parts]),
            np.concatenate([each.own[2] for each in parts]),
        ),
    )
