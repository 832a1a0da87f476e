"""dialcore.sun on both runtimes: places of the Sun from DE421, and the sky's geometry."""

import math

from dialcore import sun

# Unix seconds of UT1, Greenwich hour angle and declination in degrees: geocentric and
# apparent, from the ephemeris DE421 through Skyfield.
PLACES = (
    (946728000, -0.8213, -23.0324),  # 2000-01-01 12:00
    (1078036200, -85.6282, -7.8155),  # 2004-02-29 06:30
    (1248230100, -142.8630, 20.2675),  # 2009-07-22 02:35
    (1483228740, 178.8898, -22.9991),  # 2016-12-31 23:59
    (1592689440, 145.5554, 23.4365),  # 2020-06-20 21:44
    (1777795200, -59.2184, 15.7119),  # 2026-05-03 08:00
    (1793719200, 54.1116, -15.1941),  # 2026-11-03 15:20
    (1994916120, -71.3536, -0.0002),  # 2033-03-20 07:22
    (2147483640, -134.1468, -20.3279),  # 2038-01-19 03:14
    (2356711200, 90.3978, 6.3640),  # 2044-09-05 18:00
    (2523718320, 73.4227, -23.4311),  # 2049-12-21 16:52
)


def apart_deg(one, other):
    return abs((one - other + 180) % 360 - 180)


def test_places_from_the_ephemeris():
    for utc_s, hour_angle_deg, declination_deg in PLACES:
        hour_angle, declination = sun.sun(utc_s, 0, math)
        assert apart_deg(math.degrees(hour_angle), hour_angle_deg) < 0.005
        assert abs(math.degrees(declination) - declination_deg) < 0.002


def test_milliseconds_count_and_carry():
    start, declination = sun.sun(1777809600, 0, math)
    half = sun.sun(1777809600, 500, math)[0]
    # 15 degrees an hour, but for the change of the equation of time.
    assert abs(math.degrees(half - start) - 0.5 / 240) < 1e-6
    for same in (sun.sun(1777809588, 12000, math), sun.sun(1777809601, -1000, math)):
        assert abs(same[0] - start) < 1e-6
        assert abs(same[1] - declination) < 1e-6


def test_hour_angle_runs_on_over_midnight():
    before = sun.sun(1777852799, 999, math)[0]
    after = sun.sun(1777852800, 0, math)[0]
    assert apart_deg(math.degrees(before), math.degrees(after)) < 1e-5


def test_altitude_and_azimuth():
    north, south = math.radians(40), math.radians(-40)
    tilt = math.radians(10)
    for latitude, hour_angle, altitude_deg, azimuth_deg in (
        (north, 0.0, 60, 180),  # noon, in the south
        (south, 0.0, 40, 0),  # noon, in the north
    ):
        altitude, azimuth = sun.altitude_azimuth(hour_angle, tilt, latitude, math)
        assert abs(math.degrees(altitude) - altitude_deg) < 1e-4
        assert apart_deg(math.degrees(azimuth), azimuth_deg) < 1e-4
    # At the equinox the Sun rises due east and sets due west, from either hemisphere.
    for latitude in (north, south):
        for hour_angle, azimuth_deg in ((-math.pi / 2, 90), (math.pi / 2, 270)):
            altitude, azimuth = sun.altitude_azimuth(hour_angle, 0.0, latitude, math)
            assert abs(math.degrees(altitude)) < 1e-4
            assert apart_deg(math.degrees(azimuth), azimuth_deg) < 1e-4


def test_horizontal():
    altitude, azimuth = sun.horizontal((-0.6, 0.0, 0.8), math)
    assert abs(math.sin(altitude) - 0.8) < 1e-6
    assert abs(math.degrees(azimuth) + 90) < 1e-5
