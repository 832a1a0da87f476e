"""How likely enough of some days are clear, and which day more makes that likeliest."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable

import numpy as np

from dialbench.campaign.weather import Skies

Set = frozenset[int]

_TELLING = 40  # of the ways to fail, the most frequent are looked at for a mend


class Odds:
    """enough: whether days, all of them clear, reach the goal. More days never reach less."""

    def __init__(self, skies: Skies, enough: Callable[[Set], bool]) -> None:
        self._skies, self._enough = skies, enough
        self._will: list[Set] = []
        self._wont: list[Set] = []

    def enough(self, days: Set) -> bool:
        """Whether these days reach the goal, worked out only where fewer or more did not tell."""
        if any(some <= days for some in self._will):
            return True
        if any(days <= some for some in self._wont):
            return False
        if self._enough(days):
            self._will = [some for some in self._will if not days <= some] + [days]
            return True
        self._wont = [some for some in self._wont if not some <= days] + [days]
        return False

    def probability(self, days: Set) -> float:
        """That so many of these days are clear that the goal is reached."""
        if not self.enough(days):
            return 0.0
        return 1 - sum(self._failing(days).values()) / self._skies.count

    def best_added(self, days: Set, others: Iterable[int]) -> int | None:
        """Of others, the day that mends most of the skies under which days are too few; None
        where no single one mends any."""
        failing = self._failing(days).most_common(_TELLING)
        best, mended = None, 0.0
        for day in sorted(set(others) - days):
            chance = self._skies.weather.chance(day)
            now = chance * sum(many for some, many in failing if self.enough(some | {day}))
            if now > mended:
                best, mended = day, now
        return best

    def fewer(self, days: Set, least: float) -> Set:
        """The days less what can be spared while the probability stays at the least."""
        for day in sorted(days, key=lambda day: -self.probability(days - {day})):
            if self.probability(days - {day}) >= least:
                days = days - {day}
        return days

    def hopeless(self, needed: int, days: Iterable[int], most: int, least: float) -> bool:
        """Whether any so many of these days are too seldom clear, if so many are needed."""
        likeliest = sorted((self._skies.weather.chance(day) for day in days), reverse=True)[:most]
        clear = np.zeros(len(likeliest) + 1)  # the probability of so many clear days
        clear[0] = 1.0
        for chance in likeliest:
            clear[1:] = clear[1:] * (1 - chance) + clear[:-1] * chance
            clear[0] *= 1 - chance
        return float(clear[needed:].sum()) < least

    def _failing(self, days: Set) -> Counter[Set]:
        courses = Counter(self._skies.clear(sorted(days)))
        return Counter({some: many for some, many in courses.items() if not self.enough(some)})
