"""Slots that light one exit together, against sums over the sphere, and single ones as the core.

The sums take what is said of unions (the best slot on either side, and no more than all) ray
by ray; that it is true of an exit, rays through it show in test_ideal.
"""

import math
from itertools import pairwise

import numpy as np
import pytest
from tests.host.dials import ELSEWHERE_MM, bore, dial

from dialbench.ideal import bores_of
from dialcore import bores, frames

SUN = 0.00465
long = (pytest.mark.deep, pytest.mark.timeout(120))


def lit(listed, hour_angle, declination):
    place = (np.array([x]) for x in (hour_angle, declination, SUN))
    here = dial(*listed, radius_mm=ELSEWHERE_MM)
    return float(bores_of(here).lit(*place, np.zeros(1, np.int64))[0])


def sun_in(listed_bore, vectors):
    """Components of directions along a bore's axis and across it both ways."""
    place = math.radians(listed_bore.hour_angle_deg), math.radians(listed_bore.declination_deg)
    return [frames.dot(vectors, axis) for axis in bores.axes(*place, 1, math)]


def by_points(listed, hour_angle, declination, strips=1500, points=150):
    turn = ((np.arange(strips) + 0.5) / strips - 0.5)[:, None] * np.pi
    step = ((np.arange(points) + 0.5) / points - 0.5) * np.pi
    x, y = np.sin(turn) + 0 * step, np.cos(turn) * np.sin(step)
    light = np.cos(turn) ** 2 * np.cos(step) * (0.4 + 0.6 * np.sqrt(1 - x * x - y * y))
    middle = np.array(frames.direction(hour_angle, declination, 1, math))
    east = np.array([-math.sin(hour_angle), -math.cos(hour_angle), 0.0])
    north = np.cross(middle, east)
    size = math.sin(SUN)
    long = np.sqrt(1 - (x * x + y * y) * size * size)
    rays = [long * middle[k] + size * (x * east[k] + y * north[k]) for k in range(3)]
    width, low, high, right = [], [], [], []
    for b in listed:
        along, u, v = sun_in(b, rays)
        high_mm = b.exit_mm + 2 * b.length_mm * math.tan(math.radians(b.opening_deg) / 2)
        width.append(bores.slit(u / along, b.exit_mm, b.entry_mm, b.length_mm))
        height = bores.slit(v / along, b.exit_mm, high_mm, b.length_mm)
        # A Sun beyond the upper end lights the exit from its lower end on.
        low.append(np.where(v > 0, 0.0, 1 - height))
        high.append(np.where(v > 0, height, 1.0))
        right.append(u >= 0)
    total = np.zeros_like(light)
    # From one height at which one of them begins or ends to the next.
    levels = np.sort(np.array(low + high), axis=0)
    for begin, end in pairwise(levels):
        tall = [
            (a <= (begin + end) / 2) & (b >= (begin + end) / 2)
            for a, b in zip(low, high, strict=True)
        ]
        sides = [
            np.max([w * t * s for w, t, s in zip(width, tall, side, strict=True)], axis=0)
            for side in (right, [~r for r in right])
        ]
        total += np.minimum(sides[0] + sides[1], 1.0) * (end - begin)
    return (light * total).sum() / light.sum()


def groups(count, opening_deg, unlike, high):
    """Groups of slots as wide as they are apart, and a Sun that several of them see."""
    rng = np.random.default_rng(3)
    found = []
    while len(found) < count:
        length_mm = rng.uniform(50, 150)
        exit_mm = length_mm * rng.choice([0.01, 0.03, 0.06])
        entry_mm = min(exit_mm * rng.choice([1.0, rng.uniform(1, 8)]), 0.15 * length_mm)
        half_deg = math.degrees((exit_mm + entry_mm) / 2 / length_mm)
        places_deg = np.cumsum(rng.uniform(0.1, 1.4, rng.integers(2, 4))) * half_deg
        opened_deg = rng.uniform(*opening_deg)
        listed = [
            bore(
                float(place_deg),
                exit_mm=float(exit_mm),
                entry_mm=float(entry_mm * (1 + unlike * rng.uniform(-1, 1))),
                length_mm=float(length_mm * (1 + unlike * rng.uniform(-1, 1))),
                opening_deg=float(opened_deg),
                declination_deg=high,
            )
            for place_deg in places_deg
        ]
        hour_angle = math.radians(rng.uniform(places_deg[0] - half_deg, places_deg[-1] + half_deg))
        edge = math.radians(opened_deg) / 2 + rng.uniform(-0.008, 0.01)
        declination = math.radians(high) + (0.0 if opened_deg == 60 else edge)
        alone = [lit([b], hour_angle, declination) for b in listed]
        if sum(one > 1e-6 for one in alone) > 1:
            found.append((listed, hour_angle, declination))
    return found


