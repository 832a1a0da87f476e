"""The plan's steps, and the share of its time in which the right channels are lit."""

import math
from datetime import UTC, date, datetime
from functools import partial

import numpy as np
import pytest
from tests.host import dials
from tests.host.dials import NORTH, SECOND_US, around_noon, bore

from dialbench.dial import Plan, Step
from dialbench.predict import crossings, duty, lit_fractions, plan_step
from dialbench.sky import Sky, to_us

EQUINOX, SUMMER = date(2026, 3, 20), date(2026, 6, 21)
RADIUS_MM = 60.0
dial = partial(dials.dial, apart_mm=100.0)  # no channel lights another's exit


def steps(*channels):
    return tuple(
        Step(k, 660.0 + 60 * k, f"{11 + k}:00", frozenset({c})) for k, c in enumerate(channels)
    )


def test_plan_step_of_apparent_time():
    here = dial(bore(), plan=Plan("apparent", 60.0, steps(0, 0)))
    hour_angle_deg = np.array([-180.0, -15.01, -15.0, -0.01, 0.0, 14.99, 15.0, 90.0])
    assert plan_step(here, hour_angle_deg).tolist() == [-1, -1, 0, 0, 1, 1, -1, -1]


def test_plan_step_of_mean_and_zone_time():
    """By the clock at 11:00 of the zone's time on the design day; longitude -16.4, zone -15."""
    day = date(2026, 11, 3)
    sky = Sky(NORTH)
    for kind, ahead_deg in (("mean", 0.0), ("zone", -1.4)):
        here = dial(bore(), plan=Plan(kind, 60.0, steps(0, 0), day))
        noon_us = np.array([to_us(datetime(2026, 11, 3, 13, tzinfo=UTC))])
        ahead_deg += sky.equation_of_time_s(noon_us)[0] / 240
        around = np.array([-15.001, -14.999, 14.999, 15.001]) + ahead_deg
        assert plan_step(here, around).tolist() == [-1, 0, 1, -1]
    undated = dial(bore(), plan=Plan("mean", 60.0, steps(0, 0)))
    assert plan_step(undated, np.array([-15.001, -14.999])).tolist() == [-1, 0]


def lit_for(minutes, hour_angle_deg, channel=0):
    """A slot lit to a half for so many minutes about an hour angle: its entry sets the time."""
    entry_mm = 2 * RADIUS_MM * math.tan(math.radians(minutes / 8))
    return bore(hour_angle_deg, channel, exit_mm=0.35, entry_mm=entry_mm)


def test_duty_is_the_share_of_the_plans_time():
    """Two steps of an hour; each right channel is lit 36 minutes of it."""
    plan = Plan("apparent", 60.0, steps(0, 1))
    right = dial(lit_for(36, -7.5, 0), lit_for(36, 7.5, 1), plan=plan)
    span = around_noon(NORTH, EQUINOX, 200)
    assert duty(right, Sky(NORTH), *span) == pytest.approx(0.6, abs=0.0005)


def test_a_wrong_channel_spoils_duty():
    """The first channel is lit for 12 minutes of the second step as well."""
    plan = Plan("apparent", 60.0, steps(0, 1))
    wrong = dial(lit_for(36, -7.5, 0), lit_for(12, 7.5, 0), lit_for(36, 7.5, 1), plan=plan)
    span = around_noon(NORTH, EQUINOX, 200)
    assert duty(wrong, Sky(NORTH), *span) == pytest.approx(0.5, abs=0.0005)


def test_duty_counts_only_the_plans_time_with_the_sun_up():
    plan = Plan("apparent", 60.0, steps(0, 1))
    right = dial(lit_for(60.5, -7.5, 0), lit_for(36, 7.5, 1), plan=plan)
    start_us, end_us = around_noon(NORTH, EQUINOX, 200)
    noon_us = (start_us + end_us) // 2
    assert duty(right, Sky(NORTH), start_us, noon_us) == pytest.approx(1.0, abs=0.01)
    assert math.isnan(duty(right, Sky(NORTH), start_us, start_us + 60 * SECOND_US))
    night = Plan("apparent", 60.0, (Step(0, 1320.0, "22:00", frozenset({0})),))
    midnight_us = noon_us + 43_200 * SECOND_US
    assert math.isnan(duty(dial(bore(), plan=night), Sky(NORTH), noon_us, midnight_us))


def test_duty_is_what_crossings_say():
    """The same share out of crossings and the plan's edges: between them nothing changes.

    Channels are lit out of turn, together, and by what strays from one into another.
    """
    plan = Plan("apparent", 60.0, steps(0, 1))
    listed = (lit_for(14, -13.0 + 4.0 * k, (0, 0, 1, 0, 1, 1, 0)[k]) for k in range(7))
    here, sky = dial(*listed, plan=plan), Sky(NORTH)
    start_us, end_us = around_noon(NORTH, SUMMER, 75)
    found = crossings(here, sky, start_us, end_us)
    each_us = np.arange(start_us, end_us, SECOND_US // 5)
    step_now = plan_step(here, sky.sun(each_us).hour_angle_deg)
    edges_us = each_us[1:][np.diff(step_now) != 0]
    assert len(edges_us) == 3
    changes = np.unique(np.concatenate(([start_us, end_us], found.utc_us, edges_us)))
    middles, lasting = (changes[1:] + changes[:-1]) // 2, np.diff(changes)
    sun = sky.sun(middles)
    lit = lit_fractions(here, sun) >= 0.5
    step_now = plan_step(here, sun.hour_angle_deg)
    right = [
        k >= 0 and set(np.flatnonzero(row)) == here.plan.steps[k].channels
        for row, k in zip(lit, step_now, strict=True)
    ]
    share = lasting[right].sum() / lasting[step_now >= 0].sum()
    assert 0.2 < share < 0.8
    assert duty(here, sky, start_us, end_us) == pytest.approx(share, abs=0.0002)
