"""A campaign's figures: how late crossings came, and how its bores came out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from dialbench.plots import figure
from dialbench.residuals import Group

WIDTH_MM, HEIGHT_MM = 170.0, 78.0
_TICKS = 16


def lateness(groups: Sequence[Group], late_s: np.ndarray, label: str) -> Figure:
    """Median, middle half and middle nine tenths of how late crossings came, group by group."""
    whole, axes = _one()
    at = np.arange(len(groups))
    low, high = (
        np.array([np.percentile(late_s[group.points], share) for group in groups])
        for share in (5, 95)
    )
    axes.vlines(at, low, high, color=figure.RULE, linewidth=_line(len(groups), 2.0))
    axes.vlines(
        at,
        [group.low_s for group in groups],
        [group.high_s for group in groups],
        color=figure.BLUE,
        linewidth=_line(len(groups), 5.0),
        alpha=0.55,
    )
    axes.plot(at, [group.median_s for group in groups], "o", color=figure.INK, markersize=2.4)
    axes.axhline(0, color=figure.SOFT, linewidth=0.8)
    every = max(1, -(-len(groups) // _TICKS))
    axes.set_xticks(at[::every], [group.name for group in groups[::every]], fontsize=7)
    if len(groups) and len(groups[0].name) > 4:
        axes.tick_params(axis="x", rotation=30)
        axes.set_position((0.1, 0.3, 0.87, 0.64))  # room for them, and for what they are
    axes.set_xlabel(label)
    axes.set_ylabel("late, s")
    return whole


def bores(facts: Sequence[dict[str, Any]], key: str, unit: float, label: str) -> Figure:
    """What a solve told of each bore (facts of its object), with 95% intervals."""
    whole, axes = _one()
    told = [(one["bore"], one[key]) for one in facts if one[key] is not None]
    at = [number for number, _ in told]
    axes.errorbar(
        at,
        [unit * one["value"] for _, one in told],
        yerr=[1.96 * unit * one["sigma"] for _, one in told],
        fmt="o",
        markersize=2.2,
        linewidth=0.8,
        color=figure.BLUE,
    )
    axes.axhline(0, color=figure.SOFT, linewidth=0.8)
    axes.set_xlabel("bore")
    axes.set_ylabel(label)
    return whole


def _one() -> tuple[Figure, Axes]:
    whole = figure.sheet(WIDTH_MM, HEIGHT_MM)
    axes = whole.add_axes((0.1, 0.2, 0.87, 0.74))
    figure.plain(axes)
    return whole, axes


def _line(count: int, widest: float) -> float:
    """A line that leaves air between so many of them."""
    return min(widest, 330.0 / max(count, 1))
