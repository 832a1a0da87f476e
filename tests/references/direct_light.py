"""Lit fractions the long way: Skyfield instant by instant, the Sun's disc point by point.

Nothing of Dialbench is in it but the values that describe a dial. The Sun's place is asked
of Skyfield with DE421, refraction is Bennett 1982 (from memory), the disc is darkened to
its limb as I(mu) = 1 - 0.6 (1 - mu) (from memory, for visible light), and through each of
its points one bundle of parallel rays falls on the exit.
"""

import warnings
from functools import cache, lru_cache

import numpy as np
from skyfield.api import load, wgs84
from skyfield.jpllib import SpiceKernel
from skyfield_data import get_skyfield_data_path

SEMIDIAMETER_RAD = np.radians(959.63 / 3600)  # at 1 au; from memory
RINGS, SPOKES = 120, 360  # 43,200 points of the disc
_DAY_US = 86_400_000_000
_LINES = (24, 200)  # across an exit that several bores light: one for 8 points of the disc
_CHUNK = 1000  # instants in a call of Skyfield
_TOGETHER = 4_000  # points of discs that are summed together: they fit a processor's cache


@cache
def _skyfield():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        kernel = SpiceKernel(get_skyfield_data_path() + "/de421.bsp")
    return load.timescale(builtin=True), kernel["earth"], kernel["sun"]


def lifted_rad(altitude_rad, pressure_mbar, temperature_C):
    """Apparent altitude: Bennett's refraction is that of the apparent altitude itself."""
    true_deg = np.degrees(altitude_rad)
    factor = pressure_mbar / 1010 * 283 / (273 + temperature_C) / 60
    apparent_deg = true_deg
    for _ in range(60):  # each round leaves at most a third of what was off
        bent = np.tan(np.radians(apparent_deg + 7.31 / (apparent_deg + 4.4)))
        apparent_deg = true_deg + np.maximum(factor / bent, 0.0)
    return np.radians(apparent_deg)


def sun_over(site, utc_us):
    """(unit vectors in ENU of the refracted Sun, shape (3, n); semi-diameters in radians)."""
    parts = [_sun(site, part) for part in np.split(utc_us, range(_CHUNK, len(utc_us), _CHUNK))]
    return np.concatenate([p[0] for p in parts], axis=1), np.concatenate([p[1] for p in parts])


def _sun(site, utc_us):
    timescale, earth, sun = _skyfield()
    day, rest_us = np.divmod(utc_us, _DAY_US)
    time = timescale.utc(1970, 1, 1 + day, 0, 0, rest_us / 1e6)
    place = wgs84.latlon(site.latitude_deg, site.longitude_deg, site.elevation_m)
    north, east, up = (earth + place).at(time).observe(sun).apparent().frame_xyz(place).au
    level, distance_au = np.hypot(east, north), np.sqrt(east**2 + north**2 + up**2)
    high = lifted_rad(np.arctan2(up, level), site.pressure_mbar, site.temperature_C)
    enu = np.stack((np.cos(high) * east / level, np.cos(high) * north / level, np.sin(high)))
    return enu, SEMIDIAMETER_RAD / distance_au


def into_body(site, enu, pose_deg):
    """The same vectors in the body's frame, shape (3, n).

    Its z points to the visible pole, x to where equator and meridian meet above, and it is
    turned against that by the rotation vector pose_deg: the Sun turns the other way.
    """
    latitude = np.radians(site.latitude_deg)
    side = 1 if site.latitude_deg >= 0 else -1
    east, north, up = enu
    x = np.cos(latitude) * up - np.sin(latitude) * north
    z = side * (np.sin(latitude) * up + np.cos(latitude) * north)
    s = np.stack((x, side * east, z))
    angle = np.radians(np.linalg.norm(pose_deg))
    if angle == 0:
        return s
    axis = np.asarray(pose_deg) / np.linalg.norm(pose_deg)
    across = np.cross(-axis, s, axis=0)
    along = np.outer(axis, axis @ s) * (1 - np.cos(angle))
    return np.cos(angle) * s + np.sin(angle) * across + along


