"""Random sites, bores and dials that the Sun meets, for checks of predicted crossings."""

import math

import numpy as np

from dialbench.dial import Body, Bore, Channel, Dial, Plan, Site, Step

DAY_US = 86_400_000_000
FIRST_US, LAST_US = 95_000_000_000_000, 1_767_000_000_000_000  # 1973 to 2025
LATITUDES = (0.0, 0.0, 23.4, -23.4, 41.2, -41.2, 66.56, -66.56, 80.0, -80.0)


def site(rng):
    """Anywhere from the equator to beyond the polar circles, with air of its own."""
    near = float(rng.normal(0, 1.5)) if rng.random() < 0.7 else float(rng.uniform(-30, 30))
    latitude_deg = float(np.clip(rng.choice(LATITUDES) + near, -89.5, 89.5))
    air = float(rng.uniform(700, 1040)), float(rng.uniform(-30, 35))
    return Site("x", latitude_deg, float(rng.uniform(-180, 180)), 24.0, "+00:00", *air)


def pose_deg(rng):
    """Up to 5 degrees about any axis; in one case of two none."""
    axis = rng.normal(size=3)
    axis *= rng.uniform(0, 5) / np.linalg.norm(axis)
    return tuple(axis.tolist()) if rng.random() < 0.5 else (0.0, 0.0, 0.0)


def places_of_sun(rng, sky, start_us, count):
    """Instants of a day with the Sun up and before the face; a third of them near the horizon."""
    utc_us = start_us + np.arange(0, DAY_US, 60_000_000)
    sun = sky.sun(utc_us)
    seen = np.flatnonzero(sun.up & (np.abs(sun.hour_angle_deg) < 89))
    low = np.flatnonzero(sun.up & (np.abs(sun.hour_angle_deg) < 89) & (sun.altitude_deg < 6))
    if not len(seen):
        return utc_us[:0]
    at = rng.choice(seen, count)
    if len(low):
        at[::3] = rng.choice(low, len(at[::3]))
    return utc_us[at]


def bore(rng, channel, hour_angle_deg, sun_deg):
    """A bore that the Sun, so far from the equator, lights when it comes to that hour angle.

    Of slots one in two has an edge of its opening near the Sun: there its corners show.
    """
    length_mm = float(rng.uniform(30, 200))
    exit_mm = length_mm * float(np.exp(rng.uniform(math.log(0.003), math.log(0.06))))
    entry_mm = exit_mm * float(rng.choice([1.0, rng.uniform(0.8, 1.0), rng.uniform(1, 5)]))
    if rng.random() < 0.25:
        reach_deg = math.degrees((exit_mm + entry_mm) / 2 / length_mm)
        beside_deg = reach_deg * float(rng.uniform(-0.9, 0.9))
        shape, opening_deg = "round", 0.0
    else:
        shape, opening_deg = "slot", float(np.exp(rng.uniform(math.log(2), math.log(60))))
        beside_deg = float(rng.uniform(-0.4, 0.4)) * opening_deg
        if rng.random() < 0.5:
            beside_deg = float(rng.choice([-1, 1])) * opening_deg / 2 + float(rng.normal(0, 0.25))
    declination_deg = float(np.clip(sun_deg + beside_deg, -85, 85))
    return Bore(
        channel,
        float(np.clip(hour_angle_deg, -89.9, 89.9)),
        declination_deg,
        shape,
        exit_mm,
        entry_mm,
        length_mm,
        opening_deg,
    )


def dial(site, bores):
    count = 1 + max(each.channel for each in bores)
    channels = tuple(Channel(0.0, 100.0 * k, k, 0) for k in range(count))
    plan = Plan("apparent", 15.0, (Step(0, 720.0, "12:00", frozenset({0})),))
    return Dial("test", site, channels, plan, Body(300.0, 10_000.0), tuple(bores))
