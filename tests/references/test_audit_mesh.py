"""Single rays through the triangles of a plate with pockets, and what an audit says of them.

The body is cut by another library's booleans (Manifold), much as in test_ghosts_mesh: wood
of half a cylinder with a flat front, less the hulls of all bores and of all pockets. Nothing of Dialbench is in the march but the values that describe the dial,
pockets among them.
"""

import math

import numpy as np
import pytest
from manifold3d import Error, Manifold, OpType
from tests.references.test_ghosts_mesh import axes_of, blocked, marched, near, void_of

from dialbench.audit.minutes import look, plan_time
from dialbench.audit.ways import Ways
from dialbench.dial import Body, Channel, Dial, Plan, Site, Step
from dialbench.face import hour_steps, hours_and_quarters
from dialbench.layout import uniform
from dialbench.lit import light_of
from dialbench.pockets import pockets
from dialbench.rays.tracer import Tracer, ray_points
from dialcore import frames

AGREE = 0.999
CLOSE = 0.02  # 4096 rays, and the field of stray light
SKY = Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0)
SKEW = Site("South Holm", -41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0)
_FACETS = 720  # of a whole rim
_BEYOND_MM = 8.0  # bores stick out so far: with that no corner ends inside the front
_AT_ONCE = 40  # instants of one day, under one pair of rays
_DAYS = 4  # so many of a year, that little of the field of stray light need be worked out