@cache
def disc(rings=RINGS, spokes=SPOKES):
    """Points of the darkened disc: place in solar radii, shape (2, m), and share of the light."""
    node, weight = np.polynomial.legendre.leggauss(rings)
    mu = (node + 1) / 2
    share = weight * mu * (1 - 0.6 * (1 - mu))
    radius = np.repeat(np.sqrt(1 - mu * mu), spokes)
    turn = np.tile((np.arange(spokes) + 0.5) * 2 * np.pi / spokes, rings)
    # Rings turned against one another, so that no straight edge meets many points at once.
    turn += np.repeat(np.arange(rings) * (np.sqrt(5) - 1) / 2 * 2 * np.pi / spokes, spokes)
    place = np.stack((radius * np.cos(turn), radius * np.sin(turn)))
    return place, np.repeat(share / share.sum() / spokes, spokes)


def bundles(bore, side, s, semidiameter, points):
    """Slopes (tan_u, tan_v) at which rays from the disc's points come, shape (n, points each).

    s: the Sun's centre in the body, shape (3, n). nan from behind.
    """
    a, u, v = _axes(bore, side)
    one = np.cross(s, [0.3, 0.4, 0.866], axis=0)
    one /= np.linalg.norm(one, axis=0)
    other = np.cross(s, one, axis=0)
    place, _ = points
    size = np.sin(semidiameter)
    axial = np.sqrt(1 - size[:, None] ** 2 * (place**2).sum(axis=0))
    along, across, beside = (
        (axis @ s)[:, None] * axial + np.stack((axis @ one * size, axis @ other * size), 1) @ place
        for axis in (a, u, v)
    )
    along[along <= 0] = np.nan
    return across / along, beside / along


@lru_cache(maxsize=256)
def wall_ends(dial, bore):
    """((a, u) of the later wall's last point in the body, and of the earlier's), in the bore's
    frame: rays come through the slot between these two.

    The walls are followed outwards from the exit's edges, halfway up the slot; where they leave
    the body is asked of the body's own shape.
    """
    side = 1 if dial.site.latitude_deg >= 0 else -1
    a, u, _ = _axes(bore, side)
    at = np.array([0.0, dial.channels[bore.channel].y_mm, 0.0])
    body = dial.body
    found = []
    for which in (1, -1):

        def wall(way_mm, which=which):
            return which * (
                bore.exit_mm / 2 + (bore.entry_mm - bore.exit_mm) / 2 * way_mm / bore.length_mm
            )

        low, high = 0.0, 100 * body.radius_mm
        while high - low > 1e-11 * body.radius_mm:
            middle = (low + high) / 2
            x, y, _ = at + middle * a + wall(middle) * u
            inside = x <= body.front_mm and np.hypot(x, y) <= body.radius_mm
            low, high = (middle, high) if inside else (low, middle)
        found.append((low, wall(low)))
    return found


def _axes(bore, side):
    h, d = np.radians(bore.hour_angle_deg), np.radians(bore.declination_deg)
    a = np.array([np.cos(d) * np.cos(h), -side * np.cos(d) * np.sin(h), side * np.sin(d)])
    u = np.array([-np.sin(h), -side * np.cos(h), 0.0])
    v = np.array([-np.sin(d) * np.cos(h), side * np.sin(d) * np.sin(h), side * np.cos(d)])
    return a, u, v


def between(bore, ends, tan_u):
    """From where to where across its exit, in mm, a slot lets in bundles of slope tan_u."""
    (late_mm, late_u), (early_mm, early_u) = ends
    half = bore.exit_mm / 2
    low, high = early_u - early_mm * tan_u, late_u - late_mm * tan_u
    return np.clip(low, -half, half), np.clip(high, -half, half)


def through(dial, bore, tan_u, tan_v):
    """Share of the exit's area that bundles of parallel rays light; the Sun in front."""
    wide, length = bore.exit_mm, bore.length_mm
    if bore.shape == "slot":
        entry_height = wide + 2 * length * np.tan(np.radians(bore.opening_deg) / 2)
        low, high = between(bore, wall_ends(dial, bore), tan_u)
        height = _covered(wide, entry_height, length * np.abs(tan_v))
        return np.maximum(high - low, 0.0) * height / wide**2
    return _overlap(wide / 2, bore.entry_mm / 2, length * np.hypot(tan_u, tan_v)) / (
        np.pi * wide**2 / 4
    )


