"""Lit fractions of one bore: arrays as scalars, against sums over the sphere, in narrow floats."""

import math
import sys
from functools import cache
from types import ModuleType

import numpy as np
import pytest
from tests.references import board_sun

from dialcore import bores, disc, frames

SUN = 0.00465
long = (pytest.mark.deep, pytest.mark.timeout(120))


@cache
def rule(rings, spokes):
    """Distances from the middle of the darkened disc in its radii, their light, and turns."""
    place, weight = np.polynomial.legendre.leggauss(rings)
    mu = (place + 1) / 2
    light = weight * mu * (1 - 0.6 * (1 - mu))
    turn = (np.arange(spokes) + 0.5) * 2 * np.pi / spokes
    return np.sqrt(1 - mu * mu), light / light.sum(), turn


def by_points(bore, rings=160, spokes=240):
    """Lit fraction from points of the disc as they lie on the sphere; each lights a share of
    the exit that plane geometry tells."""
    radii, light, turn = rule(rings, spokes)
    along = np.array(bore.sun)
    east = np.cross(along, [0, 0, 1.0])
    east /= np.linalg.norm(east)
    north = np.cross(along, east)
    away = np.arcsin(radii * math.sin(bore.semidiameter))[:, None, None]
    aside = np.cos(turn)[:, None] * east + np.sin(turn)[:, None] * north
    rays = np.cos(away) * along + np.sin(away) * aside
    across, beside = rays[..., 1] / rays[..., 0], rays[..., 2] / rays[..., 0]
    if bore.opening is None:
        share = circles(np.hypot(across, beside) * bore.length, bore.exit, bore.entry)
    else:
        high = bore.exit + 2 * bore.length * math.tan(bore.opening / 2)
        share = passed(across, bore)
        share = share * overlap(beside * bore.length, bore.exit, high)
    return float((light * share.mean(axis=1)).sum())


def passed(slope, bore):
    """Share of an exit's places, from one edge to the other, that both ends of walls let by."""
    widen = (bore.entry - bore.exit) / 2 / bore.length
    late, early = bore.walls
    high = np.minimum(bore.exit / 2, bore.exit / 2 + late * (widen - slope))
    low = np.maximum(-bore.exit / 2, -bore.exit / 2 - early * (widen + slope))
    return np.maximum(high - low, 0) / bore.exit


def overlap(apart, exit_size, entry_size):
    """Share of an interval about 0 that another, apart from it, covers."""
    low = np.maximum(-exit_size / 2, apart - entry_size / 2)
    high = np.minimum(exit_size / 2, apart + entry_size / 2)
    return np.maximum(high - low, 0) / exit_size


def circles(apart, exit_size, entry_size):
    """The same of two circles: sectors less triangles."""
    r, q = exit_size / 2, entry_size / 2
    d = np.clip(apart, abs(r - q) + 1e-12, r + q)
    one = np.arccos(np.clip((d * d + r * r - q * q) / (2 * d * r), -1, 1))
    other = np.arccos(np.clip((d * d + q * q - r * r) / (2 * d * q), -1, 1))
    area = r * r * (one - np.sin(2 * one) / 2) + q * q * (other - np.sin(2 * other) / 2)
    return area / (math.pi * r * r)


