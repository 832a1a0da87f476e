"""The Earth's mean orbit and the pole of its equator, from 700 BC to AD 10,000.

The orbit: a Kepler ellipse whose elements are polynomials of time, referred to the fixed
ecliptic and equinox of J2000.0 (Simon and others 1994, Astronomy and Astrophysics 282, 663,
section 5.8.3; from memory, held to other sources in the tests). Left out: what Moon and
planets make the Earth do beyond that, at most about 20 arc seconds.

The pole: the long-term precession of Vondrak, Capitaine and Wallace (2011, Astronomy and
Astrophysics 534, A22; corrigendum 541, C1). Nutation is left out.

Times are Julian centuries of TT from J2000.0, arrays of any shape.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

CENTURY_S = 36525 * 86400.0
_ARCSEC = np.pi / 648000
_OBLIQUITY_J2000 = 84381.406 * _ARCSEC  # IAU 2006
_LIGHT_S = 499.004784  # for one astronomical unit: IAU 2012 and the speed of light

# Degrees, then arc seconds by powers of a thousand Julian years; eccentricity without a unit.
_LONGITUDE = (100.46645683, 1295977422.83429, -2.04411, -0.00523)
_PERIHELION = (102.93734808, 11612.35290, 53.27577, -0.14095, 0.11440, 0.00478)
_INCLINATION = (0.0, 469.97289, -3.35053, -0.12374, 0.00027, -0.00001, 0.00001)
_NODE = (174.87317577, -8679.27034, 15.34191, 0.00532, -0.03734, -0.00073, 0.00004)
_ECCENTRICITY = (0.0167086342, -0.0004203654, -0.0000126734, 1.444e-7, -2e-10, 3e-10)

# Of the pole's X and Y on the mean equator and equinox of J2000.0: arc seconds by powers of
# a century; then period in centuries, and cosine and sine parts in arc seconds.
_POLE_X = (5453.282155, 0.4252841, -0.00037173, -0.000000152)
_POLE_Y = (-73750.930350, -0.7675452, -0.00018725, 0.000000231)
_POLE_WAVES = np.array(
    [
        # period, X cos, Y cos, X sin, Y sin
        (256.75, -819.940624, 75004.344875, 81491.287984, 1558.515853),
        (708.15, -8444.676815, 624.033993, 787.163481, 7774.939698),
        (274.20, 2600.009459, 1251.136893, 1251.296102, -2219.534038),
        (241.45, 2755.175630, -1102.212834, -1257.950837, -2523.969396),
        (2309.00, -167.659835, -2660.664980, -2966.799730, 247.850422),
        (492.20, 871.855056, 699.291817, 639.744522, -846.485643),
        (396.10, 44.769698, 153.167220, 131.600209, -1393.124055),
        (288.90, -512.313065, -950.865637, -445.040117, 368.526116),
        (231.10, -819.415595, 499.754645, 584.522874, 749.045012),
        (1610.00, -538.071099, -145.188210, -89.756563, 444.704518),
        (620.00, -189.793622, 558.116553, 524.429630, 235.934465),
        (157.87, -402.922932, -23.923029, -13.549067, 374.049623),
        (220.30, 179.516345, -165.405086, -210.157124, -171.330180),
        (1200.00, -9.814756, 9.344131, -44.919798, -22.899655),
    ]
)


@dataclass(frozen=True)
class Elements:
    """Angles in radians: mean longitude, of perihelion, inclination, node; and eccentricity."""

    longitude: Floats
    perihelion: Floats
    inclination: Floats
    node: Floats
    eccentricity: Floats


def elements(centuries: Floats) -> Elements:
    """The mean orbit at instants of TT."""
    t = np.asarray(centuries, float) / 10

    def angle(terms: tuple[float, ...]) -> Floats:
        degrees, *rest = terms
        turned: Floats = np.radians(degrees) + _ARCSEC * t * np.polyval(rest[::-1], t)
        return turned

    return Elements(
        angle(_LONGITUDE),
        angle(_PERIHELION),
        angle(_INCLINATION),
        angle(_NODE),
        np.polyval(_ECCENTRICITY[::-1], t),
    )


def sun(centuries: Floats) -> tuple[Floats, Floats]:
    """Towards the geocentric Sun as it is seen, light time allowed for, on the mean equator of
    J2000.0: unit vectors of shape (3, ...), and its distance in astronomical units."""
    centuries = np.asarray(centuries, float)
    distance = np.ones_like(centuries)
    for _ in range(2):
        place, distance = _place(centuries - distance * (_LIGHT_S / CENTURY_S))
    return place, distance


def perigee(centuries: Floats) -> Floats:
    """Towards the Sun where it is nearest, on the mean equator of J2000.0, shape (3, ...)."""
    now = elements(centuries)
    return _toward(now, now.perihelion)


def _place(centuries: Floats) -> tuple[Floats, Floats]:
    now = elements(centuries)
    anomaly = true_anomaly(now.longitude - now.perihelion, now.eccentricity)
    distance = (1 - now.eccentricity**2) / (1 + now.eccentricity * np.cos(anomaly))
    return _toward(now, anomaly + now.perihelion), distance


def _toward(now: Elements, longitude: Floats) -> Floats:
    """The Sun's side of the Earth at a longitude along the orbit."""
    along = longitude - now.node
    u, v = np.cos(along), np.sin(along) * np.cos(now.inclination)
    return _on_equator(
        -(u * np.cos(now.node) - v * np.sin(now.node)),
        -(u * np.sin(now.node) + v * np.cos(now.node)),
        -np.sin(along) * np.sin(now.inclination),
    )


