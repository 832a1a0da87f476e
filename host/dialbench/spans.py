"""Lit spans: from where the Sun's path meets borders to what an owner can see."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from dialbench import skyline
from dialbench.lit import Light
from dialbench.meeting import Meetings
from dialbench.path import Path
from dialbench.skyline import UpSpans

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# How a span begins or ends. Only the first is a crossing: the others are the Sun's doing,
# or of whoever asked.
KINDS = ("crossing", *skyline.KINDS)
CROSSING = 0

GRAZING_US = 120_000_000  # shorter spans, and gaps, are told with their depth
_LOOKS = 33


@dataclass(frozen=True)
class Spans:
    """Spans in which a channel's lit fraction is at least a threshold and the Sun is up.

    Arrays of one length, sorted by begin_us, then channel and threshold. threshold: its
    number among those asked for; begin_us, end_us: microseconds of Unix UTC; begin_kind,
    end_kind: into KINDS. peak: the highest lit fraction in a span shorter than GRAZING_US;
    dip: the lowest in the gap that ends with this span, where the gap is as short; nan
    elsewhere.
    """

    channel: Ints
    threshold: Ints
    begin_us: Ints
    end_us: Ints
    begin_kind: Ints
    end_kind: Ints
    peak: Floats
    dip: Floats

    def __len__(self) -> int:
        return len(self.channel)

    def only(self, which: Bools | Ints) -> Spans:
        return Spans(*(getattr(self, field.name)[which] for field in fields(self)))


def joined(parts: list[Spans]) -> Spans:
    """Spans one after the other."""
    return Spans(
        *(np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(Spans))
    )


_NONE = np.zeros(0, np.int64)
EMPTY = Spans(_NONE, _NONE, _NONE, _NONE, _NONE, _NONE, np.zeros(0), np.zeros(0))


def spans(light: Light, met: Meetings, path: Path, up: UpSpans) -> Spans:
    """The spans of a path's crossings while the Sun is up; crossings come sorted, in
    rising and falling pairs of one day, channel and threshold."""
    first, last = met.only(slice(0, None, 2)), met.only(slice(1, None, 2))
    utc_us = path.utc_us(met.day, met.x)
    begin_us, end_us = utc_us[0::2], utc_us[1::2]

    peak = np.full(len(begin_us), np.nan)
    short = np.flatnonzero(end_us - begin_us < GRAZING_US)
    peak[short] = _turn(light, path, first.only(short), last.x[short], top=True)
    dip = np.full(len(begin_us), np.nan)
    gap = 1 + np.flatnonzero(
        (first.channel[1:] == first.channel[:-1])
        & (first.threshold[1:] == first.threshold[:-1])
        & (first.day[1:] == first.day[:-1])
        & (begin_us[1:] - end_us[:-1] < GRAZING_US)
    )
    dip[gap] = _turn(light, path, last.only(gap - 1), first.x[gap], top=False)

    # Each span may be cut by the Sun's rise and set, even into several.
    from_up = np.searchsorted(up.end_us, begin_us, side="right")
    pieces = np.maximum(np.searchsorted(up.begin_us, end_us, side="left") - from_up, 0)
    if (pieces == 1).all():
        which, sun = np.arange(len(pieces)), from_up
    else:
        which = np.repeat(np.arange(len(begin_us)), pieces)
        sun = np.arange(len(which)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
        sun += from_up[which]
    begin = np.maximum(begin_us[which], up.begin_us[sun])
    order = _order(begin)
    which, sun, begin = which[order], sun[order], begin[order]
    end_us = end_us[which]
    end = np.minimum(end_us, up.end_us[sun])
    late, early = begin > begin_us[which], end < end_us
    return Spans(
        first.channel[which],
        first.threshold[which],
        begin,
        end,
        np.where(late, 1 + up.begin_kind[sun], CROSSING),
        np.where(early, 1 + up.end_kind[sun], CROSSING),
        np.where(late | early, np.nan, peak[which]),
        np.where(late, np.nan, dip[which]),
    )


def _order(begin_us: Ints) -> Ints:
    """Stable order of begins, which come by day, channel and threshold."""
    count = len(begin_us)
    after_us = begin_us - begin_us.min(initial=2**62)
    if count >= 2**20 or after_us.max(initial=0) >= 2**43:
        return np.argsort(begin_us, kind="stable")
    # Whole numbers that differ are sorted several times as fast as places are found.
    order: Ints = np.sort((after_us << 20) | np.arange(count)) & (2**20 - 1)
    return order


def _turn(light: Light, path: Path, begin: Meetings, end_x: Floats, top: bool) -> Floats:
    """The highest or lowest lit fraction between crossings and places further along."""
    if not len(end_x):
        return end_x
    best = np.full(len(end_x), np.nan)
    low, high = begin.x, end_x
    for _ in range(2):  # coarse, then round the best of these
        x = np.linspace(low, high, _LOOKS)
        day = np.broadcast_to(begin.day, x.shape).ravel()
        lit = light.at(path.place(day, x.ravel()), np.broadcast_to(begin.channel, x.shape).ravel())
        lit = lit.reshape(x.shape)
        at = lit.argmax(axis=0) if top else lit.argmin(axis=0)
        own = np.arange(len(best))
        best = lit[at, own]
        low, high = x[np.maximum(at - 1, 0), own], x[np.minimum(at + 1, _LOOKS - 1), own]
    return best


def alone(found: Spans, own: Spans) -> tuple[Ints, Ints]:
    """Of each span, where among `own`, the spans of each channel's own bores, its light begins
    and ends: two places in own, both -1 for a ghost. Both sets are of the same request."""
    first, last = np.full((2, len(found)), -1)
    if len(found) and len(own):
        groups = 1 + max(int(found.threshold.max()), int(own.threshold.max()))
        start_us = min(int(found.begin_us.min()), int(own.begin_us.min()))
        far_us = max(int(found.end_us.max()), int(own.end_us.max())) - start_us + 1

        def key(of: Spans, at_us: Ints) -> Floats:
            # Of one channel and threshold, in milliseconds: whole numbers that a float holds.
            number = (of.channel * groups + of.threshold) * (far_us // 1000 + 2)
            return (number + (at_us - start_us) / 1000).astype(float)

        order = np.argsort(key(own, own.begin_us))
        begins, ends = key(own, own.begin_us)[order], key(own, own.end_us)[order]
        from_own = np.searchsorted(ends, key(found, found.begin_us), side="right")
        to_own = np.searchsorted(begins, key(found, found.end_us), side="left") - 1
        some = np.flatnonzero(to_own >= from_own)
        first[some], last[some] = order[from_own[some]], order[to_own[some]]
    return first, last
