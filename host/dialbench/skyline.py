"""The skyline round a site, and when the Sun stands above it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from dialbench import ephemeris, roots
from dialbench.de421 import DAY_US

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Altitude of the upper limb and azimuth of the Sun in degrees, of UTC in microseconds.
Limb = Callable[[Ints], tuple[Floats, Floats]]

# What begins or ends a span.
KINDS = ("start of the asked span", "end of the asked span", "sunrise", "sunset", "horizon")
START, END, SUNRISE, SUNSET, HORIZON = range(5)

_YEAR_US = 400 * DAY_US  # what is looked at in one go
_STEP_US = 60_000_000
_FREE_STEP_US = 600_000_000  # over a free horizon all is smooth
_GOLDEN = (5**0.5 - 1) / 2
_NARROWINGS = 26  # of 20 minutes to 4 ms


class Skyline:
    """Altitudes over azimuths, straight between points and round from the last to the first."""

    def __init__(self, points: tuple[tuple[float, float], ...]) -> None:
        self.free = not points
        azimuths, altitudes = np.array(points or [(0.0, 0.0)], dtype=float).T
        self.corners_deg: Floats = azimuths
        self._azimuths = np.concatenate((azimuths[-1:] - 360, azimuths, azimuths[:1] + 360))
        self._altitudes = np.concatenate((altitudes[-1:], altitudes, altitudes[:1]))

    def altitude_deg(self, azimuth_deg: Floats) -> Floats:
        """Of azimuths from 0 to 360, shape kept."""
        if self.free:
            return np.zeros_like(azimuth_deg)
        altitude_deg: Floats = np.interp(azimuth_deg, self._azimuths, self._altitudes)
        return altitude_deg


@dataclass(frozen=True)
class UpSpans:
    """Spans in which the Sun's upper limb is above the skyline, in order; shape (n,).

    Kinds are places in KINDS: the asked span's own ends; sunrise and sunset where the
    skyline is at altitude 0; elsewhere the horizon's profile.
    """

    begin_us: Ints
    end_us: Ints
    begin_kind: Ints
    end_kind: Ints


def up_spans(limb: Limb, skyline: Skyline, start_us: int, end_us: int) -> UpSpans:
    """See Sky.up_spans."""
    cuts = [*range(start_us, end_us, _YEAR_US), end_us] if end_us > start_us else []
    passes = [_passes(limb, skyline, a, b) for a, b in pairwise(cuts)]
    if not passes:
        none = np.zeros(0, np.int64)
        return UpSpans(none, none, none, none)
    at_us = np.concatenate([instants for instants, _ in passes])
    rises = np.concatenate([rising for _, rising in passes])
    begin_us, ends_us = at_us[rises], at_us[~rises]
    # A Sun that is up at the start begins there, one that stays up ends at the end.
    above = _margin_deg(limb, skyline, np.array([start_us, end_us - 1], np.int64)) > 0
    if len(at_us):
        above = np.array([not rises[0], rises[-1]])
    begin_us = np.concatenate((np.full(int(above[0]), start_us), begin_us))
    ends_us = np.concatenate((ends_us, np.full(int(above[1]), end_us)))
    begin_kind = _kinds(limb, skyline, begin_us, SUNRISE)
    end_kind = _kinds(limb, skyline, ends_us, SUNSET)
    begin_kind[: int(above[0])] = START
    end_kind[len(end_kind) - int(above[1]) :] = END
    return UpSpans(begin_us, ends_us, begin_kind, end_kind)


def _kinds(limb: Limb, skyline: Skyline, at_us: Ints, free: int) -> Ints:
    if skyline.free or not len(at_us):
        return np.full(len(at_us), free)
    _, azimuth_deg = limb(at_us)
    return np.where(skyline.altitude_deg(azimuth_deg) == 0, free, HORIZON)


def _margin_deg(limb: Limb, skyline: Skyline, utc_us: Ints) -> Floats:
    limb_deg, azimuth_deg = limb(utc_us)
    return limb_deg - skyline.altitude_deg(azimuth_deg)


def _passes(
    limb: Limb, skyline: Skyline, start_us: int, end_us: int
) -> tuple[Ints, NDArray[np.bool_]]:
    """Instants after start_us, up to end_us, at which the limb passes the skyline; whether up."""
    step_us = _FREE_STEP_US if skyline.free else _STEP_US
    # One step more on either side, so that a turning point near an end is one.
    low_us = max(start_us - step_us, min(start_us, ephemeris.first_us()))
    high_us = min(end_us + step_us, max(end_us, ephemeris.last_us()))
    grid_us = np.append(np.arange(low_us, high_us, step_us), high_us)
    limb_deg, azimuth_deg = limb(grid_us)
    margin_deg = limb_deg - skyline.altitude_deg(azimuth_deg)
    if not skyline.free:
        grid_us = _with_corners(limb, skyline, grid_us, azimuth_deg)
        margin_deg = _margin_deg(limb, skyline, grid_us)
    grid_us, margin_deg = _with_turns(limb, skyline, grid_us, margin_deg)
    above = margin_deg > 0
    change = np.flatnonzero(above[1:] != above[:-1])
    edges = np.stack((grid_us[change], grid_us[change + 1]))
    values = np.stack((margin_deg[change], margin_deg[change + 1]))

    def margin(x: Floats, which: Ints) -> Floats:
        return _margin_deg(limb, skyline, grid_us[change[which]] + np.rint(x).astype(np.int64))

    found = roots.between(margin, (edges - edges[0]).astype(float), values, 500.0)
    at_us = edges[0] + np.rint(found).astype(np.int64)
    inside = (at_us > start_us) & (at_us <= end_us)
    return at_us[inside], above[change + 1][inside]


def _with_corners(limb: Limb, skyline: Skyline, grid_us: Ints, azimuth_deg: Floats) -> Ints:
    """The grid, and the instants at which the Sun passes the azimuths of the skyline's corners."""
    corners = skyline.corners_deg
    count = len(corners)
    part = np.searchsorted(corners, azimuth_deg, side="right")
    # Ahead of the first corner is behind the last; the way round is the short one.
    turned = (np.diff(azimuth_deg) + 180) % 360 - 180
    passed = np.diff(part)
    passed += np.where(np.diff(azimuth_deg) - turned < -180, count, 0)
    passed -= np.where(np.diff(azimuth_deg) - turned > 180, count, 0)
    cell = np.repeat(np.arange(len(passed)), np.abs(passed))
    if not len(cell):
        return grid_us
    first = np.cumsum(np.abs(passed)) - np.abs(passed)
    nth = np.arange(len(cell)) - first[cell]
    number = np.where(passed[cell] > 0, part[cell] + nth, part[cell] - 1 - nth) % count
    aim_deg = corners[number]

    def beside(x: Floats, which: Ints) -> Floats:
        _, at_deg = limb(grid_us[cell[which]] + np.rint(x).astype(np.int64))
        off_deg: Floats = (at_deg - aim_deg[which] + 180) % 360 - 180
        return off_deg

    width = np.diff(grid_us)[cell].astype(float)
    edges = np.stack((np.zeros(len(cell)), width))
    which = np.arange(len(cell))
    values = np.stack((beside(edges[0], which), beside(edges[1], which)))
    found = roots.between(beside, edges, values, 500.0)
    return np.unique(np.concatenate((grid_us, grid_us[cell] + np.rint(found).astype(np.int64))))


