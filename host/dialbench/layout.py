"""Where the bores go: hour angles of the plan's steps, and one slot for every use of a channel.

Faults are sentences that begin with the field of dial.toml to mend.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import date, datetime, time
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from dialbench.dial import Body, Bore, Channel, DialError, Plan, Site, Step

SUN_REACH_DEG = 23.44  # the Sun's greatest declination, either side

LENGTH_SLACK_MM = 1.0  # how far a listed bore's length may be from what axis and body make it

_ANY_DAY = date(2025, 1, 1)  # asks a zone for its standard time where the plan names no day


def design_equation_of_time_s(site: Site, plan: Plan) -> float:
    """Equation of time in s (dial fast when > 0) that the plan allows for.

    At noon of the zone on the plan's design date; 0 where it has none, or counts
    apparent time.
    """
    if plan.design_date is None or plan.kind == "apparent":
        return 0.0
    from dialbench.sky import Sky, to_us  # heavy, and most plans do without

    noon_us = to_us(datetime.combine(plan.design_date, time(12), tzinfo=site.tz))
    return float(Sky(site).equation_of_time_s(np.array([noon_us], dtype=np.int64))[0])


def step_edges_deg(site: Site, plan: Plan, equation_of_time_s: float) -> NDArray[np.float64]:
    """Hour angles in degrees, positive after noon, at which the plan's steps begin.

    Shape (steps + 1,): the last is the end of the last step; their mean lies within -180..180.
    equation_of_time_s is what design_equation_of_time_s gives. Zone time is standard time,
    never summer time.
    """
    starts_min = [step.start_min for step in plan.steps]
    edges_min = np.array([*starts_min, starts_min[-1] + plan.step_min])
    ahead_deg = 0.0
    if plan.kind != "apparent":
        ahead_deg += equation_of_time_s / 240
    if plan.kind == "zone":
        offset_h = site.standard_offset_h(plan.design_date or _ANY_DAY)
        ahead_deg += site.longitude_deg - 15 * offset_h
    edges_deg = edges_min / 4 - 180 + ahead_deg
    # Where a zone's noon is far from the Sun's, steps of its night may stand in daylight.
    folded: NDArray[np.float64] = edges_deg - 360 * np.round(edges_deg.mean() / 360)
    return folded


@lru_cache(maxsize=16)
def plan_edges_deg(site: Site, plan: Plan) -> NDArray[np.float64]:
    """step_edges_deg with what the plan's design date asks for; read-only."""
    edges_deg = step_edges_deg(site, plan, design_equation_of_time_s(site, plan))
    edges_deg.setflags(write=False)
    return edges_deg


def depth_mm(body: Body, y_mm: float, hour_angle_deg: float, hemisphere: int) -> float:
    """Way from (0, y) on the face to the body's surface, in the plane across its axis.

    y must lie within the body's radius; hour_angle_deg within -90..90, these excluded.
    """
    towards_y = -hemisphere * math.sin(math.radians(hour_angle_deg))
    across = y_mm * math.cos(math.radians(hour_angle_deg))
    rim = math.sqrt(body.radius_mm**2 - across**2) - y_mm * towards_y
    return min(rim, body.front_mm / math.cos(math.radians(hour_angle_deg)))


def uniform(
    site: Site,
    channels: Sequence[Channel],
    plan: Plan,
    body: Body,
    exit_mm: float,
    taper_deg: float,
    opening_deg: float,
) -> tuple[Bore, ...]:
    """One slot for every channel and step that lights it, channel by channel.

    Each axis stands at the hour angle of its step's middle, declination 0. The exit is
    exit_mm square, the entry wider by the taper's half-angle on both sides, opening_deg
    the full angle in declination. Raises DialError with all that does not fit the body.
    """
    edges_deg = plan_edges_deg(site, plan)
    middles_deg = [float(middle) for middle in (edges_deg[:-1] + edges_deg[1:]) / 2]
    aimed = list(zip(plan.steps, middles_deg, strict=True))
    problems = list(_below_face(aimed)) + width_faults(
        body,
        [
            _side_reach_mm(channels[number], exit_mm, middle)
            for step, middle in aimed
            if abs(middle) < 90
            for number in step.channels
        ],
    )
    if problems:
        raise DialError(problems)
    bores = tuple(
        _slot(site, channels[number], number, middle, body, exit_mm, taper_deg, opening_deg)
        for number in range(len(channels))
        for step, middle in aimed
        if number in step.channels
    )
    problems = length_faults(site, channels, body, bores)
    if problems:
        raise DialError(problems)
    return bores


