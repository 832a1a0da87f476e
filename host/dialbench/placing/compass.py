"""How far a compass points from true north, by the World Magnetic Model.

The model tells the field of the Earth's core, for five years from its epoch. What it leaves
out, rocks of the crust and storms, is in the uncertainty that its makers state; iron near the
needle is not.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from dialbench.dial import Site

# Below these the needle is hardly held level at all (nT of horizontal field); so the model's makers
# draw their zones, from memory.
_BLIND_NT, _WEAK_NT = 2000.0, 6000.0
_FIRST, _LAST = 2010, 2029  # years of the models that come with pygeomag


@dataclass(frozen=True)
class Compass:
    """At one site on one day. Angles in degrees, east of north positive.

    declination_deg: by how much the needle points east of true north, sigma_deg its standard
    uncertainty, None where the model's makers state none. model: its name; until: the first year
    that it does not hold for.
    """

    declination_deg: float
    sigma_deg: float | None
    change_deg_per_year: float
    model: str
    until: int
    horizontal_nT: float

    @property
    def useless(self) -> bool:
        """Whether no compass helps there: near a magnetic pole."""
        return self.horizontal_nT < _BLIND_NT

    @property
    def weak(self) -> bool:
        return self.horizontal_nT < _WEAK_NT

    def bearing_deg(self, true_deg: float) -> float:
        """What a compass reads in a true direction, 0 to 360."""
        return (true_deg - self.declination_deg) % 360

    def as_dict(self) -> dict[str, Any]:
        return {
            "declination_east_deg": self.declination_deg,
            "sigma_deg": self.sigma_deg,
            "change_deg_per_year": self.change_deg_per_year,
            "model": self.model,
            "valid_until_year": self.until,
            "horizontal_nT": self.horizontal_nT,
            "useless": self.useless,
        }


def compass(site: Site, on: date) -> Compass | None:
    """None on a day for which no model holds."""
    from pygeomag import GeoMag  # its tables are read from files

    if not _FIRST <= on.year <= _LAST:
        return None
    model = GeoMag(base_year=on.year)
    year = on.year + (on.timetuple().tm_yday - 1) / 366
    height_km = site.elevation_m / 1000

    def field(when: float) -> Any:
        return model.calculate(site.latitude_deg, site.longitude_deg, height_km, when)

    here = field(year)
    first, last = model.life_span
    before, after = max(first, year - 0.5), min(last, year + 0.5)
    turn = (field(after).d - field(before).d + 180) % 360 - 180
    try:
        sigma = float(here.calculate_uncertainty().d)
    except ValueError:
        sigma = None
    return Compass(
        declination_deg=float(here.d),
        sigma_deg=sigma,
        change_deg_per_year=turn / (after - before),
        model=str(model.model),
        until=round(last),
        horizontal_nT=float(here.h),
    )
