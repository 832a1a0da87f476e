"""What a sweep shows of a dial whose bores came out in a given way, and how that moves.

A sample's level is its channel's dark level, and for each bore how bright the channel is
through it, fully lit, times the share that the light finds of its exit (dialbench.aperture.lit).
Common to all are the shaft's unknowns: its zero, a first harmonic (a magnet beside its encoder's
middle, a body beside the shaft, or a shaft that misses the pole), backlash, and how much farther
off the lamp stands than was told.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dialbench import surface
from dialbench.aperture.lit import Seen, lit, together
from dialbench.aperture.source import Light
from dialbench.aperture.sweep import Sweep
from dialbench.dial import Dial
from dialcore import bores

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

COMMON = ("zero", "cosine", "sine", "backlash", "farther")
ZERO, COSINE, SINE, BACKLASH, FARTHER = range(len(COMMON))

# A channel's own unknowns: its dark level, its exit (one opening, whatever bores lead to it), and
# four of each of its bores.
DARK, EXIT, BRIGHT, AXIS, TILT, ENTRY = range(6)
OF_A_CHANNEL = (DARK, EXIT)
OF_A_BORE = (BRIGHT, AXIS, TILT, ENTRY)

# What is thought of each kind before there are data, as a standard deviation: levels in shares of
# a channel's range, radians, shares. And of what is not asked for.
PRIOR = {DARK: 0.3, BRIGHT: 0.5, AXIS: 2e-3, TILT: 9e-3, ENTRY: 0.2, EXIT: 0.2}
FIXED = 1e-9

_STEP = (1e-4, 1e-4, 1e-4, 1e-5, 1e-5, 1e-4)  # of each kind, for its partial derivative
_COMMON_STEP = 1e-5
_COLOURS = 3  # of a channel's bores only neighbours light an exit together


@dataclass(frozen=True)
class Values:
    """common (5,): radians, the last a share. own: by kind, (channels,) or (bores,): levels as
    shares of a channel's range; axis and tilt, radians of hour angle and declination; entry and
    exit, shares wider. The exit of a straight bore is as wide as its entry, whatever stands here."""

    common: Floats
    own: tuple[Floats, ...]

    def moved(self, kind: int, by: Floats) -> Values:
        """With increments added to all of one kind."""
        own = list(self.own)
        own[kind] = own[kind] + by
        return replace(self, own=tuple(own))


@dataclass(frozen=True)
class Shown:
    """What a sweep would show, (n,), and its derivatives.

    per_turn (n,): of light by hour angle. common (n, 5). own: (row, kind, bore or channel,
    derivative), flat. told (n,): False where light cannot be worked out. edge: for each couple of
    a sample and a bore near it (row, bore, slope from the axis, derivative by the axis of the
    bore's light alone, of all the channel's light).
    """

    level: Floats
    light: Floats
    per_turn: Floats
    common: Floats
    own: tuple[Ints, Ints, Ints, Floats]
    told: Bools
    edge: tuple[Ints, Ints, Floats, Floats, Floats]


class Model:
    """A dial on a bench; sweep's rows sorted by channel. covered: bores that let no light in."""

    def __init__(
        self, dial: Dial, sweep: Sweep, light: Light, sense: int, covered: frozenset[int]
    ) -> None:
        self.dial, self.sweep, self.light, self.sense = dial, sweep, light, sense
        self.open = np.array([n not in covered for n in range(len(dial.bores))], np.bool_)
        self.channel = np.array([b.channel for b in dial.bores], np.int64)
        self.is_round = np.array([b.shape == "round" for b in dial.bores], np.bool_)
        self.straight = np.array([b.exit_mm == b.entry_mm for b in dial.bores], np.bool_)
        self._hour = np.radians([b.hour_angle_deg for b in dial.bores])
        self._declination = np.radians([b.declination_deg for b in dial.bores])
        self._opening = np.radians([b.opening_deg for b in dial.bores])
        self._exit = np.array([b.exit_mm for b in dial.bores])
        self._entry = np.array([b.entry_mm for b in dial.bores])
        self._length = np.array([b.length_mm for b in dial.bores])
        places = np.array([(c.y_mm, c.z_mm) for c in dial.channels]).reshape(-1, 2)
        self._place = places[self.channel]
        # A bore's number among those of its channel, by hour angle.
        order = np.lexsort((self._hour, self.channel))
        first = np.searchsorted(self.channel[order], self.channel[order])
        self._colour = np.empty(len(order), np.int64)
        self._colour[order] = (np.arange(len(order)) - first) % _COLOURS
        self._row, self._bore = self._couples()
        if sweep.angle is not None:
            self.phase = sense * sweep.angle
        else:
            self.phase = light.hour_angle

    def _couples(self) -> tuple[Ints, Ints]:
        rows, numbers = [], []
        edges = np.searchsorted(self.sweep.channel, np.arange(len(self.dial.channels) + 1))
        for channel in range(len(self.dial.channels)):
            mine = np.flatnonzero((self.channel == channel) & self.open)
            here = np.arange(edges[channel], edges[channel + 1])
            rows.append(np.repeat(here, len(mine)))
            numbers.append(np.tile(mine, len(here)))
        return np.concatenate(rows), np.concatenate(numbers)

    def nominal(self) -> Values:
        channels, none = np.zeros(len(self.dial.channels)), np.zeros(len(self.channel))
        return Values(np.zeros(len(COMMON)), (channels, channels, none + 1, none, none, none))

    def turned(self, common: Floats) -> Floats:
        """The hour angle that the body adds to the light's, sample by sample."""
        found: Floats = common[ZERO] + common[COSINE] * np.cos(self.phase)
        found = found + common[SINE] * np.sin(self.phase)
        if self.sweep.angle is not None:
            found = found + self.phase + self.sense * common[BACKLASH] / 2 * self.sweep.turning
        return found

    def _sizes(self, values: Values) -> tuple[Floats, Floats]:
        entry = self._entry * (1 + values.own[ENTRY])
        exit = self._exit * (1 + values.own[EXIT][self.channel])
        return entry, np.where(self.straight, entry, exit)

    def made(self, values: Values) -> Dial:
        """The dial with its bores as they came out."""
        entry, exit = self._sizes(values)
        hour, declination = (
            np.degrees(drawn + values.own[kind])
            for drawn, kind in ((self._hour, AXIS), (self._declination, TILT))
        )
        return replace(
            self.dial,
            bores=tuple(
                replace(
                    bore,
                    hour_angle_deg=float(hour[n]),
                    declination_deg=float(declination[n]),
                    exit_mm=float(exit[n]),
                    entry_mm=float(entry[n]),
                )
                for n, bore in enumerate(self.dial.bores)
            ),
        )

    def _seen(self, values: Values, ends: surface.Ends, row: Ints, bore: Ints, haze: float) -> Seen:
        hour = (self._hour + values.own[AXIS])[bore]
        declination = (self._declination + values.own[TILT])[bore]
        hemisphere = self.dial.site.hemisphere
        near, along, across, beside, radius = self.light.seen(
            row,
            self.turned(values.common)[row],
            bores.axes(hour, declination, hemisphere, np),
            (self._place[bore, 0], self._place[bore, 1]),
            hemisphere,
            float(values.common[FARTHER]),
        )
        entry, exit = self._sizes(values)
        return Seen(
            near,
            along,
            across,
            beside,
            np.hypot(radius, haze),
            exit[bore],
            entry[bore],
            self._length[bore],
            self._opening[bore],
            *ends.walls_mm[:, bore],
            *ends.tilt[:, bore],
        )

    def _near(self, values: Values, haze: float) -> tuple[surface.Ends, Ints, Ints, Floats]:
        """Where bores end, and the couples of a sample and a bore near its light: (row, bore,
        slope from the axis)."""
        ends = surface.Ends.of(self.dial, self.made(values).bores)
        seen = self._seen(values, ends, self._row, self._bore, haze)
        slope = seen.across / np.maximum(seen.along, 0.1)
        edge = (seen.exit + np.abs(seen.entry - seen.exit) / 2) / seen.length
        edge = edge + seen.near * seen.exit / 2 + 1.2 * seen.radius
        near = (np.abs(slope) < 1.2 * edge + 2e-3) & (seen.along > 0.1)
        return ends, self._row[near], self._bore[near], slope[near]

    def alone(self, values: Values) -> tuple[Ints, Ints, Floats]:
        """(row, bore, light of the bore by itself) of each couple of a sample and a bore near
        its light; 0 where it cannot be worked out."""
        ends, row, bore, _ = self._near(values, 0.0)
        seen = self._seen(values, ends, row, bore, 0.0)
        return row, bore, np.nan_to_num(lit(seen, self.is_round[bore], self.light.darkened))

    def light_alone(self, values: Values, haze: float) -> Floats:
        """Light without dark levels, (n,); 0 where it cannot be worked out."""
        ends, row, bore, _ = self._near(values, haze)
        rows, group = np.unique(row, return_inverse=True)
        found = np.zeros(len(self.sweep))
        if len(rows):
            seen = self._seen(values, ends, row, bore, haze)
            found[rows] = np.nan_to_num(
                together(seen, group, self.is_round[bore], self.light.darkened)
            )
        return found

    def shown(self, values: Values, haze: float = 0.0) -> Shown:
        """What the sweep would show; haze blurs the light by so much more, as a tangent."""
        ends, row, bore, slope = self._near(values, haze)
        rows, group = np.unique(row, return_inverse=True)
        bright, is_round = values.own[BRIGHT], self.is_round[bore]
        dark = self.light.darkened

        def light(values: Values) -> Floats:
            seen = self._seen(values, ends, row, bore, haze)
            return together(seen, group, is_round, dark, values.own[BRIGHT][bore])

        base = light(values)
        count = len(self.sweep)
        common = np.zeros((count, len(COMMON)))
        for number in (ZERO, FARTHER):
            step = np.zeros(len(COMMON))
            step[number] = _COMMON_STEP
            bumped = light(replace(values, common=values.common + step))
            common[rows, number] = (bumped - base) / _COMMON_STEP
        per_turn = common[:, ZERO].copy()
        common[:, COSINE] = per_turn * np.cos(self.phase)
        common[:, SINE] = per_turn * np.sin(self.phase)
        common[:, BACKLASH] = per_turn * self.sense * self.sweep.turning / 2
        channel = self.sweep.channel[rows]
        bumped = light(values.moved(EXIT, np.full(len(self.dial.channels), _STEP[EXIT])))
        moves = [(rows, np.full(len(rows), EXIT), channel, (bumped - base) / _STEP[EXIT])]
        by_axis = np.zeros(len(row))
        for kind in OF_A_BORE:
            if kind == TILT and not self.is_round.any():
                continue
            for colour in range(_COLOURS):
                mine = self._colour == colour
                couple = np.flatnonzero(mine[bore])
                # The nearest of them, where two are near.
                order = np.lexsort((np.abs(slope[couple]), group[couple]))
                first = np.flatnonzero(np.diff(group[couple][order], prepend=-1))
                couple = couple[order[first]]
                bumped = light(values.moved(kind, mine * _STEP[kind]))
                moved = (bumped - base)[group[couple]] / _STEP[kind]
                moves.append((row[couple], np.full(len(couple), kind), bore[couple], moved))
                if kind == AXIS:
                    by_axis[couple] = moved
        alone = [
            lit(self._seen(each, ends, row, bore, haze), is_round, dark)
            for each in (values, values.moved(AXIS, np.full(len(self.channel), _STEP[AXIS])))
        ]
        moved = (alone[1] - alone[0]) * bright[bore] / _STEP[AXIS]
        level = np.zeros(count)
        level[rows] = base
        told = np.isfinite(level)
        level = np.where(told, level, 0.0)
        every = [np.concatenate(part) for part in zip(*moves, strict=True)]
        every[3] = np.nan_to_num(every[3])
        return Shown(
            level + values.own[DARK][self.sweep.channel],
            level,
            np.nan_to_num(per_turn),
            np.nan_to_num(common),
            (every[0], every[1], every[2], every[3]),
            told,
            (row, bore, slope, moved, np.nan_to_num(by_axis)),
        )
