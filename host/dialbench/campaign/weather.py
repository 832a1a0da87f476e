"""How likely a day is clear.

A day is taken to be clear, or not, whatever its neighbours are. Real weather persists; days
that lie apart, as a campaign's seasons do, are nearly so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np

from dialbench.errors import UserError, inert

_MONTHS = 12
_LONGEST = 10_000  # characters of a file of twelve numbers
_SKIES = 2000
_SEED = 20270416


class WeatherError(UserError):
    """Twelve numbers that cannot be read: one sentence."""


@dataclass(frozen=True)
class Weather:
    """clear: the probability of a clear day, January to December."""

    clear: tuple[float, ...] = (1.0,) * _MONTHS

    @classmethod
    def read(cls, text: str) -> Weather:
        """From twelve numbers with commas between them, or the name of a file with them.

        In a file they may stand in lines and have spaces between them. Raises WeatherError.
        """
        where = f"--clear {inert(text)}"
        words = text.split(",")
        if len(words) != _MONTHS:
            try:
                with Path(text).open(encoding="utf-8") as file:
                    words = file.read(_LONGEST).replace(",", " ").split()
            except (OSError, ValueError) as error:
                raise WeatherError(
                    f"{where}: neither twelve numbers such as 0.3,0.4,... nor a file that can be"
                    f" read: give the probability of a clear day for each month, January first"
                ) from error
        try:
            clear = [float(word) for word in words]
        except ValueError:
            clear = []
        if len(clear) != _MONTHS or not all(0 <= share <= 1 for share in clear):
            raise WeatherError(
                f"{where}: twelve probabilities from 0 to 1 are wanted, one a month, January first"
            )
        if not any(clear):
            raise WeatherError(f"{where}: says that no day is ever clear, so none can be planned")
        return cls(tuple(clear))

    def chance(self, day: int) -> float:
        """Of a day, given by its ordinal, to be clear."""
        return self.clear[date.fromordinal(day).month - 1]

    @property
    def sure(self) -> bool:
        return min(self.clear) >= 1


class Skies:
    """Many possible courses of the weather, each day's the same however often it is asked."""

    def __init__(self, weather: Weather) -> None:
        self.weather = weather
        self.count = 1 if weather.sure else _SKIES
        self._clear: dict[int, np.ndarray] = {}

    def clear(self, days: Sequence[int]) -> list[frozenset[int]]:
        """Of the days, those that are clear, in each course."""
        for day in days:
            if day not in self._clear:
                draw = np.random.default_rng((_SEED, day)).random(self.count)
                self._clear[day] = draw < self.weather.chance(day)
        if not days:
            return [frozenset()] * self.count
        table = np.stack([self._clear[day] for day in days], axis=1)
        return [frozenset(np.array(days)[row].tolist()) for row in table]
