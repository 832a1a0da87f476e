"""The equation of time, delta T and the day over the centuries, against other sources."""

from datetime import UTC, datetime

import erfa
import numpy as np
import pytest
from pymeeus.Epoch import Epoch
from pymeeus.Sun import Sun

from dialbench import ephemeris, predict, sky
from dialbench.dial import Body, Bore, Channel, Dial, Plan, Site, Step
from dialbench.longrun import mean, orbit, slowing
from dialbench.longrun.account import methods_differ_s
from dialbench.longrun.drift import DECLINATIONS_DEG, NORTHWARD, at_declinations, drift

J2000 = 2451545.0


def laskar_obliquity(tt_centuries):
    """Laskar's polynomial of 1986, as Meeus gives it in chapter 22 (from memory); radians."""
    terms = (84381.448, -4680.93, -1.55, 1999.25, -51.38, -249.67, -39.05, 7.12, 27.87, 5.79, 2.45)
    return np.radians(np.polyval(terms[::-1], tt_centuries / 100) / 3600)


@pytest.mark.parametrize("year", [-700, -300, 0, 500, 1000, 1500, 2000, 2500, 3000])
def test_equation_of_time_against_vsop87(year):
    """PyMeeus' VSOP87 for the Sun, Laskar's obliquity, and sidereal time by erfa's IAU 2006,
    which counts UT1 by the same angle of rotation; nothing of it is shared with the orbit."""
    days = 36525 * (year - 2000) / 100 + np.linspace(0, 365, 24)
    t = days / 36525
    ours_s, _ = mean.equation_of_time_s(t)
    delta_t_days = slowing.delta_t_s(2000 + 100 * t) / 86400
    for at, day in enumerate(days.tolist()):
        longitude, latitude, _ = Sun.apparent_geocentric_position(Epoch(J2000 + day), False)
        along, off = np.radians([float(longitude), float(latitude)])
        tilt = laskar_obliquity(t[at])
        right_ascension = np.arctan2(
            np.sin(along) * np.cos(tilt) - np.tan(off) * np.sin(tilt), np.cos(along)
        )
        ut1_days = day - delta_t_days[at]
        sidereal = erfa.gmst06(J2000, ut1_days, J2000, day)
        ahead = sidereal - right_ascension - 2 * np.pi * (ut1_days % 1)
        theirs_s = ((ahead + np.pi) % (2 * np.pi) - np.pi) * 43200 / np.pi
        assert ours_s[at] == pytest.approx(theirs_s, abs=3.0)


def test_orbit_and_ephemeris_agree_where_both_tell():
    largest_s, rms_s = methods_differ_s()
    assert largest_s <= 3.0
    assert rms_s <= 1.0


@pytest.mark.parametrize("year", [-720, 0, 1000, 5000, 10_000])
def test_the_pole_is_that_of_the_long_term_precession(year):
    ours = orbit.equator_pole(np.array([(year - 2000) / 100]))[:, 0]
    np.testing.assert_allclose(ours, erfa.ltpequ(float(year)), atol=1e-12)


def test_kepler_s_equation_is_solved():
    anomaly = np.linspace(-20, 20, 4001)
    for e in (0.0, 0.012, 0.0185):
        true = orbit.true_anomaly(anomaly, np.full_like(anomaly, e))
        # Back by the tangent's half-angle formula, and Kepler's equation itself.
        half = np.sqrt((1 - e) / (1 + e))
        eccentric = 2 * np.arctan2(half * np.sin(true / 2), np.cos(true / 2))
        off = eccentric - e * np.sin(eccentric) - anomaly
        assert abs((off + np.pi) % (2 * np.pi) - np.pi).max() < 1e-12
        assert abs(true - anomaly).max() < 2.1 * e + 1e-9


def test_to_ten_thousand_the_figure_and_the_rotation_tell_one_story():
    """What is left when perihelion, obliquity and eccentricity are taken out is a matter of
    UT1 alone: one and the same at every declination. It comes out of a vector turned by
    precession and rotation, the shares out of the closed formula of an ellipse."""
    for year in (-699, 1000, 5000, 10_000):
        left_s = drift(2027, year).shares_s["definition"]
        assert np.ptp(left_s) < 0.3


