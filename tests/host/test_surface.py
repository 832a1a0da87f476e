"""Bores that end on a surface oblique to their axes, against rays that leave the body one by one.

A ray that starts on the exit stays inside a bore until it leaves the body, or it is dark: where
it leaves is where its own line meets the rim or the front: of wall ends nothing is used.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from tests.host.dials import ELSEWHERE_MM, NOON, NORTH, SOUTH, bore, hole

from dialbench.dial import Body, Channel, Dial
from dialbench.ideal import bores_of
from dialbench.layout import LENGTH_SLACK_MM, depth_mm
from dialbench.surface import Ends
from dialcore import bores, frames

SUN = 0.00465
PLATE = Body(115.0, 300.0, 22.0)
ROUND = Body(40.0, 300.0)


def in_body(site, body, y_mm, *listed):
    """A dial of one channel whose bores, listed, end on the body's surface; their tapers kept."""
    fitted = []
    for each in listed:
        length_mm = depth_mm(body, y_mm, each.hour_angle_deg, site.hemisphere)
        length_mm /= math.cos(math.radians(each.declination_deg))
        widen = (each.entry_mm - each.exit_mm) / each.length_mm
        entry_mm = each.exit_mm + widen * length_mm
        fitted.append(replace(each, length_mm=length_mm, entry_mm=entry_mm))
    return Dial("test", site, (Channel(y_mm, 0.0, 0, 0),), NOON, body, tuple(fitted))


def lit(dial, hour_angle, declination):
    size = np.full(len(hour_angle), SUN)
    channel = np.zeros(len(hour_angle), np.int64)
    return bores_of(dial).lit(hour_angle, declination, size, channel)


def by_rays(dial, hour_angle, declination, rings=16, spokes=40, count=150):
    """Share of the exit that rays light through any one bore; shape (n,).

    The axes of slots are on the equator; in declination they end at their length, as everywhere.
    """
    node, weight = np.polynomial.legendre.leggauss(rings)
    mu = (node + 1) / 2
    light = weight * mu * (0.4 + 0.6 * mu)
    light = np.repeat(light / light.sum() / spokes, spokes)[:, None]
    turn = np.add.outer(0.618 * np.arange(rings), np.arange(spokes)).ravel() * 2 * np.pi / spokes
    far = np.repeat(np.sqrt(1 - mu * mu), spokes)
    # Every point of the disc lights places of its own on the exit.
    shift = (0.7549 * np.arange(len(far)) % 1)[:, None]
    share = (np.arange(count) + shift) / count - 0.5
    beside_share = (np.arange(count) * 0.618 + shift) % 1 - 0.5
    on_exit = np.ones(share.shape, bool)
    if dial.bores[0].shape == "round":
        on_exit = share**2 + beside_share**2 <= 0.25
    side = dial.site.hemisphere
    total = []
    for h, d in zip(hour_angle.tolist(), declination.tolist(), strict=True):
        up = d + SUN * far * np.sin(turn)
        sun = frames.direction(h + SUN * far * np.cos(turn) / np.cos(up), up, side, np)
        seen = np.zeros(share.shape, bool)
        for each in dial.bores:
            place = np.radians((each.hour_angle_deg, each.declination_deg))
            axes = bores.axes(*place, side, math)
            along, u, v = (frames.dot(sun, axis)[:, None] for axis in axes)
            u_mm, v_mm = share * each.exit_mm, beside_share * each.exit_mm
            start = [u_mm * axes[1][k] + v_mm * axes[2][k] for k in range(2)]
            start[1] += dial.channels[0].y_mm
            out_mm = way_out_mm(dial.body, start, [s[:, None] for s in sun])
            u_mm = u_mm + out_mm * u
            wall_mm = each.exit_mm / 2
            wall_mm = wall_mm + (each.entry_mm / 2 - wall_mm) * out_mm * along / each.length_mm
            if each.shape == "round":
                seen |= np.hypot(u_mm, v_mm + out_mm * v) <= wall_mm
                continue
            end_mm = v_mm + each.length_mm * v / along
            top_mm = each.length_mm * math.tan(math.radians(each.opening_deg) / 2)
            seen |= (np.abs(u_mm) <= wall_mm) & (np.abs(end_mm) <= each.exit_mm / 2 + top_mm)
        total.append((light * (seen & on_exit)).sum() / (light * on_exit).sum())
    return np.array(total)


