"""The Sun on the board: good to a few thousandths of a degree in 32-bit floats.

A date does not fit into a 32-bit float, so the fast angles are kept as integers,
2**32 to the turn, and only small numbers are ever floats. The equation of time comes
from its own series, never as a difference of two large angles.

Against the ephemeris DE421 over 2000-2050, the span the coefficients are fitted to,
the hour angle is within 0.005 deg and the declination within 0.002 deg with every step
rounded to 32 bits.

The time asked for is UT1. A board knows UTC, which is never more than 0.9 s from it:
0.004 deg of hour angle. Functions take their maths as the argument `m` (the module
math; numpy for arrays where said). Angles are in radians.
"""

from dialcore import frames
from dialcore.compat import Any

_J2000_S = 946728000  # 2000-01-01 12:00, in Unix seconds
_CENTURY_S = 3.15576e9
_UNIT = 1.4629180792671596e-09  # radians in 2**-32 turns

# Angles as (value at J2000 in 2**-32 turns, growth per millisecond in 2**-64 turns).
_MEAN_SUN = (3346025506, 584554550)  # right ascension of the mean Sun
_ANOMALY = (4265488430, 584526625)  # the Earth's mean anomaly
_NODE = (1491839233, -31405110)  # the Moon's ascending node
_MOON = (3553491300, 7229926345)  # Moon's longitude less the Sun's
_VENUS = (972491549, 365638240)  # Venus's longitude less the Earth's
_JUPITER = (788781481, 535253253)  # the Earth's longitude less Jupiter's


def _angle(phase: Any) -> Any:
    """Radians, -pi to pi, of an integer angle; whole turns fall away."""
    phase &= 0xFFFFFFFF
    if phase >= 0x80000000:
        phase -= 0x100000000
    return phase * _UNIT


def _at(term: Any, t_ms: Any) -> Any:
    return _angle(term[0] + (term[1] * t_ms >> 32))


def sun(utc_s: Any, ms: Any, m: Any) -> Any:
    """The Sun's Greenwich hour angle and declination: geocentric, apparent, unrefracted.

    utc_s: whole seconds of Unix time; ms: milliseconds after them; both integers. The
    hour angle is positive after noon and within -3.3 to 3.3.
    """
    t_ms = (utc_s - _J2000_S) * 1000 + ms
    century = (utc_s - _J2000_S) / _CENTURY_S
    anomaly = _at(_ANOMALY, t_ms)
    venus = _at(_VENUS, t_ms)
    node = _at(_NODE, t_ms)

    # How far the Sun's longitude runs ahead of the mean Sun. The first line holds
    # aberration and the time by which UT1 lags behind the ephemeris's own.
    ahead = (
        -2.515748e-05
        - 1.898012e-05 * century
        + (3.3414742e-02 - 7.861381e-05 * century) * m.sin(anomaly)
        + 3.4891903e-04 * m.sin(2 * anomaly)
        + 5.145111e-06 * m.sin(3 * anomaly)
        + 3.135783e-05 * m.sin(_at(_MOON, t_ms))
        + 2.335657e-05 * m.sin(venus)
        - 2.643594e-05 * m.sin(2 * venus)
        - 3.395385e-05 * m.sin(_at(_JUPITER, t_ms))
    )
    nutation = -8.3316e-05 * m.sin(node)
    obliquity = 0.40909265 - 2.271184e-04 * century + 4.457496e-05 * m.cos(node)
    longitude = _at(_MEAN_SUN, t_ms) + ahead + nutation

    y = m.tan(obliquity / 2)
    y = y * y
    equation_of_time = (
        y * m.sin(2 * longitude)
        - y * y / 2 * m.sin(4 * longitude)
        + y * y * y / 3 * m.sin(6 * longitude)
        - ahead
        - nutation * (1 - m.cos(obliquity))
    )
    day_ms = utc_s % 86400 * 1000 + ms
    mean_time = _angle((day_ms << 32) // 86400000 - 0x80000000)
    return mean_time + equation_of_time, m.asin(m.sin(obliquity) * m.sin(longitude))


def horizontal(vector: Any, m: Any) -> Any:
    """Altitude and azimuth (from north through east, -pi to pi) of an ENU unit vector.

    Scalars or arrays.
    """
    east, north, up = vector
    return (
        m.atan2(up, m.sqrt(east * east + north * north)),
        m.atan2(east, north),
    )


def altitude_azimuth(hour_angle: Any, declination: Any, latitude: Any, m: Any) -> Any:
    """Altitude and azimuth of a place in the sky given by its local hour angle. Scalars."""
    hemisphere = 1 if latitude >= 0 else -1
    polar = frames.direction(hour_angle, declination, hemisphere, m)
    to_enu = frames.transpose(frames.polar_from_enu(latitude, m))
    return horizontal(frames.apply(to_enu, polar), m)
