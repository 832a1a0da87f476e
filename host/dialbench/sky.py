"""Where the Sun stands, seen from a site: the ephemeris DE421 through Skyfield.

Times come in as int64 microseconds of Unix UTC. The Earth turns by UT1: inside the
published table of Skyfield's builtin timescale (from 1973 to about a year after its
release, the last months predicted to 0.1 s) UT1 comes from leap seconds and delta T;
outside it UTC is taken for UT1, as leap seconds keep the two within 0.9 s.

Skyfield gives the apparent topocentric Sun (aberration, light time, parallax) every
ten minutes; between these nodes a polynomial of degree five through its position over
the turning site stays within 0.001 arc seconds of Skyfield itself. Refraction is
Bennett's, for the site's stated pressure and temperature.

Raises SkyError, with one sentence for the user, for anything out of reach.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dialbench.dial import Site
from dialbench.errors import UserError
from dialcore import frames
from dialcore.sun import horizontal

Floats = NDArray[np.float64]
Micros = NDArray[np.int64]
Vector = tuple[Floats, Floats, Floats]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_EPOCH_JD = 2440587.5
_DAY_US = 86_400_000_000
_NODE_US = 600_000_000  # spacing of the nodes between which the Sun is interpolated
_CHUNK = 2000  # instants a call of Skyfield: its arrays grow with a thousand terms each
_SEMIDIAMETER_ARCSEC = 959.63  # at 1 au; from memory


class SkyError(UserError):
    """An instant that the sky cannot be told for; str() is one sentence for the user."""


def to_us(moment: datetime) -> int:
    """Microseconds of Unix UTC of an aware datetime. Raises SkyError for a naive one."""
    if moment.utcoffset() is None:
        raise SkyError(
            f"the time {moment.isoformat()} has no time zone: "
            f"add one, as in {moment.isoformat()}+00:00"
        )
    return (moment - _EPOCH) // timedelta(microseconds=1)


def from_us(utc_us: int) -> datetime:
    """The datetime in UTC of microseconds of Unix UTC."""
    return _EPOCH + timedelta(microseconds=int(utc_us))


@dataclass(frozen=True)
class SunPlace:
    """The apparent, topocentric, refracted Sun; arrays of shape (n,).

    enu and polar are unit vectors towards it, as three arrays each, in ENU and in the
    frame P of the site (dialcore.frames). Hour angle (positive after noon, -180..180)
    and declination are those of the same refracted vector: what the dial meets.
    Azimuth counts from north through east, 0..360.
    """

    enu: Vector
    polar: Vector
    hour_angle_deg: Floats
    declination_deg: Floats
    altitude_deg: Floats
    azimuth_deg: Floats
    semidiameter_deg: Floats

    @property
    def up(self) -> NDArray[np.bool_]:
        """Whether any part of the disc is above the horizon (altitude 0), shape (n,)."""
        return self.altitude_deg + self.semidiameter_deg > 0


@dataclass(frozen=True)
class _Ephemeris:
    timescale: Any
    earth: Any
    sun: Any
    model: Any
    first_us: int
    last_us: int
    table: tuple[float, float]  # TT Julian dates between which delta T is published


@cache
def _ephemeris() -> _Ephemeris:
    from skyfield.api import load, wgs84
    from skyfield.jpllib import SpiceKernel

    with warnings.catch_warnings():
        # The package warns that its Earth orientation file, which nobody reads here,
        # is old.
        warnings.filterwarnings(
            "ignore", message="The file finals2000A.all has expired", category=RuntimeWarning
        )
        import skyfield_data

        folder = Path(skyfield_data.get_skyfield_data_path())
    kernel = SpiceKernel(str(folder / "de421.bsp"))
    timescale = load.timescale(builtin=True)
    spans = [(s.spk_segment.start_jd, s.spk_segment.end_jd) for s in kernel.segments]
    # A day's margin for light time, the step from UTC to TDB and the outermost nodes.
    return _Ephemeris(
        timescale=timescale,
        earth=kernel["earth"],
        sun=kernel["sun"],
        model=wgs84,
        first_us=round((max(a for a, _ in spans) + 1 - _EPOCH_JD) * _DAY_US),
        last_us=round((min(b for _, b in spans) - 1 - _EPOCH_JD) * _DAY_US),
        table=(timescale.delta_t_table[0][0], timescale.delta_t_table[0][-1]),
    )


def _checked(utc_us: Micros) -> Micros:
    utc_us = np.atleast_1d(np.asarray(utc_us, dtype=np.int64))
    eph = _ephemeris()
    for instant in (utc_us.min(initial=eph.first_us), utc_us.max(initial=eph.last_us)):
        if not eph.first_us <= instant <= eph.last_us:
            raise SkyError(
                f"the Sun's place is known from {_day(eph.first_us)} to {_day(eph.last_us - 1)}, "
                f"not on {_day(int(instant))}: choose an instant between"
            )
    return utc_us


def _day(utc_us: int) -> str:
    try:
        return from_us(utc_us).date().isoformat()
    except OverflowError:
        return f"day {utc_us // _DAY_US} after 1970-01-01"


def _ut1_us(utc_us: Micros) -> Micros:
    """Microseconds of UT1, counted like Unix UTC, shape (n,)."""
    eph = _ephemeris()
    day, rest_us = np.divmod(utc_us, _DAY_US)
    t = eph.timescale.utc(1970, 1, 1 + day, 0, 0, rest_us / 1e6)
    ahead_us = np.round(t.dut1 * 1e6).astype(np.int64)
    published = (t.tt >= eph.table[0]) & (t.tt <= eph.table[1])
    return utc_us + np.where(published, ahead_us, 0)


def _skyfield_time(ut1_us: Micros) -> Any:
    """Skyfield's Time of UT1 microseconds, without squeezing a date into one float."""
    ts = _ephemeris().timescale
    day, rest_us = np.divmod(ut1_us, _DAY_US)
    whole = day + _EPOCH_JD
    fraction = rest_us / _DAY_US
    delta_t_s = ts.ut1_jd(whole + fraction).delta_t
    return ts.tt_jd(whole, fraction + delta_t_s / 86400)


