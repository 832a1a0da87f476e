import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone

import numpy as np
import pytest

from dialbench import air, ephemeris, skyline
from dialbench.dial import Site
from dialbench.errors import UserError
from dialbench.sky import Sky, SkyError, from_us, refracted_deg, to_us
from dialcore import frames

NORTH = Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0)
SOUTH = Site("South", -35.0, 149.0, 600.0, "+10:00", 950.0, 15.0)
POLAR = Site("Polar", 78.0, 16.0, 10.0, "+01:00", 1010.0, -5.0)
AIRLESS = replace(NORTH, pressure_mbar=0.0)


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


def test_order_and_repetition_of_instants_are_free():
    sky = Sky(NORTH)
    utc_us = every(20, us(2026, 5, 3, 11), 400)
    mixed = np.random.default_rng(3).integers(0, 400, 1000)
    assert (sky.sun(utc_us[mixed]).azimuth_deg == sky.sun(utc_us).azimuth_deg[mixed]).all()


def test_the_earth_turns_through_a_leap_second():
    """Unix time counts one second from 23:59:59 to midnight; the Earth turned for two."""
    around_us = np.array([us(2016, 12, 31, 23, 59, 59), us(2017, 1, 1)])
    turned_deg = np.diff(Sky(AIRLESS).sun(around_us).hour_angle_deg)[0]
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


@pytest.mark.parametrize(("pressure_mbar", "temperature_C"), [(1010.0, 10.0), (1200.0, -90.0)])
def test_refraction_is_held_below_minus_one_degree(pressure_mbar, temperature_C):
    """Nothing jumps there, where no formula holds and nothing can be seen."""
    true_deg = np.linspace(-90, 1, 91_001)
    apparent_deg = refracted_deg(true_deg, pressure_mbar, temperature_C)
    low = apparent_deg < -1
    lift_deg = apparent_deg - true_deg
    assert np.ptp(lift_deg[low]) < 1e-9
    assert lift_deg[low][-1] == pytest.approx(lift_deg[~low][0], abs=0.001)
    steps_deg = np.diff(apparent_deg)
    assert 0.0006 < steps_deg.min() <= steps_deg.max() < 0.0011


@pytest.mark.parametrize(("pressure_mbar", "temperature_C"), [(1010.0, 10.0), (1200.0, -90.0)])
def test_refraction_solves_bennetts_formula(pressure_mbar, temperature_C):
    """Which gives the lift of an apparent altitude, in arc minutes."""
    true_deg = np.linspace(-2, 90, 9201)
    apparent_deg = refracted_deg(true_deg, pressure_mbar, temperature_C)
    held_deg = np.maximum(apparent_deg, -1)
    lift_arcmin = 1 / np.tan(np.radians(held_deg + 7.31 / (held_deg + 4.4)))
    lift_arcmin *= pressure_mbar / 1010 * 283 / (273 + temperature_C)
    assert apparent_deg - true_deg == pytest.approx(np.maximum(lift_arcmin, 0) / 60, abs=1e-10)


@pytest.mark.parametrize(("pressure_mbar", "temperature_C"), [(1010.0, 10.0), (1200.0, -90.0)])
def test_the_table_of_refraction_keeps_to_the_formula(pressure_mbar, temperature_C):
    """0.003 arc seconds wherever the Sun can be seen, at the zenith too; unit length anywhere."""
    rng = np.random.default_rng(1)
    true_deg = np.concatenate((rng.uniform(-90, 90, 30_000), 90 - rng.uniform(0, 1.5, 3000), [90]))
    altitude = np.radians(true_deg)
    keep, pull = air.Air(pressure_mbar, temperature_C).bent(np.sin(altitude))
    level, up = keep * np.cos(altitude), keep * np.sin(altitude) + pull
    assert np.hypot(level, up) == pytest.approx(np.ones(len(up)), abs=1e-14)
    want_deg = refracted_deg(true_deg, pressure_mbar, temperature_C)
    off_arcsec = np.abs(np.degrees(np.arctan2(up, level)) - want_deg) * 3600
    assert off_arcsec[want_deg > -0.8].max() < 0.003


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


@pytest.mark.parametrize(
    "site",
    [NORTH, SOUTH, replace(NORTH, latitude_deg=90.0), replace(NORTH, latitude_deg=-90.0)],
)
def test_the_fast_way_is_the_way(site):
    """toward() of UT1 is sun() of UTC, and what the dial's axes make of it."""
    utc_us = every(977, us(2026, 3, 1), 20_000)  # more than go in one batch
    vector, semidiameter = Sky(site).toward(ephemeris.ut1_us(utc_us))
    sun = Sky(site).sun(utc_us)
    assert (vector == np.stack(sun.polar)).all()
    assert np.degrees(semidiameter) == pytest.approx(sun.semidiameter_deg, rel=1e-15)
    for site_again in (replace(site, longitude_deg=180.0), replace(site, longitude_deg=-180.0)):
        again, _ = Sky(site_again).toward(np.zeros(0, np.int64))
        assert again.shape == (3, 0)


