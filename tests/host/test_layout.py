"""Steps at their hour angles; bores that run from their exits to the body's surface."""

import math
import re
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dialbench import face, layout
from dialbench.dial import Body, Channel, DialError, Plan, Site, Step
from dialcore import frames

NORTH = Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", 1010.0, 15.0)
SOUTH = replace(NORTH, latitude_deg=-41.2)
CHANNELS = face.hours_and_quarters(20.0, 31.0)
BODY = Body(111.0, 300.0)


def plan(kind="zone", start="08:30", steps=28, design_date=None):
    return Plan(kind, 15.0, face.hour_steps(start, 15, steps), design_date)


def uniform(site=NORTH, channels=CHANNELS, plan=plan(), body=BODY, exit_mm=0.35, opening=48.0):  # noqa: B008
    return layout.uniform(site, channels, plan, body, exit_mm, 1.4, opening)


def entry_point(site, channel, bore):
    """Where a bore's axis ends, in P, by the core's own directions."""
    axis = frames.direction(
        math.radians(bore.hour_angle_deg), math.radians(bore.declination_deg), site.hemisphere, math
    )
    exit_point = (0.0, channel.y_mm, channel.z_mm)
    return tuple(e + bore.length_mm * a for e, a in zip(exit_point, axis, strict=True))


def test_apparent_time_is_the_hour_angle():
    edges = layout.step_edges_deg(NORTH, plan("apparent", "12:00", 4), 600.0)
    assert edges == pytest.approx([0.0, 3.75, 7.5, 11.25, 15.0], abs=1e-12)


def test_mean_time_allows_for_the_equation_of_time():
    edges = layout.step_edges_deg(NORTH, plan("mean", "12:00", 1), 600.0)
    assert edges == pytest.approx([2.5, 6.25], abs=1e-12)  # dial 10 min fast: 2.5 deg ahead


def test_zone_time_allows_for_longitude_too():
    edges = layout.step_edges_deg(NORTH, plan("zone", "12:00", 1), -240.0)
    assert edges == pytest.approx([-1.4 - 1.0, -1.4 - 1.0 + 3.75], abs=1e-12)


def test_daylight_in_the_night_of_a_far_off_zone():
    site = replace(NORTH, zone="+09:00", longitude_deg=-16.4)
    # 03:00 there is 18:00 UTC, and 16:54 by the local mean Sun.
    edges = layout.step_edges_deg(site, plan("zone", "03:00", 1), 0.0)
    assert edges == pytest.approx([73.6, 73.6 + 3.75])


@pytest.mark.parametrize("day", [None, date(2025, 1, 10), date(2025, 7, 10)])
@pytest.mark.parametrize(
    ("zone", "longitude_deg", "noon_deg"),
    [
        ("America/Denver", -105.0, 0.0),
        ("Australia/Sydney", 151.0, 1.0),
        ("+05:45", 85.0, -1.25),
        ("Pacific/Kiritimati", -157.4, -7.4),  # the zone counts the day of the other side
        ("-12:00", 179.0, -1.0),
    ],
)
def test_zone_time_is_standard_time_whatever_the_day(zone, longitude_deg, noon_deg, day):
    site = replace(NORTH, zone=zone, longitude_deg=longitude_deg)
    edges = layout.step_edges_deg(site, plan("zone", "12:00", 1, day), 0.0)
    assert edges[0] == pytest.approx(noon_deg, abs=1e-9)


def test_design_date_brings_in_the_equation_of_time():
    # +16:26.0 in early November 2000: computed from JPL DE422, agrees with almanac tables
    # (from memory).
    day = date(2000, 11, 3)
    for kind in ("zone", "mean"):
        found = layout.design_equation_of_time_s(NORTH, plan(kind, design_date=day))
        assert found == pytest.approx(986.0, abs=2.0)
    assert layout.design_equation_of_time_s(NORTH, plan("apparent", design_date=day)) == 0.0
    assert layout.design_equation_of_time_s(NORTH, plan("zone")) == 0.0
    with_it = uniform(plan=plan("mean", design_date=day))
    without = uniform(plan=plan("mean"))
    shifts = [a.hour_angle_deg - b.hour_angle_deg for a, b in zip(with_it, without, strict=True)]
    assert shifts == pytest.approx([986 / 240] * len(shifts), abs=2 / 240)


@pytest.mark.parametrize("site", [NORTH, SOUTH])
def test_every_use_of_a_channel_has_its_bore_at_the_step_s_middle(site):
    the_plan = plan()
    edges = layout.step_edges_deg(site, the_plan, 0.0)
    middles = (edges[:-1] + edges[1:]) / 2
    uses = {
        (number, round(middles[step.index], 9))
        for step in the_plan.steps
        for number in step.channels
    }
    bores = uniform(site)
    assert len(bores) == len(uses) == sum(len(step.channels) for step in the_plan.steps)
    assert {(bore.channel, round(bore.hour_angle_deg, 9)) for bore in bores} == uses
    assert {(b.declination_deg, b.shape, b.exit_mm, b.opening_deg) for b in bores} == {
        (0.0, "slot", 0.35, 48.0)
    }


