import math
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta, timezone

import numpy as np
import pytest

import dialbench.sky
from dialbench.dial import Site
from dialbench.errors import UserError
from dialbench.sky import Sky, SkyError, from_us, refracted_deg, to_us
from dialcore import frames

NORTH = Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0)
SOUTH = Site("South", -35.0, 149.0, 600.0, "+10:00", 950.0, 15.0)
POLAR = Site("Polar", 78.0, 16.0, 10.0, "+01:00", 1010.0, -5.0)


def us(*fields):
    return to_us(datetime(*fields, tzinfo=UTC))


def every(step_s, start_us, count):
    return start_us + np.arange(count) * step_s * 1_000_000


def test_instants_to_and_fro():
    moment = datetime(2026, 5, 3, 12, 0, 0, 123_457, tzinfo=timezone(timedelta(hours=-1)))
    assert to_us(moment) == 1_777_813_200_123_457
    assert from_us(to_us(moment)) == moment
    assert from_us(-1) == datetime(1969, 12, 31, 23, 59, 59, 999_999, tzinfo=UTC)


def test_naive_datetime_is_refused_in_one_sentence():
    with pytest.raises(SkyError) as refused:
        to_us(datetime(2026, 5, 3, 12, 0))
    assert str(refused.value) == (
        "the time 2026-05-03T12:00:00 has no time zone: add one, as in 2026-05-03T12:00:00+00:00"
    )
    assert isinstance(refused.value, UserError)


@pytest.mark.parametrize("year", [1899, 2054, 9999])
def test_dates_outside_the_ephemeris_are_refused_in_one_sentence(year):
    sky = Sky(NORTH)
    wanted = np.array([us(2026, 5, 3), us(year, 1, 1)])
    for ask in (sky.sun, sky.equation_of_time_s):
        with pytest.raises(SkyError) as refused:
            ask(wanted)
        assert str(refused.value) == (
            "the Sun's place is known from 1899-07-30 to 2053-10-07, "
            f"not on {year}-01-01: choose an instant between"
        )


def test_the_whole_span_of_the_ephemeris_serves():
    sky = Sky(NORTH)
    for first in (us(1899, 7, 30), us(2053, 10, 7)):
        assert np.isfinite(sky.sun(every(60, first, 1440)).altitude_deg).all()


def test_no_instants_give_empty_arrays():
    sun = Sky(NORTH).sun(np.zeros(0, np.int64))
    assert sun.altitude_deg.shape == sun.polar[0].shape == sun.up.shape == (0,)
    assert Sky(NORTH).equation_of_time_s(np.zeros(0, np.int64)).shape == (0,)


@pytest.mark.parametrize("site", [NORTH, SOUTH])
def test_all_of_a_place_agrees(site):
    sun = Sky(site).sun(every(300, us(2026, 5, 3), 288))
    east, north, up = sun.enu
    assert east**2 + north**2 + up**2 == pytest.approx(np.ones(288), abs=1e-14)
    assert np.degrees(np.arcsin(up)) == pytest.approx(sun.altitude_deg, abs=1e-9)
    azimuth_deg = np.degrees(np.arctan2(east, north)) % 360
    assert azimuth_deg == pytest.approx(sun.azimuth_deg, abs=1e-9)
    to_polar = frames.polar_from_enu(math.radians(site.latitude_deg), math)
    polar = frames.apply(to_polar, sun.enu)
    again = frames.direction(
        np.radians(sun.hour_angle_deg), np.radians(sun.declination_deg), site.hemisphere, np
    )
    for axis in range(3):
        assert polar[axis] == pytest.approx(sun.polar[axis], abs=1e-14)
        assert again[axis] == pytest.approx(sun.polar[axis], abs=1e-14)


