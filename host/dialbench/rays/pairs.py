"""Pairs of a box of directions and a window on an exit, with the bores that matter to each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench.rays.voids import Ints

Singles = NDArray[np.float32]
Bools = NDArray[np.bool_]

FAR = np.float32(1e12)  # mm: farther than any ray runs


@dataclass(frozen=True, eq=False)
class Pairs:
    """Pairs of a box and a window, and the bores that may help to light each.

    bore (c, n): padded with the stand-in. Every ray is lit for certain up to `lit` mm from
    its exit and from `free` mm outwards; up to own_lit and from own_free by the channel's
    own bores.
    """

    box: Ints
    window: Ints
    bore: Ints
    own_lit: Singles
    own_free: Singles
    lit: Singles
    free: Singles

    @classmethod
    def all(cls, windows: int, bores: int) -> Pairs:
        """One box with every window, nothing known."""
        none, window = np.zeros(windows, np.float32), np.arange(windows)
        bore = np.repeat(np.arange(bores)[:, None], windows, axis=1)
        return cls(0 * window, window, bore, none, none + FAR, none, none + FAR)

    def at(self, which: Ints, box: Ints | None = None, window: Ints | None = None) -> Pairs:
        """Those numbered `which`, in other boxes and windows if these are given."""
        return Pairs(
            self.box[which] if box is None else box,
            self.window[which] if window is None else window,
            self.bore[:, which],
            self.own_lit[which],
            self.own_free[which],
            self.lit[which],
            self.free[which],
        )

    def chunks(self, size: int, nothing: int) -> list[Pairs]:
        """In parts of so many pairs, those with few bores by themselves, without padding."""
        count = (self.bore != nothing).sum(axis=0)
        order = np.argsort(count, kind="stable")
        parts = []
        for first in range(0, len(order), size):
            which = order[first : first + size]
            part = self.at(which)
            parts.append(Pairs(part.box, part.window, part.bore[: count[which[-1]]], *part.sure))
        return parts

    @property
    def sure(self) -> tuple[Singles, Singles, Singles, Singles]:
        return self.own_lit, self.own_free, self.lit, self.free


def joined(parts: list[Pairs], nothing: int) -> Pairs:
    """Pairs of several parts together."""
    most = max((len(p.bore) for p in parts), default=0)
    bores = [
        np.pad(p.bore, ((0, most - len(p.bore)), (0, 0)), constant_values=nothing) for p in parts
    ]
    rows = [
        np.concatenate(columns)
        for columns in zip(*((p.box, p.window, *p.sure) for p in parts), strict=True)
    ]
    return Pairs(rows[0], rows[1], np.concatenate(bores, axis=1), *rows[2:])


def packed(which: Bools, bore: Ints, nothing: int) -> Ints:
    """Those of each column of bores that are wanted, at its beginning; nothing elsewhere."""
    place = np.cumsum(which, axis=0)
    row, column = np.nonzero(which)
    out = np.full((int(place[-1:].max(initial=0)), which.shape[1]), nothing)
    out[place[row, column] - 1, column] = bore[row, column]
    return out