def way_out_mm(body, start, sun):
    """How far rays from places (x, y) inside the body go outwards till they leave it."""
    (x, y), (dx, dy) = start, sun[:2]
    square, along = dx * dx + dy * dy, x * dx + y * dy
    rim_mm = np.sqrt(along * along + square * (body.radius_mm**2 - x * x - y * y)) - along
    return np.minimum(rim_mm / square, (body.front_mm - x) / dx)


def test_rays_go_to_the_surface_of_the_body():
    rng = np.random.default_rng(4)
    start = rng.uniform(-20, 20, (2, 500)) * [[0.1], [1.0]]
    sun = frames.direction(*rng.uniform(-1.2, 1.2, (2, 500)), 1, np)
    for body in (PLATE, ROUND):
        out_mm = way_out_mm(body, start, sun)
        for share, kept in ((1 - 1e-9, True), (1 + 1e-9, False)):
            x, y = (start[k] + share * out_mm * sun[k] for k in range(2))
            assert (((x <= body.front_mm) & (np.hypot(x, y) <= body.radius_mm)) == kept).all()


def over(dial, count, lift_deg=0.0):
    """Suns that cross all that a dial's slots see."""
    half_deg = [math.degrees((b.exit_mm + b.entry_mm) / 2 / b.length_mm) + 0.6 for b in dial.bores]
    ends = [
        (b.hour_angle_deg - w, b.hour_angle_deg + w)
        for b, w in zip(dial.bores, half_deg, strict=True)
    ]
    first_deg, last_deg = min(e[0] for e in ends), max(e[1] for e in ends)
    hour_angle = np.radians(np.linspace(first_deg, last_deg, count))
    return hour_angle, np.full(count, math.radians(lift_deg))


@pytest.mark.parametrize(
    ("body", "y_mm", "hour_deg"),
    [(PLATE, 0.0, 50.0), (PLATE, -30.0, -50.0), (ROUND, 22.0, 20.0), (ROUND, -22.0, 55.0)],
    ids=["plate", "plate, other side", "rim", "rim, far aside"],
)
@pytest.mark.parametrize("entry_mm", [3.0, 5.0, 2.0], ids=["straight", "tapered", "narrowing"])
@pytest.mark.parametrize("site", [NORTH, SOUTH], ids=["north", "south"])
def test_one_slot_is_cut_by_its_walls_as_long_as_they_are(site, entry_mm, body, y_mm, hour_deg):
    dial = in_body(site, body, y_mm, bore(hour_deg, entry_mm=entry_mm, opening_deg=80.0))
    suns = over(dial, 13, 12.0)
    found, due = lit(dial, *suns), by_rays(dial, *suns)
    assert (0.1 < due).sum() > 3 and ((due > 0.05) & (due < 0.95)).sum() > 2
    assert found == pytest.approx(due, abs=0.0005)
    square = lit(replace(dial, body=Body(ELSEWHERE_MM, 300.0)), *suns)
    assert np.abs(square - due).max() > 0.005


@pytest.mark.parametrize(
    ("apart_deg", "opening_deg", "bound"),
    [(2.5, 60.0, 0.0006), (1.0, 60.0, 0.0006), (2.5, 24.5, 0.002)],
    ids=["side by side", "one in the other", "half shut"],
)
@pytest.mark.parametrize(("body", "hour_deg"), [(PLATE, 48.0), (ROUND, 45.0)], ids=["plate", "rim"])
def test_slots_together_are_cut_by_their_walls(body, hour_deg, apart_deg, opening_deg, bound):
    listed = [
        bore(hour_deg + k * apart_deg, exit_mm=2.0, entry_mm=3.0, opening_deg=opening_deg)
        for k in range(2)
    ]
    dial = in_body(NORTH, body, 18.0, *listed)
    suns = over(dial, 13, 12.0)
    found, due = lit(dial, *suns), by_rays(dial, *suns)
    assert found == pytest.approx(due, abs=bound)
    square = lit(replace(dial, body=Body(ELSEWHERE_MM, 300.0)), *suns)
    assert np.abs(square - due).max() > 0.005


