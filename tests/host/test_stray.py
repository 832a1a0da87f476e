"""The field of stray light: ray by ray, against the tracer, and what must hold of it."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from dialbench.dial import Body, Bore, Channel, Dial, Plan, Site
from dialbench.rays import stray as module
from dialbench.rays.stray import LIMIT_DEG, STEP_DEG, Stray, disc_weights
from dialbench.rays.tracer import Tracer
from dialbench.sky import mean_semidiameter_deg
from dialcore import frames

NORTH = Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0)
SOUTH = Site("South Holm", -41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0)
PLAN = Plan("apparent", 15.0, ())
RADIUS_MM, LENGTH_MM = 25.0, 50.0


def tangle(seed, site=NORTH):
    """Six channels, of slots or of round bores, that cross again and again near the face."""
    rng = np.random.default_rng(seed)
    places = tuple((float(y), float(z)) for y in (-4, 1, 5) for z in (-3, 4))
    bores = []
    for channel in range(6):
        shape = "round" if rng.random() < 0.4 else "slot"
        exit_mm = float(rng.uniform(0.8, 2.0))
        for _ in range(3):
            hour_angle_deg, declination_deg = rng.uniform(-50, 50), rng.uniform(-15, 15)
            entry_mm, opening_deg = exit_mm * rng.uniform(0.9, 4.0), rng.uniform(5, 40)
            facts = (float(x) for x in (hour_angle_deg, declination_deg))
            sizes = (exit_mm, float(entry_mm), RADIUS_MM, float(opening_deg))
            bores.append(Bore(channel, *facts, shape, *sizes))
    channels = tuple(Channel(y, z, k, 0) for k, (y, z) in enumerate(places))
    return Dial("tangle", site, channels, PLAN, Body(RADIUS_MM, LENGTH_MM), tuple(bores))


def apart(*hours_deg):
    """Bores side by side, none of which comes near another."""
    bores = tuple(Bore(k, h, 0.0, "slot", 1.0, 2.0, 60.0, 20.0) for k, h in enumerate(hours_deg))
    channels = tuple(Channel(0.0, 60.0 * k, k, 0) for k in range(len(bores)))
    return Dial("apart", NORTH, channels, PLAN, Body(60.0, 60.0 * len(bores) + 100.0), bores)


@pytest.fixture
def few_rays(monkeypatch):
    """Enough to see what does not hang on how many they are."""
    monkeypatch.setattr(module, "_RAYS", (8, 8))


# Ray by ray: the very rays of the field, each followed by itself.


def carried(reach, stretches):
    """How far a ray comes through stretches that follow one another without a gap."""
    for low, high in sorted(stretches):
        if low <= reach:
            reach = max(reach, high)
    return reach


def stretch(start, way, bore, at, side):
    """From where to where a ray is in a bore: void by its inequalities, one after the other."""
    h, d = math.radians(bore.hour_angle_deg), math.radians(bore.declination_deg)
    along = np.array(frames.direction(h, d, side, math))
    across = np.array([-math.sin(h), -side * math.cos(h), 0.0])
    beside = np.array(
        [
            -math.sin(d) * math.cos(h),
            side * math.sin(d) * math.sin(h),
            side * math.cos(d),
        ]
    )
    a, u, v = (axis @ (start - at) for axis in (along, across, beside))
    da, du, dv = (axis @ way for axis in (along, across, beside))
    half, widen = bore.exit_mm / 2, (bore.entry_mm - bore.exit_mm) / 2 / bore.length_mm
    is_round = bore.shape == "round"
    rise = widen if is_round else math.tan(math.radians(bore.opening_deg / 2))
    low, high = -math.inf, math.inf
    walls = [(-a - half, -da)]
    for place, on, grow in ((u, du, widen), (v, dv, rise)):
        walls += [(sign * place - half - grow * a, sign * on - grow * da) for sign in (1, -1)]
    for here, on in walls:
        if on > 0:
            high = min(high, -here / on)
        elif on < 0:
            low = max(low, -here / on)
        elif here > 0:
            return math.inf, -math.inf
    if is_round:
        wide, widening = half + widen * a, widen * da
        roots = np.roots(
            [
                du * du + dv * dv - widening**2,
                2 * (u * du + v * dv - wide * widening),
                u * u + v * v - wide * wide,
            ]
        )
        if np.iscomplex(roots).any():
            return math.inf, -math.inf
        # Between the roots, before or behind both: where the middle of a part is inside.
        edges = [low, *(r for r in sorted(roots.real) if low < r < high), high]
        for first, last in pairwise(edges):
            t = (max(first, -1e4) + min(last, 1e4)) / 2
            if math.hypot(u + t * du, v + t * dv) <= wide + t * widening:
                return first, last
        return math.inf, -math.inf
    return low, high


def cell_one_by_one(field, dial, cell, row, channel, facing):
    """Share of an exit that strays into a cell's direction, with the rays of the field."""
    side = dial.site.hemisphere
    ats = [np.array([0.0, c.y_mm, c.z_mm]) for c in dial.channels]
    ranks = field._ranks(np.array([cell, cell]), np.array([row]), np.array([False, True]))
    way = np.array([float(t[0, 0]) for t in ranks.towards])
    bore = dial.bores[facing]
    half = max(b.exit_mm for b in dial.bores if b.channel == channel) / 2
    across, beside = (field._voids.axes[k][:, facing] for k in (1, 2))
    count = 0
    for part in (0, 1):
        for k in range(ranks.rays):
            p = part - 0.5 + (float(ranks.first[part, 0]) + float(ranks.step) * k) / 2
            q = float(ranks.beside[part, 0])
            if bore.shape == "round" and p * p + q * q > 1:
                continue
            start = ats[channel] + half * (p * across + q * beside)
            out = way_out(dial, start, way)
            cuts = [(b.channel, stretch(start, way, b, ats[b.channel], side)) for b in dial.bores]
            come = max(0.0, -start[0] / way[0])
            if carried(come, [c for _, c in cuts]) >= out:
                count += carried(come, [c for n, c in cuts if n == channel]) < out
    drawn_mm2 = bore.exit_mm**2 * (math.pi / 4 if bore.shape == "round" else 1.0)
    return count / (2 * ranks.rays) * (2 * half) ** 2 / drawn_mm2


