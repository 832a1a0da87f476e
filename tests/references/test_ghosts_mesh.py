"""Ghost light through triangles: the same bodies as solids cut by another library's booleans.

A half cylinder less the convex hull of every bore is one closed mesh. A ray is lit if the
straight way from the exit meets none of its triangles. Of Dialbench nothing is in it but
the values that describe a dial; Manifold (by way of trimesh) subtracts. What is compared is
the whole lit fraction, the closed form of a channel's own bores and the field of stray light
together. Darkening of the limb I(mu) = 1 - 0.6 (1 - mu), from memory.
"""

import math

import numpy as np
import pytest
import trimesh

from dialbench import ideal
from dialbench.dial import Body, Bore, Channel, Dial, Plan, Site
from dialbench.lit import light_of
from dialbench.path import Place
from dialbench.pockets import pockets
from dialbench.rays.tracer import ray_points
from dialbench.sky import mean_semidiameter_deg
from dialcore import frames

CLOSE = 0.02
RAYS = 4096  # through the triangles: good to about 0.003
SKY = Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0)
SKEW = Site("South Holm", -41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0)
_FACETS = 360  # of a whole rim: at 60 mm they lie within 0.003 mm of it
_SIDES = 64  # of a round bore
_BEYOND_MM = 30.0  # bores stick out so far, that no skin is left


def crossing_body(seed):
    """A small body whose bores cross: slots, straight and tapered, and round bores.

    Slots lie square to the body's axis: of others the closed form knows the walls halfway up.
    """
    rng = np.random.default_rng(seed)
    channels = int(rng.integers(3, 6))
    radius_mm = float(rng.uniform(30, 60))
    body = Body(radius_mm, 4.0 * channels + 60.0)
    if seed % 3 == 0:  # cut flat in front, and its thinnest walls gone
        body = Body(radius_mm, 4.0 * channels + 60.0, 0.6 * radius_mm, 0.8)
    listed, facts = [], []
    for channel in range(channels):
        exit_mm = float(rng.uniform(1.5, 3.0))
        facts.append((float(rng.uniform(-6, 6)), 4.0 * channel - 2 * channels, exit_mm))
    for k in range(int(rng.integers(6, 13))):
        channel = k % channels
        y_mm, _, exit_mm = facts[channel]
        # Round bores and slots do not share a channel.
        is_round = channel == channels - 1
        hour_angle_deg = float(rng.uniform(-45, 45))
        declination_deg = float(rng.uniform(-20, 20)) if is_round else 0.0
        # From the exit along the axis to the rim.
        along = axes_of(hour_angle_deg, declination_deg, (1, -1)[seed % 2])[0]
        level, ahead = math.hypot(along[0], along[1]), along[1] * y_mm
        length_mm = (math.sqrt(ahead**2 + level**2 * (radius_mm**2 - y_mm**2)) - ahead) / level**2
        length_mm = min(length_mm, body.front_mm / along[0])
        entry_mm = exit_mm * float(rng.choice([1.0, rng.uniform(1.2, 2.5)]))
        listed.append(
            Bore(
                channel,
                hour_angle_deg,
                declination_deg,
                "round" if is_round else "slot",
                exit_mm,
                entry_mm,
                length_mm,
                0.0 if is_round else float(rng.uniform(20, 50)),
            )
        )
    places = tuple(Channel(y, z, k, 0) for k, (y, z, _) in enumerate(facts))
    plan = Plan("apparent", 15.0, ())
    return Dial("crossing", (SKY, SKEW)[seed % 2], places, plan, body, tuple(listed))


def axes_of(hour_angle_deg, declination_deg, side):
    """A bore's axis, the way across it in hour angle, and the way across in declination."""
    h, d = math.radians(hour_angle_deg), math.radians(declination_deg)
    along = [math.cos(d) * math.cos(h), -side * math.cos(d) * math.sin(h), side * math.sin(d)]
    across = [-math.sin(h), -side * math.cos(h), 0.0]
    beside = [-math.sin(d) * math.cos(h), side * math.sin(d) * math.sin(h), side * math.cos(d)]
    return np.array([along, across, beside])