def _with_turns(
    limb: Limb, skyline: Skyline, grid_us: Ints, margin_deg: Floats
) -> tuple[Ints, Floats]:
    """The grid, and what lies between its instants on the other side of 0, if only briefly."""
    before, here, after = margin_deg[:-2], margin_deg[1:-1], margin_deg[2:]
    # Highest below the skyline, or lowest above it.
    turn = np.where(
        here > 0, (here <= before) & (here <= after), (here >= before) & (here >= after)
    )
    middle = np.flatnonzero(turn & ((here > 0) == (before > 0)) & ((here > 0) == (after > 0))) + 1
    sign = np.where(margin_deg[middle] > 0, -1.0, 1.0)
    low, high = grid_us[middle - 1].astype(float), grid_us[middle + 1].astype(float)

    def height(x: Floats) -> Floats:
        return sign * _margin_deg(limb, skyline, np.rint(x).astype(np.int64))

    left, right = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
    at_left, at_right = height(left), height(right)
    for _ in range(_NARROWINGS):
        rightward = at_left < at_right
        low, high = np.where(rightward, left, low), np.where(rightward, high, right)
        new = np.where(rightward, low + _GOLDEN * (high - low), high - _GOLDEN * (high - low))
        at_new = height(new)
        left, right = np.where(rightward, right, new), np.where(rightward, new, left)
        at_left, at_right = (
            np.where(rightward, at_right, at_new),
            np.where(rightward, at_new, at_left),
        )
    best_us = np.rint(np.where(at_left > at_right, left, right)).astype(np.int64)
    other = np.maximum(at_left, at_right) > 0
    grid_us = np.concatenate((grid_us, best_us[other]))
    order = np.argsort(grid_us, kind="stable")
    margin_deg = np.concatenate((margin_deg, _margin_deg(limb, skyline, best_us[other])))
    return grid_us[order], margin_deg[order]
