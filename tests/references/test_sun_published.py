"""The Sun against published values; tolerances as the values' own makers leave them.

Every value below is quoted from memory of the source named beside it.
"""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from dialbench import de421, ephemeris, sky
from dialbench.dial import Site

# Reda and Andreas, Solar Position Algorithm, NREL/TP-560-34302, 2004, worked example
# (from memory): 2003-10-17 12:30:30 at UTC-7, delta T 67 s. Their UT is UT1.
NREL_UT1 = datetime(2003, 10, 17, 19, 30, 30, tzinfo=UTC)
NREL_ZENITH_DEG, NREL_AZIMUTH_DEG = 50.11162, 194.34024
NREL_EQUATION_OF_TIME_MIN = 14.641503
NREL_SUNRISE_UT1 = datetime(2003, 10, 17, 13, 12, 43, 460_000, tzinfo=UTC)
NREL_TRANSIT_UT1 = datetime(2003, 10, 17, 18, 46, 4, 970_000, tzinfo=UTC)

# Meeus, Astronomical Algorithms, 2nd ed. (from memory): 1992-10-13 0h TD.
MEEUS_TT = 2448908.5


def nrel_site(pressure_mbar=820.0):
    return Site("Example", 39.742476, -105.1786, 1830.14, "-07:00", pressure_mbar, 11.0)


def utc_us_of(ut1):
    """Microseconds of UTC at which UT1 reads a datetime."""
    return int(ephemeris.utc_us(np.array([sky.to_us(ut1)]))[0])


def test_nrel_zenith_and_azimuth():
    sun = sky.Sky(nrel_site()).sun(np.array([utc_us_of(NREL_UT1)]))
    assert 90 - sun.altitude_deg[0] == pytest.approx(NREL_ZENITH_DEG, abs=0.0004)
    assert sun.azimuth_deg[0] == pytest.approx(NREL_AZIMUTH_DEG, abs=0.0004)


def test_nrel_equation_of_time():
    """Theirs, L0 - 0.0057183 - RA, is larger than hour angle less UT1 by 0.20 s."""
    ours_s = sky.Sky(nrel_site()).equation_of_time_s(np.array([utc_us_of(NREL_UT1)]))[0]
    assert ours_s == pytest.approx(NREL_EQUATION_OF_TIME_MIN * 60, abs=0.3)


def test_nrel_sunrise():
    """Theirs is the centre at a true altitude of -0.8333 deg; so no air here."""
    utc_us = utc_us_of(NREL_SUNRISE_UT1) + np.arange(-60, 61) * 1_000_000
    altitude_deg = sky.Sky(nrel_site(pressure_mbar=0.0)).sun(utc_us).altitude_deg
    rise_us = np.interp(-0.8333, altitude_deg, utc_us)
    assert abs(rise_us - utc_us_of(NREL_SUNRISE_UT1)) / 1e6 <= 1.5


def test_nrel_transit():
    noon_us = sky.Sky(nrel_site()).noon_us(date(2003, 10, 17))
    assert abs(noon_us - utc_us_of(NREL_TRANSIT_UT1)) / 1e6 <= 0.1


def test_meeus_apparent_place():
    """Meeus, example 25.b (from memory): RA 13h13m30.749s, declination -7d47m01.74s."""
    eph = de421.source()
    apparent = eph.earth.at(eph.timescale.tt_jd(MEEUS_TT)).observe(eph.sun).apparent()
    right_ascension, declination, _ = apparent.radec("date")
    ra_arcsec = (right_ascension.hours - (13 + 13 / 60 + 30.749 / 3600)) * 15 * 3600
    assert abs(ra_arcsec) <= 0.1
    assert abs((declination.degrees + (7 + 47 / 60 + 1.74 / 3600)) * 3600) <= 0.1