def test_both_sides_of_the_date_line_see_one_sun():
    utc_us = every(977, us(2026, 3, 1), 1000)
    east, west = (
        np.stack(Sky(replace(NORTH, longitude_deg=degrees)).sun(utc_us).enu)
        for degrees in (180.0, -180.0)
    )
    assert np.abs(east - west).max() < 1e-14


def test_at_the_pole_the_sun_stands_at_its_declination():
    """Without air, and but for its parallax of 8.8 arc seconds."""
    for latitude_deg in (90.0, -90.0):
        sky = Sky(replace(AIRLESS, latitude_deg=latitude_deg))
        utc_us = every(86_400 * 5 + 3600, us(2026, 1, 1), 70)
        sun = sky.sun(utc_us)
        declination_deg = np.degrees(ephemeris.apparent(ephemeris.ut1_us(utc_us))[1])
        parallax_deg = 8.8 / 3600 * np.cos(np.radians(declination_deg))
        off_deg = sun.altitude_deg - np.sign(latitude_deg) * declination_deg + parallax_deg
        assert np.abs(off_deg).max() * 3600 < 0.3


# --- The skyline, and the spans in which the Sun is above it ---

PROFILE = ((20.0, 3.0), (95.0, 6.5), (101.0, 0.0), (140.0, 0.0), (215.0, 12.0), (300.0, 1.0))


def limb_deg(sky, utc_us):
    sun = sky.sun(np.atleast_1d(utc_us))
    return sun.altitude_deg + sun.semidiameter_deg - sun.horizon_deg


def kinds(codes):
    return {skyline.KINDS[code] for code in codes.tolist()}


def test_the_skyline_is_straight_between_its_points_and_goes_round():
    line = skyline.Skyline(PROFILE)
    azimuth_deg = np.array([20.0, 57.5, 98.0, 120.0, 300.0, 340.0, 0.0, 10.0, 359.999])
    assert line.altitude_deg(azimuth_deg) == pytest.approx(
        [3, 4.75, 3.25, 0, 1, 2, 2.5, 2.75, 2.499975], abs=1e-6
    )
    assert (skyline.Skyline(((77.0, 4.0),)).altitude_deg(azimuth_deg) == 4).all()
    assert (skyline.Skyline(()).altitude_deg(azimuth_deg) == 0).all()


def test_up_is_above_the_skyline():
    sky, free = Sky(replace(NORTH, horizon=PROFILE)), Sky(NORTH)
    utc_us = every(60, us(2026, 5, 3), 1440)
    sun, bare = sky.sun(utc_us), free.sun(utc_us)
    assert (sun.altitude_deg == bare.altitude_deg).all()
    assert (bare.horizon_deg == 0).all()
    assert (bare.up == (bare.altitude_deg + bare.semidiameter_deg > 0)).all()
    assert (sun.up == (sun.altitude_deg + sun.semidiameter_deg > sun.horizon_deg)).all()
    assert sun.up.sum() < bare.up.sum() - 20
    assert sky.daylight(date(2026, 5, 3)) == free.daylight(date(2026, 5, 3))


def test_a_day_over_a_free_horizon_is_its_daylight():
    sky = Sky(NORTH)
    spans = sky.up_spans(us(2026, 5, 3), us(2026, 5, 4))
    [(rise_us, set_us)] = zip(spans.begin_us, spans.end_us, strict=True)
    assert [rise_us, set_us] == pytest.approx(sky.daylight(date(2026, 5, 3)), abs=1000)
    assert (kinds(spans.begin_kind), kinds(spans.end_kind)) == ({"sunrise"}, {"sunset"})


def test_asked_ends_cut_a_span():
    sky = Sky(NORTH)
    noon_us = us(2026, 5, 3, 13)
    spans = sky.up_spans(noon_us, noon_us + 86_400_000_000)
    assert (spans.begin_us[0], spans.end_us[-1]) == (noon_us, noon_us + 86_400_000_000)
    assert [skyline.KINDS[k] for k in spans.begin_kind] == ["start of the asked span", "sunrise"]
    assert [skyline.KINDS[k] for k in spans.end_kind] == ["sunset", "end of the asked span"]
    for empty in (
        sky.up_spans(noon_us, noon_us),
        sky.up_spans(us(2026, 5, 3, 1), us(2026, 5, 3, 2)),
    ):
        assert empty.begin_us.shape == empty.end_kind.shape == (0,)


@pytest.mark.parametrize("latitude_deg", [90.0, 78.0, -66.2, 41.2, 0.0, -12.0])
@pytest.mark.parametrize("horizon", [(), PROFILE], ids=["free", "profile"])
def test_spans_are_where_the_sun_is_up(latitude_deg, horizon):
    """Every 97 s of 200 days, and 1 ms before and after each end."""
    sky = Sky(Site("x", latitude_deg, 180.0, 10.0, "+12:00", 1010.0, 0.0, horizon))
    start_us, end_us = us(2026, 1, 20), us(2026, 8, 8)
    spans = sky.up_spans(start_us, end_us)
    utc_us = np.arange(start_us, end_us, 97_000_000)
    begun = np.searchsorted(spans.begin_us, utc_us, side="right")
    ended = np.searchsorted(spans.end_us, utc_us, side="right")
    assert ((begun > ended) == sky.sun(utc_us).up).all()
    assert (spans.begin_us < spans.end_us).all() and (spans.end_us[:-1] < spans.begin_us[1:]).all()
    rises = spans.begin_us[spans.begin_kind != skyline.START]
    sets = spans.end_us[spans.end_kind != skyline.END]
    assert len(rises) + len(sets)
    for ends_us, way in ((rises, 1), (sets, -1)):
        assert (limb_deg(sky, ends_us - way * 1000) <= 0).all()
        assert (limb_deg(sky, ends_us + way * 1000) > 0).all()


