"""How bright lit channels are, and how much brighter than dark ones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dialbench.audit.columns import only
from dialbench.audit.minutes import Bools, Floats, Ints, Looked, PlanTime, lit_at
from dialbench.lit import Light

FAINT = 0.001  # where no dark channel is lit to more, contrast has no end


@dataclass(frozen=True)
class Contrasts:
    """The dimmest channel that should be lit beside the brightest that should not.

    Arrays of one length: at utc_us, in a step of a day, channel `dim` is lit to dim_lit and
    channel `bright` to bright_lit. ratio: of these two, inf where bright_lit is under FAINT.
    """

    day: Ints
    step: Ints
    utc_us: Ints
    dim: Ints
    dim_lit: Floats
    bright: Ints
    bright_lit: Floats

    @property
    def ratio(self) -> Floats:
        some = (self.bright_lit >= FAINT) | (self.dim_lit <= 0)
        ratio: Floats = np.where(some, self.dim_lit / np.maximum(self.bright_lit, FAINT), np.inf)
        return ratio

    def least(self) -> Contrasts:
        """Of each step, the least in all of them; in order of steps."""
        order = np.lexsort((self.utc_us, self.bright_lit, self.ratio, self.step))
        first = np.flatnonzero(np.diff(self.step[order], prepend=-1))
        return only(self, order[first])


def in_the_middle(light: Light, time: PlanTime, wants: Bools, runs: Ints) -> Contrasts:
    """In the middle of every step of some runs; steps with all channels lit, or none, are none."""
    middles_us = (time.edges_us[:, :-1] + time.edges_us[:, 1:]) // 2
    inside = (middles_us[time.day[runs]] >= time.begin_us[runs, None]) & (
        middles_us[time.day[runs]] < time.end_us[runs, None]
    )
    row, step = np.nonzero(inside)
    day = time.day[runs[row]]
    utc_us = middles_us[day, step]
    _, lit = lit_at(light, time.place(utc_us))
    return _contrasts(day, step, utc_us, lit, wants)


def about_the_middle(time: PlanTime, wants: Bools, seen: Looked) -> Contrasts:
    """The least in the middle half of every step, over the minutes in seen; one for a step."""
    minute = np.flatnonzero(in_middle_half(time, seen))
    found = _contrasts(
        time.day[seen.run[minute]], seen.step[minute], seen.utc_us[minute], seen.lit[minute], wants
    )
    return found.least()


def in_middle_half(time: PlanTime, seen: Looked) -> Bools:
    """Which minutes lie in the middle half of a step, and in their run."""
    day, step = time.day[seen.run], np.clip(seen.step, 0, time.steps - 1)
    begin_us, end_us = time.edges_us[day, step], time.edges_us[day, step + 1]
    share = (seen.utc_us - begin_us) / (end_us - begin_us)
    middle: Bools = seen.inside & (share >= 0.25) & (share <= 0.75)
    return middle


def _contrasts(day: Ints, step: Ints, utc_us: Ints, lit: Floats, wants: Bools) -> Contrasts:
    want = wants[step]
    both = np.flatnonzero(want.any(axis=1) & ~want.all(axis=1))
    lit, want = lit[both], want[both]
    if not len(both):
        nothing = np.zeros(0, np.int64)
        return Contrasts(nothing, nothing, nothing, nothing, np.zeros(0), nothing, np.zeros(0))
    dim = np.where(want, lit, np.inf).argmin(axis=1)
    bright = np.where(want, -np.inf, lit).argmax(axis=1)
    row = np.arange(len(both))
    return Contrasts(
        day[both], step[both], utc_us[both], dim, lit[row, dim], bright, lit[row, bright]
    )


@dataclass(frozen=True)
class Brightness:
    """How each channel is lit while it should be; arrays of shape (channels,).

    minutes, total: how many, and the sum of lit fractions over them. least, least_us: the
    least in the middle half of a step, and when; inf and 0 where there is none.
    """

    minutes: Ints
    total: Floats
    least: Floats
    least_us: Ints

    @property
    def mean(self) -> Floats:
        """nan where a channel is never wanted."""
        mean: Floats = np.where(self.minutes > 0, self.total / np.maximum(self.minutes, 1), np.nan)
        return mean

    @staticmethod
    def together(parts: list[Brightness]) -> Brightness:
        """Of several parts of a year."""
        least = np.stack([part.least for part in parts])
        best = least.argmin(axis=0)
        channel = np.arange(least.shape[1])
        return Brightness(
            np.sum([part.minutes for part in parts], axis=0),
            np.sum([part.total for part in parts], axis=0),
            least[best, channel],
            np.stack([part.least_us for part in parts])[best, channel],
        )


def brightness(time: PlanTime, wants: Bools, seen: Looked) -> Brightness:
    """Of every channel, over the minutes in seen."""
    want = wants[seen.step] & seen.inside[:, None]
    middle = want & in_middle_half(time, seen)[:, None]
    lit = np.where(middle, seen.lit, np.inf)
    at = lit.argmin(axis=0)
    least = lit[at, np.arange(lit.shape[1])]
    return Brightness(
        want.sum(axis=0),
        np.where(want, seen.lit, 0.0).sum(axis=0),
        least,
        np.where(np.isfinite(least), seen.utc_us[at], 0),
    )
