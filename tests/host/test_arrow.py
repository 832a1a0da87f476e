"""The arrow's solution is that of the same equations written down whole."""

import numpy as np
import pytest

from dialbench.solve.arrow import Arrow, Normal, Rows


def problem(seed, sizes=(4, 7, 2), common=3, each=40):
    rng = np.random.default_rng(seed)
    blocks, weights = [], []
    for size in sizes:
        blocks.append(
            Rows(
                rng.normal(size=(each, size)),
                rng.normal(size=(each, common)),
                rng.normal(size=each),
            )
        )
        weights.append(rng.uniform(0.1, 3.0, each))
    own_precision = [rng.uniform(0.5, 2.0, size) for size in sizes]
    own_values = [rng.normal(size=size) for size in sizes]
    return (
        blocks,
        weights,
        own_precision,
        own_values,
        rng.uniform(0.1, 1, common),
        rng.normal(size=3),
    )


def whole(blocks, weights, own_precision, own_values, precision, values):
    """Increments and their covariance, all unknowns in one row: the blocks', then the common."""
    sizes = [rows.own.shape[1] for rows in blocks]
    starts = np.cumsum([0, *sizes])
    total = starts[-1] + len(values)
    matrix = []
    for number, rows in enumerate(blocks):
        wide = np.zeros((len(rows.left), total))
        wide[:, starts[number] : starts[number + 1]] = rows.own
        wide[:, starts[-1] :] = rows.common
        matrix.append(wide)
    matrix, weight = np.concatenate(matrix), np.concatenate(weights)
    left = np.concatenate([rows.left for rows in blocks])
    prior = np.concatenate([*own_precision, precision])
    stands = np.concatenate([*own_values, values])
    square = matrix.T @ (weight[:, None] * matrix) + np.diag(prior)
    covariance = np.linalg.inv(square)
    return covariance @ (matrix.T @ (weight * left) - prior * stands), covariance, matrix, starts


@pytest.mark.parametrize("seed", range(3))
def test_increments_and_covariances_are_those_of_the_whole(seed):
    given = problem(seed)
    blocks, weights = given[:2]
    normals = [Normal.of(rows, weight) for rows, weight in zip(blocks, weights, strict=True)]
    arrow = Arrow(normals, *given[2:])
    found, covariance, matrix, starts = whole(*given)
    np.testing.assert_allclose(np.concatenate([*arrow.own, arrow.common]), found, atol=1e-10)
    common = slice(starts[-1], None)
    np.testing.assert_allclose(arrow.common_covariance, covariance[common, common], atol=1e-10)
    spread = np.einsum("ij,jk,ik->i", matrix, covariance, matrix).reshape(len(blocks), -1)
    for number, rows in enumerate(blocks):
        here = slice(starts[number], starts[number + 1])
        np.testing.assert_allclose(arrow.covariance(number), covariance[here, here], atol=1e-10)
        np.testing.assert_allclose(
            arrow.cross_covariance(number), covariance[here, common], atol=1e-10
        )
        np.testing.assert_allclose(arrow.leverage(number, rows), spread[number], atol=1e-10)