def test_the_midnight_sun_is_one_span():
    spans = Sky(POLAR).up_spans(us(2026, 5, 20), us(2026, 7, 20))
    assert (spans.begin_us.tolist(), spans.end_us.tolist()) == (
        [us(2026, 5, 20)],
        [us(2026, 7, 20)],
    )
    assert kinds(spans.begin_kind) == {"start of the asked span"}


def test_many_years_join_where_they_are_cut():
    """At the pole a year is one day: the cut between stretches of work must not show."""
    spans = Sky(replace(NORTH, latitude_deg=90.0)).up_spans(us(2020, 1, 1), us(2026, 1, 1))
    assert len(spans.begin_us) == 6
    assert kinds(spans.begin_kind) == {"sunrise"} and kinds(spans.end_kind) == {"sunset"}
    assert (spans.end_us - spans.begin_us).min() > 180 * 86_400e6


def test_events_are_told_by_what_makes_them():
    """Rising over PROFILE at 101 to 140 deg is sunrise, anywhere else the profile's doing."""
    sky = Sky(replace(NORTH, horizon=PROFILE))
    spans = sky.up_spans(us(2026, 1, 1), us(2027, 1, 1))
    azimuth_deg = sky.sun(spans.begin_us).azimuth_deg
    free = (azimuth_deg >= 101) & (azimuth_deg <= 140)
    assert free.any() and not free.all()
    assert (spans.begin_kind == np.where(free, skyline.SUNRISE, skyline.HORIZON)).all()
    assert kinds(spans.end_kind) == {"horizon"}


@pytest.mark.parametrize("lasting_s", [2, 5, 40])
@pytest.mark.parametrize("up", [True, False])
def test_brief_spans_are_found(lasting_s, up):
    """A skyline level with the limb's highest or lowest place of the day, all but for a moment."""
    sky = Sky(POLAR)
    middle_us = sky.noon_us(date(2026, 4, 20)) + (0 if up else 43_170_000_000)
    near_us = middle_us + np.arange(-1800, 1800) * 500_000
    limb = limb_deg(sky, near_us)
    top = int(limb.argmax() if up else limb.argmin())
    level_deg = float(limb[top - lasting_s])  # so many half seconds before
    # A wall everywhere else keeps other days out.
    aim_deg = float(sky.sun(near_us[[top]]).azimuth_deg[0])
    wall_deg = 89.0 if up else -5.0
    notch = sorted(
        ((aim_deg + off) % 360, wall_deg if abs(off) > 4 else level_deg) for off in (-5, -3, 3, 5)
    )
    notched = Sky(replace(POLAR, horizon=tuple(notch)))
    start_us, end_us = middle_us - 3 * 3600_000_000, middle_us + 3 * 3600_000_000
    spans = notched.up_spans(start_us, end_us)
    if up:
        begin_us, finish_us = spans.begin_us, spans.end_us
    else:
        begin_us, finish_us = spans.end_us[:-1], spans.begin_us[1:]
    assert len(begin_us) == 1
    # The turning point itself lies up to a quarter of a second from `top`.
    assert (finish_us - begin_us)[0] / 1e6 == pytest.approx(lasting_s, abs=0.51)


def test_a_gap_between_two_points_of_the_skyline_is_found():
    """A notch that the Sun passes in seconds, far narrower than the minute of the grid."""
    sky = Sky(NORTH)
    at_us = us(2026, 5, 3, 10, 0, 30)
    azimuth_deg = float(sky.sun(np.array([at_us])).azimuth_deg[0])
    sides = ((-0.02, 80.0), (0.0, 0.0), (0.02, 80.0))
    notched = Sky(replace(NORTH, horizon=tuple((azimuth_deg + off, high) for off, high in sides)))
    spans = notched.up_spans(us(2026, 5, 3, 9), us(2026, 5, 3, 11))
    assert len(spans.begin_us) == 1
    assert spans.begin_us[0] < at_us < spans.end_us[0]
    assert spans.end_us[0] - spans.begin_us[0] < 10e6


def test_spans_end_where_the_ephemeris_does():
    first_us, last_us = ephemeris.first_us(), ephemeris.last_us()
    assert len(Sky(NORTH).up_spans(first_us, first_us + 2 * 86_400_000_000).begin_us)
    assert len(Sky(NORTH).up_spans(last_us - 2 * 86_400_000_000, last_us).begin_us)
    with pytest.raises(SkyError):
        Sky(NORTH).up_spans(last_us - 86_400_000_000, last_us + 86_400_000_000)
