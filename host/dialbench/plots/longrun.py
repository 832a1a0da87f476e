"""The long run as a figure: drift against the Earth, against uniform time, and the day."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from dialbench.errors import inert
from dialbench.longrun import slowing
from dialbench.longrun.account import LongRun, told
from dialbench.longrun.drift import Drift, drift
from dialbench.plots import figure

_POINTS = 81
_CAUSES = (
    ("perihelion", figure.AMBER, "-"),
    ("obliquity", figure.GREEN, "--"),
    ("eccentricity", figure.RED, "-."),
    ("definition", figure.SOFT, ":"),
)


def drawn(run: LongRun) -> Figure:
    """A figure of 180 x 220 mm; make it and write it within figure.styled()."""
    whole = figure.sheet(180, 220)
    years = np.linspace(run.base, run.to, _POINTS)
    drifts = [drift(run.base, float(year)) for year in years]
    upper, middle, lower = whole.subplots(
        3, 1, sharex=True, gridspec_kw={"height_ratios": (3, 2, 1.4), "hspace": 0.16}
    )
    whole.suptitle(f"{inert(run.dial.name)}: right in {told(run.base)}", y=0.97, fontsize=11)
    whole.subplots_adjust(left=0.12, right=0.97, top=0.925, bottom=0.07)
    _earth(upper, years, drifts)
    _uniform(middle, years, drifts)
    _day(lower, years)
    for axes in (upper, middle, lower):
        figure.plain(axes)
    lower.set_xlabel("year (0 is 1 BC)")
    return whole


def _earth(axes: Axes, years: np.ndarray, drifts: list[Drift]) -> None:
    every = np.array([one.earth_s for one in drifts]) / 60
    axes.fill_between(
        years,
        every.min(axis=1),
        every.max(axis=1),
        color=figure.BLUE,
        alpha=0.2,
        linewidth=0,
        label="all declinations",
    )
    for cause, colour, dashes in _CAUSES:
        share = np.array([one.shares_s[cause] for one in drifts]) / 60
        widest = share[:, np.argmax(abs(share[-1]))]
        axes.plot(years, widest, dashes, color=colour, label=f"{cause}, where it is most")
    axes.axhline(0, color=figure.SOFT, linewidth=0.8)
    axes.set_ylabel("dial less UT1, min (+ fast)")
    axes.legend(frameon=False, fontsize=8)


def _uniform(axes: Axes, years: np.ndarray, drifts: list[Drift]) -> None:
    middle = np.array([one.uniform_s.mean() for one in drifts]) / 3600
    spread = 2 * np.array([one.delta_t_sigma_s for one in drifts]) / 3600
    axes.fill_between(
        years,
        middle - spread,
        middle + spread,
        color=figure.RED,
        alpha=0.2,
        linewidth=0,
        label="95%: how well delta T is known",
    )
    axes.plot(years, middle, color=figure.RED, label="mean of all declinations")
    axes.axhline(0, color=figure.SOFT, linewidth=0.8)
    axes.set_ylabel("dial less TAI, h (+ fast)")
    axes.legend(frameon=False, fontsize=8)


def _day(axes: Axes, years: np.ndarray) -> None:
    axes.plot(years, 1000 * (slowing.day_s(years) - 86400), color=figure.INK)
    axes.set_ylabel("day less 86,400 s, ms")
