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


def body(rng):
    """A half cylinder, and in one case of two one that is cut flat in front."""
    radius_mm = float(rng.uniform(30, 200))
    depth_mm = float(rng.uniform(0.3, 0.9)) * radius_mm if rng.random() < 0.5 else None
    return Body(radius_mm, 10_000.0, depth_mm)


def way_out_mm(body, y_mm, side, hour_angle_deg, declination_deg):
    """From (0, y) along an axis to the body's surface."""
    h, d = math.radians(hour_angle_deg), math.radians(declination_deg)
    x, y = math.cos(h), -side * math.sin(h)
    rim_mm = math.sqrt(body.radius_mm**2 - (y_mm * x) ** 2) - y_mm * y
    return min(rim_mm, body.front_mm / x) / math.cos(d)


def bore(rng, body, y_mm, side, channel, hour_angle_deg, sun_deg):
    """A bore of an exit at y to the body's surface that the Sun, so far from the equator,
    lights when it comes to that hour angle.

    Of slots one in two has an edge of its opening near the Sun: there its corners show.
    """
    hour_angle_deg = float(np.clip(hour_angle_deg, -89.9, 89.9))
    exit_share = float(np.exp(rng.uniform(math.log(0.003), math.log(0.06))))
    entry_share = exit_share * float(rng.choice([1.0, rng.uniform(0.8, 1.0), rng.uniform(1, 5)]))
    if rng.random() < 0.25:
        reach_deg = math.degrees((exit_share + entry_share) / 2)
        beside_deg = reach_deg * float(rng.uniform(-0.9, 0.9))
        shape, opening_deg = "round", 0.0
    else:
        shape, opening_deg = "slot", float(np.exp(rng.uniform(math.log(2), math.log(60))))
        beside_deg = float(rng.uniform(-0.4, 0.4)) * opening_deg
        if rng.random() < 0.5:
            beside_deg = float(rng.choice([-1, 1])) * opening_deg / 2 + float(rng.normal(0, 0.25))
    declination_deg = float(np.clip(sun_deg + beside_deg, -85, 85))
    length_mm = way_out_mm(body, y_mm, side, hour_angle_deg, declination_deg)
    if shape == "round":
        # Not on the surface, and so square: what an oblique one does to a circle, the closed
        # form knows to about 0.002 only (tests/host/test_surface.py).
        length_mm *= 0.8
    return Bore(
        channel,
        hour_angle_deg,
        declination_deg,
        shape,
        length_mm * exit_share,
        length_mm * entry_share,
        length_mm,
        opening_deg,
    )


def dial(site, body, ys_mm, bores):
    """One channel for each place y across the face; they share no light."""
    channels = tuple(Channel(y_mm, 100.0 * k, k, 0) for k, y_mm in enumerate(ys_mm))
    plan = Plan("apparent", 15.0, (Step(0, 720.0, "12:00", frozenset({0})),))
    return Dial("test", site, channels, plan, body, tuple(bores))


def places_of_exits(rng, body, count):
    """How far across the face so many channels lie; all within its middle part."""
    return (body.radius_mm * rng.uniform(-0.4, 0.4, count)).tolist()
