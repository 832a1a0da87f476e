"""The steps of first placing, before the Sun has a say: wedge, level, north."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np

from dialbench.dial import Dial, Site
from dialbench.placing.compass import Compass, compass
from dialbench.sky import Sky, from_us

_EYES = (
    "Never look at the Sun, nor through a bore, a lens or a polished edge towards it: it blinds"
    " without pain. Work with the Sun at your back and look at shadows and at this screen."
)
_HANDS = (
    "Body and base are heavy: raise a foot by its screw or slide a shim in, fingers never below."
)
CAUTIONS = (_EYES, _HANDS)
_IRON_M = 2.0  # common practice, no source
_LEVEL_DEG = 0.2  # what a spirit level of 30 cm shows (common practice, no source)
_HIGH_DEG = 80.0  # a Sun so high throws no shadow worth following
_MINUTE_US = 60_000_000


@dataclass(frozen=True)
class Shadow:
    """A plumb line's shadow at the Sun's noon: the instant, where it points (degrees from true
    north through east), how fast it turns there, and the Sun's altitude."""

    noon_us: int
    towards_deg: float
    deg_per_min: float
    altitude_deg: float


@dataclass(frozen=True)
class First:
    """What to do first at a site on a day. compass, shadow: None where neither helps."""

    site: Site
    on: date
    wedge_deg: float
    compass: Compass | None
    shadow: Shadow | None

    @property
    def pole(self) -> str:
        """The visible pole's side, to which the bed rises."""
        return "north" if self.site.hemisphere > 0 else "south"

    @property
    def pole_deg(self) -> float:
        return 0.0 if self.site.hemisphere > 0 else 180.0

    def steps(self) -> list[str]:
        """One sentence or two each, in order."""
        return [self._wedge(), self._level(), *self._north(), self._sun()]

    def _wedge(self) -> str:
        return (
            f"Wedge: the bed rises towards the visible pole, true {self.pole}, by"
            f" {self.wedge_deg:.2f} deg, the latitude of the site. Hold a protractor with a level"
            " against the bed; half a degree will do for now."
        )

    def _level(self) -> str:
        return (
            "Level: with a spirit level on the base plate, first east to west, then north to south,"
            f" raise feet until its bubble stands in the middle both ways (to about {_LEVEL_DEG} deg,"
            " 1 mm in 30 cm)."
        )

    def _north(self) -> list[str]:
        told = []
        needle = self.compass
        if needle is None:
            told.append(
                f"North: no magnetic model that comes with dialbench holds for {self.on.year};"
                " take true north from the shadow, a map or the pole star."
            )
        elif needle.useless:
            told.append(
                "North: so near to a magnetic pole no compass shows a direction; take true north from"
                " the shadow or a map."
            )
        else:
            told.append(self._needle(needle))
        if self.shadow is not None:
            told.append(self._shadow(self.shadow))
        return told

    def _needle(self, needle: Compass) -> str:
        east = needle.declination_deg
        sigma = "" if needle.sigma_deg is None else f" +- {2 * needle.sigma_deg:.1f}"
        weak = " The field is weak here: trust it less." if needle.weak else ""
        return (
            f"North by compass: its needle points {abs(east):.1f}{sigma} deg"
            f" {'east' if east >= 0 else 'west'} of true north here ({needle.model}, on"
            f" {self.on.isoformat()}; valid until {needle.until}, and it knows no iron). Turn the base"
            f" until the bed's upper end lies towards compass bearing"
            f" {needle.bearing_deg(self.pole_deg):.0f} deg. Read the compass {_IRON_M:.0f} m away"
            f" from iron, phones and the board, sighting along the base's side.{weak}"
        )

    def _shadow(self, shadow: Shadow) -> str:
        noon = from_us(shadow.noon_us)
        ahead_h = self.site.standard_offset_h(self.on)
        local = noon + timedelta(hours=ahead_h)
        whole = "north" if abs((shadow.towards_deg + 180) % 360 - 180) < 90 else "south"
        return (
            f"North by shadow, better than any compass: at {noon:%H:%M:%S} UTC ({local:%H:%M:%S} zone"
            f" time) a plumb line's shadow points true {whole}; a minute early or late is"
            f" {shadow.deg_per_min:.2f} deg. Lay the base's side along it."
        )

    def _sun(self) -> str:
        return (
            "Sun: put the body in its bed, plug in the board, and let the Sun tell the rest: dialbench"
            " set PORT --dial DIAL, or page 2 of dialbench watch."
        )

    def as_dict(self) -> dict[str, Any]:
        """As JSON's own types."""
        return {
            "on": self.on.isoformat(),
            "wedge_deg": self.wedge_deg,
            "towards": self.pole,
            "compass": self.compass and self.compass.as_dict(),
            "compass_bearing_deg": self.compass and self.compass.bearing_deg(self.pole_deg),
            "shadow": self.shadow
            and {
                "noon_us": self.shadow.noon_us,
                "towards_deg": self.shadow.towards_deg,
                "deg_per_min": self.shadow.deg_per_min,
                "sun_altitude_deg": self.shadow.altitude_deg,
            },
            "steps": self.steps(),
            "cautions": list(CAUTIONS),
        }


def first(dial: Dial, sky: Sky, on: date) -> First:
    """Raises SkyError for days out of reach."""
    site = dial.site
    return First(site, on, abs(site.latitude_deg), compass(site, on), _shadow(sky, on))


def _shadow(sky: Sky, on: date) -> Shadow | None:
    if sky.daylight(on) is None:
        return None
    noon_us = sky.noon_us(on)
    sun = sky.sun(np.array([noon_us - _MINUTE_US, noon_us, noon_us + _MINUTE_US]))
    altitude_deg = float(sun.altitude_deg[1])
    if not 0 < altitude_deg < _HIGH_DEG:
        return None
    turned = (sun.azimuth_deg[2] - sun.azimuth_deg[0] + 180) % 360 - 180
    towards_deg = float((sun.azimuth_deg[1] + 180) % 360)
    return Shadow(noon_us, towards_deg, abs(float(turned)) / 2, altitude_deg)
