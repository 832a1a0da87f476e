"""What all channels have in common on a day: it is the body's, or the open-sky sensor's.

A body that settles, swells or warms moves the crossings of every channel; so these parts are
found first, day by day, and taken away. What is left is a channel's own. What is the same on
every day cannot be seen here: it is part of where the bores point.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench.health.lines import Lines, held
from dialbench.health.scan import SLOW

Floats = NDArray[np.float64]

# In the order of Common.value's columns.
TERMS = ("turn", "swing", "bow", "entries", "gain")
# Wide enough at first to say nothing: radians, and shares.
_FIRST = np.array([0.02, 0.02, 0.02, 0.2, 0.2])
_LEAST = np.array([1e-6, 1e-6, 1e-6, 1e-5, 1e-5])
# What the forecast is trusted to from season to season: traced light of a sound dial, where the
# walls in declination begin to cut it, strays by up to twice as much.
_TRUSTED = np.array([3.5e-5, 3.5e-5, 3.5e-5, 2e-4, 5e-3])
_HUBER = 2.0  # sigmas, beyond which a crossing's pull grows no more
_ROUNDS = 12


@dataclass(frozen=True)
class Common:
    """value, sigma: (days, terms). late_s: (lines, days) what is left to each line. misfit:
    (terms,) by how much of each term lines go slowly up and down that have no change in common.

    turn: of the body, radians, over the day; swing: by how much more of it in the afternoon
    than at noon (at 6 h), bow: at noon than at 6 h; entries, gain: shares by which all are
    wider and all levels higher.
    """

    value: Floats
    sigma: Floats
    late_s: Floats
    misfit: Floats


def common(lines: Lines) -> Common:
    """What the lines of each day have in common."""
    if not len(lines.day):
        none = np.zeros((0, len(TERMS)))
        return Common(none, none, lines.late_s, _TRUSTED)
    cosine = np.cos(lines.hour_angle)
    parts = (
        lines.turn,
        lines.turn * np.sin(lines.hour_angle),
        lines.turn * (cosine - cosine.mean()),
        lines.entries,
        lines.gain,
    )
    partial = np.stack(parts, axis=1)
    weight = lines.weight
    scatter = _FIRST
    value = np.zeros((len(lines.day), len(TERMS)))
    sigma = value
    robust = weight
    for _ in range(_ROUNDS):
        fitted = partial @ value.T
        mean = _means(lines.late_s - fitted, robust)
        left = lines.late_s - mean
        # One channel that fails has no say in what all do, nor has an insect.
        robust = weight / np.maximum(1.0, np.abs(left - fitted) * np.sqrt(weight) / _HUBER)
        square = np.einsum("ld,lj,lk->djk", robust, partial, partial, optimize=True)
        square += np.diag(1 / scatter**2)
        inverse = np.linalg.inv(square)
        value = np.einsum("djk,dk->dj", inverse, (robust * left).T @ partial)
        value -= np.average(value, axis=0)
        sigma = np.sqrt(np.einsum("djj->dj", inverse))
        scatter = np.maximum(np.sqrt((value**2 + sigma**2).mean(axis=0)), _LEAST)
    rest = held(lines.late_s - partial @ value.T, weight)
    rest = np.where(weight > 0, rest - _means(rest, weight), 0.0)
    pull = np.einsum("djk,lk,ld->djl", inverse, partial, weight, optimize=True)
    slow_s = _slow_s(rest, weight)
    misfit = np.hypot(slow_s * np.sqrt(np.square(pull).sum(axis=2).mean(axis=0)), _TRUSTED)
    return Common(value, sigma, rest, misfit)


def _means(late_s: Floats, weight: Floats) -> Floats:
    """Of each line, (lines, 1)."""
    total = np.maximum(weight.sum(axis=1, keepdims=True), 1e-300)
    return np.asarray((weight * late_s).sum(axis=1, keepdims=True) / total)


def _slow_s(late_s: Floats, weight: Floats) -> float:
    """By how much lines stray for longer than a few days, seconds; noise is not in it."""
    products = []
    for line, known in zip(late_s, weight > 0, strict=True):
        values = line[known]
        products.append(values[SLOW:] * values[:-SLOW])
    every = np.concatenate(products) if products else np.zeros(0)
    return float(np.sqrt(max(every.mean(), 0.0))) if len(every) else 0.0