@pytest.mark.parametrize("year", [1950, 2040])
@pytest.mark.parametrize("site", [NORTH, SOUTH])
def test_hour_angle_is_clock_longitude_and_equation_of_time(site, year):
    """Without air and but for parallax (8.8 arc seconds), from the dial's own formula.

    In years without a published table of UT1, so that the clock's UTC stands for it.
    """
    airless = Site("x", site.latitude_deg, site.longitude_deg, 0.0, site.zone, 0.0, 0.0)
    utc_us = every(1800, us(year, 6, 1), 48)
    sky = Sky(airless)
    sun = sky.sun(utc_us)
    mean_deg = (utc_us % 86_400_000_000) / 240e6 - 180 + site.longitude_deg
    hour_angle_deg = mean_deg + sky.equation_of_time_s(utc_us) / 240
    off_deg = (sun.hour_angle_deg - hour_angle_deg + 180) % 360 - 180
    assert np.abs(off_deg).max() < 9 / 3600 / math.cos(math.radians(22))
    assert sun.declination_deg == pytest.approx(np.full(48, 22.1), abs=0.2)


def test_southern_noon_stands_in_the_north():
    noon_us = Sky(SOUTH).noon_us(date(2026, 5, 3))
    sun = Sky(SOUTH).sun(np.array([noon_us]))
    assert abs(sun.hour_angle_deg[0]) < 1e-5
    assert min(sun.azimuth_deg[0], 360 - sun.azimuth_deg[0]) < 1e-4
    assert from_us(noon_us).astimezone(SOUTH.tz).date() == date(2026, 5, 3)


@pytest.mark.parametrize(
    "start_us",
    [
        us(2026, 5, 3),
        us(2016, 12, 31, 12),
        us(1972, 12, 31, 18),
        us(2027, 1, 22, 12),
        us(1931, 2, 2),
    ],
    ids=["plain day", "leap second", "published table begins", "it ends", "before it"],
)
def test_nodes_keep_to_direct_skyfield(start_us):
    """A whole day goes through nodes, few instants straight to Skyfield."""
    sky = Sky(NORTH)
    day_us = every(10, start_us, 8640)
    few = np.append(np.arange(7, 8640, 433), [1510, 1525, 7865, 7871])
    near, direct = sky.sun(day_us), [sky.sun(day_us[k : k + 1]) for k in few]
    for axis in range(3):
        exact = np.array([sun.enu[axis][0] for sun in direct])
        assert np.degrees(np.abs(near.enu[axis][few] - exact)).max() * 3600 < 0.001


def test_order_and_repetition_of_instants_are_free():
    sky = Sky(NORTH)
    utc_us = every(20, us(2026, 5, 3, 11), 400)
    mixed = np.random.default_rng(3).integers(0, 400, 1000)
    assert (sky.sun(utc_us[mixed]).azimuth_deg == sky.sun(utc_us).azimuth_deg[mixed]).all()


def test_the_earth_turns_through_a_leap_second():
    """Unix time counts one second from 23:59:59 to midnight; the Earth turned for two."""
    around_us = np.array([us(2016, 12, 31, 23, 59, 59), us(2017, 1, 1)])
    turned_deg = np.diff(Sky(NORTH).sun(around_us).hour_angle_deg)[0]
    assert turned_deg * 240 == pytest.approx(2, abs=0.005)


def test_refraction_is_bennetts():
    """34.5' at an apparent altitude of 0 and 5.4' at 10 deg (Bennett 1982, from memory)."""
    for apparent_deg, lift_arcmin in ((0.0, 34.5), (10.0, 5.4)):
        true_deg = np.array([apparent_deg - lift_arcmin / 60])
        assert refracted_deg(true_deg, 1010.0, 10.0) == pytest.approx(apparent_deg, abs=0.002)
    high = refracted_deg(np.array([89.95, 90.0]), 1010.0, 10.0)
    assert high == pytest.approx([89.95, 90.0], abs=1e-4)


def test_refraction_follows_the_air():
    true_deg = np.linspace(-0.5, 80, 50)
    lift_deg = refracted_deg(true_deg, 1010.0, 10.0) - true_deg
    assert (refracted_deg(true_deg, 0.0, 10.0) == true_deg).all()
    thin = refracted_deg(true_deg, 505.0, 10.0) - true_deg
    assert thin[10:] == pytest.approx(lift_deg[10:] / 2, rel=0.01)
    cold = refracted_deg(true_deg, 1010.0, -20.0) - true_deg
    assert cold[10:] == pytest.approx(lift_deg[10:] * 283 / 253, rel=0.01)


