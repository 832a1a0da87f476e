"""The errors of making and placing, and a body that has some: by lot, from seed and number alone."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, fields, replace

import numpy as np

from dialbench.crossing import Pose
from dialbench.dial import Bore, Dial

_KM_PER_DEG = 111.2  # of a great circle: the Earth's mean radius of 6371 km
TILTED = 0.5  # of a tilt, at most, moves hour angles: the tangent of the Sun's declination
_LEAST_MM = 1e-3  # a bore is never made narrower

# What each tolerance is, in words and its unit.
NAMES = {
    "axis_deg": ("bore axes", "deg"),
    "width_mm": ("width, bore by bore", "mm"),
    "common_mm": ("width, all alike", "mm"),
    "tilt_deg": ("tilt of the body", "deg"),
    "turn_deg": ("turn of the body", "deg"),
    "site_km": ("place", "km"),
}


@dataclass(frozen=True)
class Tolerances:
    """Standard deviations of normal errors, each independent of the others.

    axis_deg: of each bore's axis, in hour angle and in declination; width_mm: of each bore's
    entry and of each channel's exit; common_mm: of all bores' widths together; tilt_deg: of the body
    about either axis across the polar one; turn_deg: about the polar axis; site_km: how far north
    and how far east of its site the dial is set up, by the directions for that site. The
    defaults are common practice for a printed body set up by hand, without a source.
    """

    axis_deg: float = 0.1
    width_mm: float = 0.05
    common_mm: float = 0.05
    tilt_deg: float = 0.2
    turn_deg: float = 0.2
    site_km: float = 5.0

    @property
    def some(self) -> tuple[str, ...]:
        """The names of those that are not 0."""
        return tuple(each.name for each in fields(self) if getattr(self, each.name) > 0)

    @property
    def whole_deg(self) -> float:
        """About how far bodies stand turned against their plan: a standard deviation."""
        return math.hypot(self.turn_deg, self.site_km / _KM_PER_DEG, self.tilt_deg)

    def halved(self, name: str) -> Tolerances:
        return replace(self, **{name: getattr(self, name) / 2})

    def as_dict(self) -> dict[str, float]:
        return asdict(self)


@dataclass(frozen=True, eq=False)
class Made:
    """A body as it came out and stands. edges_deg: by how much at most an edge of a bore's light
    lies elsewhere in the body; tilted_deg: by how much the tilt alone moves hour angles. east_deg:
    how far east of its site it stands."""

    dial: Dial
    pose_deg: Pose
    east_deg: float
    edges_deg: float
    tilted_deg: float


def made(dial: Dial, tolerances: Tolerances, seed: int, number: int) -> Made:
    """Body `number` of those that `seed` gives. Whatever the tolerances, its lots are the same."""
    lots = np.random.default_rng([seed, number])
    placing = lots.standard_normal(6)
    making = lots.standard_normal((3, len(dial.bores)))
    exits = lots.standard_normal(len(dial.channels))
    tilt_x_deg, tilt_y_deg = tolerances.tilt_deg * placing[:2]
    turn_deg = float(tolerances.turn_deg * placing[2])
    north_km, east_km = tolerances.site_km * placing[3:5]
    # The base keeps the pole's altitude of its own site: a tilt about the axis that points east.
    pose_deg = (float(tilt_x_deg), float(tilt_y_deg - north_km / _KM_PER_DEG), turn_deg)
    wide = math.cos(math.radians(dial.site.latitude_deg))
    east_deg = float(east_km / (_KM_PER_DEG * max(wide, 0.01)))
    common_mm = float(tolerances.common_mm * placing[5])
    across_deg, beside_deg = tolerances.axis_deg * making[:2]
    entries_mm = common_mm + tolerances.width_mm * making[2]
    channels = np.array([bore.channel for bore in dial.bores], np.int64)
    exits_mm = common_mm + (tolerances.width_mm * exits)[channels]
    bores = tuple(
        _bore(*each)
        for each in zip(
            dial.bores,
            across_deg.tolist(),
            beside_deg.tolist(),
            exits_mm.tolist(),
            entries_mm.tolist(),
            strict=True,
        )
    )
    lengths_mm = np.array([bore.length_mm for bore in dial.bores])
    circular = np.array([bore.shape == "round" for bore in dial.bores], np.bool_)
    across_deg, beside_deg = np.abs(across_deg), np.abs(beside_deg)
    edges_deg = np.where(circular, np.hypot(across_deg, beside_deg), across_deg)
    # Half the light is shut out where the wider of the two ends shuts out half of the other.
    wider_mm = np.maximum(np.abs(exits_mm), np.abs(entries_mm))
    edges_deg = edges_deg + np.degrees(wider_mm / 2 / lengths_mm)
    return Made(
        replace(dial, bores=bores),
        pose_deg,
        east_deg,
        float(np.maximum(edges_deg, beside_deg).max(initial=0.0)),
        TILTED * math.hypot(*pose_deg[:2]),
    )


def _bore(
    bore: Bore, across_deg: float, beside_deg: float, exit_mm: float, entry_mm: float
) -> Bore:
    # Made anew and not by replace(), which takes twice the time for hundreds of bores.
    return Bore(
        bore.channel,
        bore.hour_angle_deg + across_deg,
        bore.declination_deg + beside_deg,
        bore.shape,
        max(bore.exit_mm + exit_mm, _LEAST_MM),
        max(bore.entry_mm + entry_mm, _LEAST_MM),
        bore.length_mm,
        bore.opening_deg,
    )
