"""What the ephemeris says of a dial as drawn: lit fractions, crossings, duty.

What each bore lets through by itself is known in closed form (`dialbench.ideal`). What
gets from one bore into another is not: it is followed through the body by rays
(`dialbench.rays`), once through all bores and once, by the same rays, through the
channel's own; the difference comes on top. Where bores keep apart it is nothing, to the
last digit. Where they do not it is much: near its exits a body of many bores is more hole
than wood, and bores taken one by one would be minutes off.

The body's frame is the frame P of its site, or that frame turned by a given pose.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from dialbench import ideal
from dialbench.crossing import NOMINAL, Crossings, Pose
from dialbench.dial import Dial, Plan, Site
from dialbench.layout import design_equation_of_time_s, step_edges_deg
from dialbench.rays.tracer import RAYS, Tracer
from dialbench.sky import Sky, SunPlace
from dialcore.crossing import THRESHOLDS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# The row of rays begins elsewhere than the virtual dial's: the two share no ray.
_FIRST = 0.21
# The Sun's own width spreads every change over two minutes: traced this often, what the
# bores let into one another is smooth enough for a cubic between.
_NODE_US = 20_000_000
_FINE = 8  # points to a node's interval
_SPAN_NODES = 1080  # traced together: six hours


@lru_cache(maxsize=8)
def _tracer(dial: Dial, pose_deg: Pose, own_only: bool) -> Tracer:
    return Tracer(dial, pose_deg, rays=RAYS, first=_FIRST, own_only=own_only)


def _ghost(dial: Dial, pose_deg: Pose, sun: SunPlace) -> Floats:
    """What other channels' bores add to each lit fraction, shape (n, channels)."""
    whole, own = (
        _tracer(dial, pose_deg, own_only).lit_fractions(sun.polar, sun.semidiameter_deg)
        for own_only in (False, True)
    )
    return whole - own


def _alone(dial: Dial, pose_deg: Pose, sun: SunPlace) -> Floats:
    return ideal.lit(dial, pose_deg, sun.polar, sun.semidiameter_deg)


def lit_fractions(dial: Dial, sun: SunPlace, pose_deg: Pose = NOMINAL) -> Floats:
    """Lit fraction 0..1 of every channel, shape (n, channels); 0 while the Sun is down.

    pose_deg turns the body by a rotation vector about P's axes (dialcore.frames).
    """
    lit = _alone(dial, pose_deg, sun) + _ghost(dial, pose_deg, sun)
    return np.clip(lit, 0.0, 1.0) * sun.up[:, None]


def _timeline(
    dial: Dial, sky: Sky, start_us: int, end_us: int, pose_deg: Pose
) -> Iterator[tuple[Ints, Floats, SunPlace]]:
    """Stretches of fine instants from start_us to end_us with lit fractions and the Sun.

    Each stretch begins with the instant at which the one before ended. The Sun's being
    down is not looked at.
    """
    fine_us = _NODE_US // _FINE
    share = np.arange(_FINE) / _FINE
    # Lagrange's weights of the nodes at -1, 0, 1, 2 for points between 0 and 1.
    weights = np.stack(
        (
            -share * (share - 1) * (share - 2) / 6,
            (share + 1) * (share - 1) * (share - 2) / 2,
            -(share + 1) * share * (share - 2) / 2,
            (share + 1) * share * (share - 1) / 6,
        )
    )
    for first in range(start_us // _NODE_US, -(-end_us // _NODE_US), _SPAN_NODES):
        last = min(first + _SPAN_NODES, -(-end_us // _NODE_US))
        nodes = sky.sun(np.arange(first - 1, last + 3, dtype=np.int64) * _NODE_US)
        ghost = _ghost(dial, pose_deg, nodes)
        fine = sum(
            weights[k][None, :, None] * ghost[k : k + last - first + 1, None, :] for k in range(4)
        )
        # The last node's own interval only gives its first point: where the next begins.
        fine = fine.reshape(-1, ghost.shape[1])[: (last - first) * _FINE + 1]
        utc_us = first * _NODE_US + fine_us * np.arange(len(fine), dtype=np.int64)
        inside = (utc_us >= start_us - fine_us) & (utc_us <= end_us + fine_us)
        if inside.any():
            sun = sky.sun(utc_us[inside])
            yield utc_us[inside], _alone(dial, pose_deg, sun) + fine[inside], sun


def crossings(
    dial: Dial, sky: Sky, start_us: int, end_us: int, pose_deg: Pose = NOMINAL
) -> Crossings:
    """Every crossing from start_us up to end_us while the Sun is up.

    To a few hundredths of a second where nothing strays from bore to bore; where it does,
    as good as the rays are many: to 1 s (rms) on a ramp of two or three minutes, to ten
    times as much on one ten times as slow, and a dip or peak that turns within 0.02 of a
    threshold may be told or not. The Sun's rise or set over a lit bore is no crossing.
    Raises SkyError.
    """
    parts: list[Ints] = [np.zeros((4, 0), np.int64)]
    for utc_us, lit, sun in _timeline(dial, sky, start_us, end_us, pose_deg):
        for threshold, level in enumerate(THRESHOLDS):
            above = lit >= level
            at, channel = np.nonzero(above[1:] != above[:-1])
            low, high = lit[at, channel], lit[at + 1, channel]
            share = (level - low) / (high - low)
            when = utc_us[at] + np.round((utc_us[at + 1] - utc_us[at]) * share).astype(np.int64)
            keep = sun.up[at] & sun.up[at + 1] & (when >= start_us) & (when < end_us)
            rows: Ints = np.stack((channel, np.full_like(channel, threshold), high > low, when))
            parts.append(rows[:, keep])
    found = np.concatenate(parts, axis=1)
    channel, threshold, rise, when = found[:, np.lexsort((found[1], found[0], found[3]))]
    return Crossings(channel, threshold, rise > 0, when)


@lru_cache(maxsize=16)
def _step_edges_deg(site: Site, plan: Plan) -> Floats:
    return step_edges_deg(site, plan, design_equation_of_time_s(site, plan))


def plan_step(dial: Dial, hour_angle_deg: Floats) -> Ints:
    """Index of the plan's step at hour angles of shape (n,); -1 outside the plan.

    The hour angle is that of the refracted Sun in P (SunPlace.hour_angle_deg). A step
    holds its own beginning, not its end.
    """
    edges_deg = _step_edges_deg(dial.site, dial.plan)
    step = np.searchsorted(edges_deg, hour_angle_deg, side="right") - 1
    return np.where(step < len(dial.plan.steps), step, -1)


def duty(dial: Dial, sky: Sky, start_us: int, end_us: int) -> float:
    """Share of the plan's time from start_us to end_us with exactly the right channels lit.

    Looked at every 2.5 s. The plan's time is while the Sun is up and a step of the plan
    runs; right is when each of the step's channels is lit to at least 0.5 and every other
    to less. nan when there is no such time. Raises SkyError.
    """
    wanted = np.zeros((len(dial.plan.steps), len(dial.channels)), dtype=bool)
    for row, step in enumerate(dial.plan.steps):
        wanted[row, list(step.channels)] = True
    right = total = 0
    for _, lit, sun in _timeline(dial, sky, start_us, end_us, NOMINAL):
        step_now = plan_step(dial, sun.hour_angle_deg)[1:]
        running = (step_now >= 0) & sun.up[1:]
        shown = lit[1:][running] >= 0.5
        right += int((shown == wanted[step_now[running]]).all(axis=1).sum())
        total += int(running.sum())
    return right / total if total else math.nan
