"""Which bores a shaft has been turned past slowly enough, both edges of each.

An edge's flank is where the share of light that the bore lets through, by itself, goes from a
tenth of its most to nine tenths. It is told well where looks stand in it close together, and the
shaft did not move by half of it between two of them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dialbench.aperture.model import FARTHER, Model, Values
from dialbench.aperture.result import Apertures
from dialbench.aperture.setting import Setting
from dialbench.aperture.source import Light
from dialbench.aperture.sweep import Sweep

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_LOW, _HIGH = 0.1, 0.9
FEWEST = 4  # looks on a flank
_GAP = 0.4  # of a flank, between two looks on it
_STEP = 0.5  # of a flank, by which the shaft may move from one look to the next
_GRAINS = 1.5  # or by so many of the angles that the encoder tells apart
_GRID_DEG = 0.1
_REACH_DEG = 15.0  # beyond the axes: what a near lamp adds to an exit beside the middle
LATER, EARLIER = 1, -1
NAMES = {LATER: "later", EARLIER: "earlier"}


@dataclass(frozen=True)
class Flank:
    """Where the body must see the light, as an hour angle in degrees, for one edge of a bore."""

    bore: int
    side: int  # LATER or EARLIER: from where the light comes that the edge cuts
    low_deg: float
    high_deg: float

    @property
    def wide_deg(self) -> float:
        return self.high_deg - self.low_deg


@dataclass(frozen=True)
class Edge:
    """A flank with what was seen of it: looks on it, how many of them slow enough, and the
    widest stretch without one, as a share of it."""

    flank: Flank
    looks: int
    slow: int
    gap: float
    is_done: bool


def flanks(setting: Setting, declination: float, radius: float, values: Values) -> list[Flank]:
    """The flanks of all open bores, for bores as in values. declination, radius: of the light
    (dialbench.aperture.source)."""
    dial = setting.dial
    hours = np.array([bore.hour_angle_deg for bore in dial.bores])
    grid = np.arange(hours.min() - _REACH_DEG, hours.max() + _REACH_DEG, _GRID_DEG)
    channels = len(dial.channels)
    turned = np.radians(np.tile(grid, channels))
    count = len(turned)
    none = np.zeros(count)
    if setting.distance_mm is None:
        light = Light(none, none + declination, none + np.inf, none + radius, True)
    else:
        light = Light.lamp(count, setting.distance_mm, setting.diameter_mm, setting.height_mm)
    channel = np.repeat(np.arange(channels), len(grid))
    still = Sweep(channel, none, turned, None, None, none.astype(np.int64))
    model = Model(dial, still, light, 1, setting.covered)
    # Where the light is seen, not how the shaft stands then.
    common = np.zeros(len(values.common))
    common[FARTHER] = values.common[FARTHER]
    row, bore, alone = model.alone(replace(values, common=common))
    order = np.lexsort((row, bore))
    row, bore, alone = row[order], bore[order], alone[order]
    edges = np.searchsorted(bore, np.arange(len(dial.bores) + 1))
    found = []
    for number in range(len(dial.bores)):
        mine = slice(edges[number], edges[number + 1])
        found += _of_bore(number, grid[row[mine] % len(grid)], alone[mine])
    return found


def _of_bore(number: int, at_deg: Floats, light: Floats) -> list[Flank]:
    if len(light) < 3 or light.max() <= 0:
        return []
    share, peak = light / light.max(), int(np.argmax(light))
    levels = (_LOW, _HIGH)
    up = np.interp(levels, share[: peak + 1], at_deg[: peak + 1])
    down = np.interp(levels, share[peak:][::-1], at_deg[peak:][::-1])
    return [
        Flank(number, EARLIER, float(up[0]), float(up[1])),
        Flank(number, LATER, float(down[1]), float(down[0])),
    ]


def seen_deg(setting: Setting, found: Apertures, sweep: Sweep) -> Floats:
    """At what hour angle, in degrees, the body saw the light at samples that need not be those
    that the shaft's unknowns were found from, (n,)."""
    light = setting.light(sweep)
    model = Model(setting.dial, sweep, light, setting.sense, setting.covered)
    turned = model.turned(found.fit.values.common) + light.hour_angle
    wrapped: Floats = (np.degrees(turned) + 180) % 360 - 180
    return wrapped


def judged(flanks: list[Flank], seen_deg: Floats, grain_deg: float) -> list[Edge]:
    """Edges, for looks (n,) in the order in which they came. grain_deg: the least difference of
    two angles that the encoder tells apart."""
    step = np.abs((np.diff(seen_deg, prepend=np.nan) + 180) % 360 - 180)
    step = np.where(np.isnan(step), np.inf, step)
    order = np.argsort(seen_deg, kind="stable")
    at_deg, step = seen_deg[order], step[order]
    found = []
    for flank in flanks:
        first, last = np.searchsorted(at_deg, (flank.low_deg, flank.high_deg))
        inside = at_deg[first:last]
        slow = inside[step[first:last] <= max(_STEP * flank.wide_deg, _GRAINS * grain_deg)]
        stops = np.concatenate(((flank.low_deg,), slow, (flank.high_deg,)))
        gap_deg = float(np.diff(stops).max())
        is_fine = gap_deg <= max(_GAP * flank.wide_deg, _GRAINS * grain_deg)
        found.append(
            Edge(
                flank,
                len(inside),
                len(slow),
                gap_deg / flank.wide_deg,
                len(slow) >= FEWEST and is_fine,
            )
        )
    return found


def needs(edges: list[Edge], bores: int, period_s: float) -> tuple[tuple[str, ...], ...]:
    """What each bore still needs, in words; empty: nothing. period_s: from look to look."""
    told = [["no light of this lamp reaches it"] for _ in range(bores)]
    for edge in edges:
        told[edge.flank.bore] = []
    looks = np.zeros(bores, np.int64)
    for edge in edges:
        looks[edge.flank.bore] += edge.looks
    for edge in edges:
        name, bore = NAMES[edge.flank.side], edge.flank.bore
        if edge.is_done:
            continue
        if not looks[bore]:
            told[bore] = ["not passed yet"]
        elif not edge.looks:
            told[bore].append(f"its edge towards {name} hour angles was not passed")
        elif edge.slow < edge.looks / 2:
            limit = _STEP * edge.flank.wide_deg / max(period_s, 1e-3)
            told[bore].append(
                f"its edge towards {name} hour angles was passed too fast: turn by"
                f" {limit:.2g} deg/s at most"
            )
        else:
            told[bore].append(f"too few looks on its edge towards {name} hour angles")
    return tuple(tuple(each) for each in told)


def grain_deg(angle_deg: Floats) -> float:
    """The least difference of angles that were told, 0 where there are not two."""
    apart = np.diff(np.unique(angle_deg))
    return float(apart.min()) if len(apart) else 0.0
