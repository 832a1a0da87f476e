"""Crossings seen in the live looks since the watch began, and what they say of the dial. Pure."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from math import hypot, sqrt

from dialbench.shares import HalfCrossings, Shift, live_shift
from dialbench.states import LIT_LEVEL
from dialbench.watch.events import Changes, Frame, Marked

_KEPT = 400  # crossings of either kind
# Looks of a dial at speed lie apart, and a crossing between them is known to half of that, early
# as often as late. Further apart a step may come and go unseen.
_APART_US = 60_000_000


@dataclass(frozen=True)
class Seen:
    """uid: of the board that was looked at; came: crossings of lit fraction 0.50 as they were seen;
    due: the same as predicted, meanwhile and for a while ahead; gaps: by instant in came, the time
    between the looks about it; clock_s: how uncertain the board's clock is; shift: how late they
    come in the mean, None while too few have come."""

    uid: str = ""
    came: HalfCrossings = ()
    due: HalfCrossings = ()
    gaps: tuple[tuple[int, int], ...] = ()  # instant, microseconds
    clock_s: float = 0.0
    shift: Shift | None = None


def looked(seen: Seen, before: Frame | None, after: Frame) -> Seen:
    """What is known after one more look. A crossing lies in the middle between two looks."""
    if before is None or not (before.gate and after.gate):
        return seen
    gap_us = after.utc_us - before.utc_us
    if not 0 < gap_us <= _APART_US:
        return seen
    at_us = before.utc_us + gap_us // 2
    came = tuple(
        (at_us, channel, new >= LIT_LEVEL)
        for channel, (old, new) in enumerate(zip(before.levels, after.levels, strict=False))
        if (old >= LIT_LEVEL) != (new >= LIT_LEVEL)
    )
    if not came:
        return seen
    gaps = (*seen.gaps, (at_us, gap_us))[-_KEPT:]
    return _judged(replace(seen, came=(*seen.came, *came)[-_KEPT:], gaps=gaps))


def foretold(seen: Seen, changes: Changes) -> Seen:
    """The same with newer predictions, which take the place of older ones for their time."""
    past = tuple(one for one in seen.due if one[0] < changes.start_us)
    return _judged(replace(seen, due=(*past, *changes.flips)[-2 * _KEPT :]))


def marked(seen: Seen, mark: Marked) -> Seen:
    """The same after a clock mark: the best one counts, and its error is in every time."""
    sigma_s = mark.sigma_us / 1e6
    return replace(seen, clock_s=min(sigma_s, seen.clock_s or sigma_s))


def _judged(seen: Seen) -> Seen:
    # A crossing lies anywhere between two looks, and all of the same two alike.
    many = Counter(at_us for at_us, _, _ in seen.came)
    spread = [many[at_us] * gap_us / 1e6 for at_us, gap_us in seen.gaps]
    common_s = sqrt(sum(one**2 for one in spread) / 12) / max(1, len(seen.came))
    blur_s = hypot(common_s, seen.clock_s)
    return replace(seen, shift=live_shift(seen.came, seen.due, blur_s))
