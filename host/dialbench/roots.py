"""Roots of many functions of one variable at once, each between two points of its own."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Values at points x, shape (m,), of the functions whose numbers are which, shape (m,).
Function = Callable[[Floats, Ints], Floats]

_MOST = 100  # steps; a bracket halves at least every third


def between(function: Function, edges: Floats, values: Floats, tolerance: float) -> Floats:
    """Where each function is 0, shape (n,), to tolerance.

    edges (2, n): a bracket; values (2, n): the function there, on both sides of 0 or 0.
    Continuity is all it takes. Regula falsi, an end that stays counting half each time
    ("Illinois"; common practice), with a bisection wherever that is slow.
    """
    (a, b), (at_a, at_b) = edges.copy(), values.copy()
    root: Floats = np.where(at_a == 0, a, b)
    live = np.flatnonzero((at_a != 0) & (at_b != 0))
    a, b, at_a, at_b = a[live], b[live], at_a[live], at_b[live]
    for step in range(_MOST):
        if not len(live):
            break
        x = b - at_b * (b - a) / (at_b - at_a)
        # Never so short a step that the bracket cannot close round the root.
        x = b + np.copysign(np.maximum(np.abs(x - b), tolerance / 2), a - b)
        if step % 3 == 2:
            x = (a + b) / 2
        at_x = function(x, live)
        root[live] = x
        turned = (at_x < 0) != (at_b < 0)
        a, at_a = np.where(turned, b, a), np.where(turned, at_b, at_a / 2)
        b, at_b = x, at_x
        keep = (at_x != 0) & (np.abs(b - a) > tolerance)
        live, a, b, at_a, at_b = live[keep], a[keep], b[keep], at_a[keep], at_b[keep]
    return root
