"""dialbench sun"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dialbench import dialfile
from dialbench.commands import screen
from dialbench.commands.options import Finite
from dialbench.dial import Site, standard_air
from dialbench.errors import UserError

if TYPE_CHECKING:
    from dialbench.almanac import Almanac, Event, Share

SCHEMA = "dialbench.sun/1"
_NUMBER = r"[+-]?\d{1,5}(?:\.\d{1,12})?"
_PLACE = re.compile(rf"({_NUMBER}),({_NUMBER})(?:,({_NUMBER}))?")
_LIMITS = (("latitude", -90, 90), ("longitude", -180, 180), ("height", -500, 9000))


# A southern latitude begins like an option, and is none.
@click.command("sun", context_settings={"ignore_unknown_options": True})
@click.argument("site_text", metavar="SITE")
@click.option(
    "--at",
    metavar="TIME",
    help="The instant with its zone, such as 2027-04-16T12:00-01:00.  [default: now]",
)
@click.option(
    "--pressure",
    "pressure_mbar",
    type=Finite(0, 1200),
    help="Air pressure at the site in mbar, as measured then.  [default: the site's]",
)
@click.option(
    "--temperature",
    "temperature_C",
    type=Finite(-90, 60),
    help="Air temperature at the site in deg C, as measured then.  [default: the site's]",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.sun/1" object.')
def command(
    site_text: str,
    at: str | None,
    pressure_mbar: float | None,
    temperature_C: float | None,
    as_json: bool,
) -> None:
    """Where the Sun stands at one instant, its day, and how well all of that is known.

    SITE is a dial.toml, or LAT,LON[,HEIGHT_M]: degrees north and east, and metres, such as
    41.2,-16.4,24. Such a place has the zone of TIME, and the air of the International
    Standard Atmosphere (ISO 2533) unless you say otherwise.
    """
    from dialbench.almanac import almanac, zone_of_offset  # heavy

    moment = _moment(at)
    site = _site(site_text, zone_of_offset(moment) if moment.utcoffset() is not None else "UTC")
    if pressure_mbar is not None:
        site = replace(site, pressure_mbar=pressure_mbar)
    if temperature_C is not None:
        site = replace(site, temperature_C=temperature_C)
    measured = pressure_mbar is not None and temperature_C is not None
    found = almanac(site, moment, measured)
    if as_json:
        click.echo(json.dumps({"schema": SCHEMA, **found.as_dict()}))
        return
    screen.table(f"The Sun over {site.name}", _rows(found))
    screen.columns(_budget_rows(found))
    for sentence in _remarks(found):
        screen.say(sentence)


def _moment(at: str | None) -> datetime:
    if at is None:
        return datetime.now(UTC)
    try:
        return datetime.fromisoformat(at)
    except ValueError:
        raise UserError(
            f"--at {at}: is no instant such as 2027-04-16T12:00-01:00 or 2027-04-16T13:00Z"
        ) from None


def _site(text: str, zone: str) -> Site:
    match = _PLACE.fullmatch(text)
    if match is None:
        path = Path(text)
        if "," in text and not path.exists():
            raise UserError(
                f"{text}: is neither a file nor LAT,LON[,HEIGHT_M], as in 41.2,-16.4,24"
            )
        return dialfile.load(path).site
    numbers = [float(part or 0) for part in match.groups()]
    for value, (label, low, high) in zip(numbers, _LIMITS, strict=True):
        if not low <= value <= high:
            raise UserError(f"{text}: {label} {value:g} is not within {low} to {high}")
    latitude_deg, longitude_deg, elevation_m = numbers
    return Site(text, latitude_deg, longitude_deg, elevation_m, zone, *standard_air(elevation_m))


def _rows(sun: Almanac) -> list[tuple[str, str]]:
    site, instant = sun.site, sun.told(sun.utc_us)
    minutes, seconds = divmod(round(abs(sun.equation_of_time_s) * 10), 600)
    return [
        ("UTC", instant["utc"]),
        (f"zone {site.zone}", instant["zone_time"]),
        (
            "site",
            f"{site.latitude_deg:g} deg N, {site.longitude_deg:g} deg E, {site.elevation_m:g} m",
        ),
        ("air", f"{site.pressure_mbar:.1f} mbar, {site.temperature_C:.1f} deg C ({sun.air})"),
        ("altitude", f"{sun.altitude_deg:.5f} deg, {_side(sun)}"),
        ("refraction", f"{sun.refraction_arcmin:.3f} arcmin, in the altitude"),
        ("azimuth", f"{sun.azimuth_deg:.5f} deg"),
        (
            "hour angle",
            f"{sun.dial_hour_angle_deg:.5f} deg for a dial; {sun.hour_angle_deg:.5f} geocentric",
        ),
        (
            "declination",
            f"{sun.dial_declination_deg:.5f} deg for a dial; {sun.declination_deg:.5f} geocentric",
        ),
        ("distance", f"{sun.distance_au:.7f} au"),
        ("semi-diameter", f"{sun.semidiameter_arcsec:.2f} arcsec"),
        (
            "equation of time",
            f"{'-' if sun.equation_of_time_s < 0 else '+'}{minutes} min {seconds / 10:.1f} s",
        ),
        ("UT1-UTC", f"{sun.ut1_minus_utc_s:+.4f} s, +- {sun.ut1_sigma_s:.4f} s"),
        ("sunrise", _event(sun, sun.rise)),
        ("transit", _event(sun, sun.transit)),
        ("sunset", _event(sun, sun.set)),
    ]


def _side(sun: Almanac) -> str:
    line = f"the skyline at {sun.horizon_deg:.2f} deg" if sun.site.horizon else "the horizon"
    return f"{'over' if sun.up else 'under'} {line}"


def _event(sun: Almanac, event: Event | None) -> str:
    if event is None:
        return "none on this day"
    utc, zone_time = (text[:19].replace("T", " ") for text in sun.told(event.utc_us).values())
    known = "to no better than an hour" if event.sigma_s is None else f"+- {event.sigma_s:.2g} s"
    return f"{utc} UTC, {zone_time} in the zone, {known}"


def _budget_rows(sun: Almanac) -> list[list[str]]:
    def row(share: Share) -> list[str]:
        sizes = ["?" if s is None else f"{s:.3g}" for s in (share.arcsec, share.dial_s)]
        return [share.cause, *sizes, share.basis]

    heading = ["standard uncertainty", "arcsec", "s of dial time", "from"]
    return [heading, *(row(share) for share in (*sun.budget, sun.total))]


def _remarks(sun: Almanac) -> list[str]:
    remarks = ["Altitude, azimuth and what is for a dial are topocentric and refracted."]
    if sun.total.arcsec is None:
        remarks.append(
            "The Sun is more than a degree under the horizon: what refraction would be there, "
            "nobody can say; the altitude counts it as at -1 deg."
        )
    if sun.rise is not None or sun.set is not None:
        remarks.append(
            "Sunrise and sunset are those of the upper limb over a free horizon at altitude 0."
        )
    return remarks
