"""The tabulated Sun against Skyfield itself, asked instant by instant, over all of DE421.

Bounds in arc seconds: 0.002 without air, 0.02 with it where the Sun can be seen. Most of
what is left, 0.0009, is the 0.3 of the site's own speed times the 1e-4 of the Earth's,
and the parallax times the same.
"""

import warnings

import numpy as np
import pytest
from skyfield.api import wgs84

from dialbench import de421, ephemeris, sky
from dialbench.dial import Site
from dialcore import frames

SITES = [
    Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0),
    Site("Far south", -54.8, 180.0, 600.0, "+12:00", 950.0, 2.0),
    Site("Equator", 0.0, 33.0, 4900.0, "+03:00", 560.0, 12.0),
    Site("Pole", 90.0, 0.0, -10.0, "+00:00", 1030.0, -40.0),
]
BATCH = 1000
YEAR_US = 31_556_952_000_000


def eras():
    """Four years each at either end of DE421, from 1972 and from 2024 on: first and last instant.

    Tables of the other years are for the deep run: to make them takes Skyfield ten seconds.
    """
    first_us, last_us = ephemeris.first_us(), ephemeris.last_us()
    begin_us = [first_us, 2 * YEAR_US, 54 * YEAR_US, last_us - 4 * YEAR_US]
    return [(begin, begin + 4 * YEAR_US) for begin in begin_us]


def drawn(rng, spans, count):
    """So many instants of some spans, all of them the same share."""
    return np.concatenate([rng.integers(*span, count // len(spans)) for span in spans])


def seen_by_skyfield(site, time):
    """East, north, up in au, without air, shape (3, n)."""
    eph = de421.source()
    place = wgs84.latlon(site.latitude_deg, site.longitude_deg, site.elevation_m)
    apparent = (eph.earth + place).at(time).observe(eph.sun).apparent()
    north, east, up = apparent.frame_xyz(place).au
    return np.stack((east, north, up))


def refracted(enu, site):
    """Unit vectors of the same, lifted by Bennett's formula without any table."""
    east, north, up = enu
    level = np.hypot(east, north)
    altitude_deg = np.degrees(np.arctan2(up, level))
    lifted = np.radians(sky.refracted_deg(altitude_deg, site.pressure_mbar, site.temperature_C))
    return np.stack((np.cos(lifted) * east / level, np.cos(lifted) * north / level, np.sin(lifted)))


def compare(site, spans, count, apart):
    """The worst of so many random instants: airless; refracted above -0.8 deg; both in arcsec."""
    ut1_us = drawn(np.random.default_rng(421), spans, count)
    airless = Site(*[getattr(site, name) for name in list(vars(site))[:5]], 0.0, 0.0)
    turn = frames.polar_from_enu(np.radians(site.latitude_deg), np)
    bare = with_air = 0.0
    for part_us in np.split(ut1_us, range(BATCH, count, BATCH)):
        enu = seen_by_skyfield(site, de421.skyfield_time(part_us))
        true = np.stack(frames.apply(turn, enu / np.linalg.norm(enu, axis=0)))
        bare = max(bare, apart(true, sky.Sky(airless).toward(part_us)[0]).max())
        lifted = refracted(enu, site)
        off = apart(np.stack(frames.apply(turn, lifted)), sky.Sky(site).toward(part_us)[0])
        with_air = max(with_air, off[lifted[2] > np.sin(np.radians(-0.8))].max())
    return bare, with_air


@pytest.mark.parametrize("site", SITES, ids=lambda site: site.name)
def test_against_skyfield(site, apart):
    bare, with_air = compare(site, eras(), 500, apart)
    assert bare <= 0.002
    assert with_air <= 0.02


@pytest.mark.deep
@pytest.mark.parametrize("site", SITES, ids=lambda site: site.name)
def test_against_skyfield_at_many_instants(site, apart):
    every = [(ephemeris.first_us(), ephemeris.last_us())]
    bare, with_air = compare(site, every, 20_000, apart)
    assert bare <= 0.002
    assert with_air <= 0.02


@pytest.mark.parametrize("whole", [False, pytest.param(True, marks=pytest.mark.deep)])
def test_geocentric_place_against_skyfield(whole):
    """Every piece of the tables, at an instant of its own: angles in arc seconds, au."""
    every = [(ephemeris.first_us(), ephemeris.last_us())]
    start_us = np.concatenate(
        [
            np.arange(first_us, last_us - de421.PIECE_US, de421.PIECE_US)
            for first_us, last_us in (every if whole else eras())
        ]
    )
    ut1_us = start_us + np.random.default_rng(16).integers(0, de421.PIECE_US, len(start_us))
    theirs = np.concatenate([de421.direct(part) for part in np.array_split(ut1_us, 4)], axis=1)
    ahead, declination, distance = np.abs(np.stack(ephemeris.apparent(ut1_us)) - theirs).max(axis=1)
    assert np.degrees(max(ahead, declination)) * 3600 <= 0.0005
    assert distance <= 1e-8


@pytest.mark.parametrize(
    "start_us",
    [
        sky.to_us(sky.from_us(0).replace(year=year, month=month, day=day, hour=hour))
        for year, month, day, hour in (
            (2026, 5, 3, 0),
            (2016, 12, 31, 12),
            (1973, 1, 2, 0),
            (2027, 1, 22, 0),
        )
    ],
    ids=["plain day", "leap second", "published table begins", "it ends"],
)
def test_from_utc_as_skyfield_counts_it(start_us, airless, apart):
    utc_us = start_us + np.arange(0, 86_400, 433) * 1_000_000
    day, rest_us = np.divmod(utc_us, 86_400_000_000)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        time = de421.source().timescale.utc(1970, 1, 1 + day, 0, 0, rest_us / 1e6)
    enu = seen_by_skyfield(airless, time)
    ours = np.stack(sky.Sky(airless).sun(utc_us).enu)
    assert apart(enu / np.linalg.norm(enu, axis=0), ours).max() <= 0.002


def test_semidiameter_is_that_of_skyfields_distance():
    site = SITES[0]
    ut1_us = drawn(np.random.default_rng(1), eras(), 300)
    distance_au = np.linalg.norm(seen_by_skyfield(site, de421.skyfield_time(ut1_us)), axis=0)
    _, semidiameter = sky.Sky(site).toward(ut1_us)
    assert np.degrees(semidiameter) * 3600 == pytest.approx(959.63 / distance_au, abs=0.002)
