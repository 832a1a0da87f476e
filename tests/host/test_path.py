"""The Sun's path over a body is that of `Sky.sun`, wherever the body stands and is turned to."""

import math
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from tests.host.dials import DAY_US, NORTH, SOUTH

from dialbench import path
from dialbench.crossing import NOMINAL
from dialbench.sky import Sky, to_us
from dialcore import frames

ARCSEC = math.radians(1 / 3600)
SITES = {
    "north": NORTH,
    "south": SOUTH,
    "equator": replace(NORTH, latitude_deg=0.0),
    "date line east": replace(NORTH, longitude_deg=180.0),
    "date line west": replace(NORTH, longitude_deg=-180.0),
    "polar": replace(NORTH, latitude_deg=78.0),
    "pole": replace(SOUTH, latitude_deg=-90.0),
    "high and thin": replace(NORTH, elevation_m=4000.0, pressure_mbar=610.0),
}
POSES = {"nominal": NOMINAL, "turned": (3.0, -2.0, 5.0)}
DAYS = [(2026, 3, 20), (2026, 6, 21), (2026, 12, 30)]

OVER = pytest.mark.parametrize("site", SITES.values(), ids=SITES)


def from_sky(sky, utc_us, pose_deg):
    """(hour angle, declination, semi-diameter) in the body's frame, and the Sun's altitude."""
    sun = sky.sun(utc_us)
    turn = frames.transpose(frames.rotation(*np.radians(pose_deg), np))
    place = frames.place(frames.apply(turn, sun.polar), sky.site.hemisphere, np)
    return (*place, np.radians(sun.semidiameter_deg)), sun.altitude_deg


def apart(one, other):
    return np.abs((one - other + np.pi) % (2 * np.pi) - np.pi)


def over(site, date, days=2, pose_deg=NOMINAL, reach_deg=180.0):
    sky = Sky(site)
    first = path.first_day(sky, to_us(datetime(*date, 12, tzinfo=UTC)))
    return sky, first, path.over(sky, first, days, pose_deg, reach_deg)


def places(way, per_day=3000):
    """Days and places along them, none of them at a node."""
    x = (np.arange(per_day) + 0.37) * way.cells / per_day
    return np.repeat(np.arange(way.days), per_day), np.tile(x, way.days)


@OVER
@pytest.mark.parametrize("pose_deg", POSES.values(), ids=POSES)
def test_the_path_is_that_of_the_sky(site, pose_deg):
    """Measured: 0.03 arc seconds near the horizon, 0.0002 above 5 deg.

    But for the zenith, where Bennett's refraction has a cusp: 0.05.
    """
    for date in DAYS:
        sky, _, way = over(site, date, pose_deg=pose_deg)
        day, x = places(way)
        (hour_angle, declination, size), altitude_deg = from_sky(sky, way.utc_us(day, x), pose_deg)
        place = way.place(day, x)
        off = np.hypot(
            apart(place.hour_angle, hour_angle) * np.cos(declination),
            apart(place.declination, declination),
        )
        seen = 0
        for low_deg, high_deg, bound in ((-0.27, 5, 0.05), (5, 88, 0.001), (88, 90, 0.1)):
            here = (altitude_deg > low_deg) & (altitude_deg <= high_deg)
            assert off[here].max(initial=0) <= bound * ARCSEC
            seen += here.sum()
        assert seen or not way.up.any()
        # The size's parallax is left out: the Sun overhead is an Earth's radius nearer.
        assert (np.abs(place.semidiameter - size) < 1e-4 * size).all()


