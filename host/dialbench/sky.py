"""Where the Sun stands, seen from a site.

Times come in as int64 microseconds of Unix UTC; the Earth turns by UT1, which
`dialbench.ephemeris` tells with the geocentric apparent Sun. From there to the site it is
geometry (`Sky.toward`): the site's place on the WGS 84 ellipsoid off the Sun's (parallax),
0.3 arc seconds towards the east for the site's own speed (diurnal aberration), and
refraction: Bennett's, for the site's stated pressure and temperature. All of it stays
within 0.002 arc seconds of Skyfield without air, and within 0.005 of Bennett with it.

Raises SkyError, with one sentence for the user, for anything out of reach.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

import numpy as np
from numpy.typing import NDArray

from dialbench import air, ephemeris
from dialbench.air import refracted_deg
from dialbench.de421 import DAY_US
from dialbench.dial import Site
from dialbench.ephemeris import SkyError, from_us
from dialbench.skyline import Skyline, UpSpans, up_spans
from dialcore import frames
from dialcore.sun import horizontal

__all__ = [
    "Sky",
    "SkyError",
    "SunFacts",
    "SunPlace",
    "UpSpans",
    "from_us",
    "mean_semidiameter_deg",
    "refracted_deg",
    "to_us",
]

Floats = NDArray[np.float64]
Micros = NDArray[np.int64]
Vector = tuple[Floats, Floats, Floats]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_SEMIDIAMETER_ARCSEC = 959.63  # at 1 au; from memory
_SEMIDIAMETER_RAD = float(np.radians(_SEMIDIAMETER_ARCSEC / 3600))
_BATCH = 8192  # instants that fit a processor's cache together

# WGS 84 and IAU constants, from memory.
_EQUATOR_KM, _FLATTENING = 6378.137, 1 / 298.257223563
_AU_KM = 149_597_870.7
_LIGHT_KM_S = 299_792.458
_TURN_RAD_S = 7.292115e-5  # of the Earth, against the stars


def mean_semidiameter_deg(declination_deg: Floats | float) -> Floats | float:
    """The Sun's semi-diameter where it stands at a declination, within 0.5% in 1900-2053.

    Each declination is passed twice a year, at distances that differ by up to 0.8%:
    this lies between them.
    """
    sine = np.sin(np.radians(declination_deg)) / np.sin(np.radians(23.44))
    mean_deg: Floats | float = _SEMIDIAMETER_ARCSEC / 3600 / (1 + 0.0164 * sine)
    return mean_deg


def to_us(moment: datetime) -> int:
    """Microseconds of Unix UTC of an aware datetime. Raises SkyError for a naive one."""
    if moment.utcoffset() is None:
        raise SkyError(
            f"the time {moment.isoformat()} has no time zone: "
            f"add one, as in {moment.isoformat()}+00:00"
        )
    return (moment - _EPOCH) // timedelta(microseconds=1)


@dataclass(frozen=True)
class SunFacts:
    """Where the refracted Sun stands at one instant, degrees; up while any of its disc is."""

    hour_angle_deg: float
    declination_deg: float
    altitude_deg: float
    azimuth_deg: float
    up: bool


@dataclass(frozen=True)
class SunPlace:
    """The apparent, topocentric, refracted Sun; arrays of shape (n,).

    enu and polar are unit vectors towards it, as three arrays each, in ENU and in the
    frame P of the site (dialcore.frames). Hour angle (positive after noon, -180..180)
    and declination are those of the same refracted vector: what the dial meets.
    Azimuth counts from north through east, 0..360. horizon_deg is the altitude of the
    site's skyline below or above the Sun.
    """

    enu: Vector
    polar: Vector
    hour_angle_deg: Floats
    declination_deg: Floats
    altitude_deg: Floats
    azimuth_deg: Floats
    semidiameter_deg: Floats
    horizon_deg: Floats

    @property
    def up(self) -> NDArray[np.bool_]:
        """Whether the disc's upper limb is above the skyline, shape (n,)."""
        return self.altitude_deg + self.semidiameter_deg > self.horizon_deg

    def facts(self, at: int) -> SunFacts:
        """Those of one of the instants."""
        return SunFacts(
            float(self.hour_angle_deg[at]),
            float(self.declination_deg[at]),
            float(self.altitude_deg[at]),
            float(self.azimuth_deg[at]),
            bool(self.up[at]),
        )


