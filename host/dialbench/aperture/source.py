"""The light on the bench: a lamp near enough for its rays to spread, or the Sun."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench.dial import Dial, Site
from dialbench.errors import UserError
from dialbench.sky import Sky
from dialcore import frames

Floats = NDArray[np.float64]


_NEAREST = 1.2  # of what the body reaches from the shaft
_FARTHEST_MM = 1e6


class LightError(UserError):
    """A light that cannot be on this bench; one sentence."""


@dataclass(frozen=True)
class Light:
    """Where the light stands in the nominal frame, sample by sample; arrays of shape (n,).

    hour_angle, declination in radians, distance in mm from the middle of the face (infinite for
    the Sun), radius: half its diameter in mm, or for the Sun the tangent of its semi-diameter.
    darkened: whether its rim is darker than its middle, as the Sun's is.
    """

    hour_angle: Floats
    declination: Floats
    distance_mm: Floats
    radius: Floats
    darkened: bool

    @classmethod
    def lamp(
        cls, samples: int, distance_mm: float, diameter_mm: float, height_mm: Floats | float
    ) -> Light:
        """A lamp distance_mm from the shaft and height_mm along it from the middle of the face,
        towards the visible pole; its hour angle is 0. A disc that faces the dial, or a sphere."""
        height = np.broadcast_to(np.asarray(height_mm, np.float64), (samples,))
        return cls(
            hour_angle=np.zeros(samples),
            declination=np.arctan2(height, distance_mm),
            distance_mm=np.hypot(height, distance_mm),
            radius=np.full(samples, diameter_mm / 2),
            darkened=False,
        )

    @classmethod
    def sun(cls, hour_angle: Floats, declination: Floats, semidiameter: Floats) -> Light:
        """The Sun; radians."""
        far = np.full(len(hour_angle), np.inf)
        return cls(hour_angle, declination, far, np.tan(semidiameter), True)

    def rows(self, which: NDArray[np.int64]) -> Light:
        return Light(
            self.hour_angle[which],
            self.declination[which],
            self.distance_mm[which],
            self.radius[which],
            self.darkened,
        )

    def seen(
        self,
        sample: NDArray[np.int64],
        turned: Floats,
        axes: tuple[tuple[Floats, ...], ...],
        exit_mm: tuple[Floats, Floats],
        hemisphere: int,
        farther: float = 0.0,
    ) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """How bores see the light: (near, along, across, beside, radius), each of shape (n,).

        sample: of each pair of a bore and a sample, which sample; turned: the hour angle that
        the body adds to the light's; axes (a, u, v) of the bores (dialcore.bores.axes), exit_mm
        (y, z) of their exits in the body. farther: by what share the lamp stands farther off
        than was told. near is 1 / mm to the plane of the light, 0 for the Sun; along, across,
        beside the parts of the unit vector towards its middle, radius that of its disc as an
        angle's tangent.
        """
        declination = self.declination[sample] * np.ones_like(turned)
        way = frames.direction(self.hour_angle[sample] + turned, declination, 1, np)
        x, y, z = way[0], hemisphere * way[1], way[2]
        if self.darkened:
            z = hemisphere * z  # declinations of the sky count to the north
            middle = x, y, z
            apart: Floats | float = np.inf
        else:
            distance = self.distance_mm[sample] * (1 + farther)
            off = distance * x, distance * y - exit_mm[0], distance * z - exit_mm[1]
            apart = np.sqrt(off[0] ** 2 + off[1] ** 2 + off[2] ** 2)
            middle = off[0] / apart, off[1] / apart, off[2] / apart
        along, across, beside = (frames.dot(middle, axis) for axis in axes)
        near = np.zeros_like(along) if self.darkened else 1 / (apart * np.maximum(along, 1e-9))
        radius = self.radius[sample] / (1.0 if self.darkened else apart)
        return near, along, across, beside, radius


def lamp_before(
    dial: Dial, samples: int, distance_mm: float, diameter_mm: float, height_mm: Floats | float
) -> Light:
    """Light.lamp before this dial. Raises LightError where it would stand within the body, or is
    no lamp."""
    reach_mm = dial.body.radius_mm
    nearest_mm = _NEAREST * reach_mm + diameter_mm / 2
    if distance_mm < nearest_mm:
        raise LightError(
            f"--distance {distance_mm:g}: the body reaches {reach_mm:g} mm from its shaft as it"
            f" turns, and a lamp {diameter_mm:g} mm wide needs {nearest_mm:.0f} mm at least: is"
            " the distance in mm, and from the shaft?"
        )
    if distance_mm > _FARTHEST_MM:
        raise LightError(f"--distance {distance_mm:g}: write mm, at most {_FARTHEST_MM:g}")
    if diameter_mm > distance_mm / 4:
        raise LightError(
            f"--source {diameter_mm:g}: so wide a lamp at {distance_mm:g} mm shows no bore's edge;"
            " write its bright part's diameter in mm, or move it away"
        )
    return Light.lamp(samples, distance_mm, diameter_mm, height_mm)


def under_sun(site: Site, utc_us: NDArray[np.int64]) -> Light:
    """The Sun at instants, as it shines on a dial placed as meant. Raises LightError where it is
    down, SkyError for times out of reach."""
    sun = Sky(site).sun(utc_us)
    down = int((~sun.up).sum())
    if down:
        raise LightError(
            f"the Sun is down at {site.name} at {down} of {len(utc_us)} samples: is utc UTC, and"
            " not the zone's time?"
        )
    hour_angle, declination = frames.place(sun.polar, site.hemisphere, np)
    size = np.radians(np.broadcast_to(sun.semidiameter_deg, hour_angle.shape))
    return Light.sun(hour_angle, declination, size)
