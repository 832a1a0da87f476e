"""The setting assistant's parts, each against something that knows nothing of it."""

from dataclasses import replace
from datetime import UTC, date, datetime

import numpy as np
import pytest
from tests.host.clumsy import World, rotation
from tests.host.dials import NORTH, SECOND_US, SOUTH, bore, dial, hole

from dialbench import ideal
from dialbench.placing.chart import Chart, of_vectors, vectors
from dialbench.placing.compass import compass
from dialbench.placing.first import first
from dialbench.placing.guide import Guide
from dialbench.placing.later import later
from dialbench.placing.levels import LEVELS, Levels, border_kind, level_kind
from dialbench.placing.looks import Look, Stay
from dialbench.placing.placer import at_first
from dialbench.placing.setter import Setter
from dialbench.sky import Sky, to_us
from dialbench.solve import stand
from dialcore import frames
from dialcore.crossing import THRESHOLDS

EQUATOR = replace(NORTH, name="Line Holm", latitude_deg=0.4)
FEET = ((135.0, -33.0), (-135.0, -33.0), (0.0, 189.0))
MORNING_US = to_us(datetime(2027, 4, 20, 11, 40, tzinfo=UTC))


def fan(site=NORTH):
    """Twelve channels of one slot each, in turn lit for 14 deg: an edge about every 3 deg, on a slope half as long."""
    slots = [
        bore(-34.0 + 5.6 * channel, channel, exit_mm=1.5, entry_mm=14.5) for channel in range(12)
    ]
    return dial(*slots, site=site, apart_mm=100.0)


def random_vectors(count=40, size_deg=12.0):
    return np.radians(np.random.default_rng(3).normal(0.0, size_deg, (count, 3)))


def test_poses_are_the_rotations_of_the_core_the_other_way_round():
    for vector, pose in zip(random_vectors(), of_vectors(random_vectors()), strict=True):
        assert np.abs(pose.T - np.array(frames.rotation(*vector, np))).max() < 1e-12
    assert np.abs(vectors(of_vectors(random_vectors())) - random_vectors()).max() < 1e-12


@pytest.mark.parametrize("hemisphere", [1, -1])
def test_a_chart_is_where_the_body_meets_the_sun_and_leads_back(hemisphere):
    sun = np.array(frames.direction(0.3, 0.2, hemisphere, np))
    poses = of_vectors(random_vectors())
    chart = Chart(sun, hemisphere)
    places = chart.of(poses)
    met = np.array([frames.place(pose @ sun, hemisphere, np) for pose in poses])
    assert np.abs(places[:, :2] - met).max() < 1e-12
    assert np.abs(chart.pose(places) - poses).max() < 1e-12
    assert np.abs(chart.nominal - (0.3, 0.2, 0.0)).max() < 1e-12


def test_tables_tell_stretches_and_borders_as_the_light_itself_does():
    body = dial(bore(-3.0), bore(4.5, entry_mm=5.0), hole(1.0, 1, declination_deg=9.0))
    tables = Levels(body, (0.0, 10.0), (12.0, 6.0), 0.266)
    rng = np.random.default_rng(1)
    hour, height = rng.uniform(-9, 9, 400), rng.uniform(5, 15, 400)
    channel = rng.integers(0, 2, 400)

    def light(more=0.0):
        size = np.full(len(hour), np.radians(0.266))
        angles = np.radians(hour + more), np.radians(height)
        return ideal.bores_of(body).lit(*angles, size, channel)

    level = np.searchsorted(THRESHOLDS, light(), side="right")
    low, high = tables.stretch(level_kind(channel, level), hour, height)
    assert np.quantile(low, 0.98) < 0.02  # what is shown is shown here
    assert np.quantile(high, 0.02) > -0.02
    for threshold in range(3):
        for rise in (False, True):
            ahead = tables.border(border_kind(channel, threshold, rise), hour, height)
            near = np.abs(ahead) < 3.0
            assert near.sum() > 40
            error = np.abs(light(ahead)[near] - THRESHOLDS[threshold])
            assert np.quantile(error, 0.9) < 0.03
            grows = (light(ahead + 0.01) > light(ahead - 0.01))[near]
            assert np.mean(grows == rise) > 0.95
    none = tables.stretch(level_kind(channel, (level + 2) % LEVELS), hour, height)
    assert (none[0] * none[1] > 0).mean() > 0.95


