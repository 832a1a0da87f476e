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
from scipy.linalg import cho_factor, cho_solve

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Rows:
    """The rows of one block: partial derivatives by its own unknowns (n, k), by the common
    ones (n, g), what is left of each measurement (n,) and its weight, 1 / variance (n,)."""

    own: Floats
    common: Floats
    left: Floats
    weight: Floats


class Arrow:
    """The solution of sum weight (left - own u - common b)^2 + u' P u + b' Q b -> least.

    own_precision and common_precision are the diagonals of P (one array a block) and Q;
    pull and common_pull (as long) are added to the right-hand sides, for priors whose
    middle is not where the unknowns stand now. Raises numpy.linalg.LinAlgError where the
    matrix has no inverse: each unknown needs rows or a precision.

    own: the blocks' unknowns; common: the common ones; common_covariance (g, g);
    log_determinant: of the whole normal matrix.
    """

    def __init__(
        self,
        blocks: Sequence[Rows],
        own_precision: Sequence[Floats],
        common_precision: Floats,
        own_pull: Sequence[Floats],
        common_pull: Floats,
    ) -> None:
        schur = np.diag(np.asarray(common_precision, dtype=np.float64))
        pull = np.array(common_pull, dtype=np.float64)
        kept = []
        self.log_determinant = 0.0
        for rows, precision, own_pull_here in zip(blocks, own_precision, own_pull, strict=True):
            weighted = rows.own * rows.weight[:, None]
            square = weighted.T @ rows.own
            square[np.diag_indices_from(square)] += precision
            side = weighted.T @ rows.common
            right = weighted.T @ rows.left + own_pull_here
            heavy = rows.common * rows.weight[:, None]
            schur += heavy.T @ rows.common
            pull += heavy.T @ rows.left
            factor = cho_factor(square, lower=True)
            self.log_determinant += 2 * float(np.log(np.diag(factor[0])).sum())
            alone, lean = cho_solve(factor, right), cho_solve(factor, side)
            schur -= side.T @ lean
            pull -= side.T @ alone
            kept.append((factor, alone, lean))
        factor = cho_factor(schur, lower=True)
        self.log_determinant += 2 * float(np.log(np.diag(factor[0])).sum())
        self.common: Floats = cho_solve(factor, pull)
        self.common_covariance: Floats = cho_solve(factor, np.eye(len(schur)))
        self.own: list[Floats] = [alone - lean @ self.common for _, alone, lean in kept]
        self._kept = kept
        self._blocks = blocks

    def covariance(self, block: int) -> Floats:
        """Of the block's own unknowns, (k, k)."""
        factor, _, lean = self._kept[block]
        inverse: Floats = cho_solve(factor, np.eye(len(lean)))
        inverse += lean @ self.common_covariance @ lean.T
        return inverse

    def cross_covariance(self, block: int) -> Floats:
        """Of the block's own unknowns with the common ones, (k, g)."""
        lean: Floats = self._kept[block][2]
        return -lean @ self.common_covariance

    def leverage(self, block: int) -> Floats:
        """Variance of what is fitted to each of the block's rows, (n,)."""
        rows = self._blocks[block]
        across = self.cross_covariance(block)
        found: Floats = np.einsum("ij,ij->i", rows.own @ self.covariance(block), rows.own)
        found += np.einsum("ij,ij->i", rows.common @ self.common_covariance, rows.common)
        found += 2 * np.einsum("ij,ij->i", rows.own @ across, rows.common)
        return found