@OVER
def test_days_are_whole_and_follow_on_each_other(site):
    """24 hours but for the change of the equation of time; none is left out or told twice."""
    _, first, way = over(site, (2026, 9, 1), days=4)
    sky = Sky(site)
    ends = np.full(4, float(way.cells))
    begin_us = way.utc_us(np.arange(4), np.zeros(4))
    end_us = way.utc_us(np.arange(4), ends)
    assert np.abs(end_us[:-1] - begin_us[1:]).max() <= 2
    assert np.abs(end_us - begin_us - DAY_US).max() < 31e6
    assert [path.first_day(sky, int(us)) for us in begin_us + 1000] == [first + k for k in range(4)]
    assert [path.first_day(sky, int(us)) for us in begin_us - 1000] == [
        first + k - 1 for k in range(4)
    ]


@OVER
def test_a_path_in_groups_of_days_is_the_same(site):
    sky, first, way = over(site, (2026, 2, 27), days=3)
    for k in range(3):
        alone = path.over(sky, first + k, 1)
        day, x = places(alone, 500)
        assert np.abs(alone.utc_us(day, x) - way.utc_us(day + k, x)).max() <= 1
        one, other = alone.place(day, x), way.place(day + k, x)
        for name in ("hour_angle", "declination", "semidiameter"):
            assert getattr(one, name) == pytest.approx(getattr(other, name), rel=0, abs=1e-10)


@pytest.mark.parametrize("pose_deg", POSES.values(), ids=POSES)
def test_the_place_of_an_hour_angle(pose_deg):
    _, _, way = over(NORTH, (2026, 5, 3), pose_deg=pose_deg, reach_deg=120.0)
    assert way.cells == 960
    day, x = places(way, 400)
    near = np.abs(x - way.cells / 2) < way.cells / 2 - 40
    day, hour_angle = day[near], way.place(day, x).hour_angle[near]
    assert way.at_hour_angle(day, hour_angle) == pytest.approx(x[near], abs=1e-6)
    # Beyond the path's ends it is the end.
    far = way.at_hour_angle(np.array([0, 1]), np.array([-3.0, 3.0]))
    assert far.tolist() == [0, 960]


@pytest.mark.parametrize("pose_deg", POSES.values(), ids=POSES)
@pytest.mark.parametrize("site", [NORTH, SITES["polar"]], ids=["north", "polar"])
def test_declinations_hold_all_that_is_met_with_the_sun_up(site, pose_deg):
    for date in DAYS:
        sky, _, way = over(site, date, pose_deg=pose_deg)
        day, x = places(way)
        (_, declination, _), altitude_deg = from_sky(sky, way.utc_us(day, x), pose_deg)
        low, high = way.declinations()
        for k in range(way.days):
            met = declination[(day == k) & (altitude_deg > -0.27)]
            if not len(met):
                assert low[k] > high[k]
                continue
            assert low[k] <= met.min() and met.max() <= high[k]
            # And little else.
            assert high[k] - low[k] < np.ptp(met) + 0.02


def test_noon_declinations():
    sky, first, way = over(NORTH, (2026, 5, 3), days=3)
    noons = path.noon_declinations(sky, np.arange(first, first + 3))
    middle = np.full(3, way.cells / 2)
    there = way.place(np.arange(3), middle).declination
    # Refraction at noon lifts the Sun by less than a minute of arc, parallax lowers it.
    assert np.abs(noons - there).max() < math.radians(0.02)


def test_slopes_are_those_of_the_cubics():
    cubics = np.array([[1.0, -2.0, 0.5, 0.25], [0.0, 3.0, 0.0, -1.0]])
    x, step = np.array([0.3, 0.8]), 1e-6
    rise = path.cubic(cubics, x + step) - path.cubic(cubics, x - step)
    assert path.slope(cubics, x) == pytest.approx(rise / (2 * step), abs=1e-8)
    # Lagrange's: through four values at -1, 0, 1, 2.
    values = np.array([[3.0, -1.0, 4.0, 1.5]])
    made = values @ path.CUBIC.T
    through = [path.cubic(made, np.array([at]))[0] for at in (-1.0, 0.0, 1.0, 2.0)]
    assert through == pytest.approx(values[0])