def look(second, *levels):
    return Look(second * SECOND_US, levels)


def test_a_stay_collects_what_passes_and_ends_where_no_sun_could_have_done_it():
    stay, moved = Stay().after(look(0, 0, 2))
    assert not moved
    stay, moved = stay.after(look(4, 1, 1))
    assert not moved
    assert [(one.channel, one.threshold, one.rise) for one in stay.passed] == [
        (0, 0, True),
        (1, 1, False),
    ]
    assert stay.passed[0].utc_us == 2 * SECOND_US
    later_on, moved = stay.after(look(60, 2, 0))
    assert not moved  # but nobody saw when
    assert later_on.passed == stay.passed
    assert stay.after(look(8, 3, 1))[1]  # two thresholds at once
    assert stay.after(look(8, 2, 1))[1]  # the next one so soon
    assert not stay.after(look(18, 2, 1))[1]
    assert stay.after(look(3, 1, 1))[1]  # a clock set back: nothing follows from what was


def stands(site, vector_deg, minutes=0):
    """A small dial that stands so, an assistant, and what it says after some minutes."""
    body = fan(site)
    world = World(body, rotation(vector_deg), 5)
    setter = Setter(body, world.sky, FEET)
    for second in range(0, 60 * minutes + 1, 15):
        now_us = MORNING_US + second * SECOND_US
        told = setter.look(now_us, True, world.levels(now_us))
    return world, setter, told, now_us


def off_deg(world, setter):
    """How far the true body is off in the hour angle that it meets."""
    chart = setter.stand.chart
    return float(np.degrees(chart.of(world.body.T[None])[0, 0] - chart.nominal[0]))


@pytest.mark.parametrize(
    ("site", "turn_deg"),
    [
        pytest.param(NORTH, -7.0, id="north"),
        pytest.param(SOUTH, 6.0, id="south", marks=pytest.mark.deep),
    ],
)
def test_what_it_says_to_do_makes_it_stand_better(site, turn_deg):
    world, setter, told, now_us = stands(site, (1.0, -1.5, turn_deg), minutes=12)
    assert told.moved_us is None  # nobody did
    chart, before = setter.stand.chart, off_deg(world, setter)
    found = np.degrees(chart.of(setter.stand.poses)[:, 0] - chart.nominal[0])
    assert abs(found.mean() - before) < 4 * found.std() + 0.05
    assert found.std() < 0.5
    assert told.state == "act"
    assert told.action.foot is None
    sentences = told.sentences(site)
    assert sentences[0].startswith("Turn the base ")
    assert f"{told.action.way} as seen from above" in sentences[0]
    facts = told.as_dict()
    assert facts["action"]["what"] == "turn"
    assert facts["untold"][0]["sigma_deg"] > 0.15

    world.turn((0.0, 0.0, 1.0), told.action.amount)
    assert abs(off_deg(world, setter)) < 0.2 * abs(before) + 0.1
    now_us += 15 * SECOND_US
    seen = setter.look(now_us, True, world.levels(now_us))
    assert seen.moved_us == now_us  # the face alone says that hands were there
    assert seen.crossings == 0
    assert setter.moved().action.amount == pytest.approx(0.0, abs=2.5)


