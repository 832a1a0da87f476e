"""All about the Sun over a site at one instant, and how well each figure is known."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

import numpy as np

from dialbench import ephemeris
from dialbench.air import refracted_deg
from dialbench.de421 import DAY_US
from dialbench.dial import Site, standard_air
from dialbench.sky import Sky, from_us, to_us
from dialcore import frames

HALF_DAY_US = 43_200_000_000
SEEN_DEG = -1.0  # the lowest apparent altitude for which refraction means anything

_TABLED_ARCSEC = 0.002  # what tests/references hold the Sun to, against Skyfield
_DE421_ARCSEC = 0.001
_POLE_ARCSEC = 0.3
_BENNETT_ARCSEC = 0.07 * 60
_LAYERS_DEG, _LAYERS_BELOW_DEG = 0.16, 2.0
_SPREAD = {"standard": (10.0, 10.0), "stated": (10.0, 10.0), "measured": (1.0, 1.0)}  # mbar, K
_TURN_ARCSEC_S = 15.041


@dataclass(frozen=True)
class Share:
    """One cause's standard uncertainty: on the sky, and in the time that a dial shows.

    None where nothing can be said. counted: whether it is part of the total.
    """

    cause: str
    arcsec: float | None
    dial_s: float | None
    basis: str
    counted: bool = True


@dataclass(frozen=True)
class Event:
    """A rise, transit or set: UTC and its standard uncertainty, None where there is none."""

    utc_us: int
    sigma_s: float | None


@dataclass(frozen=True)
class Almanac:
    """The Sun at one instant. "dial" figures are topocentric and refracted: what a dial meets."""

    site: Site
    air: str
    utc_us: int
    altitude_deg: float
    altitude_airless_deg: float
    azimuth_deg: float
    dial_hour_angle_deg: float
    dial_declination_deg: float
    hour_angle_deg: float
    declination_deg: float
    distance_au: float
    semidiameter_arcsec: float
    equation_of_time_s: float
    ut1_minus_utc_s: float
    ut1_sigma_s: float
    horizon_deg: float
    up: bool
    rise: Event | None
    transit: Event
    set: Event | None
    budget: tuple[Share, ...]

    @property
    def refraction_arcmin(self) -> float:
        return (self.altitude_deg - self.altitude_airless_deg) * 60

    @property
    def total(self) -> Share:
        """Root of the sum of squares; what cannot be said leaves the whole unsaid."""
        parts = [share for share in self.budget if share.counted]
        return Share(
            "all of these",
            _root([share.arcsec for share in parts]),
            _root([share.dial_s for share in parts]),
            "root of the sum of squares",
        )

    def as_dict(self) -> dict[str, Any]:
        site = asdict(self.site)
        site["horizon"] = [list(point) for point in self.site.horizon]
        events = {
            name: None if event is None else {**self.told(event.utc_us), "sigma_s": event.sigma_s}
            for name, event in (("rise", self.rise), ("transit", self.transit), ("set", self.set))
        }
        plain = asdict(self)
        skipped = {"site", "utc_us", "rise", "transit", "set", "budget"}
        return {
            **self.told(self.utc_us),
            "site": site,
            **{name: value for name, value in plain.items() if name not in skipped},
            "refraction_arcmin": self.refraction_arcmin,
            **events,
            "budget": [asdict(share) for share in self.budget],
            "total": asdict(self.total),
            "sources": ephemeris.facts(),
        }

    def told(self, utc_us: int) -> dict[str, str]:
        """An instant in UTC and in the site's zone."""
        utc = from_us(utc_us)
        return {
            "utc": utc.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            "zone_time": utc.astimezone(self.site.tz).isoformat(timespec="milliseconds"),
        }


