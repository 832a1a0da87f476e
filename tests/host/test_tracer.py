"""Rays through a body: against the formulas for one bore, by hand, and one by one."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dialbench.dial import Body, Bore, Channel, Dial, Plan, Site
from dialbench.rays.tracer import Tracer, ray_points
from dialcore import frames

NORTH = Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0)
SOUTH = Site("South Holm", -41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0)
POINT = 0.0  # a Sun without size, deg
DISC = 0.2667
RAYS = 1024  # a share of so many rays is good to about half a percent
CLOSE = 0.01


def bore(channel=0, hour_angle_deg=0.0, declination_deg=0.0, **changed):
    facts = {"shape": "slot", "exit_mm": 3.0, "entry_mm": 3.0, "length_mm": 60.0}
    return Bore(
        channel, hour_angle_deg, declination_deg, **(facts | {"opening_deg": 60.0} | changed)
    )


def dial(*bores, places=((0.0, 0.0),), radius_mm=60.0, length_mm=200.0, site=NORTH):
    channels = tuple(Channel(y, z, k, 0) for k, (y, z) in enumerate(places))
    plan = Plan("apparent", 15.0, ())
    return Dial("test", site, channels, plan, Body(radius_mm, length_mm), bores)


def sun(hour_angle_deg, declination_deg=0.0, hemisphere=1):
    hour, declination = np.broadcast_arrays(
        np.radians(np.atleast_1d(hour_angle_deg)), np.radians(np.atleast_1d(declination_deg))
    )
    return frames.direction(hour, declination, hemisphere, np)


def lit(tracer, hour_angle_deg, declination_deg=0.0, semidiameter_deg=POINT, hemisphere=1):
    where = sun(hour_angle_deg, declination_deg, hemisphere)
    return tracer.lit_fractions(where, semidiameter_deg)


# One bore alone: an exit in the axis of the cylinder, so that every bore is 60 mm long.

# The tangent's angle at which half the exit is lit: 60 mm long, 3 mm slot, 3 mm round
# bore, 5.24 mm slot (worked by hand from T = 1 - L tan(a) / w and the overlap of circles).
HALF_LIT = [
    (bore(), 1.432),
    (bore(shape="round"), 1.157),
    (bore(exit_mm=5.24, entry_mm=5.24), 2.500),
    (bore(hour_angle_deg=30.0), 1.432),
]


@pytest.mark.parametrize(("alone", "angle_deg"), HALF_LIT)
@pytest.mark.parametrize("side", [-1, 1])
def test_half_lit_where_it_should_be(alone, angle_deg, side):
    tracer = Tracer(dial(alone), rays=RAYS)
    share = lit(tracer, alone.hour_angle_deg + side * angle_deg)[0, 0]
    assert share == pytest.approx(0.5, abs=CLOSE)


@pytest.mark.parametrize(("exit_mm", "entry_mm"), [(3.0, 3.0), (0.35, 5.0), (3.0, 2.0)])
def test_a_slot_lets_through_what_the_formula_says(exit_mm, entry_mm):
    # T = clip((wo + wi)/2 - L |tan a|, 0, min(wo, wi)) / wo
    tracer = Tracer(dial(bore(exit_mm=exit_mm, entry_mm=entry_mm)), rays=RAYS)
    angle_deg = np.linspace(-3.5, 3.5, 57)
    low, high = min(exit_mm, entry_mm), (exit_mm + entry_mm) / 2
    by_formula = (high - 60 * np.abs(np.tan(np.radians(angle_deg)))).clip(0, low) / exit_mm
    assert lit(tracer, angle_deg)[:, 0] == pytest.approx(by_formula, abs=CLOSE)


@pytest.mark.parametrize("entry_mm", [3.0, 5.0])
def test_a_round_bore_lets_through_what_its_circles_share(entry_mm):
    tracer = Tracer(dial(bore(shape="round", entry_mm=entry_mm)), rays=4096)
    angle_deg = np.linspace(0, 3.5, 29)
    # Two circles, counted on a fine grid over the exit.
    x, y = np.meshgrid(np.linspace(-1.5, 1.5, 601), np.linspace(-1.5, 1.5, 601))
    exit_here = x * x + y * y <= 1.5**2
    for angle, share in zip(angle_deg, lit(tracer, angle_deg)[:, 0], strict=True):
        shifted = x + 60 * math.tan(math.radians(angle))
        through = exit_here & (shifted**2 + y * y <= (entry_mm / 2) ** 2)
        # The window is the square around the exit: a fifth of its rays meet no exit.
        assert share == pytest.approx(through.sum() / exit_here.sum(), abs=CLOSE)


def test_a_slot_s_opening_lets_the_year_s_sun_in():
    tracer = Tracer(dial(bore(opening_deg=48.0)), rays=RAYS)
    declination_deg = np.array([-25.5, -23.9, 0.0, 23.9, 25.5])
    share = lit(tracer, 0.0, declination_deg)[:, 0]
    assert share[1:4] == pytest.approx(1.0)
    assert (share[[0, 4]] < 0.9).all()


def test_the_sun_s_disc_spreads_an_edge_as_its_dark_limb_says():
    # Through a long pinhole of a slot the edge of light runs across the whole disc.
    tracer = Tracer(dial(bore(exit_mm=0.02, entry_mm=4.0)), rays=4096)
    edge_deg = math.degrees(math.atan(2.0 / 60))
    offset = np.array([-1.2, -0.8, -0.4, 0.0, 0.4, 0.8, 1.2])
    # Share of a disc with I = 1 - 0.6 (1 - mu) on one side of a line, counted on a grid.
    x, y = np.meshgrid(np.linspace(-1, 1, 1201), np.linspace(-1, 1, 1201))
    inside = x * x + y * y <= 1
    bright = (0.4 + 0.6 * np.sqrt((1 - x * x - y * y).clip(0))) * inside
    hidden = [bright[x <= o].sum() / bright.sum() for o in offset]
    share = lit(tracer, edge_deg - offset * DISC, 0.0, DISC)[:, 0]
    assert share == pytest.approx(hidden, abs=CLOSE)


def test_rays_cover_exit_and_disc_evenly():
    p, q, e1, e2 = ray_points(RAYS, 0.5)
    for values in (p, q):
        assert np.histogram(values, bins=8, range=(-1, 1))[0] == pytest.approx(RAYS / 8, abs=4)
    assert np.hypot(e1, e2).max() <= 1
    both = np.histogram2d(p, e1 / np.abs(e1).max(), bins=2)[0]
    assert both == pytest.approx(RAYS / 4, rel=0.05)
    assert [abs(v.mean()) < 1e-12 for v in (p, q, e1, e2)] == [True] * 4  # they lean to no side


def test_a_wider_exit_takes_in_more_than_was_drawn():
    tracer = Tracer(dial(bore()), width_factor=np.array([1.04]), rays=RAYS)
    assert lit(tracer, 0.0)[0, 0] == pytest.approx(1.04**2)


def test_an_axis_error_moves_the_light():
    off = np.array([[0.5, 0.0]])
    tracer = Tracer(dial(bore()), axis_error_deg=off, rays=RAYS)
    assert lit(tracer, 0.5 + 1.432)[0, 0] == pytest.approx(0.5, abs=CLOSE)
    assert lit(tracer, 0.5 - 1.432)[0, 0] == pytest.approx(0.5, abs=CLOSE)


def centre_deg(tracer, hemisphere, declination_deg=0.0, about_deg=0.0):
    """The hour angle about which a channel is lit."""
    hour_angle_deg = about_deg + np.linspace(-4, 4, 401)
    share = lit(tracer, hour_angle_deg, declination_deg, DISC, hemisphere)[:, 0]
    return (share * hour_angle_deg).sum() / share.sum()


@pytest.mark.parametrize(("site", "hemisphere"), [(NORTH, 1), (SOUTH, -1)])
def test_a_turn_is_earlier_in_the_north_and_later_in_the_south(site, hemisphere):
    straight = Tracer(dial(bore(hour_angle_deg=20.0), site=site), rays=RAYS)
    turned = Tracer(dial(bore(hour_angle_deg=20.0), site=site), (0.0, 0.0, 0.6), rays=RAYS)
    assert centre_deg(straight, hemisphere, 0.0, 20.0) == pytest.approx(20.0, abs=0.005)
    moved = centre_deg(turned, hemisphere, 0.0, 20.0) - 20.0
    assert moved == pytest.approx(-0.6 * hemisphere, abs=0.005)


def test_the_other_two_angles_act_with_the_declination():
    # H_D = H + wz - tan d (wx cos H - wy sin H), to first order.
    for pose, hour_angle_deg in (((0.5, 0, 0), 0.0), ((0.5, 0, 0), 60.0), ((0, 0.5, 0), 45.0)):
        tracer = Tracer(dial(bore(hour_angle_deg=hour_angle_deg)), pose, rays=RAYS)
        h, d = math.radians(hour_angle_deg), math.radians(20.0)
        seen = -math.tan(d) * (pose[0] * math.cos(h) - pose[1] * math.sin(h))
        moved = centre_deg(tracer, 1, 20.0, hour_angle_deg) - hour_angle_deg
        assert moved == pytest.approx(-seen, abs=0.01)


def test_dark_from_behind_and_without_bores():
    tracer = Tracer(dial(bore(), places=((0.0, 0.0), (0.0, 9.0))))
    assert not lit(tracer, np.linspace(91, 269, 90), 0.0, DISC).any()
    assert not lit(tracer, np.linspace(-90, 90, 91), 0.0, DISC)[:, 1].any()
    assert not lit(Tracer(dial()), np.linspace(-90, 90, 91), 0.0, DISC).any()


def test_no_light_comes_along_behind_the_face_from_beyond_the_rim():
    """Half of the exit of a slanting bore lies behind the face: near the rim the Sun in the
    plane of the face would see it, were it not for what holds the sensors."""
    near_the_rim = Tracer(dial(bore(hour_angle_deg=50.0), places=((55.0, 0.0),)))
    assert not lit(near_the_rim, np.linspace(-90, -80, 101), 0.0, DISC).any()
    assert not lit(near_the_rim, np.linspace(80, 90, 101), 0.0, DISC).any()


# Two bores that cross, worked out by hand in the plane of the equator.

TAPER, WIDENING = 0.44, 0.45  # half-width gained per mm: the dark channel's bore, the other's
TILT_DEG = 30.0
APART_MM = 2.5


def crossed(*, other=True, taper=TAPER):
    """Channel 0 looks at hour angle 0, channel 1, 2.5 mm beside it, at 30 deg.

    Their bores cross some millimetres out.
    """
    one = bore(0, 0.0, exit_mm=1.0, entry_mm=1.0 + 2 * 60 * taper)
    two = bore(1, TILT_DEG, exit_mm=0.4, entry_mm=0.4 + 2 * 60 * WIDENING)
    listed = (one, two) if other else (one,)
    return dial(*listed, places=((0.0, 0.0), (-APART_MM, 0.0)))


def hand_share(taper=TAPER):
    """Share of channel 0's exit that the Sun at 30 deg lights through both bores.

    A ray from p (-0.5 to 0.5 mm across) leaves its own bore where p + t sin 30 reaches
    0.5 + taper t cos 30. It runs parallel to the other's axis, (2.5 - p) cos 30 beside it,
    and gets into that void where 0.2 + widening x along reaches as much; the exit lies
    (2.5 - p) sin 30 before the other's. It is lit if it gets in before it gets out.
    """
    s, c = math.sin(math.radians(TILT_DEG)), math.cos(math.radians(TILT_DEG))
    p = np.linspace(-0.5, 0.5, 100_001)
    out = (0.5 - p) / (s - taper * c)
    into = ((APART_MM - p) * c - 0.2) / WIDENING + (APART_MM - p) * s
    return (out >= into).mean()


@pytest.mark.parametrize("taper", [0.0, 0.40, 0.42, 0.44, 0.47, 0.52])
def test_crossing_bores_let_light_through_exactly_when_one_reaches_the_other(taper):
    share = lit(Tracer(crossed(taper=taper), rays=RAYS), TILT_DEG)[0, 0]
    assert share == pytest.approx(hand_share(taper), abs=CLOSE)


def test_that_light_is_the_other_bore_s_doing():
    assert hand_share(0.0) == 0
    assert 0.1 < hand_share() < 0.9
    assert not lit(Tracer(crossed(other=False), rays=RAYS), TILT_DEG).any()


# Every ray by itself, with no short cut: what the fast way must give to the last ray.


def cut(low, high, at, slope):
    """The part of low..high where at + slope t <= 0."""
    if slope > 0:
        return low, min(high, -at / slope)
    if slope < 0:
        return max(low, -at / slope), high
    return (low, high) if at <= 0 else (math.inf, -math.inf)


def void_stretch(start, towards, frame):
    """From where to where a ray runs in one void."""
    axes, at_exit, half, widen, rise, is_round = frame
    rel = [sum(e * (p - x) for e, p, x in zip(a, start, at_exit, strict=True)) for a in axes]
    d = [sum(e * t for e, t in zip(a, towards, strict=True)) for a in axes]
    low, high = cut(-math.inf, math.inf, -half - rel[0], -d[0])
    if is_round:
        k0, k1 = half + widen * rel[0], widen * d[0]
        low, high = cut(low, high, -k0, -k1)
        a = d[1] ** 2 + d[2] ** 2 - k1 * k1
        b = rel[1] * d[1] + rel[2] * d[2] - k0 * k1
        c = rel[1] ** 2 + rel[2] ** 2 - k0 * k0
        square = b * b - a * c
        if a > 0:
            if square < 0:
                return math.inf, -math.inf
            return max(low, (-b - math.sqrt(square)) / a), min(high, (-b + math.sqrt(square)) / a)
        root = math.sqrt(max(square, 0.0))
        ends = sorted(((-b - root) / a, (-b + root) / a))
        return (max(low, ends[1]), high) if k1 > 0 else (low, min(high, ends[0]))
    for axis, grow in ((1, widen), (2, rise)):
        for sign in (1, -1):
            at = sign * rel[axis] - half - grow * rel[0]
            low, high = cut(low, high, at, sign * d[axis] - grow * d[0])
    return low, high


def one_by_one(true_dial, axis_error_deg, width_factor, polar, semidiameter_deg, rays):
    """Lit fractions by testing every ray against every bore and sorting what is open."""
    hemisphere = true_dial.site.hemisphere
    voids = []
    for b, error, factor in zip(true_dial.bores, axis_error_deg, width_factor, strict=True):
        h = math.radians(b.hour_angle_deg + error[0])
        d = math.radians(b.declination_deg + error[1])
        along = frames.direction(h, d, hemisphere, math)
        # Across: the way the place in the sky goes as H and as d grow.
        across = (-math.sin(h), -hemisphere * math.cos(h), 0.0)
        up = (
            -math.sin(d) * math.cos(h),
            hemisphere * math.sin(d) * math.sin(h),
            hemisphere * math.cos(d),
        )
        c = true_dial.channels[b.channel]
        half = b.exit_mm * factor / 2
        widen = (b.entry_mm - b.exit_mm) * factor / 2 / b.length_mm
        is_round = b.shape == "round"
        rise = math.tan(math.radians(b.opening_deg / 2))
        frame = ((along, across, up), (0.0, c.y_mm, c.z_mm), half, widen, rise, is_round)
        voids.append((b, frame))
    radius, top = true_dial.body.radius_mm, true_dial.body.length_mm / 2
    size = math.tan(math.radians(semidiameter_deg))
    share = np.zeros((len(polar[0]), len(true_dial.channels)))
    for i, s in enumerate(np.column_stack(polar)):
        level = math.hypot(s[0], s[1])
        side = np.array([-s[1], s[0], 0.0]) / level
        other = np.cross(s, side)
        for channel in range(len(true_dial.channels)):
            own = [(b, f) for b, f in voids if b.channel == channel]
            window = max(f[2] for _, f in own)
            drawn, nearest = max(own, key=lambda v: np.dot(v[1][0][0], s))
            full = drawn.exit_mm**2 * (math.pi / 4 if drawn.shape == "round" else 1)
            count = 0
            for p, q, e1, e2 in zip(*ray_points(rays, 0.5), strict=True):
                if drawn.shape == "round" and p * p + q * q > 1:
                    continue
                u, v = np.array(nearest[0][1]), np.array(nearest[0][2])
                start = np.array(nearest[1]) + window * (p * u + q * v)
                towards = s + size * (e1 * side + e2 * other)
                if towards[0] <= 0:
                    continue
                a = towards[0] ** 2 + towards[1] ** 2
                b = start[0] * towards[0] + start[1] * towards[1]
                c = start[0] ** 2 + start[1] ** 2 - radius**2
                out = (-b + math.sqrt(b * b - a * c)) / a
                out = min(out, (top - math.copysign(1, towards[2]) * start[2]) / abs(towards[2]))
                reached = max(0.0, -start[0] / towards[0])
                for low, high in sorted(void_stretch(start, towards, f) for _, f in voids):
                    if low <= reached:
                        reached = max(reached, high)
                count += reached >= out
            share[i, channel] = count / rays * (2 * window) ** 2 / full
    return share


def tangle(seed):
    """A small dial whose bores cross again and again, slots and round ones."""
    rng = np.random.default_rng(seed)
    places = tuple((float(y), float(z)) for y in (-4, 1, 5) for z in (-3, 4))
    bores = []
    for channel in range(6):
        for hour_angle_deg in rng.uniform(-50, 50, 3):
            exit_mm = rng.uniform(0.8, 2.0)
            bores.append(
                bore(
                    channel,
                    float(hour_angle_deg),
                    float(rng.uniform(-15, 15)),
                    shape="round" if rng.random() < 0.4 else "slot",
                    exit_mm=exit_mm,
                    entry_mm=exit_mm * rng.uniform(0.9, 4.0),
                    length_mm=25.0,
                    opening_deg=float(rng.uniform(5, 40)),
                )
            )
    hemisphere = 1 if seed % 2 else -1
    site = NORTH if hemisphere > 0 else SOUTH
    body = dial(*bores, places=places, radius_mm=25.0, length_mm=50.0, site=site)
    errors = rng.normal(0, 0.3, (len(bores), 2)), rng.normal(1, 0.03, len(bores))
    # Not in the order of a day, and every bore looked into from near its axis.
    axes = np.array([(b.hour_angle_deg, b.declination_deg) for b in bores])
    looks = np.concatenate((axes + rng.normal(0, 4, axes.shape), rng.uniform(-55, 55, (12, 2))))
    return body, errors, sun(looks[:, 0], looks[:, 1].clip(-30, 30), hemisphere)


long = (pytest.mark.deep, pytest.mark.timeout(120))


@pytest.mark.parametrize("seed", [0, 1, *(pytest.param(seed, marks=long) for seed in (2, 3))])
def test_short_cuts_change_no_ray(seed):
    body, (axis_error_deg, width_factor), where = tangle(seed)
    rays = 32
    fast = Tracer(
        body, axis_error_deg=axis_error_deg, width_factor=width_factor, rays=rays
    ).lit_fractions(where, DISC)
    slow = one_by_one(body, axis_error_deg, width_factor, where, DISC, rays)
    assert fast == pytest.approx(slow, abs=1e-12)
    # What is compared holds light that no bore lets in by itself.
    alone = np.zeros_like(fast)
    for k, b in enumerate(body.bores):
        single = Tracer(
            Dial("one", body.site, body.channels, body.plan, body.body, (b,)),
            axis_error_deg=axis_error_deg[k : k + 1],
            width_factor=width_factor[k : k + 1],
            rays=rays,
        )
        alone += single.lit_fractions(where, DISC)
    assert (fast > 0.05).sum() > 20
    assert (fast > alone + 0.1).sum() > 3


def test_a_day_in_one_go_is_the_same_as_instant_by_instant():
    body, (axis_error_deg, width_factor), _ = tangle(1)
    tracer = Tracer(body, axis_error_deg=axis_error_deg, width_factor=width_factor, rays=64)
    hour_angle_deg = np.arange(-60, 60, 0.12)
    together = lit(tracer, hour_angle_deg, 3.0, DISC)
    picked = range(0, len(hour_angle_deg), 37)
    alone = [lit(tracer, hour_angle_deg[k], 3.0, DISC)[0] for k in picked]
    assert np.array_equal(together[picked], alone)