@pytest.mark.parametrize(("year", "published_s"), [(-700, 20041), (2050, 71.6), (2100, 96)])
def test_delta_t(year, published_s):
    """Stephenson, Morrison and Hohenkerk 2016 and 2020 (from memory)."""
    assert slowing.delta_t_s(np.array([year]))[0] == pytest.approx(published_s, rel=0.01)


def test_delta_t_far_ahead_is_the_published_parabola():
    """-320 + 32.5 ((y - 1825)/100)^2 s, the same source (from memory)."""
    years = np.array([3000.0, 10_000.0])
    expected = -320 + 32.5 * ((years - 1825) / 100) ** 2
    np.testing.assert_allclose(slowing.delta_t_s(years), expected, rtol=0.002)


def test_the_day_lengthens_as_published():
    """1.78 ms a century over 2,700 years, the same source (from memory)."""
    then, now = slowing.day_s(np.array([-700.0, 2000.0]))
    assert (now - then) / 27 * 1000 == pytest.approx(1.78, rel=0.1)


def test_the_earth_lost_about_six_hours_in_2700_years():
    """Common practice, no source: "about 6 hours". Ours is 5.57 +- 0.14: it rounds to six, and
    six itself is three standard errors off."""
    lost_h = slowing.delta_t_s(np.array([-700.0]))[0] / 3600
    sigma_h = slowing.delta_t_sigma_s(np.array([-700.0]))[0] / 3600
    assert lost_h == pytest.approx(5.57, abs=0.02)
    assert sigma_h == pytest.approx(0.14, abs=0.01)
    assert round(lost_h) == 6


def test_dinosaurs_lived_by_days_of_about_23_hours():
    """Common practice, no source: "about 23 hours". Between the first of them, some 230 million
    years ago, and the last, 66 million (International Chronostratigraphic Chart, from memory)."""
    first = [slowing.day_long_ago_h(230e6, rate) for rate in (1.78, 2.3)]
    last = [slowing.day_long_ago_h(66e6, rate) for rate in (1.78, 2.3)]
    assert min(first) < 23 < max(last)
    assert all(22.4 < hours < 23.8 for hours in (*first, *last))


def test_the_day_and_the_month_lock():
    """Common practice, no source: "some 50 billion years". A constant rate gives three times
    that and more: it cannot be trusted so far, which `longrun` says."""
    years = [slowing.years_to_lock(rate) for rate in (1.78, 2.3)]
    assert all(150e9 < one < 250e9 for one in years)


@pytest.mark.parametrize(("years", "published_s"), [(10, 1.6), (100, 14), (1000, 140)])
def test_a_fixed_dial_drifts_as_told(years, published_s):
    """Of a Kepler orbit computed elsewhere (from memory), within 15% where it is worst."""
    assert abs(drift(2026, 2026 + years).earth_s).max() == pytest.approx(published_s, rel=0.15)


def test_drift_by_the_ephemeris_is_the_same():
    """Means of 19 years (the nodes of the Moon's orbit come round) a century apart, out of
    DE421: no orbit of ours in it."""

    def by_ephemeris(first):
        every = []
        for year in range(first, first + 19):
            t = (year - 2000 + np.linspace(-0.005, 1.005, 1481)) / 100
            days = t * 36525 + J2000 - 2440587.5
            ut1_us = np.rint((days * 86400 - slowing.delta_t_s(2000 + 100 * t)) * 1e6)
            ahead, declination, _ = ephemeris.apparent(ut1_us.astype(np.int64))
            declination_deg = np.degrees(declination)
            north = np.gradient(declination_deg) > 0
            found = np.empty(len(DECLINATIONS_DEG))
            for way in (True, False):
                order = np.flatnonzero(north == way)
                # The year's turn splits the southward half in two: sort by declination.
                order = order[np.argsort(declination_deg[order])]
                here = NORTHWARD == way
                found[here] = np.interp(
                    DECLINATIONS_DEG[here], declination_deg[order], ahead[order]
                )
            every.append(found * 43200 / np.pi)
        return np.mean(every, axis=0)

    measured_s = by_ephemeris(2020) - by_ephemeris(1920)
    expected_s = at_declinations(2029) - at_declinations(1929)
    assert abs(measured_s - expected_s).max() < 0.8  # planets lean on the orbit for longer
    assert abs(measured_s).max() == pytest.approx(16.1, abs=0.5)