def test_refraction_ends_below_minus_one_degree():
    true_deg = np.linspace(-6, 1, 7001)
    apparent_deg = refracted_deg(true_deg, 1010.0, 10.0)
    lifted = apparent_deg > true_deg
    assert apparent_deg[lifted].min() == pytest.approx(-1, abs=0.01)
    assert (apparent_deg[~lifted] < -1).all()
    assert (np.diff(apparent_deg) > 0).all()


def test_semidiameter_follows_the_distance():
    """Perihelion 2026-01-03, aphelion 2026-07-06: 959.63 arc seconds at 1 au."""
    near, far = Sky(NORTH).sun(np.array([us(2026, 1, 3, 17), us(2026, 7, 6, 17)])).semidiameter_deg
    assert near * 3600 == pytest.approx(959.63 / 0.98330, abs=0.1)
    assert far * 3600 == pytest.approx(959.63 / 1.01664, abs=0.1)


@pytest.mark.parametrize("site", [NORTH, SOUTH])
def test_daylight_is_from_upper_limb_to_upper_limb(site):
    day = date(2026, 11, 20)
    sky = Sky(site)
    rise_us, set_us = sky.daylight(day)
    for instant in (rise_us, set_us):
        assert from_us(instant).astimezone(site.tz).date() == day
    sun = sky.sun(np.array([rise_us - 10_000, rise_us + 10_000, set_us - 10_000, set_us + 10_000]))
    assert sun.up.tolist() == [False, True, True, False]
    limb_deg = sun.altitude_deg + sun.semidiameter_deg
    assert np.abs(limb_deg).max() < 1e-4
    assert sky.sun(np.linspace(rise_us + 10_000, set_us - 10_000, 500).astype(np.int64)).up.all()
    assert rise_us < sky.noon_us(day) < set_us


def test_daylight_goes_past_midnight_of_an_early_zone():
    """A zone far ahead of its Sun: the evening of a day is over the next day."""
    site = Site("x", 64.8, -147.7, 0.0, "-07:00", 1010.0, 10.0)
    rise_us, set_us = Sky(site).daylight(date(2026, 6, 21))
    assert from_us(rise_us).astimezone(site.tz).date() == date(2026, 6, 21)
    assert from_us(set_us).astimezone(site.tz).date() == date(2026, 6, 22)
    assert 21 * 3600e6 < set_us - rise_us < 23 * 3600e6


def test_polar_day_is_half_a_day_either_side_of_noon():
    sky = Sky(POLAR)
    rise_us, set_us = sky.daylight(date(2026, 6, 21))
    noon_us = sky.noon_us(date(2026, 6, 21))
    assert (noon_us - rise_us, set_us - noon_us) == (43_200_000_000, 43_200_000_000)


def test_polar_night_has_no_daylight():
    assert Sky(POLAR).daylight(date(2026, 12, 21)) is None


def test_between_polar_day_and_night_the_sun_rises_and_sets():
    rise_us, set_us = Sky(POLAR).daylight(date(2026, 3, 20))
    assert 11.5 * 3600e6 < set_us - rise_us < 13.5 * 3600e6


def test_equation_of_time_of_many_instants_is_that_of_each():
    sky = Sky(NORTH)
    utc_us = every(86400, us(2026, 1, 1), 2500)
    many = sky.equation_of_time_s(utc_us)
    assert many[[0, 2100]] == pytest.approx(
        [sky.equation_of_time_s(utc_us[k : k + 1])[0] for k in (0, 2100)], abs=1e-9
    )


def test_importing_the_sky_leaves_skyfield_alone():
    """Instants are turned into numbers all over the house; only a Sky needs the ephemeris."""
    code = "import dialbench.sky, sys; print('skyfield' in sys.modules)"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "False"


@pytest.mark.parametrize(("file", "told"), [("finals2000A.all", 0), ("de421.bsp", 1)])
def test_only_the_age_of_a_file_in_use_is_told(file, told, monkeypatch, recwarn):
    monkeypatch.setattr("skyfield_data.expirations.EXPIRATIONS", {file: date(2000, 1, 1)})
    dialbench.sky._ephemeris.cache_clear()
    Sky(NORTH)
    aged = [str(w.message) for w in recwarn if issubclass(w.category, RuntimeWarning)]
    assert [file in message for message in aged] == [True] * told
