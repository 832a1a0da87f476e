"""Shares of the plan's time: the right face, and wrong light, by day, month and step."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from dialbench.audit.minutes import Floats, Ints
from dialbench.audit.showing import Pieces

HOUR_US = 3_600_000_000


@dataclass(frozen=True)
class Shares:
    """Microseconds of the plan's time: in all, with the right face, with a wrong channel lit.

    Arrays of shape (n,), of days or steps or whatever else the time is divided into.
    """

    total_us: Ints
    right_us: Ints
    wrong_us: Ints

    @property
    def duty(self) -> Floats:
        """nan where there is no time."""
        return _share(self.right_us, self.total_us)

    @property
    def wrong(self) -> Floats:
        """nan where there is no time."""
        return _share(self.wrong_us, self.total_us)

    @property
    def least_right(self) -> int:
        """Where duty is least."""
        return int(np.nanargmin(self.duty))

    @property
    def most_wrong(self) -> int:
        """Where wrong light stands for the largest share."""
        return int(np.nanargmax(self.wrong))


def shares(shown: Pieces, place: Ints, count: int) -> Shares:
    """Time divided by the place 0..count - 1 of each piece, shape (pieces,)."""

    def sums(lengths_us: Ints) -> Ints:
        # A year has 3.2e13 us: whole numbers that a float holds.
        return np.rint(np.bincount(place, lengths_us, minlength=count)).astype(np.int64)

    length_us = shown.length_us
    return Shares(
        sums(length_us), sums(length_us * shown.right), sums(length_us * (shown.stray > 0))
    )


def months(dates: tuple[date, ...]) -> tuple[list[str], Ints]:
    """The months of some days as "2027-01", and the place of each day's among them."""
    named = [f"{day:%Y-%m}" for day in dates]
    listed, place = np.unique(np.array(named), return_inverse=True)
    return [str(name) for name in listed], place.astype(np.int64)


def _share(part: Ints, whole: Ints) -> Floats:
    share: Floats = np.where(whole > 0, part / np.maximum(whole, 1), np.nan)
    return share