def plate(site):
    """Six channels close together in a plate of 14 mm, lit in turns: their bores cross."""
    places = tuple(Channel(3.0 * (1 - k % 3), 5.0 * (k // 3), k % 3, k // 3) for k in range(6))
    lit = ({0, 3}, {1, 4}, {0, 1, 2}, {2, 5}, {0, 4, 5}, {1, 3}, {2, 3, 4}, {0, 5})
    steps = tuple(
        Step(k, 660.0 + 15 * k, f"{11 + k // 4}:{k % 4 * 15:02}", frozenset(channels))
        for k, channels in enumerate(lit)
    )
    plan, body = Plan("apparent", 15.0, steps), Body(40.0, 60.0, 14.0, 0.4)
    return Dial(
        "plate", site, places, plan, body, uniform(site, places, plan, body, 0.8, 2.0, 46.9)
    )


def whole_face():
    """33 channels of hours and quarters in a plate of 22 mm."""
    plan, body = Plan("apparent", 15.0, hour_steps("08:30", 15, 28)), Body(115.0, 230.0, 22.0, 0.4)
    places = hours_and_quarters(16.0, 24.0)
    listed = uniform(SKY, places, plan, body, 0.5, 1.6, 46.9)
    return Dial("face", SKY, places, plan, body, listed)


def side_of(dial):
    return 1 if dial.site.latitude_deg >= 0 else -1


def triangles_of(dial):
    """The triangles of the made body, shape (n, 3 corners, 3), in double precision: in single
    precision faces of no thickness stay before some exits."""
    radius, depth, half_length = dial.body.radius_mm, dial.body.front_mm, dial.body.length_mm / 2
    turn = np.linspace(-math.pi / 2, math.pi / 2, _FACETS // 2 + 1)
    rim = np.column_stack((radius * np.cos(turn), radius * np.sin(turn)))
    corner = math.sqrt(radius**2 - depth**2)
    rim = np.concatenate((rim[rim[:, 0] <= depth], [(depth, corner), (depth, -corner)]))
    ends = [np.column_stack((rim, np.full(len(rim), z))) for z in (-half_length, half_length)]
    wood = Manifold.hull_points(np.concatenate(ends))
    deep = [(bore, bore.length_mm + _BEYOND_MM) for bore in dial.bores]
    deep += [(pocket, pocket.length_mm) for pocket in pockets(dial)]
    voids = []
    for bore, reach_mm in deep:
        channel = dial.channels[bore.channel]
        at = np.array([0.0, channel.y_mm, channel.z_mm])
        hull = void_of(bore, at, side_of(dial), reach_mm)
        voids.append(Manifold.hull_points(np.asarray(hull.vertices, float)))
    body = wood - Manifold.batch_boolean(voids, OpType.Add)
    assert body.status() == Error.NoError
    assert 0 < body.volume() < wood.volume()
    mesh = body.to_mesh64()
    return mesh.vert_properties[:, :3][mesh.tri_verts]


def rays_of(dial, channel, hour_angle, declination, semidiameter, points):
    """Starts and directions, shape (n, 3), of the rays that points of an exit and a disc make."""
    side = side_of(dial)
    sun, _, _ = axes_of(math.degrees(hour_angle), math.degrees(declination), side)
    # A point of the disc is counted along (-y, x, 0), and square to that and the Sun.
    east = np.array([-sun[1], sun[0], 0.0]) / math.hypot(sun[0], sun[1])
    north = np.cross(sun, east)
    own = [bore for bore in dial.bores if bore.channel == channel]
    axes = [axes_of(b.hour_angle_deg, b.declination_deg, side) for b in own]
    _, across, beside = max(axes, key=lambda each: each[0] @ sun)
    exit_mm = max(bore.exit_mm for bore in own)
    p, q, e1, e2 = (each[:, None] for each in points)
    place = dial.channels[channel]
    start = np.array([0.0, place.y_mm, place.z_mm]) + exit_mm / 2 * (p * across + q * beside)
    size = math.tan(semidiameter)
    return start, sun + size * (e1 * east + e2 * north)


def through_triangles(dial, triangles, channel, place, k, points):
    at = (place.hour_angle[k], place.declination[k], place.semidiameter[k])
    start, towards = rays_of(dial, channel, *map(float, at), points)
    middle, sun = start.mean(axis=0), towards.mean(axis=0)
    wide_mm = 2.0 + 2 * math.tan(at[2]) * (dial.body.radius_mm + dial.body.length_mm)
    close = near(triangles, middle, sun / np.linalg.norm(sun), wide_mm)
    return ~blocked(close, start, towards)


def yes_and_no(dial, triangles, draws, rng):
    """Of two rays a draw: how many go through the triangles, and through the Tracer's voids; of
    how many Ways says otherwise than the triangles; and how much own light is on the exit.

    The draws are at a random instant of a random day, for a random channel: of any, or in
    every other group of draws only of those that are partly lit.
    """
    light, time = light_of(dial), plan_time(dial, 2027)
    days = [look(light, time, np.array([k])) for k in rng.integers(0, len(time.day), _DAYS)]
    found = []
    for group in range(draws // _AT_ONCE):
        first = float(rng.uniform())
        points = ray_points(2, first)
        seen = days[group // 2 % _DAYS]
        wanted = (seen.lit > 0.001) & (seen.lit < 0.999) if group % 2 else seen.lit >= 0
        minute, channel = np.nonzero(wanted & seen.inside[:, None])
        some = np.sort(rng.choice(len(minute), _AT_ONCE))
        minute, channel = minute[some], channel[some]
        utc_us = seen.utc_us[minute] + rng.integers(-30_000_000, 30_000_000, len(minute))
        place = time.place(utc_us)
        polar = frames.direction(place.hour_angle, place.declination, side_of(dial), np)
        tracer = Tracer(dial, rays=2, first=first)
        traced = tracer.lit_fractions(polar, np.degrees(place.semidiameter))
        ways = Ways(dial, points)
        for k, number in enumerate(channel.tolist()):
            cut = through_triangles(dial, triangles, number, place, k, points)
            at = (place.hour_angle[k], place.declination[k], place.semidiameter[k])
            walked = ways.lit(number, *map(float, at))
            off = (cut ^ walked).sum()
            lit = cut.sum(), round(2 * traced[k, number]), off
            found.append((*lit, seen.own[minute[k], number]))
    return np.array(found)


def agreed(found):
    allowed = (1 - AGREE) * 2 * len(found)
    assert np.abs(found[:, 0] - found[:, 1]).sum() <= allowed
    assert found[:, 2].sum() <= allowed


def check_rays(dial, draws, seed):
    found = yes_and_no(dial, triangles_of(dial), draws, np.random.default_rng(seed))
    rays = 2 * len(found)
    assert rays >= 2 * draws - 2 * _AT_ONCE
    lit = found[:, 0].sum() / rays
    assert 0.2 < lit < 0.8
    # Light that no closed form of a channel's own bores knows of is among it.
    assert found[found[:, 3] < 0.001, 0].sum() > rays / 1000
    agreed(found)


def check_fractions(dial, count, seed):
    """What look gives, which everything in an audit comes from, against 4096 rays each."""
    rng = np.random.default_rng(seed)
    triangles, light, time = triangles_of(dial), light_of(dial), plan_time(dial, 2027)
    off, strays = [], 0
    for run in rng.integers(0, len(time.day), _DAYS):
        seen = look(light, time, np.array([run]))
        partly = (seen.lit > 0.01) & (seen.lit < 0.99) & seen.inside[:, None]
        minute, channel = np.nonzero(partly)
        for some in rng.choice(len(minute), count // _DAYS).tolist():
            k, number = minute[some], int(channel[some])
            at = (seen.place.hour_angle[k], seen.place.declination[k], seen.place.semidiameter[k])
            off.append(seen.lit[k, number] - marched(dial, triangles, number, *map(float, at)))
            strays += seen.lit[k, number] - seen.own[k, number] > 0.05
    assert strays > count / 50
    assert np.abs(off).max() <= CLOSE


@pytest.mark.parametrize("site", [SKY, pytest.param(SKEW, marks=pytest.mark.deep)])
def test_single_rays_agree_with_triangles(site):
    check_rays(plate(site), 200, 2027)


def test_lit_fractions_of_an_audit_agree_with_triangles():
    check_fractions(plate(SKY), 40, 11)


@pytest.mark.timeout(1200)
@pytest.mark.deep
def test_twenty_thousand_rays_through_a_whole_face_agree_with_triangles():
    check_rays(whole_face(), 10_000, 7)


@pytest.mark.timeout(600)
@pytest.mark.deep
def test_lit_fractions_of_a_whole_face_agree_with_triangles():
    check_fractions(whole_face(), 200, 5)
