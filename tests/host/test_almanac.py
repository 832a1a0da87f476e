"""The figures of one instant and their uncertainties, against what they are made of."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest

from dialbench.almanac import Share, almanac, zone_of_offset
from dialbench.dial import Site, standard_air
from dialbench.sky import Sky, SkyError, to_us

NORTH = Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", *standard_air(24.0))
MORNING = datetime(2026, 5, 3, 9, 0, tzinfo=UTC)


def share(found, cause) -> Share:
    [wanted] = [share for share in found.budget if share.cause == cause]
    return wanted


def test_figures_are_those_of_the_sky():
    found = almanac(NORTH, MORNING)
    at = np.array([to_us(MORNING)])
    sun = Sky(NORTH).sun(at)
    assert found.altitude_deg == sun.altitude_deg[0]
    assert found.azimuth_deg == sun.azimuth_deg[0]
    assert found.dial_hour_angle_deg == sun.hour_angle_deg[0]
    assert found.equation_of_time_s == pytest.approx(Sky(NORTH).equation_of_time_s(at)[0], abs=1e-9)
    assert found.up and found.horizon_deg == 0
    # Refraction and parallax are all that parts the two hour angles: under 2 arc minutes here.
    assert 0 < abs(found.hour_angle_deg - found.dial_hour_angle_deg) < 2 / 60
    clock_deg = (9 + (found.equation_of_time_s + found.ut1_minus_utc_s) / 3600 - 12) * 15 - 16.4
    assert found.hour_angle_deg == pytest.approx(clock_deg, abs=1e-7)


def test_the_day_is_that_of_the_sites_zone():
    late = datetime(2026, 5, 3, 23, 30, tzinfo=timezone(timedelta(hours=-1)))
    found = almanac(NORTH, late)
    assert found.told(found.transit.utc_us)["zone_time"].startswith("2026-05-03T12:0")
    rise_us, set_us = Sky(NORTH).daylight(late.date())
    assert (found.rise.utc_us, found.set.utc_us) == (rise_us, set_us)


def test_naive_moments_are_refused():
    with pytest.raises(SkyError, match="has no time zone"):
        almanac(NORTH, MORNING.replace(tzinfo=None))


def test_polar_days_and_nights_have_no_rise():
    north = replace(NORTH, latitude_deg=78.0)
    for month in (6, 12):
        found = almanac(north, datetime(2026, month, 21, 12, tzinfo=UTC))
        assert found.rise is None and found.set is None
        assert found.up == (month == 6)


def test_the_effect_of_refraction_on_a_dial_is_what_more_air_does():
    """A twentieth of an atmosphere more moves the hour angle by as much as the budget says."""
    found = almanac(NORTH, MORNING)
    thick = almanac(replace(NORTH, pressure_mbar=NORTH.pressure_mbar * 1.05), MORNING)
    moved_s = abs(thick.dial_hour_angle_deg - found.dial_hour_angle_deg) * 240
    moved_arcsec = (thick.altitude_deg - found.altitude_deg) * 3600
    formula = share(found, "refraction, the formula")
    assert moved_s / moved_arcsec == pytest.approx(formula.dial_s / formula.arcsec, rel=0.01)


def test_air_counts_for_less_when_it_was_measured():
    assert almanac(NORTH, MORNING).air == "standard"
    stated = almanac(replace(NORTH, temperature_C=3.0), MORNING)
    measured = almanac(replace(NORTH, temperature_C=3.0), MORNING, measured=True)
    assert (stated.air, measured.air) == ("stated", "measured")
    one, other = (share(found, "refraction, the air").arcsec for found in (stated, measured))
    assert one == pytest.approx(10 * other, rel=0.05)
    # 10 mbar are 1% of the refraction, 10 K 3.6%.
    assert one == pytest.approx(math.hypot(0.0099, 0.035) * stated.refraction_arcmin * 60, rel=0.05)


def test_low_air_is_not_to_be_trusted():
    low = almanac(NORTH, datetime(2026, 5, 3, 6, 5, tzinfo=UTC))
    assert 0 < low.altitude_deg < 2
    assert share(low, "refraction, layers of air").arcsec == 576
    assert low.total.arcsec > 576
    high = almanac(NORTH, MORNING)
    assert "refraction, layers of air" not in [s.cause for s in high.budget]
    assert high.total.arcsec < 10


def test_what_cannot_be_said_is_not_in_the_total():
    night = almanac(NORTH, datetime(2026, 5, 3, 2, tzinfo=UTC))
    assert share(night, "refraction, the formula").arcsec is None
    assert (night.total.arcsec, night.total.dial_s) == (None, None)


def test_the_total_is_the_root_of_squares_without_the_coordinates():
    found = almanac(NORTH, MORNING)
    counted = [s for s in found.budget if s.cause != "coordinates, if rounded"]
    assert len(counted) == len(found.budget) - 1
    assert found.total.dial_s == pytest.approx(math.sqrt(sum(s.dial_s**2 for s in counted)))


@pytest.mark.parametrize(
    ("longitude_deg", "half_deg"),
    [(-16.4, 0.05), (-16.0, 0.5), (160.0, 0.5), (-16.40625, 5e-6), (0.0, 0.5)],
)
def test_coordinates_are_as_good_as_they_are_written(longitude_deg, half_deg):
    found = almanac(replace(NORTH, longitude_deg=longitude_deg), MORNING)
    written = share(found, "coordinates, if rounded")
    assert written.dial_s == pytest.approx(half_deg / 3**0.5 * 240)


def test_the_sigma_of_sunrise_is_the_airs():
    """0.16 deg of altitude over the rate at which the Sun climbs."""
    found = almanac(NORTH, MORNING)
    sun = Sky(NORTH).sun(found.rise.utc_us + np.array([0, 60_000_000]))
    assert found.rise.sigma_s == pytest.approx(0.16 / np.diff(sun.altitude_deg)[0] * 60, rel=0.02)


def test_a_sun_that_creeps_rises_at_no_known_time():
    """At the pole, in March: the altitude grows by 0.4 deg a day."""
    for day in range(16, 22):
        found = almanac(replace(NORTH, latitude_deg=89.9), datetime(2026, 3, day, 12, tzinfo=UTC))
        if found.rise is not None:
            assert found.rise.sigma_s is None
            break
    else:
        pytest.fail("no day of March has a sunrise there")


@pytest.mark.parametrize(
    ("minutes", "name"), [(0, "+00:00"), (-60, "-01:00"), (345, "+05:45"), (-210, "-03:30")]
)
def test_offsets_are_zones(minutes, name):
    assert zone_of_offset(MORNING.astimezone(timezone(timedelta(minutes=minutes)))) == name
