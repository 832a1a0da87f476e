"""The table [site] of a file, made into a Site."""

from __future__ import annotations

from collections.abc import Iterator

from dialbench.dial import Site, standard_air
from dialbench.dialmodel import SiteTable
from dialbench.tomlfile import Sound, shown


def horizon_problems(sound: Sound) -> Iterator[str]:
    """What does not go together along the skyline, one sentence a fault."""
    before = None
    for k in sound.items("site", "horizon"):
        azimuth_deg = sound("site", "horizon", k, "azimuth_deg")
        if None not in (before, azimuth_deg) and azimuth_deg <= before:
            yield (
                f"site.horizon.{k}.azimuth_deg: is {shown(azimuth_deg)}, but the point before it "
                f"has {shown(before)}; list the points by azimuth, each once"
            )
        before = azimuth_deg


def site_of(table: SiteTable) -> Site:
    """The site of a table; its air is the standard atmosphere's where the table says nothing."""
    pressure_mbar, temperature_C = standard_air(table.elevation_m)
    return Site(
        name=table.name,
        latitude_deg=table.latitude_deg,
        longitude_deg=table.longitude_deg,
        elevation_m=table.elevation_m,
        zone=table.zone,
        pressure_mbar=pressure_mbar if table.pressure_mbar is None else table.pressure_mbar,
        temperature_C=temperature_C if table.temperature_C is None else table.temperature_C,
        horizon=tuple((point.azimuth_deg, point.altitude_deg) for point in table.horizon or ()),
    )


def season_problems(sound: Sound, table: str) -> Iterator[str]:
    """Why a table's season_deg is none."""
    low, high = sound(table, "season_deg", 0), sound(table, "season_deg", 1)
    if None not in (low, high) and low > high:
        yield f"{table}.season_deg: is [{shown(low)}, {shown(high)}]; write the lower one first"