class Random:
    """A bore and a Sun that it may be lit by; where walls cut in declination, also there."""

    def __init__(self, rng, shape):
        self.length = rng.uniform(30, 150)
        self.exit = self.length * rng.uniform(0.002, 0.06)
        self.entry = self.exit * rng.choice([1.0, rng.uniform(1, 6), rng.uniform(0.7, 1)])
        self.opening = math.radians(rng.uniform(1, 60)) if shape == "slot" else None
        self.semidiameter = rng.uniform(0.00457, 0.00473)
        self.walls = self.length, self.length
        reach = (self.exit + self.entry) / 2 / self.length + 0.006
        if shape == "slot":
            across = rng.uniform(-1, 1) * reach
            edge = rng.choice([-1, 1]) * (self.opening / 2 + rng.uniform(-0.01, 0.01))
            beside = rng.choice([rng.uniform(-0.3, 0.3) * self.opening, edge])
        else:
            turn = rng.uniform(0, 2 * math.pi)
            across, beside = (rng.uniform(0, reach) * f(turn) for f in (math.cos, math.sin))
        sun = np.array([1.0, math.tan(across), math.tan(beside)])
        self.sun = (sun / np.linalg.norm(sun)).tolist()

    def arguments(self):
        sizes = [self.semidiameter, self.exit, self.entry, self.length]
        return [*self.sun, *sizes, *([] if self.opening is None else [self.opening])]

    def cut_both_ways(self):
        """Whether neither width nor height is fully open or fully shut."""
        along, across, beside = self.sun
        high = self.exit + 2 * self.length * math.tan(self.opening / 2)
        sides = (across / along, self.entry), (beside / along, high)
        blur = self.semidiameter / along * 1.2
        return all(
            abs(high - self.exit) / 2 - 1e-9 < self.length * (abs(slope) + blur)
            and self.length * (abs(slope) - blur) < (high + self.exit) / 2
            for slope, high in sides
        )


def randoms(shape, count=100):
    rng = np.random.default_rng(1)
    return [Random(rng, shape) for _ in range(count)]


class Oblique(Random):
    """The same of a slot that ends on a surface not square to its axis."""

    def __init__(self, rng):
        super().__init__(rng, "slot")
        self.walls = tuple((self.length * rng.uniform(0.9, 1.1, 2)).tolist())

    def arguments(self, m):
        return [*super().arguments(), m, self.walls]


FUNCTIONS = {
    "slot": (bores.slot_lit, "slot"),
    "corner": (bores.slot_corner_lit, "slot"),
    "round": (bores.round_lit, "round"),
}


@pytest.mark.parametrize("name", FUNCTIONS)
def test_arrays_are_as_scalars(name):
    function, shape = FUNCTIONS[name]
    listed = [bore.arguments() for bore in randoms(shape, 300)]
    together = function(*np.array(listed).T, np)
    assert together == pytest.approx([function(*each, math) for each in listed], abs=1e-12)
    assert ((together > 0.01) & (together < 0.99)).sum() > 80


def test_slots_against_the_sphere():
    """Where walls cut one way only, also on an opening's edges, far off the axis."""
    listed = [bore for bore in randoms("slot") if not bore.cut_both_ways()]
    off = np.abs([bores.slot_lit(*b.arguments(), math) - by_points(b) for b in listed])
    edge = np.array([abs(b.sun[2]) / b.sun[0] > math.tan(0.35 * b.opening) for b in listed])
    assert edge.sum() > 10 and (~edge).sum() > 30
    # Measured: 1.8e-6, and 0.8e-6 on edges.
    assert off.max() < 4e-6


@pytest.mark.parametrize("name", ["slot", "corner"])
def test_walls_that_end_at_different_distances(name):
    """Arrays as scalars, and both against the sphere."""
    rng = np.random.default_rng(7)
    listed = [Oblique(rng) for _ in range(100)]
    if name == "slot":
        listed = [bore for bore in listed if not bore.cut_both_ways()]
    function, _ = FUNCTIONS[name]
    found = np.array([function(*b.arguments(math)) for b in listed])
    due = np.array([by_points(b) for b in listed])
    narrow = np.array([b.entry < b.exit for b in listed])
    square = np.array([function(*b.arguments(math)[:-1]) for b in listed])
    assert narrow.sum() > 10 and ((due > 0.05) & (due < 0.95)).sum() > 20
    assert np.abs(found - square).max() > 0.02
    # Measured: 7.5e-6, of which the sums make most.
    assert np.abs(found - due).max() < 1e-5
    sizes = np.array([b.arguments(math)[:-2] for b in listed]).T
    walls = tuple(np.array([b.walls for b in listed]).T)
    assert function(*sizes, np, walls) == pytest.approx(found, abs=1e-12)


