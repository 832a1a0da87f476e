"""Which page numbers are of the board's present log, and which of them are not there."""

from __future__ import annotations

from collections.abc import Iterable


def present_since(boots: Iterable[tuple[int, int, int]]) -> int:
    """The boot with which the present log begins, 0 where there is nothing.

    boots: (boot, lowest, highest page number) of every boot held, latest first. Within
    one log numbers rise with the boots, so a boot that has a number at or above one of a
    later boot belongs to a log before it.
    """
    since = 0
    floor: int | None = None
    for boot, lowest, highest in boots:
        if floor is not None and highest >= floor:
            break
        since, floor = boot, lowest
    return since


def gaps(held: Iterable[int], first: int, next: int) -> list[range]:
    """What of first up to, not including, next is not held; held in rising order."""
    out = []
    at = first
    for number in held:
        if at <= number < next:
            if number > at:
                out.append(range(at, number))
            at = number + 1
    if at < next:
        out.append(range(at, next))
    return out