def _covered(one, other, apart):
    """Length that two intervals have in common whose middles are so far apart."""
    return np.clip((one + other) / 2 - apart, 0.0, min(one, other))


def _overlap(r, q, apart):
    """Area that two circles have in common, of radii r and q, so far apart."""
    d = np.clip(apart, max(abs(r - q), 1e-9 * r), r + q)
    at_r = np.arccos(np.clip((d * d + r * r - q * q) / (2 * d * r), -1, 1))
    at_q = np.arccos(np.clip((d * d + q * q - r * r) / (2 * d * q), -1, 1))
    # Each circle's sector, less the triangle under the common chord.
    return r * r * (at_r - np.sin(2 * at_r) / 2) + q * q * (at_q - np.sin(2 * at_q) / 2)


def lit(dial, bore, s, semidiameter, points=None):
    """Lit fraction of one bore of a dial under Suns s, shape (3, n), in the body's frame."""
    return lit_together(dial, [bore], s, semidiameter, points)


def lit_together(dial, bores, s, semidiameter, points=None):
    """The same of bores of one channel: light that comes through any of them, counted once."""
    points = points or disc()
    side = 1 if dial.site.latitude_deg >= 0 else -1
    total = np.empty(s.shape[1])
    suns = max(4, _TOGETHER // len(points[1]))
    for at in range(0, len(total), suns):
        part = slice(at, at + suns)
        tans = [bundles(bore, side, s[:, part], semidiameter[part], points) for bore in bores]
        alone = [np.nan_to_num(through(dial, b, *tan)) for b, tan in zip(bores, tans, strict=True)]
        shares = np.minimum(sum(alone), 1.0)
        joint = (sum(share > 0 for share in alone) > 1) & (np.max(alone, axis=0) < 1)
        if joint.any():
            some = [[np.nan_to_num(t[joint], nan=1e7) for t in tan] for tan in tans]
            lines = int(np.clip(len(points[1]) // 8, *_LINES))
            shares[joint] = _union(dial, bores, some, lines)
        total[part] = shares @ points[1]
    return total


def _union(dial, bores, tans, lines):
    """Share of an exit lit through any of some bores; tans (bores, 2, n): slopes of the rays.

    What one bore lights is the exit seen through its entry, which the slope shifts against
    it. Along a line across the exit that is an interval; lines are summed.
    """
    wide = bores[0].exit_mm
    node, weight = np.polynomial.legendre.leggauss(lines)
    if bores[0].shape == "round":
        # Even in the angle round the rim, for the ends of lines on it are.
        weight = weight * np.pi / 2 * np.cos(np.pi / 2 * node)
        node = np.sin(np.pi / 2 * node)
    q = wide / 2 * node[:, None]
    half = np.full_like(q, wide / 2)
    if bores[0].shape == "round":
        half = np.sqrt(wide**2 / 4 - q * q)
    lows, highs = [], []
    for bore, (tan_u, tan_v) in zip(bores, tans, strict=True):
        beside = bore.length_mm * tan_v
        if bore.shape == "round":
            across = bore.length_mm * tan_u
            reach = np.sqrt(np.maximum(bore.entry_mm**2 / 4 - (q + beside) ** 2, 0.0))
            lows.append(np.clip(-across - reach, -half, half))
            highs.append(np.clip(-across + reach, -half, half))
        else:
            height = wide + 2 * bore.length_mm * np.tan(np.radians(bore.opening_deg) / 2)
            low, high = between(bore, wall_ends(dial, bore), tan_u)
            seen = (np.abs(q + beside) <= height / 2) & (low < high)
            lows.append(np.where(seen, low, half))
            highs.append(np.where(seen, high, half))
    order = np.argsort(lows, axis=0)
    lows, highs = (
        np.take_along_axis(np.array(lows), order, 0),
        np.take_along_axis(np.array(highs), order, 0),
    )
    reached = np.maximum.accumulate(highs, axis=0)
    lit_mm = (highs[0] - lows[0]) + np.maximum(
        highs[1:] - np.maximum(lows[1:], reached[:-1]), 0.0
    ).sum(axis=0)
    area = wide**2 * (np.pi / 4 if bores[0].shape == "round" else 1.0)
    return (weight[:, None] * lit_mm).sum(axis=0) * wide / 2 / area