def test_corners_against_the_sphere():
    listed = [bore for bore in randoms("slot") if bore.cut_both_ways()]
    due = np.array([by_points(b) for b in listed])
    off = [bores.slot_corner_lit(*b.arguments(), math) for b in listed] - due
    product_off = [bores.slot_lit(*b.arguments(), math) for b in listed] - due
    assert len(off) > 20
    # Measured: 7e-7.
    assert np.abs(off).max() < 4e-6
    # The product of two averages, which is what slot_lit says of them, is not enough.
    assert np.abs(product_off).max() > 0.001


def test_rounds_against_the_sphere():
    listed = randoms("round")
    off = [bores.round_lit(*b.arguments(), math) - by_points(b) for b in listed]
    assert np.abs(off).max() < 4e-6


def in_32_bits(module):
    """The board's source with every step rounded to 32 bits, as for its Sun (board_sun)."""
    found = ModuleType(module.__name__)
    # What rounds there is called as a variable is here.
    source = board_sun.source(module, narrow=True).replace("step(", "rounded_step(")
    exec(source, vars(found))  # noqa: S102
    return found


@pytest.mark.parametrize("count", [60, pytest.param(200, marks=long)])
@pytest.mark.parametrize("name", FUNCTIONS)
def test_narrow_floats_cost_little(name, count, monkeypatch):
    """A direction is known to 6e-8 then; a bore 500 times as long as its exit is wide may make
    3e-5 of that.
    """
    monkeypatch.setitem(sys.modules, "frames", frames)
    monkeypatch.setitem(sys.modules, "disc", in_32_bits(disc))
    names = vars(in_32_bits(bores))
    function, shape = FUNCTIONS[name]
    off = []
    for bore in randoms(shape, count):
        given = np.array(bore.arguments(), np.float32).tolist()
        narrow = names[function.__name__](*given, math)
        assert narrow == np.float32(narrow)
        off.append(abs(narrow - function(*given, math)))
    # Measured: 4e-6, 9e-6; 1.2e-3 in the arc cosines of an entry much wider than its exit,
    # 2e-4 elsewhere.
    assert 0 < max(off) < (2e-3 if shape == "round" else 2e-5)


@pytest.mark.parametrize("function", [bores.slit_lit, disc.ramp, disc.beyond])
def test_what_is_over_is_over(function):
    """Far outside of the disc nothing is left of the closed forms' large terms."""
    far = np.array([-40.0, -1.0, 1.0, 40.0])
    if function is bores.slit_lit:
        assert function(far, SUN, 3.0, 3.0, 60.0, np).tolist() == [0, 0, 0, 0]
    elif function is disc.ramp:
        assert function(far, np).tolist() == pytest.approx([0, 0, 1, 40], abs=1e-14)
    else:
        assert function(far, np).tolist() == pytest.approx([1, 1, 0, 0], abs=1e-14)


@pytest.mark.parametrize("count", [5, pytest.param(12, marks=long)])
@pytest.mark.parametrize("name", FUNCTIONS)
def test_lit_fractions_do_not_jump(name, count):
    """Also at the bends, and where walls of exit and entry are exactly as wide."""
    function, shape = FUNCTIONS[name]
    for bore in randoms(shape, count):
        turn = np.linspace(-0.12, 0.12, 20_001)
        sun = np.stack((np.cos(turn), np.sin(turn), np.full_like(turn, bore.sun[2])))
        lit = function(*sun, *bore.arguments()[3:], np)
        steepest = 4 / math.pi * bore.length / bore.exit * 1.2e-5
        assert np.abs(np.diff(lit)).max() < 1.05 * steepest
        assert lit[0] == pytest.approx(0, abs=1e-12) and lit.min() >= 0 and lit.max() <= 1