@pytest.mark.deep
def test_where_turning_does_not_help_a_foot_is_told():
    world, setter, told, _ = stands(EQUATOR, (0.0, 0.0, 4.0), minutes=8)
    assert told.action.foot is not None
    assert told.action.unit == "mm"
    spot = np.array([(e, n, 1.0) for e, n in FEET])
    east, north, _ = np.linalg.solve(spot, np.eye(3)[told.action.foot]) * told.action.amount
    tilt, before = np.hypot(east, north), off_deg(world, setter)
    world.turn(np.array((north, -east, 0.0)) / tilt, np.degrees(np.arctan(tilt)))
    assert abs(off_deg(world, setter)) < 0.3 * abs(before)


def test_without_the_sun_nothing_is_told_and_nothing_is_lost():
    world, setter, told, now_us = stands(NORTH, (0.0, 0.0, 3.0))
    dark = setter.look(now_us + SECOND_US, False, [0] * 12)
    assert dark.state == "dark"
    assert dark.action is None
    again = setter.look(now_us + 2 * SECOND_US, True, world.levels(now_us + 2 * SECOND_US))
    assert again.crossings == told.crossings
    with pytest.raises(ValueError, match="3 levels for 12 channels"):
        setter.look(now_us + 3 * SECOND_US, True, [0] * 3)


def test_a_base_on_four_feet_is_refused_with_a_way_out():
    body = fan()
    with pytest.raises(stand.FeetError, match="give the three"):
        Guide(body, at_first(body), [*FEET, (0.0, 0.0)])


# The World Magnetic Model's own test values, NOAA and BGS 2024, from memory.
@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "declination_deg"),
    [(80.0, 0.0, 1.28), (0.0, 120.0, -0.16), (-80.0, -120.0, 68.78)],
)
def test_declination_is_the_models_own(latitude_deg, longitude_deg, declination_deg):
    site = replace(NORTH, latitude_deg=latitude_deg, longitude_deg=longitude_deg, elevation_m=0.0)
    found = compass(site, date(2025, 1, 1))
    assert found.declination_deg == pytest.approx(declination_deg, abs=0.006)
    assert 0.26 < found.sigma_deg < 2.0


def test_a_compass_is_not_asked_where_or_when_it_knows_nothing():
    assert compass(NORTH, date(2030, 1, 1)) is None
    assert compass(NORTH, date(2009, 12, 31)) is None
    assert compass(NORTH, date(2029, 12, 31)).until == 2030
    pole = replace(NORTH, latitude_deg=85.8, longitude_deg=139.0)
    assert compass(pole, date(2027, 6, 1)).useless


@pytest.mark.parametrize(("site", "pole"), [(NORTH, "north"), (SOUTH, "south")])
def test_first_steps_lead_the_bed_to_its_own_pole(site, pole):
    told = first(dial(bore(), site=site), Sky(site), date(2027, 4, 16))
    steps = " ".join(told.steps())
    assert f"true {pole}, by 41.20 deg" in steps
    assert told.pole_deg == (0.0 if pole == "north" else 180.0)
    bearing = told.compass.bearing_deg(told.pole_deg)
    assert (bearing + told.compass.declination_deg - told.pole_deg + 180) % 360 == pytest.approx(
        180
    )
    # At noon the Sun stands over the other side, so a shadow points to the pole's.
    assert told.shadow.towards_deg % 360 == pytest.approx(told.pole_deg % 360, abs=0.02)
    assert "Never look at the Sun" in told.as_dict()["cautions"][0]


def test_in_the_polar_night_no_shadow_is_promised():
    site = replace(NORTH, latitude_deg=80.0)
    told = first(dial(bore(), site=site), Sky(site), date(2027, 12, 21))
    assert told.shadow is None
    assert "shadow" not in " ".join(told.steps()).replace("the shadow", "")


def test_what_the_day_will_tell_is_foreseen():
    body = fan()
    told = later(body, Sky(body.site), MORNING_US)
    assert told.steps
    assert told.steps[0][1] == 1
    assert told.untold
    night = later(body, Sky(body.site), MORNING_US + 12 * 3600 * SECOND_US)
    assert night.steps == ()
    assert len(night.untold) == 3
    assert "does not tell" in night.sentence