def way_out(dial, start, way):
    a, b = way[0] ** 2 + way[1] ** 2, start[0] * way[0] + start[1] * way[1]
    c = start[0] ** 2 + start[1] ** 2 - dial.body.radius_mm**2
    rim = (-b + math.sqrt(b * b - a * c)) / a
    end = (dial.body.length_mm / 2 - math.copysign(start[2], way[2] * start[2])) / abs(way[2])
    return min(rim, end)


@pytest.mark.parametrize(("seed", "site"), [(0, NORTH), (1, SOUTH), (2, NORTH), (3, SOUTH)])
def test_every_cell_holds_what_its_rays_say_one_by_one(seed, site, few_rays):
    """Those too that boxes have settled without a ray."""
    dial = tangle(seed, site)
    field, rng = Stray(dial), np.random.default_rng(seed)
    number = int(rng.integers(-6, 6))
    cells = field._traced(number * module._BLOCK, module._BLOCK)
    lit = np.argwhere(cells > 0)
    anywhere = np.column_stack(
        (
            rng.integers(0, cells.shape[0], 50),
            rng.integers(0, cells.shape[1], 50),
            rng.integers(0, cells.shape[2], 50),
        )
    )
    assert len(lit) > 1000
    off = 0
    for line, place, channel in np.concatenate((rng.choice(lit, 50), anywhere)):
        cell, row = field._first_cell + int(place), number * module._BLOCK + int(line)
        # The bore that the exit lies across is told by the middle of the block's rows.
        middle = np.radians(
            [cell * 0.05, (number + 0.5 - 0.5 / module._BLOCK) * module._BLOCK * 0.05]
        )
        sun = np.array(frames.direction(*middle, dial.site.hemisphere, math))
        if sun[0] <= 0:
            assert cells[line, place, channel] == 0
            continue
        own = [k for k, b in enumerate(dial.bores) if b.channel == channel]
        facing = max(own, key=lambda k: sun @ field._voids.axes[0][:, k])
        share = cell_one_by_one(field, dial, cell, row, int(channel), facing)
        off += not math.isclose(share, cells[line, place, channel], abs_tol=1e-5)
    assert off == 0


# Against the tracer: other rays, another way to follow them, the disc's own points.


def traced(dial, hours_deg, declination_deg):
    """What all bores together let in beyond what each channel's own do, (hours, channels)."""
    side = dial.site.hemisphere
    sun = frames.direction(
        np.radians(hours_deg), np.full(len(hours_deg), np.radians(declination_deg)), side, np
    )
    size_deg = float(mean_semidiameter_deg(declination_deg))
    share = Tracer(dial, rays=2048).lit_fractions(sun, size_deg)
    for channel in range(len(dial.channels)):
        own = tuple(b for b in dial.bores if b.channel == channel)
        alone = Tracer(replace(dial, bores=own), rays=2048)
        share[:, channel] -= alone.lit_fractions(sun, size_deg)[:, channel]
    return share


