"""A good choice of some days out of many: added one by one, exchanged while that pays."""

from __future__ import annotations

from collections.abc import Callable

Set = frozenset[int]
Cost = Callable[[Set], float]
Near = Callable[[Set], set[int]]  # the days to be looked at, for some that are chosen

_PAYS = 1e-4  # a smaller share of the cost is no reason to exchange a day


def added(chosen: Set, near: Near, cost: Cost) -> Set | None:
    """With the one day more that leaves the least cost; None where there is none."""
    more = [chosen | {day} for day in sorted(near(chosen) - chosen)]
    return min(more, key=cost, default=None)


def exchanged(chosen: Set, near: Near, cost: Cost) -> Set:
    """After all exchanges of one day for another that pay."""
    least = cost(chosen)
    pays = True
    while pays:
        pays = False
        for day in sorted(chosen):
            rest = chosen - {day}
            others = sorted(near(frozenset({day})) - chosen)
            best = min((rest | {other} for other in others), key=cost, default=chosen)
            if cost(best) < least * (1 - _PAYS):
                chosen, least, pays = best, cost(best), True
    return chosen