class Sky:
    """The Sun over one site."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.skyline = Skyline(site.horizon)
        latitude = np.radians(site.latitude_deg)
        sine, cosine = float(np.sin(latitude)), float(np.cos(latitude))
        squeeze = (1 - _FLATTENING) ** 2
        normal_km = _EQUATOR_KM / np.sqrt(cosine**2 + squeeze * sine**2)
        axis_km = (normal_km + site.elevation_m / 1000) * cosine
        height_km = (normal_km * squeeze + site.elevation_m / 1000) * abs(sine)
        self._site_au = (axis_km / _AU_KM, height_km / _AU_KM)
        self._drift = _TURN_RAD_S * axis_km / _LIGHT_KM_S
        self._zenith = (cosine, abs(sine))  # along x and z of P
        self._to_polar = frames.polar_from_enu(latitude, np)
        self._air = air.over(site.pressure_mbar, site.temperature_C)

    def toward(self, ut1_us: Micros, grace_us: int = 1_000_000) -> tuple[Floats, Floats]:
        """The Sun at instants of UT1, the fast way: no angles. Raises SkyError, with the same
        grace at either end as ephemeris.apparent.

        Unit vectors in P of the refracted topocentric Sun, shape (3, n), and its
        semi-diameter in radians, shape (n,).
        """
        ut1_us = np.atleast_1d(np.asarray(ut1_us, dtype=np.int64))
        vector = np.empty((3, len(ut1_us)))
        semidiameter = np.empty(len(ut1_us))
        for begin in range(0, len(ut1_us), _BATCH):
            part = slice(begin, begin + _BATCH)
            semidiameter[part] = self._toward(ut1_us[part], vector[:, part], grace_us)
        return vector, semidiameter

    def _toward(self, ut1_us: Micros, vector: Floats, grace_us: int) -> Floats:
        """Fills vector (3, n); gives the semi-diameter."""
        hour_angle, declination, distance = ephemeris.apparent(ut1_us, grace_us)
        hour_angle += (ut1_us % DAY_US) * (2 * np.pi / DAY_US)
        hour_angle += np.radians(self.site.longitude_deg) - np.pi
        x, y, z = vector
        level = np.cos(declination)
        level *= distance
        # In P's own hemisphere west is where the hour angle grows, if y is turned with z.
        np.multiply(level, np.cos(hour_angle), out=x)
        np.multiply(level, np.sin(hour_angle), out=y)
        np.multiply(distance, np.sin(declination), out=z)
        y -= self._drift * distance
        if self.site.hemisphere > 0:
            np.negative(y, out=y)
        else:
            np.negative(z, out=z)
        x -= self._site_au[0]
        z -= self._site_au[1]
        away = np.sqrt(x * x + y * y + z * z)
        vector /= away
        sine = x * self._zenith[0] + z * self._zenith[1]
        keep, pull = self._air.bent(sine)
        vector *= keep
        x += pull * self._zenith[0]
        z += pull * self._zenith[1]
        semidiameter: Floats = _SEMIDIAMETER_RAD / away
        return semidiameter

    def sun(self, utc_us: Micros) -> SunPlace:
        """The Sun at instants of shape (n,), in any order. Raises SkyError."""
        vector, semidiameter = self.toward(ephemeris.ut1_us(utc_us))
        polar = (vector[0], vector[1], vector[2])
        enu = frames.apply(frames.transpose(self._to_polar), polar)
        altitude, azimuth = horizontal(enu, np)
        hour_angle, declination = frames.place(polar, self.site.hemisphere, np)
        azimuth_deg = np.degrees(azimuth) % 360
        return SunPlace(
            enu=enu,
            polar=polar,
            hour_angle_deg=np.degrees(hour_angle),
            declination_deg=np.degrees(declination),
            altitude_deg=np.degrees(altitude),
            azimuth_deg=azimuth_deg,
            semidiameter_deg=np.degrees(semidiameter),
            horizon_deg=self.skyline.altitude_deg(azimuth_deg),
        )

    def equation_of_time_s(self, utc_us: Micros) -> Floats:
        """Apparent less mean solar time in seconds, shape (n,): dial fast when positive.

        Geocentric, with UT1 as the mean time. Raises SkyError.
        """
        ahead, _, _ = ephemeris.apparent(ephemeris.ut1_us(utc_us))
        ahead_s: Floats = ahead * (43_200 / np.pi)
        return ahead_s

    def noon_us(self, day: date) -> int:
        """The Sun's upper transit nearest to 12:00 of the site's zone on a day."""
        noon_us = to_us(datetime.combine(day, time(12), self.site.tz))
        for _ in range(3):  # each round leaves a small share of the day's change
            hour_angle_deg = self.sun(np.array([noon_us])).hour_angle_deg[0]
            noon_us -= round(hour_angle_deg * 240e6)
        return noon_us

    def daylight(self, day: date) -> tuple[int, int] | None:
        """Rise and set, in microseconds of UTC, of the Sun that culminates on a day.

        The upper limb, refracted, against a free horizon at altitude 0, whatever the
        skyline: the last rise before noon_us(day) and the first set after it. A Sun that
        stays up is held to half a day on either side (polar day gives 24 hours); None
        when it does not show at noon (polar night). Raises SkyError.
        """
        noon_us = self.noon_us(day)
        if not self._clears(np.array([noon_us]))[0]:
            return None
        return self._edge_us(noon_us, -1), self._edge_us(noon_us, 1)

    def _clears(self, utc_us: Micros) -> NDArray[np.bool_]:
        """Whether the upper limb is above altitude 0."""
        sun = self.sun(utc_us)
        return sun.altitude_deg + sun.semidiameter_deg > 0

    def _edge_us(self, noon_us: int, way: int) -> int:
        """The first instant from noon, back (way -1) or on (1), with the Sun down."""
        ahead_us = np.arange(73) * 600_000_000
        while True:
            down = ~self._clears(noon_us + way * ahead_us)
            if not down.any():
                return noon_us + way * int(ahead_us[-1])
            first = int(down.argmax())
            last_up_us, first_down_us = ahead_us[first - 1], ahead_us[first]
            if first_down_us - last_up_us < 1000:
                return noon_us + way * int(first_down_us)
            ahead_us = np.linspace(last_up_us, first_down_us, 65).astype(np.int64)

    def up_spans(self, start_us: int, end_us: int) -> UpSpans:
        """When the Sun's upper limb is above the skyline between two instants. Raises SkyError.

        Instants to 1 ms; nothing that lasts more than about two seconds is missed.
        """
        return up_spans(self._limb, self.skyline, start_us, end_us)

    def _limb(self, utc_us: Micros) -> tuple[Floats, Floats]:
        """Altitude of the upper limb and azimuth of the Sun, both in degrees."""
        vector, semidiameter = self.toward(ephemeris.ut1_us(utc_us))
        east, north, up = frames.apply(frames.transpose(self._to_polar), vector)
        limb_deg = np.degrees(np.arcsin(np.clip(up, -1, 1)) + semidiameter)
        if self.skyline.free:
            return limb_deg, np.zeros_like(limb_deg)
        return limb_deg, np.degrees(np.arctan2(east, north)) % 360