def _in_chunks(function: Callable[[Micros], Floats], times_us: Micros) -> Floats:
    """function over many instants, a bounded number at a time; joined on the last axis."""
    pieces = np.split(times_us, range(_CHUNK, len(times_us), _CHUNK))
    return np.concatenate([function(piece) for piece in pieces], axis=-1)


def refracted_deg(altitude_deg: Floats, pressure_mbar: float, temperature_C: float) -> Floats:
    """Apparent altitude of true altitudes, shape kept: Bennett 1982 (formula from memory).

    Bennett gives the refraction of an apparent altitude, so the sum is solved by
    repetition. There is none where the apparent altitude would be under -1 degree.
    """
    strength = pressure_mbar / 1010 * 283 / (273 + temperature_C) / 60
    apparent = altitude_deg
    for _ in range(20):
        held = np.maximum(apparent, -1.0)
        lift = strength / np.tan(np.radians(held + 7.31 / (held + 4.4)))
        apparent = altitude_deg + np.maximum(lift, 0.0)
    return np.where(apparent < -1, altitude_deg, apparent)


class Sky:
    """The Sun over one site."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self._topos = _ephemeris().model.latlon(
            site.latitude_deg, site.longitude_deg, site.elevation_m
        )
        self._observer = _ephemeris().earth + self._topos
        self._to_polar = frames.polar_from_enu(np.radians(site.latitude_deg), np)

    def _direct_enu_au(self, ut1_us: Micros) -> Floats:
        """East, north, up in au of the Sun without refraction, shape (3, n)."""
        apparent = self._observer.at(_skyfield_time(ut1_us)).observe(_ephemeris().sun).apparent()
        north, east, up = apparent.frame_xyz(self._topos).au
        return np.stack((east, north, up))

    def _enu_au(self, ut1_us: Micros) -> Floats:
        """The same, through nodes where these are fewer than the instants asked for."""
        cell, rest_us = np.divmod(ut1_us, _NODE_US)
        used = np.unique(np.unique(cell)[:, None] + np.arange(-2, 4))
        if len(used) >= len(ut1_us):
            return _in_chunks(self._direct_enu_au, ut1_us)
        nodes = _in_chunks(self._direct_enu_au, used * _NODE_US)
        first = np.searchsorted(used, cell - 2)
        x = rest_us / _NODE_US
        total = np.zeros((3, len(ut1_us)))
        for k in range(-2, 4):
            weight = np.ones_like(x)
            for j in range(-2, 4):
                if j != k:
                    weight *= (x - j) / (k - j)
            total += weight * nodes[:, first + k + 2]
        return total

    def sun(self, utc_us: Micros) -> SunPlace:
        """The Sun at instants of shape (n,), in any order. Raises SkyError."""
        position_au = self._enu_au(_ut1_us(_checked(utc_us)))
        distance_au = np.sqrt((position_au**2).sum(axis=0))
        altitude, azimuth = horizontal(tuple(position_au), np)
        site = self.site
        lifted_deg = refracted_deg(np.degrees(altitude), site.pressure_mbar, site.temperature_C)
        lifted = np.radians(lifted_deg)
        level = np.cos(lifted)
        enu = (level * np.sin(azimuth), level * np.cos(azimuth), np.sin(lifted))
        polar = frames.apply(self._to_polar, enu)
        hour_angle, declination = frames.place(polar, site.hemisphere, np)
        return SunPlace(
            enu=enu,
            polar=polar,
            hour_angle_deg=np.degrees(hour_angle),
            declination_deg=np.degrees(declination),
            altitude_deg=lifted_deg,
            azimuth_deg=np.degrees(azimuth) % 360,
            semidiameter_deg=_SEMIDIAMETER_ARCSEC / 3600 / distance_au,
        )

    def equation_of_time_s(self, utc_us: Micros) -> Floats:
        """Apparent less mean solar time in seconds, shape (n,): dial fast when positive.

        Geocentric, with UT1 as the mean time. Raises SkyError.
        """
        return _in_chunks(self._equation_of_time_s, _ut1_us(_checked(utc_us)))

    def _equation_of_time_s(self, ut1_us: Micros) -> Floats:
        eph = _ephemeris()
        t = _skyfield_time(ut1_us)
        right_ascension, _, _ = eph.earth.at(t).observe(eph.sun).apparent().radec("date")
        apparent_s = (t.gast - right_ascension.hours) * 3600
        mean_s = ut1_us % _DAY_US / 1e6 - 43200
        ahead_s: Floats = (apparent_s - mean_s + 43200) % 86400 - 43200
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

        The upper limb, refracted, against a horizon at altitude 0: the last rise
        before noon_us(day) and the first set after it. A Sun that stays up is held to
        half a day on either side (polar day gives 24 hours); None when it does not
        show at noon (polar night). Raises SkyError.
        """
        noon_us = self.noon_us(day)
        if not self.sun(np.array([noon_us])).up[0]:
            return None
        return self._edge_us(noon_us, -1), self._edge_us(noon_us, 1)

    def _edge_us(self, noon_us: int, way: int) -> int:
        """The first instant from noon, back (way -1) or on (1), with the Sun down."""
        ahead_us = np.arange(73) * 600_000_000
        while True:
            down = ~self.sun(noon_us + way * ahead_us).up
            if not down.any():
                return noon_us + way * int(ahead_us[-1])
            first = int(down.argmax())
            last_up_us, first_down_us = ahead_us[first - 1], ahead_us[first]
            if first_down_us - last_up_us < 1000:
                return noon_us + way * int(first_down_us)
            ahead_us = np.linspace(last_up_us, first_down_us, 65).astype(np.int64)
