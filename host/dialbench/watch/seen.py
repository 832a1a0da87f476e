"""Crossings seen in the live looks since the watch began, and what they say of the dial. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace

from dialbench.shares import HalfCrossings, Shift, live_shift
from dialbench.states import LIT_LEVEL
from dialbench.watch.events import Changes, Frame

_KEPT = 400  # crossings of either kind
# Between looks further apart a crossing is not known well enough: as from a dial at high speed.
_APART_US = 10_000_000


@dataclass(frozen=True)
class Seen:
    """uid: of the board that was looked at; came: crossings of lit fraction 0.50 as they were seen; due: those predicted meanwhile and
    for a while ahead; shift: how late they come in the mean, None while too few have come."""

    uid: str = ""
    came: HalfCrossings = ()
    due: HalfCrossings = ()
    shift: Shift | None = None


def looked(seen: Seen, before: Frame | None, after: Frame) -> Seen:
    """What is known after one more look. A crossing lies in the middle between two looks."""
    if before is None or not (before.gate and after.gate):
        return seen
    if not 0 < after.utc_us - before.utc_us <= _APART_US:
        return seen
    at_us = (before.utc_us + after.utc_us) // 2
    came = tuple(
        (at_us, channel, new >= LIT_LEVEL)
        for channel, (old, new) in enumerate(zip(before.levels, after.levels, strict=False))
        if (old >= LIT_LEVEL) != (new >= LIT_LEVEL)
    )
    return _judged(replace(seen, came=(*seen.came, *came)[-_KEPT:])) if came else seen


def foretold(seen: Seen, changes: Changes) -> Seen:
    """The same with newer predictions, which take the place of older ones for their time."""
    past = tuple(one for one in seen.due if one[0] < changes.start_us)
    return _judged(replace(seen, due=(*past, *changes.crossings)[-2 * _KEPT :]))


def _judged(seen: Seen) -> Seen:
    return replace(seen, shift=live_shift(seen.came, seen.due))
