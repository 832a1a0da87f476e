"""The Sun against four independent computations, 1950-2050.

Bounds in arc seconds. Each referee is given the same UT1 and delta T; refraction is
left out. What parts them is the referees' own models: astropy adds polar motion (0.5),
NREL's algorithm and VSOP87 with its short nutation are good to about half a second.
"""

import warnings

import erfa
import numpy as np
import pandas
import pvlib
import pytest
import skyfield_data
from astropy import units
from astropy.coordinates import AltAz, EarthLocation, get_sun
from astropy.time import Time
from astropy.utils import iers
from jplephem.spk import SPK
from pymeeus.Coordinates import true_obliquity
from pymeeus.Epoch import Epoch
from pymeeus.Sun import Sun

from dialbench import de421, sky

AU_KM = 149597870.7
LIGHT_AU_PER_DAY = 173.1446326846693


@pytest.fixture(scope="module")
def spk():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        folder = skyfield_data.get_skyfield_data_path()
    with SPK.open(folder + "/de421.bsp") as kernel:
        yield kernel


def barycentric(kernel, legs, tdb, tdb_fraction):
    """Position in au and velocity in au a day, shape (n, 3) each, along a chain of bodies."""
    parts = [kernel[leg].compute_and_differentiate(tdb, tdb_fraction) for leg in legs]
    return tuple(sum(part[k] for part in parts).T / AU_KM for k in (0, 1))


def test_against_the_iau_routines_of_erfa(airless, century, spk, apart, vector):
    t = century.time
    longitude, latitude = np.radians([airless.longitude_deg, airless.latitude_deg])
    tdb, fraction = t.whole, t.tdb_fraction
    to_intermediate = erfa.c2i06a(t.whole, t.tt_fraction)
    turned = erfa.era00(t.whole, t.ut1_fraction)

    earth, earth_velocity = barycentric(spk, [(0, 3), (3, 399)], tdb, fraction)
    site = erfa.pvtob(longitude, latitude, airless.elevation_m, 0, 0, 0, turned)
    observer = earth + np.einsum("nji,nj->ni", to_intermediate, site["p"]) / 1000 / AU_KM
    speed = earth_velocity + (
        np.einsum("nji,nj->ni", to_intermediate, site["v"]) * 86400 / 1000 / AU_KM
    )

    light_days = np.zeros(len(tdb))
    for _ in range(4):
        sun, _velocity = barycentric(spk, [(0, 10)], tdb, fraction - light_days)
        distance = np.linalg.norm(sun - observer, axis=1)
        light_days = distance / LIGHT_AU_PER_DAY
    beta = speed / LIGHT_AU_PER_DAY
    seen = erfa.ab(
        (sun - observer) / distance[:, None],
        beta,
        distance,
        np.sqrt(1 - (beta**2).sum(axis=1)),
    )
    right_ascension, declination = erfa.c2s(np.einsum("nij,nj->ni", to_intermediate, seen))
    azimuth, altitude = erfa.hd2ae(turned + longitude - right_ascension, declination, latitude)
    assert apart(vector(altitude, azimuth), century.enu).max() <= 0.002


def test_against_astropy(airless, century, apart, vector):
    t = century.time
    place = EarthLocation.from_geodetic(
        airless.longitude_deg * units.deg,
        airless.latitude_deg * units.deg,
        airless.elevation_m * units.m,
    )
    with warnings.catch_warnings(), iers.conf.set_temp("auto_download", False):
        warnings.simplefilter("ignore")  # about years for which UTC or polar motion is a guess
        when = Time(t.whole, t.tt_fraction, format="jd", scale="tt", location=place)
        when.delta_ut1_utc = 0.0
        zero = when.ut1
        when.delta_ut1_utc = ((t.whole - zero.jd1) + (t.ut1_fraction - zero.jd2)) * 86400
        seen = get_sun(when).transform_to(
            AltAz(obstime=when, location=place, pressure=0 * units.hPa)
        )
    assert apart(vector(seen.alt.rad, seen.az.rad), century.enu).max() <= 0.8


def test_against_the_nrel_algorithm_in_pvlib(airless, century, apart, vector):
    rows = [
        pvlib.solarposition.spa_python(
            pandas.DatetimeIndex([pandas.Timestamp(int(ut1_us), unit="us", tz="UTC")]),
            airless.latitude_deg,
            airless.longitude_deg,
            altitude=airless.elevation_m,
            pressure=0.0,
            temperature=airless.temperature_C,
            delta_t=float(delta_t_s),
        ).iloc[0]
        for ut1_us, delta_t_s in zip(century.ut1_us, century.time.delta_t, strict=True)
    ]
    altitude = np.radians([row["elevation"] for row in rows])
    azimuth = np.radians([row["azimuth"] for row in rows])
    assert apart(vector(altitude, azimuth), century.enu).max() <= 1.5


def test_against_vsop87_in_pymeeus(century, apart):
    """Geocentric, so that PyMeeus needs no site: ecliptic place turned to the equator."""
    eph = de421.source()
    t = century.time
    right_ascension, declination, _ = eph.earth.at(t).observe(eph.sun).apparent().radec("date")
    seen = erfa.s2c(right_ascension.radians, declination.radians)
    theirs = []
    for tt in t.tt:
        epoch = Epoch(float(tt))
        longitude, latitude, _distance = Sun.apparent_geocentric_position(epoch)
        ecliptic = erfa.s2c(longitude.rad(), latitude.rad())
        theirs.append(erfa.rx(-true_obliquity(epoch).rad(), np.eye(3)) @ ecliptic)
    assert apart(np.array(theirs).T, seen.T).max() <= 0.6


def test_refraction_against_skyfields_own():
    """Both take Bennett; Skyfield rounds 283/1010 to 0.28 and stops within 0.1 arc seconds."""
    from skyfield.earthlib import refract

    altitude_deg = np.linspace(-0.99, 89.8, 4000)
    ours = sky.refracted_deg(altitude_deg, 1010.0, 10.0)
    assert np.abs(ours - refract(altitude_deg, 10.0, 1010.0)).max() * 3600 <= 2.0