def almanac(site: Site, moment: datetime, measured: bool = False) -> Almanac:
    """The Sun over a site at a moment; the day is that of the site's zone.

    measured says that the site's pressure and temperature were measured then. Raises
    SkyError, for a naive moment too.
    """
    utc_us = to_us(moment)
    sky, at = Sky(site), np.array([utc_us])
    sun = sky.sun(at)
    ut1_us = ephemeris.ut1_us(at)
    ahead, declination, distance = ephemeris.apparent(ut1_us)
    ut1_s, ut1_sigma_s = ephemeris.ut1_minus_utc_s(at)
    turned_deg = ut1_us[0] % DAY_US / DAY_US * 360 - 180
    turned_deg += float(np.degrees(ahead[0])) + site.longitude_deg
    airless = Sky(replace(site, pressure_mbar=0.0)).sun(at)
    air = "stated" if _stated(site) else "standard"
    rise, transit, sets = _events(sky, from_us(utc_us).astimezone(site.tz))
    found = Almanac(
        site=site,
        air="measured" if measured else air,
        utc_us=utc_us,
        altitude_deg=float(sun.altitude_deg[0]),
        altitude_airless_deg=float(airless.altitude_deg[0]),
        azimuth_deg=float(sun.azimuth_deg[0]),
        dial_hour_angle_deg=float(sun.hour_angle_deg[0]),
        dial_declination_deg=float(sun.declination_deg[0]),
        hour_angle_deg=float((turned_deg + 180) % 360 - 180),
        declination_deg=float(np.degrees(declination[0])),
        distance_au=float(distance[0]),
        semidiameter_arcsec=float(sun.semidiameter_deg[0] * 3600),
        equation_of_time_s=float(np.degrees(ahead[0]) * 240),
        ut1_minus_utc_s=float(ut1_s[0]),
        ut1_sigma_s=float(ut1_sigma_s[0]),
        horizon_deg=float(sun.horizon_deg[0]),
        up=bool(sun.up[0]),
        rise=rise,
        transit=transit,
        set=sets,
        budget=(),
    )
    return replace(found, budget=_budget(found))


def _stated(site: Site) -> bool:
    return (site.pressure_mbar, site.temperature_C) != standard_air(site.elevation_m)


def _root(sizes: list[float | None]) -> float | None:
    known = [size for size in sizes if size is not None]
    return math.hypot(*known) if len(known) == len(sizes) else None


def _events(sky: Sky, moment: datetime) -> tuple[Event | None, Event, Event | None]:
    """Rise, transit and set over a free horizon, of the Sun that culminates on the moment's day."""
    noon_us = sky.noon_us(moment.date())
    _, ut1_sigma_s = ephemeris.ut1_minus_utc_s(np.array([noon_us]))
    transit = Event(noon_us, math.hypot(float(ut1_sigma_s[0]), _POLE_ARCSEC / 15))
    spans = sky.daylight(moment.date())
    if spans is None:
        return None, transit, None
    return _edge(sky, noon_us, spans[0]), transit, _edge(sky, noon_us, spans[1])


def _edge(sky: Sky, noon_us: int, utc_us: int) -> Event | None:
    if abs(utc_us - noon_us) == HALF_DAY_US:
        return None
    around = sky.sun(utc_us + np.array([-30_000_000, 30_000_000])).altitude_deg
    rate_deg_s = abs(float(around[1] - around[0])) / 60
    late_s = _LAYERS_DEG / rate_deg_s if rate_deg_s > 0 else math.inf
    # A Sun that creeps along the horizon may as well not rise at all.
    return Event(utc_us, late_s if late_s < HALF_DAY_US / 1e6 / 12 else None)