@given(
    south=st.booleans(),
    y_mm=st.floats(-95, 95),
    z_mm=st.floats(-60, 60),
    middle_min=st.floats(6.5 * 60, 17.25 * 60),
)
def test_axes_meet_the_round_surface_at_their_length(south, y_mm, z_mm, middle_min):
    site = SOUTH if south else NORTH
    step = Step(0, middle_min, "12:00", frozenset({0}))
    channels = (Channel(y_mm, z_mm, 0, 0),)
    body = Body(111.0, 400.0)
    (bore,) = uniform(site, channels, Plan("apparent", 15.0, (step,)), body)
    x, y, z = entry_point(site, channels[0], bore)
    assert x > 0
    assert math.hypot(x, y) == pytest.approx(111.0, abs=1e-9)
    assert z == pytest.approx(z_mm, abs=1e-12)
    half_angle = math.atan2((bore.entry_mm - bore.exit_mm) / 2, bore.length_mm)
    assert math.degrees(half_angle) == pytest.approx(1.4, abs=1e-9)
    assert layout.listed_faults(site, channels, body, (bore,)) == []


def test_a_southern_dial_is_the_northern_one_with_morning_and_afternoon_exchanged():
    for y_mm in (-60.0, 0.0, 35.0):
        for angle_deg in np.linspace(-80, 80, 9):
            north = layout.depth_mm(BODY, y_mm, angle_deg, 1)
            assert layout.depth_mm(BODY, y_mm, -angle_deg, -1) == north


def problem_of(call):
    with pytest.raises(DialError) as caught:
        call()
    (problem,) = caught.value.problems
    return problem


def mend(problem):
    """The figure that a problem says to write at least."""
    return float(re.search(r"write at least ([\d.]+)", problem)[1])


def test_a_body_too_short_for_the_solstice_is_refused_until_mended():
    problem = problem_of(lambda: uniform(body=Body(111.0, 200.0)))
    assert problem.startswith("body.length_mm: is 200, too short")
    enough = mend(problem)
    assert len(uniform(body=Body(111.0, enough))) > 0
    assert "body.length_mm" in problem_of(lambda: uniform(body=Body(111.0, enough - 0.11)))


def test_a_fan_narrower_than_the_sun_s_way_needs_less_length():
    wide = mend(problem_of(lambda: uniform(body=Body(111.0, 100.0))))
    narrow = mend(problem_of(lambda: uniform(body=Body(111.0, 100.0), opening=20.0)))
    wider = mend(problem_of(lambda: uniform(body=Body(111.0, 100.0), opening=120.0)))
    longest = max(bore.length_mm for bore in uniform())
    assert wide == wider  # no Sun stands beyond 23.44 deg
    assert wide - narrow == pytest.approx(
        2 * longest * (math.tan(math.radians(23.44)) - math.tan(math.radians(10))), rel=0.05
    )


def test_exits_off_the_face_are_refused_until_mended():
    def small(radius_mm):
        return uniform(body=Body(radius_mm, 300.0))

    problem = problem_of(lambda: small(60.0))
    assert problem.startswith("body.radius_mm: is 60, but exits reach 60.")
    assert len(small(mend(problem))) > 0


def test_steps_at_night_are_refused():
    problem = problem_of(lambda: uniform(plan=plan(start="04:00")))
    assert problem.startswith("plan.start: 8 of 28 steps stand where bores never meet the body")
    assert "(04:00)" in problem


def test_a_listed_bore_s_length_must_be_what_axis_and_body_make_it():
    bores = list(uniform())
    bores[7] = replace(bores[7], length_mm=bores[7].length_mm - 1.5)
    (fault,) = layout.listed_faults(NORTH, CHANNELS, BODY, bores)
    assert fault.startswith("bore.7.length_mm: is ")
    due = float(re.search(r"is ([\d.]+) mm from its exit", fault)[1])
    bores[7] = replace(bores[7], length_mm=due)
    assert layout.listed_faults(NORTH, CHANNELS, BODY, bores) == []


@pytest.mark.parametrize("site", [NORTH, SOUTH])
@pytest.mark.parametrize("declination_deg", [-40.0, 20.0])
def test_a_slanted_round_bore_must_come_out_by_the_round_side(site, declination_deg):
    bore = replace(
        uniform(site)[0],
        shape="round",
        declination_deg=declination_deg,
        opening_deg=0.0,
        channel=15,
    )
    across_mm = layout.depth_mm(BODY, 0.0, bore.hour_angle_deg, site.hemisphere)
    bore = replace(bore, length_mm=across_mm / math.cos(math.radians(declination_deg)))
    _, _, z_mm = entry_point(site, CHANNELS[15], bore)
    needed_mm = 2 * max(abs(z_mm) + bore.entry_mm / 2, 31.0 + bore.exit_mm / 2)
    assert layout.listed_faults(site, CHANNELS, Body(111.0, needed_mm + 0.01), [bore]) == []
    (fault,) = layout.listed_faults(site, CHANNELS, Body(111.0, needed_mm - 0.01), [bore])
    assert mend(fault) == pytest.approx(needed_mm, abs=0.11)


@pytest.mark.parametrize("hemisphere", [1, -1])
def test_a_cut_body_is_as_deep_as_its_front_or_its_rim(hemisphere):
    body = Body(50.0, 100.0, 20.0)
    for y_mm in (-40.0, 0.0, 25.0):
        for hour_angle_deg in (-70.0, -30.0, 0.0, 45.0, 80.0):
            way = layout.depth_mm(body, y_mm, hour_angle_deg, hemisphere)
            h = math.radians(hour_angle_deg)
            x, y = way * math.cos(h), y_mm - hemisphere * way * math.sin(h)
            on_front, on_rim = x == pytest.approx(20.0), math.hypot(x, y) == pytest.approx(50.0)
            assert on_front or on_rim
            assert x <= 20.0 + 1e-9 and math.hypot(x, y) <= 50.0 + 1e-9
