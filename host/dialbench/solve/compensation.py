"""What one body tells of the way it was made, for the next to be drawn the other way.

One body cannot tell what its making does again from what it did once. So what all bores have
in common is taken for the process, and what runs smoothly over their hour angles (a fan that
opens, a bed that leans); what scatters from bore to bore is left out, as the next body will
scatter anew: taken off, it would scatter there by the root of two as much. Only a process
that is known to repeat itself bore by bore (a drilling template, a printer) is worth more.

The mean of all axes is no news: no log tells it from a turn of the body.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from dialbench.fabricate.compensate import BoreTable, Errors, WidthTable
from dialbench.solve.observe import RANGE
from dialbench.solve.solved import Solved
from dialbench.solve.unknowns import (
    ALL_EXITS,
    ALL_WIDTHS,
    AXIS,
    EXIT,
    TILT,
    WIDTH,
    Layout,
)

Floats = NDArray[np.float64]

_TOLD_SHARE = 0.8  # a bore tells of a kind if its sigma is less than this of the kind's scatter
_FEWEST = 12  # bores, or no curve is drawn through them
_CHANCE = 0.001  # that what only scatters is taken for a curve
_DEGREE = 3
_KINDS = {
    AXIS: ("hour_angle_deg", np.degrees(1.0), "axes in hour angle"),
    TILT: ("declination_deg", np.degrees(1.0), "axes in declination"),
    WIDTH: ("entry_percent", 100.0, "entries"),
}


@dataclass(frozen=True)
class Learnt:
    """errors: of the process, with the hash of the dial; told: what they are, in sentences."""

    errors: Errors
    told: tuple[str, ...]


def learnt(solved: Solved, each_bore: bool = False) -> Learnt:
    """What the next body must be corrected for. each_bore: what is told of single bores too."""
    layout, fitted = Layout(solved.dial), solved.fit
    told: list[str] = []
    common = {}
    # An exit beyond its bores' width takes from the entries what it has.
    taken = np.mean([bore.exit_mm / bore.entry_mm for bore in solved.dial.bores])
    exits, sigma_exits = (float(of.common[ALL_EXITS]) for of in (fitted.values, fitted.sigma))
    exits, sigma_exits = (exits, sigma_exits) if abs(exits) > RANGE * sigma_exits else (0.0, 0.0)
    width, sigma_width = (float(of.common[ALL_WIDTHS]) for of in (fitted.values, fitted.sigma))
    for name, what, share in (("exit", "exits", 1.0), ("entry", "entries", -float(taken))):
        wide = width + share * exits
        half = RANGE * float(np.hypot(sigma_width, share * sigma_exits))
        if abs(wide) > half:
            common[f"{name}_percent"] = round(100 * wide, 3)
            told.append(f"All {what} come out {wide:+.1%} +- {half:.1%} wide.")
        else:
            told.append(f"That all {what} come out wide or narrow is not told by these data.")
    table: list[dict[str, float]] = [{} for _ in solved.dial.bores]
    hour_deg = np.array([bore.hour_angle_deg for bore in solved.dial.bores])
    for kind, (name, unit, what) in _KINDS.items():
        value, sigma = layout.by_bore(kind, fitted.values), layout.by_bore(kind, fitted.sigma)
        scatter = float(fitted.scatter[kind])
        if kind == WIDTH:  # the mean of both ends; the channel's exit is what it is
            grown = np.array([1 + bore.exit_mm / bore.entry_mm for bore in solved.dial.bores])
            value, sigma, scatter = value * grown, sigma * grown, scatter * float(grown.mean())
        known = (layout.column[kind] >= 0) & (sigma < _TOLD_SHARE * scatter)
        curve = _curve(hour_deg, value, sigma, scatter, known)
        if curve is not None:
            told.append(
                f"The {what} are off by {unit * curve.min():+.2f} to {unit * curve.max():+.2f}"
                f" {'deg' if kind != WIDTH else 'percent'} from one side of the dial to the other."
            )
        off = np.zeros(len(value)) if curve is None else curve
        if each_bore:
            single = known & (np.abs(value) > RANGE * sigma)
            off = np.where(single, value, off)
            told.append(f"Of {single.sum()} bores the {what} are corrected one by one.")
        for entries, here in zip(table, (unit * off).tolist(), strict=True):
            if abs(here) >= 5e-4:
                entries[name] = round(here, 3)
    if each_bore:
        for n, bore in enumerate(solved.dial.bores):
            share, sigma_share = (
                of.own[bore.channel][EXIT] for of in (fitted.values, fitted.sigma)
            )
            if (
                abs(share) > RANGE * sigma_share
                and sigma_share < _TOLD_SHARE * fitted.scatter[EXIT]
            ):
                table[n]["exit_percent"] = round(100 * float(share), 3)
    bores = [BoreTable(bore=n, **entries) for n, entries in enumerate(table) if entries]
    errors = Errors(format=1, dial=solved.dial.hash, bores=WidthTable(**common), bore=bores)
    if not common and not bores:
        told.append("So there is nothing to compensate for: the file holds no errors.")
    return Learnt(errors, tuple(told))


def _curve(
    hour_deg: Floats, value: Floats, sigma: Floats, scatter: float, known: NDArray[np.bool_]
) -> Floats | None:
    """What of the bores' values runs smoothly over their hour angles, without its mean.

    Shape (bores,); None where it is no more than scatter gives.
    """
    if known.sum() < _FEWEST:
        return None
    # The solver draws each value towards nothing, the more the less is known of it.
    drawn = 1 - np.square(sigma[known] / scatter)
    raw, weight = value[known] / drawn, drawn
    low, high = hour_deg[known].min(), hour_deg[known].max()
    place = np.clip(hour_deg, low, high) / 45.0
    powers = np.stack([place**n for n in range(_DEGREE + 1)], axis=1)
    rows = powers[known]
    normal = rows.T @ (weight[:, None] * rows)
    if np.linalg.cond(normal) > 1e8:
        return None
    fitted = np.linalg.solve(normal, rows.T @ (weight * raw))
    left = weight @ np.square(raw - rows @ fitted) / (len(raw) - _DEGREE - 1)
    shape = fitted[1:]
    covariance = left * np.linalg.inv(normal)[1:, 1:]
    if shape @ np.linalg.solve(covariance, shape) < chi2.ppf(1 - _CHANCE, _DEGREE):
        return None
    curve: Floats = powers[:, 1:] @ shape
    return curve - np.average(curve[known], weights=weight)