ONE_BORE = Dial(
    "one bore",
    Site("Anywhere", 41.2, -16.4, 24.0, "-01:00", 1010.0, 12.0),
    (Channel(0.0, 0.0, 0, 0),),
    Plan("apparent", 15.0, (Step(0, 720.0, "12:00", frozenset({0})),)),
    Body(60.0, 200.0),
    (Bore(0, 10.0, 0.0, "slot", 3.0, 3.0, 60.0, 60.0),),
)


def crossings(first, days):
    """The Sun's declination, northward or not, and the UT1 time of day in seconds of a fixed
    bore's crossing at 0.50, rising, each day; by the predictor, through air and Sun's disc."""
    over = sky.Sky(ONE_BORE.site)
    start_us = sky.to_us(first)
    found = predict.crossings(ONE_BORE, over, start_us, start_us + days * 86_400_000_000)
    at_us = ephemeris.ut1_us(found.utc_us[(found.threshold == 1) & found.rise])
    declination_deg = np.degrees(ephemeris.apparent(at_us)[1])
    return declination_deg, np.gradient(declination_deg) > 0, at_us % 86_400_000_000 / 1e6


def test_drift_by_brute_force_prediction_of_crossings(monkeypatch):
    """A bore's crossings in 2027 and, with the Sun of the mean orbit in place of the
    ephemeris', those of a thousand years later: later in the day by as much as the dial has
    become slow, at equal declination."""
    first, days = datetime(2027, 1, 5, tzinfo=UTC), 160  # northward all the while

    def moved(years):
        def apparent(ut1_us, grace_us=0):
            ut1_days = np.asarray(ut1_us) / 86.4e9 - 10957.5 + round(365.2425 * years)
            year = 2000 + ut1_days / 365.25
            t = (ut1_days + slowing.delta_t_s(year) / 86400) / 36525
            ahead_s, declination_deg = mean.equation_of_time_s(t)
            _, distance = orbit.sun(t)
            return ahead_s * np.pi / 43200, np.radians(declination_deg), distance

        return apparent

    found = {}
    for years in (0, 1000):
        monkeypatch.setattr(ephemeris, "apparent", moved(years))
        found[years] = crossings(first, days)
    declination_deg, _, now_s = found[0]
    then_deg, _, then_s = found[1000]
    assert len(now_s) == len(then_s) == days
    wanted = np.arange(-20, 21)
    later_s = np.interp(wanted, then_deg, then_s) - np.interp(wanted, declination_deg, now_s)
    at = np.searchsorted(DECLINATIONS_DEG[NORTHWARD], wanted)
    expected_s = drift(2027, 3027).earth_s[NORTHWARD][at]
    assert abs(expected_s).max() > 100
    np.testing.assert_allclose(-later_s, expected_s, atol=0.5)


# Extremes of the equation of time in 2000, from JPL DE422, as almanacs have them (from memory).
EXTREMES_S = (-(14 * 60 + 14.6), 3 * 60 + 41.0, -(6 * 60 + 29.4), 16 * 60 + 26.0)


@pytest.mark.parametrize("path", ["ephemeris", "orbit"])
def test_extremes_of_the_year_2000(path):
    days = np.arange(0, 366, 0.25)
    if path == "orbit":
        ahead_s, _ = mean.equation_of_time_s(days / 36525)
    else:
        utc_us = (np.int64(946_728_000) * 1_000_000) + (days * 86.4e9).astype(np.int64)
        site = sky.Site("Anywhere", 0.0, 0.0, 0.0, "+00:00", 1010.0, 10.0)
        ahead_s = sky.Sky(site).equation_of_time_s(utc_us)
    month = (days / 366 * 12).astype(int)
    found = (
        ahead_s[month == 1].min(),
        ahead_s[month == 4].max(),
        ahead_s[month == 6].min(),
        ahead_s[(month == 9) | (month == 10)].max(),
    )
    np.testing.assert_allclose(found, EXTREMES_S, atol=2.0)