def void_of(bore, at, side, reach_mm):
    """The hull of a bore, from half an exit behind its exit to beyond the body."""
    along, across, beside = axes_of(bore.hour_angle_deg, bore.declination_deg, side)
    half = bore.exit_mm / 2
    widen = (bore.entry_mm - bore.exit_mm) / 2 / bore.length_mm
    rise = math.tan(math.radians(bore.opening_deg) / 2)
    points = []
    for a in (-half, reach_mm):
        u = half + widen * a
        if bore.shape == "round":
            turn = (np.arange(_SIDES) + 0.5) * 2 * math.pi / _SIDES
            # As large in area as the circle.
            u *= math.sqrt(2 * math.pi / _SIDES / math.sin(2 * math.pi / _SIDES))
            rim = [(u * math.cos(t), u * math.sin(t)) for t in turn]
        else:
            v = half + rise * a
            rim = [(u, v), (u, -v), (-u, v), (-u, -v)]
        points += [at + a * along + x * across + y * beside for x, y in rim]
    return trimesh.convex.convex_hull(np.array(points))


def triangles_of(dial):
    """The drilled body's triangles, shape (n, 3 corners, 3)."""
    radius, half_length = dial.body.radius_mm, dial.body.length_mm / 2
    turn = np.linspace(-math.pi / 2, math.pi / 2, _FACETS // 2 + 1)
    # Facets as often outside the rim as inside it.
    radius *= math.sqrt(2 * (turn[1] - turn[0]) / (2 * math.sin(turn[1] - turn[0])))
    rim = np.column_stack((radius * np.cos(turn), radius * np.sin(turn)))
    front = dial.body.front_mm
    corner = math.sqrt(max(radius**2 - front**2, 0.0))
    rim = np.concatenate((rim[rim[:, 0] <= front], [(front, -corner), (front, corner)]))
    ends = [np.column_stack((rim, np.full(len(rim), z))) for z in (-half_length, half_length)]
    wood = trimesh.convex.convex_hull(np.concatenate(ends))
    side = 1 if dial.site.latitude_deg >= 0 else -1
    voids = []
    for bore in dial.bores:
        channel = dial.channels[bore.channel]
        at = np.array([0.0, channel.y_mm, channel.z_mm])
        voids.append(void_of(bore, at, side, dial.body.radius_mm + _BEYOND_MM))
    for pocket in pockets(dial):
        channel = dial.channels[pocket.channel]
        at = np.array([0.0, channel.y_mm, channel.z_mm])
        voids.append(void_of(pocket, at, side, pocket.length_mm))
    body = trimesh.boolean.difference([wood, *voids], engine="manifold")
    assert body.is_watertight
    assert 0 < body.volume < wood.volume
    return body.triangles


def blocked(triangles, start, towards):
    """Which rays, shape (n, 3), meet a triangle (Moeller and Trumbore 1997, from memory)."""
    corner = triangles[:, 0]
    one, other = triangles[:, 1] - corner, triangles[:, 2] - corner
    normal = np.cross(one, other)
    hit = np.zeros(len(start), bool)
    for k in range(0, len(start), 256):
        s, d = start[k : k + 256], towards[k : k + 256]
        # All triple products of a ray and a triangle as products of matrices.
        level = -d @ normal.T
        level[np.abs(level) < 1e-12] = 1e-12
        moment = np.cross(d, s)
        far = (s @ normal.T - (corner * normal).sum(axis=1)) / level
        u = d @ np.cross(corner, other).T - moment @ other.T
        u = u / level
        v = -(d @ np.cross(corner, one).T - moment @ one.T) / level
        hit[k : k + 256] = ((u >= 0) & (v >= 0) & (u + v <= 1) & (far > 1e-9)).any(axis=1)
    return hit


def near(triangles, start, towards, wide_mm):
    """Those triangles that a narrow bundle of rays may meet."""
    aside = np.linalg.svd(towards[None])[2][1:]
    flat = (triangles - start) @ aside.T
    return triangles[((flat.min(axis=1) < wide_mm) & (flat.max(axis=1) > -wide_mm)).all(axis=1)]


def marched(dial, triangles, channel, hour_angle, declination, semidiameter):
    """A channel's lit fraction under one Sun, by rays among triangles."""
    side = 1 if dial.site.latitude_deg >= 0 else -1
    sun, east, north = axes_of(math.degrees(hour_angle), math.degrees(declination), side)
    own = [b for b in dial.bores if b.channel == channel]
    axes = [axes_of(b.hour_angle_deg, b.declination_deg, side) for b in own]
    nearest = max(range(len(own)), key=lambda k: axes[k][0] @ sun)
    bore, (_, across, beside) = own[nearest], axes[nearest]
    at = np.array([0.0, dial.channels[channel].y_mm, dial.channels[channel].z_mm])
    p, q, e1, e2 = ray_points(RAYS, 0.123)
    half, size = bore.exit_mm / 2, math.tan(semidiameter)
    start = at + half * (p[:, None] * across + q[:, None] * beside)
    towards = sun + size * (e1[:, None] * east + e2[:, None] * north)
    wide_mm = 1.5 * half + 2 * size * (dial.body.radius_mm + dial.body.length_mm)
    lit = ~blocked(near(triangles, at, sun, wide_mm), start, towards)
    if bore.shape == "slot":
        return lit.mean()
    # The exit is the bore's circle: where round bores meet, the hole around it is wider.
    on_exit = p * p + q * q < 1
    return lit[on_exit].mean()


def worst(seed, count):
    """(differences, ghost light) of `count` Suns over one body."""
    rng = np.random.default_rng(1000 + seed)
    dial = crossing_body(seed)
    light, triangles = light_of(dial), triangles_of(dial)
    hours_deg = light.stray.hours_deg
    fields = {k: light.stray.rows(k, 1)[0] for k in rng.integers(-200, 200, 5).tolist()}
    # Half of the Suns where there are ghosts, the others where any stray light is.
    first = max(fields, key=lambda k: (fields[k] > 0.1).sum())
    bright, any_light = np.argwhere(fields[first] > 0.1), np.argwhere(fields[first] > 0.001)
    if not len(any_light):
        return np.zeros(0), np.zeros(0)  # in these rows nothing strays
    if not len(bright):
        bright = any_light
    chosen = np.concatenate((rng.choice(bright, count // 2), rng.choice(any_light, count // 2)))
    hour_angle = np.radians(hours_deg[chosen[:, 0]] + rng.uniform(-0.05, 0.05, len(chosen)))
    declination = np.radians(first * 0.1 + rng.uniform(-0.05, 0.05, len(chosen)))
    semidiameter = np.radians(mean_semidiameter_deg(np.degrees(declination)))
    channel = chosen[:, 1]
    place = Place(hour_angle, declination, semidiameter)
    marched_to = np.array(
        [
            marched(dial, triangles, *each)
            for each in zip(channel, hour_angle, declination, semidiameter, strict=True)
        ]
    )
    polar = frames.direction(hour_angle, declination, (1, -1)[seed % 2], np)
    alone = ideal.lit(dial, (0.0, 0.0, 0.0), polar, np.degrees(semidiameter))
    ghosts = marched_to - alone[np.arange(len(channel)), channel]
    return light.at(place, channel) - marched_to, ghosts


def check(seeds, count):
    found = [worst(seed, count) for seed in seeds]
    differences, ghosts = (np.concatenate(column) for column in zip(*found, strict=True))
    assert (ghosts > 0.05).mean() > 1 / 3
    assert np.abs(differences).max() <= CLOSE


def test_rays_and_triangles_agree_about_ghosts():
    check(range(2), 6)


@pytest.mark.timeout(600)
@pytest.mark.deep
def test_rays_and_triangles_agree_about_ghosts_in_many_bodies():
    check(range(100, 130), 20)