def test_meeus_low_precision_sun():
    """Meeus, example 25.a (from memory): RA 198.38083, declination -7.78507 deg.

    The formula of his chapter 25 stands here alone, to be held against the example and
    to hold the ephemeris against a second, simple computation: 0.01 deg by its maker.
    """
    century = (MEEUS_TT - 2451545) / 36525
    mean = 280.46646 + century * (36000.76983 + 0.0003032 * century)
    anomaly = np.radians(357.52911 + century * (35999.05029 - 0.0001537 * century))
    centre = (
        (1.914602 - century * (0.004817 + 0.000014 * century)) * np.sin(anomaly)
        + (0.019993 - 0.000101 * century) * np.sin(2 * anomaly)
        + 0.000289 * np.sin(3 * anomaly)
    )
    node = np.radians(125.04 - 1934.136 * century)
    longitude = np.radians(mean + centre - 0.00569 - 0.00478 * np.sin(node))
    obliquity = np.radians(23.43929 - 0.01300417 * century + 0.00256 * np.cos(node))
    ra_deg = np.degrees(np.arctan2(np.cos(obliquity) * np.sin(longitude), np.cos(longitude))) % 360
    declination_deg = np.degrees(np.arcsin(np.sin(obliquity) * np.sin(longitude)))
    assert ra_deg == pytest.approx(198.38083, abs=0.00001)
    assert declination_deg == pytest.approx(-7.78507, abs=0.00001)

    eph = de421.source()
    apparent = eph.earth.at(eph.timescale.tt_jd(MEEUS_TT)).observe(eph.sun).apparent()
    right_ascension, declination, _ = apparent.radec("date")
    assert right_ascension._degrees == pytest.approx(ra_deg, abs=0.01)
    assert declination.degrees == pytest.approx(declination_deg, abs=0.01)


def test_meeus_equation_of_time():
    """Meeus, example 28.a (from memory): +13 m 42.6 s."""
    midnight_us = sky.to_us(datetime(1992, 10, 13, tzinfo=UTC))
    ours_s = sky.Sky(nrel_site()).equation_of_time_s(np.array([midnight_us]))[0]
    assert ours_s == pytest.approx(13 * 60 + 42.6, abs=0.3)


@pytest.mark.parametrize(
    ("first", "last", "extreme", "published_s"),
    [
        (date(2000, 1, 15), date(2000, 3, 15), np.min, -(14 * 60 + 14.6)),
        (date(2000, 4, 15), date(2000, 6, 10), np.max, 3 * 60 + 41.0),
        (date(2000, 7, 1), date(2000, 8, 20), np.min, -(6 * 60 + 29.4)),
        (date(2000, 10, 10), date(2000, 11, 30), np.max, 16 * 60 + 26.0),
    ],
)
def test_equation_of_time_extremes_of_2000(first, last, extreme, published_s):
    """Computed from JPL DE422, in agreement with almanac tables (from memory)."""
    days = (last - first).days
    start = datetime(first.year, first.month, first.day, tzinfo=UTC)
    six_hourly = [sky.to_us(start + timedelta(hours=6 * k)) for k in range(4 * days)]
    ours_s = sky.Sky(nrel_site()).equation_of_time_s(np.array(six_hourly))
    assert extreme(ours_s) == pytest.approx(published_s, abs=2)


def test_dial_is_fast_when_the_equation_of_time_is_positive():
    """Sign as in Meeus, chapter 28: in November the Sun culminates before mean noon."""
    site = Site("Meridian", 41.2, 0.0, 24.0, "+00:00", 1010.0, 10.0)
    ours = sky.Sky(site)
    for day in (date(2025, 11, 3), date(2025, 2, 11)):
        noon_us = ours.noon_us(day)
        mean_noon_us = sky.to_us(datetime(day.year, day.month, day.day, 12, tzinfo=UTC))
        ahead_s = ours.equation_of_time_s(np.array([mean_noon_us]))[0]
        # Mean noon is one of UT1, a little off UTC.
        assert (mean_noon_us - noon_us) / 1e6 == pytest.approx(ahead_s, abs=0.5)
        assert (ahead_s > 0) == (day.month == 11)


@pytest.mark.parametrize(
    ("year", "published_s"), [(-700, 20041), (2050, 71.6), (2100, 96), (3000, 4171)]
)
def test_delta_t(year, published_s):
    """Splines of Stephenson, Morrison and Hohenkerk 2016, updated 2020 (from memory)."""
    delta_t_s = de421.source().timescale.tt(year).delta_t
    assert delta_t_s == pytest.approx(published_s, rel=0.01)


def test_delta_t_parabola():
    """Same source: -320 + 32.5 ((y - 1825)/100)^2 s; days lengthen 1.78 ms a century."""
    from skyfield.timelib import delta_t_parabola_stephenson_morrison_hohenkerk_2016 as parabola

    years = np.array([-5000.0, 1825.0, 9000.0])
    assert parabola(years) == pytest.approx(-320 + 32.5 * ((years - 1825) / 100) ** 2, rel=1e-12)
    # Far from the splines the ephemeris's own delta T is that parabola.
    times = de421.source().timescale.J(years[[0, 2]])
    assert times.delta_t == pytest.approx(parabola(years[[0, 2]]), rel=1e-12)
    steps = np.diff(parabola(np.array([1725.0, 1825.0, 1925.0])))
    assert np.diff(steps)[0] / 36525 * 1000 == pytest.approx(1.78, abs=0.005)
