"""Least squares whose unknowns fall into blocks that meet only in a few common ones.

A channel's bores and its sensor tell nothing of another channel's; only the body's pose,
the clock and the like belong to all. So the normal matrix is an arrow: a block a channel,
and a border. It is solved exactly, block by block, in memory and time that grow with the
blocks and not with the square of all unknowns.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Rows:
    """The rows of one block: partial derivatives by its own unknowns (n, k), by the common
    ones (n, g), and what is left of each measurement (n,)."""

    own: Floats
    common: Floats
    left: Floats


@dataclass(frozen=True)
class Normal:
    """What the rows of one block add to the normal equations, with weights 1 / variance (n,)."""

    square: Floats  # (k, k)
    side: Floats  # (k, g)
    right: Floats  # (k,)
    common: Floats  # (g, g)
    pull: Floats  # (g,)

    @classmethod
    def of(cls, rows: Rows, weight: Floats) -> Normal:
        own, common = rows.own * weight[:, None], rows.common * weight[:, None]
        return cls(
            own.T @ rows.own,
            own.T @ rows.common,
            own.T @ rows.left,
            common.T @ rows.common,
            common.T @ rows.left,
        )


class Arrow:
    """The solution of sum weight (left - own u - common b)^2 + prior terms -> least.

    The prior of an unknown that stands at v now is that v + its increment is 0 with a
    variance 1 / precision; own_precision has one array a block, own_values likewise.
    Raises numpy.linalg.LinAlgError where the matrix has no inverse: each unknown needs rows
    or a precision.

    own: the blocks' increments; common: the common ones; common_covariance (g, g).
    """

    def __init__(
        self,
        blocks: Sequence[Normal],
        own_precision: Sequence[Floats],
        own_values: Sequence[Floats],
        common_precision: Floats,
        common_values: Floats,
    ) -> None:
        # Half the screens import this module and solve nothing: they do not wait for scipy.
        from scipy.linalg import cho_factor, cho_solve

        schur = np.diag(common_precision)
        pull = -common_precision * common_values
        self._kept = []
        alone = []
        for block, precision, values in zip(blocks, own_precision, own_values, strict=True):
            factor = cho_factor(block.square + np.diag(precision), lower=True)
            alone.append(cho_solve(factor, block.right - precision * values))
            lean = cho_solve(factor, block.side)
            schur = schur + block.common - block.side.T @ lean
            pull = pull + block.pull - block.side.T @ alone[-1]
            self._kept.append((factor, lean))
        factor = cho_factor(schur, lower=True)
        self.common: Floats = cho_solve(factor, pull)
        self.common_covariance: Floats = cho_solve(factor, np.eye(len(schur)))
        self.own: list[Floats] = [
            own - lean @ self.common for own, (_, lean) in zip(alone, self._kept, strict=True)
        ]

    def covariance(self, block: int) -> Floats:
        """Of the block's own unknowns, (k, k)."""
        from scipy.linalg import cho_solve

        factor, lean = self._kept[block]
        inverse: Floats = cho_solve(factor, np.eye(len(lean)))
        inverse += lean @ self.common_covariance @ lean.T
        return inverse

    def cross_covariance(self, block: int) -> Floats:
        """Of the block's own unknowns with the common ones, (k, g)."""
        lean: Floats = self._kept[block][1]
        return -lean @ self.common_covariance

    def left(self, block: int, rows: Rows) -> Floats:
        """What is left of each of the block's rows, (n,)."""
        after: Floats = rows.left - rows.own @ self.own[block] - rows.common @ self.common
        return after

    def leverage(self, block: int, rows: Rows) -> Floats:
        """Variance of what is fitted to each of the block's rows, (n,)."""
        across = self.cross_covariance(block)
        found: Floats = np.einsum("ij,ij->i", rows.own @ self.covariance(block), rows.own)
        found += np.einsum("ij,ij->i", rows.common @ self.common_covariance, rows.common)
        found += 2 * np.einsum("ij,ij->i", rows.own @ across, rows.common)
        return found