@pytest.mark.parametrize(
    ("opening_deg", "unlike", "high", "bound"),
    [
        # Measured, of which the sums make most of the second: 4e-7, 2e-5, 3e-6, 1e-4 (such slots
        # see the same ray at different heights).
        ((60, 60), 0.0, 0.0, 2e-6),
        ((60, 60), 0.2, 8.0, 4e-5),
        ((5, 50), 0.0, 0.0, 1e-5),
        ((5, 50), 0.2, 8.0, 2e-4),
    ],
    ids=["tall", "tall, unlike, high", "half shut", "half shut, unlike, high"],
)
@pytest.mark.parametrize("count", [8, pytest.param(20, marks=long)])
def test_slots_together_against_the_sphere(opening_deg, unlike, high, bound, count):
    off = [
        lit(*group) - by_points(*group) for group in groups(count, opening_deg, unlike, float(high))
    ]
    assert np.abs(off).max() < bound


def facing(count):
    """Slots one above the other, and a Sun between that some see below them and some above."""
    rng = np.random.default_rng(7)
    found = []
    while len(found) < count:
        length_mm, opening_deg = float(rng.uniform(50, 150)), float(rng.uniform(1, 8))
        exit_mm = length_mm * float(rng.choice([0.01, 0.03, 0.06]))
        half_deg = math.degrees(exit_mm / length_mm)
        listed = [
            bore(
                float(rng.uniform(-0.7, 0.7)) * half_deg,
                exit_mm=exit_mm,
                entry_mm=exit_mm * float(rng.uniform(1, 1.5)),
                length_mm=length_mm * float(rng.uniform(0.9, 1.1)),
                opening_deg=opening_deg,
                declination_deg=side * (opening_deg / 2 + float(rng.uniform(-0.3, 0.6)) * half_deg),
            )
            for side in (1, -1, 1)[: rng.integers(2, 4)]
        ]
        group = listed, 0.0, math.radians(float(rng.normal(0, 0.1)) * half_deg)
        if sum(lit([b], *group[1:]) > 0.05 for b in listed) == len(listed):
            found.append(group)
    return found


@pytest.mark.parametrize("count", [8, pytest.param(20, marks=long)])
def test_slots_that_face_each_other_against_the_sphere(count):
    off, more = [], []
    for group in facing(count):
        found, alone = lit(*group), [lit([b], *group[1:]) for b in group[0]]
        off.append(found - by_points(*group))
        more.append(found - max(alone))
    assert np.abs(off).max() < 3e-4  # measured 1.1e-4
    assert max(more) > 0.2  # than the best of them by itself


def test_many_at_once_are_as_the_core_says_of_each():
    """Where speed takes another way than dialcore.bores it comes to the same."""
    rng = np.random.default_rng(5)
    seen = corners = 0
    for _ in range(100):
        exit_mm = float(rng.uniform(0.2, 4))
        one = bore(
            exit_mm=exit_mm,
            entry_mm=float(exit_mm * rng.choice([1.0, rng.uniform(1, 6), rng.uniform(0.7, 1)])),
            opening_deg=float(rng.uniform(1, 40)),
            declination_deg=float(rng.uniform(-20, 20)),
        )
        half = math.radians(one.opening_deg) / 2
        turn = rng.uniform(-0.1, 0.1, 60)
        lift = rng.choice([-1, 0, 1], 60) * half + rng.uniform(-0.01, 0.01, 60)
        declination = math.radians(one.declination_deg) + lift
        size, channel = np.full(60, SUN), np.zeros(60, np.int64)
        found = bores_of(dial(one, radius_mm=ELSEWHERE_MM)).lit(turn, declination, size, channel)
        sun = sun_in(one, frames.direction(turn, declination, 1, np))
        sizes = one.exit_mm, one.entry_mm, one.length_mm, 2 * half
        plain = bores.slot_lit(*sun, size, *sizes, np)
        corner = bores.slot_corner_lit(*sun, size, *sizes, np)
        off = np.minimum(np.abs(found - plain), np.abs(found - corner))
        assert off.max() < 1e-12
        assert np.abs(found - corner).max() < 2e-5
        corners += (np.abs(plain - corner) > 1e-4).sum()
        seen += ((found > 0.01) & (found < 0.99)).sum()
    assert seen > 500
    assert corners > 30
