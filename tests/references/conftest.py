"""What the checks of the Sun share: a place without air, and instants all over a century."""

from types import SimpleNamespace

import numpy as np
import pytest

from dialbench import de421, ephemeris, sky
from dialbench.dial import Site

CENTURY_US = (-631_152_000_000_000, 2_556_057_600_000_000)  # 1950-01-01 to 2050-12-31


@pytest.fixture(scope="session")
def airless():
    return Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", 0.0, 10.0)


@pytest.fixture(scope="session")
def century(airless):
    """80 instants of 1950-2050 with the Sun that Dialbench sees then, without refraction.

    time: Skyfield's Time; enu: our unit vectors, shape (3, 80).
    """
    utc_us = np.sort(np.random.default_rng(1950).integers(*CENTURY_US, 80))
    ut1_us = ephemeris.ut1_us(utc_us)
    return SimpleNamespace(
        utc_us=utc_us,
        ut1_us=ut1_us,
        time=de421.skyfield_time(ut1_us),
        enu=np.stack(sky.Sky(airless).sun(utc_us).enu),
    )


@pytest.fixture(scope="session")
def apart():
    """Function: angles in arc seconds between unit vectors of shapes (3, n)."""

    def angles_arcsec(one, other):
        half = np.linalg.norm(np.asarray(one) - np.asarray(other), axis=0) / 2
        return np.degrees(2 * np.arcsin(half)) * 3600

    return angles_arcsec


@pytest.fixture(scope="session")
def vector():
    """Function: ENU unit vectors, shape (3, n), of altitudes and azimuths in radians."""

    def enu(altitude, azimuth):
        level = np.cos(altitude)
        return np.stack((level * np.sin(azimuth), level * np.cos(azimuth), np.sin(altitude)))

    return enu
