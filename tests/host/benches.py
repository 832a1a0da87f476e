"""Dials for the aperture bench, whose bores do not cross each other's light."""

import math
from dataclasses import replace

import numpy as np
from tests.host import dials

from dialbench.aperture import Light, Sweep, rehearsal
from dialbench.dial import Body, Bore, Channel, Dial
from dialbench.layout import depth_mm

RADIUS_MM = 60.0


def laid(places, site=dials.NORTH, radius_mm=RADIUS_MM):
    """A dial of channels (y_mm, z_mm, bores), its bores (hour angle, declination, shape, exit,
    entry, opening) as long as the way to its surface."""
    body = Body(radius_mm, 400.0)
    channels = tuple(Channel(y, z, k, 0) for k, (y, z, _) in enumerate(places))
    bores = tuple(
        Bore(
            k,
            hour,
            declination,
            shape,
            exit_mm,
            entry_mm,
            depth_mm(body, y, hour, site.hemisphere) / math.cos(math.radians(declination)),
            opening,
        )
        for k, (y, _, listed) in enumerate(places)
        for hour, declination, shape, exit_mm, entry_mm, opening in listed
    )
    return Dial("bench", site, channels, dials.NOON, body, bores)


def rows_of_slots(rows=4, bores=6, exit_mm=0.6, entry_mm=3.5, site=dials.NORTH):
    """Tapered slots, evenly over 100 degrees; neighbours in the sky belong to other channels."""
    middle = (rows - 1) / 2
    return laid(
        [
            (
                15.0 * (row - middle),
                40.0 * (row - middle),
                [
                    (-50 + 100 * (k * rows + row) / (rows * bores - 1), 0.0)
                    + ("slot", exit_mm, entry_mm, 50.0)
                    for k in range(bores)
                ],
            )
            for row in range(rows)
        ],
        site,
    )


def swept(dial, distance_mm=1000.0, seed=1, made=True, **bench):
    """(sweep, light, the dial as it was made)."""
    rng = np.random.default_rng(seed)
    real = rehearsal.made(dial, rng) if made else dial
    facts = {"distance_mm": distance_mm, "diameter_mm": 8.0 if distance_mm else 0.0} | bench
    sweep, light = rehearsal.swept(real, rehearsal.Bench(**facts), rng)
    return sweep, light, real


def changed(sweep, **fields):
    return replace(sweep, **fields)


def turned_about(sweep, light):
    """The same samples, the angle counting the other way."""
    angle_deg = -np.degrees(sweep.angle)
    return Sweep.of(sweep.channel, sweep.level, angle_deg, sweep.utc_us), light


__all__ = ["Light", "changed", "laid", "rows_of_slots", "swept", "turned_about"]