@pytest.mark.parametrize(("seed", "row"), [(4, -50), (5, 3), (6, 88), (7, 215)])
def test_the_field_is_what_the_tracer_says(seed, row):
    dial = tangle(seed, (NORTH, SOUTH)[seed % 2])
    field = Stray(dial)
    share = field.rows(row, 1)[0]
    where = np.flatnonzero((share > 0.02).any(axis=1))[::4]
    other = traced(dial, field.hours_deg[where], row * STEP_DEG)
    off = share[where] - other
    assert (other > 0.05).sum() > 20
    assert np.abs(off).max() < 0.03  # where the exit is said to lie across another bore
    assert np.sqrt((off**2).mean()) < 0.004
    assert abs(off.mean()) < 0.0005


def test_nothing_strays_beyond_the_field():
    dial = tangle(8)
    field = Stray(dial)
    beyond_deg = np.concatenate(
        (
            np.arange(-95.0, field.hours_deg[0], 0.5),
            np.arange(field.hours_deg[-1] + 0.1, 95.0, 0.5),
        )
    )
    for declination_deg in (-24.0, 0.0, 24.0):
        assert not traced(dial, beyond_deg, declination_deg).any()


# What must hold of any field.


def test_rows_do_not_depend_on_which_are_asked_for_together(few_rays):
    dial = tangle(9)
    together = Stray(dial).rows(-5, 20)  # of three blocks
    field = Stray(dial)
    assert together.dtype == np.float32
    for k in (19, 0, 9):
        assert np.array_equal(field.rows(k - 5, 1)[0], together[k])
    field.rows(150, 1)  # what was worked out is forgotten by now
    field.rows(-150, 1)
    assert np.array_equal(field.rows(-5, 20), together)


def test_nodes_are_multiples_of_the_step_and_dark_at_the_ends(few_rays):
    for seed in range(2):
        field = Stray(tangle(seed))
        steps = field.hours_deg / STEP_DEG
        assert steps == pytest.approx(np.round(steps), abs=1e-9)
        assert np.diff(steps) == pytest.approx(1.0)
        ends = field.rows(-20, 40)[:, [0, 1, -2, -1]]
        assert not ends.any()


def test_bores_that_keep_apart_leave_nothing_to_follow():
    for dial in (apart(-20.0, 10.0, 40.0), apart(0.0), apart()):
        field = Stray(dial)
        assert len(field.hours_deg) == 0
        assert field.rows(-3, 7).shape == (7, 0, len(dial.channels))


def test_rows_farther_out_than_any_sun_are_refused():
    field = Stray(tangle(0))
    last = math.floor(LIMIT_DEG / STEP_DEG)
    assert field.rows(last, 1).shape[0] == field.rows(-last, 1).shape[0] == 1
    for first, count in ((last, 2), (-last - 1, 1)):
        with pytest.raises(ValueError, match="not within"):
            field.rows(first, count)


def test_a_southern_dial_is_a_northern_one_in_the_mirror(few_rays):
    north = tangle(10)
    mirrored = tuple(replace(c, y_mm=-c.y_mm, z_mm=-c.z_mm) for c in north.channels)
    south = replace(north, site=SOUTH, channels=mirrored)
    here, there = Stray(north), Stray(south)
    assert np.array_equal(here.hours_deg, there.hours_deg)
    for row in (-60, 35):
        # A ray that grazes a wall may fall to either side.
        assert there.rows(row, 1) == pytest.approx(here.rows(row, 1), abs=0.005)


def test_other_rays_say_the_same():
    dial = tangle(11)
    off = Stray(dial, first=0.0).rows(20, 6) - Stray(dial, first=0.37).rows(20, 6)
    assert off.any()
    assert np.sqrt((off**2).mean()) < 0.003
    assert np.abs(off).max() < 0.015


@pytest.mark.parametrize("row", [-240, 0, 130])
def test_cells_are_weighed_as_the_sun_s_disc_is_bright(row):
    weights = disc_weights(row)
    assert weights.sum() == pytest.approx(1.0)
    up, side = ((np.arange(n) - n // 2) * 0.05 for n in weights.shape)
    cosine = math.cos(math.radians(row * STEP_DEG))
    # Light of a disc darkened by 0.6 (1 - mu), by rings: its mean square distance.
    r = (np.arange(20_000) + 0.5) / 20_000
    bright = (0.4 + 0.6 * np.sqrt(1 - r * r)) * r
    radius_deg = float(mean_semidiameter_deg(row * STEP_DEG))
    square = radius_deg**2 * (bright * r * r).sum() / bright.sum() / 2
    # A cell's light counts as if it came from its middle.
    wide, high = (weights.sum(axis=k) for k in (0, 1))
    assert (wide * (side * cosine) ** 2).sum() == pytest.approx(square, rel=0.03)
    assert (high * up**2).sum() == pytest.approx(square, rel=0.03)
    assert (weights.sum(axis=0) * side).sum() == pytest.approx(0.0, abs=1e-9)
    assert (weights.sum(axis=1) * up).sum() == pytest.approx(0.0, abs=0.001)