def _budget(sun: Almanac) -> tuple[Share, ...]:
    site, away = sun.site, math.cos(math.radians(sun.dial_declination_deg))
    per_arcsec = 1 / 15 / away
    lift = _dial_s_per_arcsec_of_altitude(sun)
    seen = sun.altitude_deg > SEEN_DEG
    pressure, temperature = _SPREAD[sun.air]
    shares = [
        Share(
            "tables and geometry",
            _TABLED_ARCSEC / 3**0.5,
            _TABLED_ARCSEC / 3**0.5 * per_arcsec,
            f"within {_TABLED_ARCSEC} arcsec of Skyfield, by test; taken as uniform",
        ),
        Share(
            "DE421 and nutation",
            _DE421_ARCSEC,
            _DE421_ARCSEC * per_arcsec,
            "the makers' own figures (from memory)",
        ),
        Share(
            "polar motion, left out",
            _POLE_ARCSEC,
            _POLE_ARCSEC * per_arcsec,
            "the pole wanders by up to half an arcsec (IERS, from memory)",
        ),
        Share(
            "UT1",
            _TURN_ARCSEC_S * away * sun.ut1_sigma_s,
            sun.ut1_sigma_s,
            _ut1_basis(sun),
        ),
        Share(
            "refraction, the formula",
            _BENNETT_ARCSEC / 3**0.5 if seen else None,
            _BENNETT_ARCSEC / 3**0.5 * lift if seen else None,
            "Bennett's is within 0.07 arcmin by its author (from memory); taken as uniform",
        ),
    ]
    air_arcsec = _air_arcsec(sun, pressure, temperature) if seen else None
    shares.append(
        Share(
            "refraction, the air",
            air_arcsec,
            air_arcsec * lift if air_arcsec is not None else None,
            f"{sun.air} air, off by {pressure:g} mbar and {temperature:g} K (assumed)",
        )
    )
    if sun.altitude_deg < _LAYERS_BELOW_DEG:
        shares.append(
            Share(
                "refraction, layers of air",
                _LAYERS_DEG * 3600 if seen else None,
                _LAYERS_DEG * 3600 * lift if seen else None,
                f"{_LAYERS_DEG} deg at the horizon (Schaefer and Liller 1990, from memory), "
                f"counted below {_LAYERS_BELOW_DEG:g} deg",
            )
        )
    shares.append(_coordinates(site, per_arcsec))
    return tuple(shares)


def _ut1_basis(sun: Almanac) -> str:
    facts = ephemeris.facts()
    day = from_us(sun.utc_us).date().isoformat()
    if day < facts["ut1_table_begins"]:
        return f"UTC stands for it before {facts['ut1_table_begins']}"
    if day > facts["ut1_table_ends"]:
        return f"the value of {facts['ut1_table_ends']}, where the table ends, is held"
    return f"IERS table to {facts['ut1_table_ends']}, the last year of it predicted"


def _air_arcsec(sun: Almanac, pressure: float, temperature: float) -> float:
    """What a change of the air by so much does to the apparent altitude."""
    site = sun.site
    if site.pressure_mbar == 0:
        return 0.0
    true_deg = np.array([sun.altitude_airless_deg])
    here = refracted_deg(true_deg, site.pressure_mbar, site.temperature_C)
    thicker = refracted_deg(true_deg, site.pressure_mbar + pressure, site.temperature_C)
    warmer = refracted_deg(true_deg, site.pressure_mbar, site.temperature_C + temperature)
    return math.hypot(float((thicker - here)[0]), float((warmer - here)[0])) * 3600


def _dial_s_per_arcsec_of_altitude(sun: Almanac) -> float:
    """Seconds of hour angle that an arc second of altitude makes."""
    step = math.radians(1 / 3600)
    hours = []
    for altitude in (math.radians(sun.altitude_deg) + s * step for s in (-0.5, 0.5)):
        level, azimuth = math.cos(altitude), math.radians(sun.azimuth_deg)
        enu = (level * math.sin(azimuth), level * math.cos(azimuth), math.sin(altitude))
        turn = frames.polar_from_enu(math.radians(sun.site.latitude_deg), math)
        hours.append(frames.place(frames.apply(turn, enu), sun.site.hemisphere, math)[0])
    off = (hours[1] - hours[0] + math.pi) % (2 * math.pi) - math.pi
    return abs(math.degrees(off)) * 240


def _coordinates(site: Site, per_arcsec: float) -> Share:
    """What the site's coordinates may be off by, if they were rounded as they are written."""
    north, east = (
        0.5 * float(Decimal(1).scaleb(min(_last_place(degrees), 0))) / 3**0.5 * 3600
        for degrees in (site.latitude_deg, site.longitude_deg)
    )
    return Share(
        "coordinates, if rounded",
        math.hypot(north, east * math.cos(math.radians(site.latitude_deg))),
        east / 15,
        "as if right to half of the last digit written; not part of the total",
        counted=False,
    )


def _last_place(value: float) -> int:
    """The power of ten of the last digit that it takes to write a number."""
    return int(Decimal(repr(value)).normalize().as_tuple().exponent)


def zone_of_offset(moment: datetime) -> str:
    """The offset of an aware moment, such as "-01:00"."""
    minutes = round((moment.utcoffset() or timedelta(0)).total_seconds() / 60)
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02}:{abs(minutes) % 60:02}"