def _below_face(aimed: Sequence[tuple[Step, float]]) -> Iterator[str]:
    stray = [(step, middle) for step, middle in aimed if abs(middle) >= 90]
    if stray:
        step, middle = stray[0]
        yield (
            f"plan.start: {len(stray)} of {len(aimed)} steps stand where bores never meet the "
            f"body, the first ({step.spells}) at hour angle {middle:.1f} deg; choose start, "
            "step_min and steps so that all stay between -90 and 90 deg"
        )


def _slot(
    site: Site,
    channel: Channel,
    number: int,
    hour_angle_deg: float,
    body: Body,
    exit_mm: float,
    taper_deg: float,
    opening_deg: float,
) -> Bore:
    length_mm = depth_mm(body, channel.y_mm, hour_angle_deg, site.hemisphere)
    return Bore(
        channel=number,
        hour_angle_deg=hour_angle_deg,
        declination_deg=0.0,
        shape="slot",
        exit_mm=exit_mm,
        entry_mm=exit_mm + 2 * length_mm * math.tan(math.radians(taper_deg)),
        length_mm=length_mm,
        opening_deg=opening_deg,
    )


def width_faults(body: Body, reaches_mm: Sequence[float]) -> list[str]:
    """The fault of exits that lie off the face; reaches are how far each goes to either side."""
    reach_mm = max(reaches_mm, default=0.0)
    if reach_mm <= body.radius_mm:
        return []
    return [
        (
            f"body.radius_mm: is {body.radius_mm:g}, but exits reach {reach_mm:.2f} mm from the "
            f"face's middle; write at least {_up(reach_mm):g}, or move the channels closer together"
        )
    ]


def length_faults(
    site: Site, channels: Sequence[Channel], body: Body, bores: Sequence[Bore]
) -> list[str]:
    """The fault of a body too short for its bores: their light must come in by the round side."""
    reach_mm = max((_end_reach_mm(site, channels[b.channel], b) for b in bores), default=0.0)
    if 2 * reach_mm <= body.length_mm:
        return []
    return [
        (
            f"body.length_mm: is {body.length_mm:g}, too short for the light that its bores take in "
            f"up to declination {SUN_REACH_DEG} deg either side; write at least {_up(2 * reach_mm):g}"
        )
    ]


def listed_faults(
    site: Site, channels: Sequence[Channel], body: Body, bores: Sequence[Bore]
) -> list[str]:
    """Why bores listed one by one do not fit the body, one sentence a fault.

    Their channels must exist and their hour angles lie between -90 and 90 deg.
    """
    faults = width_faults(
        body, [_side_reach_mm(channels[b.channel], b.exit_mm, b.hour_angle_deg) for b in bores]
    )
    if faults:
        return faults
    for k, bore in enumerate(bores):
        across_mm = depth_mm(
            body, channels[bore.channel].y_mm, bore.hour_angle_deg, site.hemisphere
        )
        due_mm = across_mm / math.cos(math.radians(bore.declination_deg))
        if abs(bore.length_mm - due_mm) > LENGTH_SLACK_MM:
            faults.append(
                f"bore.{k}.length_mm: is {bore.length_mm:g}, but along its axis the body's surface "
                f"is {due_mm:.3f} mm from its exit; write that"
            )
    return faults + length_faults(site, channels, body, bores)


def _side_reach_mm(channel: Channel, exit_mm: float, hour_angle_deg: float) -> float:
    """How far from the face's middle the far edge of a bore's exit cuts the face."""
    return abs(channel.y_mm) + exit_mm / 2 / math.cos(math.radians(hour_angle_deg))


def _end_reach_mm(site: Site, channel: Channel, bore: Bore) -> float:
    """How far towards the nearer end of the body a bore needs its round side, from the middle."""
    tilt_deg = site.hemisphere * bore.declination_deg
    across_mm = bore.length_mm * math.cos(math.radians(tilt_deg))
    if bore.shape == "slot":
        half_mm = bore.exit_mm / 2
        high_deg = min(tilt_deg + bore.opening_deg / 2, max(tilt_deg, SUN_REACH_DEG))
        low_deg = max(tilt_deg - bore.opening_deg / 2, min(tilt_deg, -SUN_REACH_DEG))
    else:
        half_mm = bore.entry_mm / 2
        high_deg = low_deg = tilt_deg
    high_mm = channel.z_mm + across_mm * math.tan(math.radians(high_deg))
    low_mm = channel.z_mm + across_mm * math.tan(math.radians(low_deg))
    return max(high_mm + half_mm, half_mm - low_mm, abs(channel.z_mm) + bore.exit_mm / 2)


def _up(size_mm: float) -> float:
    """A size to write instead: never below the least that fits."""
    return math.ceil(size_mm * 10) / 10
