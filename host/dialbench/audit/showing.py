"""What face stands, from moment to moment: the right one, a spoilt one, or none.

The plan's time is cut wherever a channel's light passes a half and wherever a step begins;
over each piece between two such cuts nothing changes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dialbench.audit.crossings import LEVEL, Passed
from dialbench.audit.minutes import Bools, Floats, Ints, Looked, PlanTime

_PLAN, _LIGHT = range(2)


@dataclass(frozen=True)
class Pieces:
    """Pieces of the plan's time in which nothing changes; arrays of one length, in order of time.

    dark: how many channels are not lit that should be; stray: how many are lit that should not.
    """

    day: Ints
    step: Ints
    begin_us: Ints
    end_us: Ints
    dark: Ints
    stray: Ints

    @property
    def right(self) -> Bools:
        right: Bools = (self.dark == 0) & (self.stray == 0)
        return right

    @property
    def length_us(self) -> Ints:
        return self.end_us - self.begin_us


def pieces(time: PlanTime, wants: Bools, seen: Looked, light: Passed) -> Pieces:
    """The pieces of the runs in seen. wants: which channels each step lights (minutes.wanted)."""
    runs, first = np.unique(seen.run, return_index=True)
    # What is lit and what is wanted as a run begins, and each change of either after that.
    lit_now = seen.lit[first] >= LEVEL
    step_now = time.step_of(time.day[runs], time.begin_us[runs])
    edge_run, edge = np.nonzero(
        (time.edges_us[time.day[runs]] > time.begin_us[runs, None])
        & (time.edges_us[time.day[runs]] < time.end_us[runs, None])
    )
    edge_us = time.edges_us[time.day[runs[edge_run]], edge]
    change, edge_channel = np.nonzero(wants[edge] != wants[edge - 1])
    which = np.searchsorted(runs, light.run)
    row = np.concatenate((edge_run[change], which))
    channel = np.concatenate((edge_channel, light.channel))
    begin_us, end_us = time.begin_us[runs], time.end_us[runs]
    when_us = np.clip(np.concatenate((edge_us[change], light.utc_us)), begin_us[row], end_us[row])
    kind = np.repeat([_PLAN, _LIGHT], [len(change), len(which)])

    order = np.lexsort((when_us, channel, row))
    row, channel, when_us, kind = row[order], channel[order], when_us[order], kind[order]
    lit = _after(lit_now, row, channel, kind == _LIGHT)
    want = _after(wants[step_now], row, channel, kind == _PLAN)
    before_lit, before_want = lit ^ (kind == _LIGHT), want ^ (kind == _PLAN)
    dark = (want & ~lit).astype(np.int64) - (before_want & ~before_lit)
    stray = (lit & ~want).astype(np.int64) - (before_lit & ~before_want)
    starts = np.stack((wants[step_now] & ~lit_now, lit_now & ~wants[step_now])).sum(axis=2)

    # Beginnings, step edges and changes in order of time; each begins a piece.
    nothing = np.zeros(len(edge_run), np.int64)
    row = np.concatenate((np.arange(len(runs)), edge_run, row))
    when_us = np.concatenate((begin_us, edge_us, when_us))
    first_of = np.arange(len(row)) < len(runs)
    dark = np.concatenate((starts[0], nothing, dark))
    stray = np.concatenate((starts[1], nothing, stray))
    order = np.lexsort((~first_of, when_us, row))
    row, when_us, dark, stray = row[order], when_us[order], dark[order], stray[order]
    begins = np.flatnonzero(np.diff(row, prepend=-1))
    dark, stray = _running(dark, begins), _running(stray, begins)
    until_us = np.append(when_us[1:], 0)
    until_us[np.append(begins[1:], len(row)) - 1] = end_us
    keep = np.flatnonzero(until_us > when_us)
    day = time.day[runs[row[keep]]]
    step = time.step_of(day, when_us[keep])
    return Pieces(day, step, when_us[keep], until_us[keep], dark[keep], stray[keep])


def _after(now: Bools, row: Ints, channel: Ints, turns: Bools) -> Bools:
    """A state after each of some changes sorted by row and channel, those that are turns."""
    key = row * now.shape[1] + channel
    groups = np.flatnonzero(np.diff(key, prepend=-1))
    odd = _running(turns.astype(np.int64), groups) % 2 == 1
    after: Bools = now[row, channel] ^ odd
    return after


def _running(values: Ints, begins: Ints) -> Ints:
    """Sums so far, anew from each of some beginnings on."""
    total = np.cumsum(values)
    before = (total - values)[begins]
    counts = np.diff(begins, append=len(values))
    running: Ints = total - np.repeat(before, counts)
    return running


def gaps_us(time: PlanTime, shown: Pieces) -> Floats:
    """How long no right face stands about each boundary of two steps, in microseconds.

    Shape (days, steps - 1): the whole time about it, on both sides, 0 where the one face
    follows the other at once; nan where the Sun is not up. shown: pieces sorted by time.
    """
    bad = np.flatnonzero(~shown.right)
    begin_us, end_us = shown.begin_us[bad], shown.end_us[bad]
    new = np.append(True, begin_us[1:] != end_us[:-1])[: len(bad)]
    last = np.append(new[1:], True)[: len(bad)]
    begin_us, end_us = begin_us[new], end_us[last]
    edges_us = time.edges_us[:, 1:-1]
    gaps = np.zeros(edges_us.shape)
    if len(begin_us):
        at = np.maximum(np.searchsorted(begin_us, edges_us, side="right") - 1, 0)
        held = (begin_us[at] <= edges_us) & (end_us[at] >= edges_us)
        gaps = np.where(held, end_us[at] - begin_us[at], 0).astype(float)
    up = np.zeros(edges_us.shape, np.bool_)
    for day, begin, end in zip(time.day, time.begin_us, time.end_us, strict=True):
        up[day] |= (edges_us[day] > begin) & (edges_us[day] < end)
    gaps[~up] = np.nan
    return gaps