@pytest.mark.parametrize(
    ("body", "y_mm", "hour_deg", "declination_deg"),
    [(PLATE, 0.0, 50.0, 0.0), (PLATE, 0.0, -45.0, 18.0), (ROUND, 22.0, 40.0, -15.0)],
    ids=["plate", "plate, high", "rim"],
)
@pytest.mark.parametrize("entry_mm", [3.0, 5.0, 2.0], ids=["straight", "tapered", "narrowing"])
@pytest.mark.parametrize("site", [NORTH, SOUTH], ids=["north", "south"])
def test_a_round_bore_ends_in_an_ellipse(site, entry_mm, body, y_mm, hour_deg, declination_deg):
    one = hole(hour_deg, declination_deg=declination_deg, entry_mm=entry_mm)
    dial = in_body(site, body, y_mm, one)
    square_dial = replace(dial, body=Body(ELSEWHERE_MM, 300.0))
    off, square_off = [], []
    for lift_deg in (-1.0, 0.5):
        suns = over(dial, 9, declination_deg + lift_deg)
        due = by_rays(dial, *suns)
        off.append(np.abs(lit(dial, *suns) - due).max())
        square_off.append(np.abs(lit(square_dial, *suns) - due).max())
    assert max(off) < 0.003
    assert max(square_off) > 0.005


def test_round_bores_together_end_in_ellipses():
    listed = [hole(46.0 + k, declination_deg=12.0, exit_mm=2.0, entry_mm=2.5) for k in range(2)]
    dial = in_body(NORTH, PLATE, 5.0, *listed)
    suns = over(dial, 13, 12.2)
    due = by_rays(dial, *suns)
    square = lit(replace(dial, body=Body(ELSEWHERE_MM, 300.0)), *suns)
    assert lit(dial, *suns) == pytest.approx(due, abs=0.004)
    assert np.abs(square - due).max() > 0.008


def test_walls_behind_a_flat_front():
    """Of a straight slot the front cuts the walls where plane geometry says."""
    for site in (NORTH, SOUTH):
        for hour_deg in (-40.0, 0.0, 50.0):
            dial = in_body(site, PLATE, 5.0, bore(hour_deg, exit_mm=4.0, entry_mm=4.0))
            more_mm = 2.0 * math.tan(math.radians(hour_deg))
            across_mm = 22.0 / math.cos(math.radians(hour_deg))
            due = [[across_mm + more_mm], [across_mm - more_mm]]
            assert Ends.of(dial, dial.bores).walls_mm == pytest.approx(np.array(due), abs=1e-9)


def test_walls_end_on_the_surface_of_the_body():
    """Also those of axes off the equator, halfway up."""
    for site in (NORTH, SOUTH):
        for body in (PLATE, ROUND):
            listed = [
                bore(h, declination_deg=d, entry_mm=entry_mm)
                for h, d, entry_mm in [(-55.0, 0.0, 4.0), (10.0, 15.0, 2.0), (60.0, -20.0, 3.0)]
            ]
            dial = in_body(site, body, -12.0, *listed)
            for k, each in enumerate(dial.bores):
                hour, declination = np.radians((each.hour_angle_deg, each.declination_deg))
                a, u, _ = bores.axes(hour, declination, site.hemisphere, math)
                for way_mm, side in zip(
                    Ends.of(dial, dial.bores).walls_mm[:, k], (1, -1), strict=True
                ):
                    taper = (each.entry_mm - each.exit_mm) / 2 / each.length_mm
                    u_mm = side * (each.exit_mm / 2 + taper * way_mm)
                    x, y = (way_mm * a[i] + u_mm * u[i] for i in (0, 1))
                    on_rim = math.hypot(x, y - 12.0) == pytest.approx(body.radius_mm)
                    assert on_rim or x == pytest.approx(body.front_mm)
                    assert x < body.front_mm + 1e-6
                    assert math.hypot(x, y - 12.0) < body.radius_mm + 1e-6


def test_what_the_body_does_not_fit_ends_square():
    dial = in_body(NORTH, PLATE, 0.0, bore(50.0))
    (fits,) = dial.bores
    for length_mm in (fits.length_mm + 0.9 * LENGTH_SLACK_MM, fits.length_mm + 2.0):
        other = replace(fits, length_mm=length_mm)
        late_mm, early_mm = Ends.of(dial, [other]).walls_mm[:, 0]
        assert (late_mm == early_mm == length_mm) == (length_mm > fits.length_mm + 1)
    circle = replace(fits, shape="round")
    assert Ends.of(dial, [circle, fits]).walls_mm[:, 0].tolist() == [fits.length_mm] * 2
    wide = replace(fits, exit_mm=60.0, entry_mm=60.0)  # beyond the front on one side
    assert Ends.of(dial, [wide]).walls_mm[:, 0].tolist() == [fits.length_mm] * 2
    assert Ends.of(dial, []).walls_mm.shape == (2, 0)
