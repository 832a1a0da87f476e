"""A tolerance study as a figure: how duty comes out, and what each tolerance, halved, buys."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from dialbench.errors import inert
from dialbench.plots import figure
from dialbench.tolerance.errors import NAMES
from dialbench.tolerance.found import Found

_BINS = 48


def drawn(found: Found) -> Figure:
    """A figure of 180 x 150 mm; make it and write it within figure.styled()."""
    whole = figure.sheet(180, 150)
    upper, lower = whole.subplots(2, 1, gridspec_kw={"height_ratios": (1, 1), "hspace": 0.42})
    name = inert(found.question.dial.name)
    whole.suptitle(f"{name}: {len(found.figures)} bodies made and placed with errors", fontsize=11)
    whole.subplots_adjust(left=0.24, right=0.96, top=0.91, bottom=0.1)
    _duties(upper, found)
    _bought(lower, found)
    return whole


def _duties(axes: Axes, found: Found) -> None:
    duty = found.figures[:, 0]
    duty = duty[np.isfinite(duty)]
    if len(duty):
        axes.hist(100 * duty, _BINS, color=figure.BLUE, alpha=0.75)
    if np.isfinite(found.drawn[0]):
        axes.axvline(
            100 * found.drawn[0], color=figure.GREEN, linestyle="--", label="without errors"
        )
    if found.asked.duty is not None:
        axes.axvline(100 * found.asked.duty, color=figure.RED, label="asked")
    if axes.get_legend_handles_labels()[0]:
        axes.legend(frameon=False, fontsize=8)
    axes.set_xlabel("duty, % of the plan's time")
    axes.set_ylabel("bodies")
    figure.plain(axes)


def _bought(axes: Axes, found: Found) -> None:
    shown = sorted(found.bought, key=lambda one: (one.gain, one.duty_gain))
    at = np.arange(len(shown))
    axes.barh(
        at - 0.2, [100 * one.gain for one in shown], 0.36, color=figure.AMBER, label="of the yield"
    )
    axes.barh(
        at + 0.2,
        [100 * one.duty_gain for one in shown],
        0.36,
        color=figure.BLUE,
        hatch="//",
        edgecolor="white",
        label="of the mean duty",
    )
    for up, gain, half in (
        (-0.2, [one.gain for one in shown], [one.gain_half for one in shown]),
        (0.2, [one.duty_gain for one in shown], [one.duty_gain_half for one in shown]),
    ):
        error = np.where(np.isfinite(half), half, 0.0)
        axes.errorbar(
            100 * np.array(gain), at + up, xerr=100 * error, fmt="none", color=figure.INK, capsize=2
        )
    axes.axvline(0, color=figure.SOFT, linewidth=0.8)
    axes.set_yticks(at, [NAMES[one.tolerance][0] for one in shown])
    axes.set_xlabel("gain if halved, percentage points (95%)")
    if shown:
        axes.legend(frameon=False, fontsize=8)
    figure.plain(axes)