def true_anomaly(mean_anomaly: Floats, eccentricity: Floats) -> Floats:
    """Kepler's equation solved, radians; the anomaly counts as many turns as the mean one."""
    eccentric = mean_anomaly + eccentricity * np.sin(mean_anomaly)
    for _ in range(5):  # Newton's steps: far below rounding at the Earth's eccentricities
        off = eccentric - eccentricity * np.sin(eccentric) - mean_anomaly
        eccentric = eccentric - off / (1 - eccentricity * np.cos(eccentric))
    half = np.sqrt((1 + eccentricity) / (1 - eccentricity))
    turn = np.arctan2(half * np.sin(eccentric / 2), np.cos(eccentric / 2)) * 2 - eccentric
    turned: Floats = eccentric + (turn + np.pi) % (2 * np.pi) - np.pi
    return turned


def orbit_pole(centuries: Floats) -> Floats:
    """The pole of the mean orbit, on the mean equator of J2000.0, shape (3, ...)."""
    now = elements(centuries)
    tilt = np.sin(now.inclination)
    return _on_equator(tilt * np.sin(now.node), -tilt * np.cos(now.node), np.cos(now.inclination))


def equator_pole(centuries: Floats) -> Floats:
    """The Earth's mean pole on the mean equator and equinox of J2000.0, shape (3, ...)."""
    t = np.asarray(centuries, float)
    x, y = np.polyval(_POLE_X[::-1], t), np.polyval(_POLE_Y[::-1], t)
    for period, x_cos, y_cos, x_sin, y_sin in _POLE_WAVES:
        phase = 2 * np.pi / period * t
        x = x + x_cos * np.cos(phase) + x_sin * np.sin(phase)
        y = y + y_cos * np.cos(phase) + y_sin * np.sin(phase)
    x, y = x * _ARCSEC, y * _ARCSEC
    return np.stack((x, y, np.sqrt(1 - x * x - y * y)))


def _on_equator(x: Floats, y: Floats, z: Floats) -> Floats:
    sine, cosine = np.sin(_OBLIQUITY_J2000), np.cos(_OBLIQUITY_J2000)
    return np.stack((x, cosine * y - sine * z, sine * y + cosine * z))
