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

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench import ephemeris
from dialbench.dial import Dial
from dialbench.ideal import Bores
from dialbench.lit import light_of
from dialbench.sky import Sky
from dialbench.solve import unknowns
from dialbench.solve.unknowns import ALL_ENTRIES, ALL_EXITS, AXIS, ENTRY, GHOST, TILT, Layout, Values
from dialcore import frames

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_STEP = 1e-6  # radians and shares: the level is smooth over it, and its digits suffice
_SECOND_US = 1_000_000
_COLOURS = 3  # bores of one channel that the Sun can light at once, and tell apart
_FLAT_PER_S = 1e-6  # a level that changes slower tells no time


@dataclass(frozen=True)
class Crossing:
    """Where crossings would be, and their partial derivatives; n rows.

    step_s: from where they were thought to be to where the level meets the threshold,
    as Newton has it; per_s: how fast the level changes; told: whether it changes fast
    enough, and the right way, to tell a time at all; common: seconds per common unknown,
    (n, 8); own: rows, columns and values of the partials by the channel's own ones.
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
        self._colour = np.zeros(len(dial.bores), np.int64)
        for numbers in layout.bores:
            self._colour[numbers] = np.arange(len(numbers)) % _COLOURS
        self._axis = hour_angle = np.radians([bore.hour_angle_deg for bore in dial.bores])
        # By how much a slot's wall turns outwards as its entry grows, radians a share.
        slope = np.array([bore.entry_mm / bore.length_mm / 2 for bore in dial.bores])
        self._spread = slope / (1 + slope**2)
        key = np.array([100.0 * bore.channel for bore in dial.bores]) + hour_angle
        order = np.argsort(key)
        self._all = (order, key[order])
        self._keys = []
        for colour in range(_COLOURS):
            numbers = np.flatnonzero(self._colour == colour)
            numbers = numbers[np.argsort(key[numbers])]
            self._keys.append((numbers, key[numbers]))

    def at(
        self, values: Values, utc_us: Ints, channel: Ints, level: Floats, rise: Bools
    ) -> Crossing:
        """Crossings thought to be at utc_us, arrays of shape (n,); level is the threshold."""
        layout = self._layout
        here, late = (self._polar(utc_us + ahead) for ahead in (0, _SECOND_US))
        polar, semidiameter = here
        pose = values.common[unknowns.POSE]
        hour_angle, declination = self._place(polar, pose)
        soon, fall = self._place(late[0], pose)
        turn_s, fall_s = soon - hour_angle, fall - declination

        def light(bores: Bores, hour_angle: Floats, declination: Floats) -> Floats:
            return bores.lit(hour_angle, declination, semidiameter, channel)

        ghost = 1 + values.common[GHOST]
        nearest = self._nearest(channel, hour_angle)
        # By how much the wall that the Sun is nearer to stands off its drawn place.
        side = np.where(hour_angle > self._axis[nearest], 1.0, -1.0)
        spread = side * self._spread[nearest]
        wider = values.common[ALL_ENTRIES] + layout.by_bore(ENTRY, values)[nearest]
        follow = layout.by_bore(AXIS, values)[nearest] + spread * wider

        def strayed(hour_angle: Floats, declination: Floats) -> Floats:
            return self._light.strayed(hour_angle - follow, declination, channel)

        bores = Bores(layout.made(values))
        own = light(bores, hour_angle, declination)
        stray = strayed(hour_angle, declination)
        lit = own + ghost * stray
        by_turn = light(bores, hour_angle + _STEP, declination) - own
        stray_by_turn = ghost * (strayed(hour_angle + _STEP, declination) - stray)
        by_turn += stray_by_turn
        by_fall = light(bores, hour_angle, declination + _STEP) - own
        by_fall += ghost * (strayed(hour_angle, declination + _STEP) - stray)
        by_turn, by_fall = by_turn / _STEP, by_fall / _STEP
        gain, dark = (of[channel] for of in layout.sensors(values))
        gain = 1 + gain
        per_s = gain * (by_turn * turn_s + by_fall * fall_s)
        told = np.where(rise, per_s, -per_s) > _FLAT_PER_S
        safe = np.where(told, per_s, np.inf)

        common = np.zeros((len(utc_us), len(unknowns.COMMON)))
        for axis in range(3):
            ahead = np.array(pose)
            ahead[axis] += _STEP
            turned, fallen = self._place(polar, ahead)
            moved = by_turn * (turned - hour_angle) + by_fall * (fallen - declination)
            common[:, axis] = -gain * moved / _STEP / safe
        common[:, GHOST] = -gain * stray / safe

        rows = np.flatnonzero(told)
        parts = [(rows, np.full(len(rows), unknowns.GAIN), -lit[rows] / safe[rows])]
        parts.append((rows, np.full(len(rows), unknowns.DARK), -1 / safe[rows]))
        # An exit is its channel's own: all of them move at once, and none counts twice.
        wider = values.moved(_one(len(unknowns.COMMON), ALL_EXITS), [0.0 * of for of in values.own])
        moved = light(Bores(layout.made(wider)), hour_angle, declination) - own
        common[:, ALL_EXITS] = -gain * moved / _STEP / safe
        parts.append((rows, np.full(len(rows), unknowns.EXIT), common[rows, ALL_EXITS]))
        for colour, (numbers, keys) in enumerate(self._keys):
            if not len(numbers):
                continue
            bore = numbers[_nearest(keys, channel * 100.0 + hour_angle)]
            mine = np.array([b.channel for b in self._dial.bores])[bore] == channel
            for kind in (AXIS, TILT, ENTRY):
                nudged = self._nudged(values, kind, colour)
                if nudged is None:
                    continue
                moved = light(nudged, hour_angle, declination) - own
                if kind in (AXIS, ENTRY):
                    by_wall = stray_by_turn * (1.0 if kind == AXIS else spread)
                    moved = np.where(bore == nearest, moved - by_wall, moved)
                seconds = -gain * moved / _STEP / safe
                if kind == ENTRY:
                    common[:, ALL_ENTRIES] += seconds
                column = layout.column[kind, bore]
                at = np.flatnonzero(mine & told & (seconds != 0) & (column >= 0))
                parts.append((at, column[at], seconds[at]))
        row, column, seconds = (np.concatenate(each) for each in zip(*parts, strict=True))
        step_s = (level - gain * lit - dark) / safe
        return Crossing(step_s, per_s, told, common, (row, column, seconds))

    def _nearest(self, channel: Ints, hour_angle: Floats) -> Ints:
        """The bore of each channel (which has one) that points nearest in hour angle."""
        numbers, keys = self._all
        return numbers[_nearest(keys, channel * 100.0 + hour_angle)]

    def _polar(self, utc_us: Ints) -> tuple[Floats, Floats]:
        return self._sky.toward(ephemeris.ut1_us(utc_us))

    def _place(self, polar: Floats, pose: Floats) -> tuple[Floats, Floats]:
        """Hour angle and declination in the body's frame."""
        back = frames.transpose(frames.rotation(*pose.tolist(), np))
        turned = frames.apply(back, (polar[0], polar[1], polar[2]))
        hour_angle, declination = frames.place(turned, self._dial.site.hemisphere, np)
        return hour_angle, declination

    def _nudged(self, values: Values, kind: int, colour: int) -> Bores | None:
        """The bores with one kind of unknown of one colour's a step on; None if there is none."""
        layout = self._layout
        numbers = np.flatnonzero((self._colour == colour) & (layout.column[kind] >= 0))
        if not len(numbers):
            return None
        own = []
        for block, of, bore in zip(values.own, layout.kind, layout.bore, strict=True):
            here = (of == kind) & np.isin(bore, numbers)
            own.append(np.where(here, block + _STEP, block))
        return Bores(layout.made(Values(values.common, tuple(own))))


def _one(size: int, at: int) -> Floats:
    step = np.zeros(size)
    step[at] = _STEP
    return step


def _nearest(keys: Floats, wanted: Floats) -> Ints:
    """Index of the nearest of ascending keys to each that is wanted."""
    after = np.clip(np.searchsorted(keys, wanted), 0, len(keys) - 1)
    before = np.maximum(after - 1, 0)
    nearer = np.abs(keys[before] - wanted) <= np.abs(keys[after] - wanted)
    return np.where(nearer, before, after)
