import math
from datetime import date

import numpy as np
import pytest

from dialbench import ideal
from dialbench.crossing import Crossings
from dialbench.dial import Body, Bore, Channel, Dial, Plan, Site, Step
from dialbench.face import hour_steps, hours_and_quarters
from dialbench.ideal import crossings, lit_fractions
from dialbench.layout import uniform
from dialbench.sky import Sky
from dialcore import bores, frames
from dialcore.crossing import THRESHOLDS

NORTH = Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0)
SOUTH = Site("South", -41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0)
EQUINOX, SUMMER = date(2026, 3, 20), date(2026, 6, 21)
LEVELS = np.array(THRESHOLDS)
SECOND_US = 1_000_000


def bore(hour_angle_deg=0.0, channel=0, **changed):
    facts = {"shape": "slot", "exit_mm": 3.0, "entry_mm": 3.0, "length_mm": 60.0}
    facts |= {"declination_deg": 0.0, "opening_deg": 60.0} | changed
    return Bore(channel=channel, hour_angle_deg=hour_angle_deg, **facts)


def hole(hour_angle_deg=0.0, **changed):
    return bore(hour_angle_deg, shape="round", declination_deg=23.1, **changed)


def dial(*listed, site=NORTH, plan=None):
    channels = max((b.channel for b in listed), default=0) + 1
    steps = (Step(0, 720.0, "12:00", frozenset({0})),)
    return Dial(
        name="test",
        site=site,
        channels=tuple(Channel(0.0, 5.0 * k, k, 0) for k in range(channels)),
        plan=plan or Plan("apparent", 15.0, steps),
        body=Body(70.0, 200.0),
        bores=listed,
    )


@pytest.fixture(scope="module")
def face():
    """A whole face: 33 channels, 530 tapered slots."""
    plan = Plan("apparent", 15.0, hour_steps("08:30", 15, 28))
    channels, body = hours_and_quarters(20.0, 31.0), Body(111.0, 260.0)
    listed = uniform(NORTH, channels, plan, body, 0.35, 1.4, 50.0)
    return Dial("face", NORTH, channels, plan, body, listed)


def around_noon(site, day, minutes):
    noon_us, half_us = Sky(site).noon_us(day), round(minutes * 60 * SECOND_US)
    return noon_us - half_us, noon_us + half_us


def scanned(dial, sky, start_us, end_us, step_us, pose_deg=(0.0, 0.0, 0.0)):
    """Crossings by looking at every channel every step_us: plain and slow."""
    utc_us = np.arange(start_us, end_us, step_us)
    sun = sky.sun(utc_us)
    above = lit_fractions(dial, sun, pose_deg)[:, :, None] >= LEVELS
    cell, channel, threshold = np.nonzero(above[1:] != above[:-1])
    return Crossings(channel, threshold, above[cell + 1, channel, threshold], utc_us[cell])


def rows(found):
    listed = zip(found.channel, found.threshold, found.rise, found.utc_us, strict=True)
    return sorted((int(c), int(k), int(t), bool(r)) for c, k, r, t in listed)


def assert_same(found, slow, step_us):
    """One crossing of found in each step in which the slow scan saw one; none besides."""
    fast_rows, slow_rows = rows(found), rows(slow)
    assert [(c, k, r) for c, k, _, r in fast_rows] == [(c, k, r) for c, k, _, r in slow_rows]
    late_us = np.array([a[2] - b[2] for a, b in zip(fast_rows, slow_rows, strict=True)])
    assert len(late_us) and late_us.min() >= -5000 and late_us.max() <= step_us + 5000


# --- lit fractions


def by_rays(dial, sun, channel):
    """Share of a channel's exit that rays light: many points of the disc, of the exit."""
    exit_mm = dial.bores[0].exit_mm
    grid = (np.arange(101) + 0.5) / 101 - 0.5
    y, z = (axis.ravel() * exit_mm for axis in np.meshgrid(grid, grid))
    inside = np.ones(len(y), dtype=bool)
    if dial.bores[0].shape == "round":
        inside = y**2 + z**2 <= (exit_mm / 2) ** 2
    radius = (np.arange(12) + 0.5) / 12
    total, weights = 0.0, 0.0
    for r in radius:
        weight = r * (1 - 0.6 * (1 - math.sqrt(1 - r * r)))
        for turn in (np.arange(24) + 0.5) * 2 * math.pi / 24:
            offset = math.radians(sun.semidiameter_deg[0]) * r
            lit = np.zeros(len(y), dtype=bool)
            for b in dial.bores:
                if b.channel != channel:
                    continue
                h, d = math.radians(b.hour_angle_deg), math.radians(b.declination_deg)
                axes = bores.axes(h, d, dial.site.hemisphere, math)
                along, u, v = (frames.dot([c[0] for c in sun.polar], axis) for axis in axes)
                if along <= 0:
                    continue
                y_in = y + b.length_mm * (u + offset * math.cos(turn)) / along
                z_in = z + b.length_mm * (v + offset * math.sin(turn)) / along
                if b.shape == "round":
                    lit |= y_in**2 + z_in**2 <= (b.entry_mm / 2) ** 2
                else:
                    high_mm = b.exit_mm + 2 * b.length_mm * math.tan(
                        math.radians(b.opening_deg) / 2
                    )
                    lit |= (np.abs(y_in) <= b.entry_mm / 2) & (np.abs(z_in) <= high_mm / 2)
            total += weight * lit[inside].mean()
            weights += weight
    return total / weights


@pytest.mark.parametrize(
    ("listed", "bound"),
    [
        ([bore()], 0.002),
        ([bore(exit_mm=1.0, entry_mm=4.0)], 0.002),
        ([bore(exit_mm=0.35, entry_mm=4.2, declination_deg=9.0)], 0.002),
        ([bore(-1.25), bore(1.25)], 0.002),
        ([bore(-1.4, exit_mm=1.0, entry_mm=4.0), bore(1.4, exit_mm=1.0, entry_mm=4.0)], 0.002),
        ([bore(0.0), bore(0.3)], 0.002),
        ([bore(0.0), bore(0.0)], 0.002),
        # The Sun, 23.4 deg north, half out of the opening: both slots are lit low.
        ([bore(-1.25, opening_deg=46.3), bore(1.25, opening_deg=46.3)], 0.002),
        ([hole()], 0.002),
        ([hole(entry_mm=6.0)], 0.002),
        ([hole(-1.5, entry_mm=4.0), hole(1.5, entry_mm=4.0)], 0.04),
    ],
    ids=[
        "straight slot",
        "tapered slot",
        "narrow exit, high axis",
        "two slots",
        "two tapered slots",
        "two slots nearly the same",
        "the same slot twice",
        "two slots half open",
        "round",
        "tapered round",
        "two rounds",
    ],
)
@pytest.mark.parametrize("site", [NORTH, SOUTH], ids=["north", "south"])
def test_lit_fractions_against_rays(listed, bound, site):
    here = dial(*listed, site=site)
    start_us, end_us = around_noon(site, SUMMER, 16)
    utc_us = np.linspace(start_us, end_us, 9).astype(np.int64)
    lit = lit_fractions(here, Sky(site).sun(utc_us))[:, 0]
    rays = [by_rays(here, Sky(site).sun(utc_us[k : k + 1]), 0) for k in range(9)]
    assert 0.2 < lit.max() <= 1
    assert lit == pytest.approx(rays, abs=bound)


@pytest.mark.parametrize(
    ("one", "half_angle_deg"),
    [
        (bore(), 1.432),
        (hole(), 1.157),
        (bore(exit_mm=5.24, entry_mm=5.24), 2.500),
        (bore(exit_mm=0.5, entry_mm=3.0), 1.432),
    ],
    ids=["3 mm slot", "3 mm round", "5.24 mm slot", "tapered: the entry sets the timing"],
)
def test_half_angles_of_bores_60_mm_long(one, half_angle_deg):
    """Worked for a point Sun; its disc moves the half-lit point of a round bore a little."""
    day = EQUINOX if one.shape == "slot" else date(2026, 6, 14)
    sky = Sky(NORTH)
    found = crossings(dial(one), sky, *around_noon(NORTH, day, 20))
    half = found.threshold == 1
    sun = sky.sun(found.utc_us[half])
    assert found.rise[half].tolist() == [True, False]
    if one.shape == "round":
        axis = frames.direction(0.0, math.radians(one.declination_deg), 1, math)
        away_deg = np.degrees(np.arccos(frames.dot(sun.polar, axis)))
        assert away_deg == pytest.approx([half_angle_deg] * 2, abs=0.015)
    else:
        assert sun.hour_angle_deg == pytest.approx([-half_angle_deg, half_angle_deg], abs=0.001)


def test_channels_are_kept_apart():
    two = dial(bore(0.0, channel=1), bore(3.0, channel=3))
    start_us, _ = around_noon(NORTH, EQUINOX, 0)
    lit = lit_fractions(two, Sky(NORTH).sun(np.array([start_us])))
    assert lit.shape == (1, 4)
    assert (lit[0] > 0.5).tolist() == [False, True, False, False]


def test_nothing_is_lit_while_the_sun_is_down():
    rise_us, _ = Sky(NORTH).daylight(EQUINOX)
    sun = Sky(NORTH).sun(rise_us + np.array([-20, 20]) * SECOND_US)
    towards = bore(float(sun.hour_angle_deg[0]))
    lit = lit_fractions(dial(towards), sun)[:, 0]
    assert lit[0] == 0
    assert lit[1] > 0.9


def test_no_bores_and_no_instants():
    empty = dial()
    start_us, end_us = around_noon(NORTH, EQUINOX, 5)
    assert (lit_fractions(empty, Sky(NORTH).sun(np.array([start_us]))) == 0).all()
    assert len(crossings(empty, Sky(NORTH), start_us, end_us).utc_us) == 0
    assert len(crossings(dial(bore()), Sky(NORTH), start_us, start_us).utc_us) == 0
    nothing = Sky(NORTH).sun(np.zeros(0, np.int64))
    assert lit_fractions(dial(bore()), nothing).shape == (0, 1)


def test_pieces_of_work_join(face, monkeypatch):
    """However many pairs are looked at together, the answer is the same."""
    sky = Sky(NORTH)
    start_us, end_us = around_noon(NORTH, SUMMER, 12)
    sun = sky.sun(np.arange(start_us, end_us, 60 * SECOND_US))
    lit, found = lit_fractions(face, sun), crossings(face, sky, start_us, end_us)
    monkeypatch.setattr(ideal, "_PAIRS", 700)
    assert (lit_fractions(face, sun) == lit).all()
    again = crossings(face, sky, start_us, end_us)
    assert np.abs(again.utc_us - found.utc_us).max() <= 5000
    assert (again.channel == found.channel).all()
    assert len(found.utc_us) > 50


# --- crossings


def test_crossings_of_a_face_against_a_scan_every_second(face):
    sky = Sky(NORTH)
    start_us, end_us = around_noon(NORTH, SUMMER, 50)
    found = crossings(face, sky, start_us, end_us)
    assert_same(found, scanned(face, sky, start_us, end_us, SECOND_US), SECOND_US)
    assert (np.diff(found.utc_us) >= 0).all()
    assert start_us <= found.utc_us[0] and found.utc_us[-1] <= end_us


def test_crossings_are_right_to_5_ms(face):
    sky = Sky(NORTH)
    found = crossings(face, sky, *around_noon(NORTH, date(2026, 5, 3), 60))
    each = np.arange(len(found.utc_us))
    level = LEVELS[found.threshold]
    before, after = (
        lit_fractions(face, sky.sun(found.utc_us + off_us))[each, found.channel] >= level
        for off_us in (-5000, 5000)
    )
    assert (before != after).all()
    assert (after == found.rise).all()


def tuned(make, wanted):
    """make(x) with x in 0..1 halved until its figure is wanted; figures fall with x."""
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if make(middle)[1] > wanted else (low, middle)
    return make(high)[0]


GRID_SHIFTS_US = [0, 2 * SECOND_US, 5 * SECOND_US, 8 * SECOND_US]


@pytest.mark.parametrize("shift_us", GRID_SHIFTS_US)
def test_a_dip_of_seconds_is_found_wherever_the_grid_lies(shift_us):
    """Between a short slot and a long one the light dips just under 0.75."""
    sky = Sky(NORTH)
    start_us, end_us = around_noon(NORTH, EQUINOX, 2)
    near_us = np.arange(start_us, end_us, SECOND_US // 2)

    def pair(x):
        two = dial(bore(-0.7), bore(1.2 + 0.5 * x, length_mm=120.0))
        return two, lit_fractions(two, sky.sun(near_us)).min()

    two = tuned(pair, 0.75 - 4e-4)
    slow = scanned(two, sky, start_us, end_us, SECOND_US // 10)
    assert slow.rise.tolist() == [False, True]
    assert 1 < np.diff(slow.utc_us)[0] / 1e6 < 9
    found = crossings(two, sky, start_us + shift_us, end_us)
    assert_same(found, slow, SECOND_US // 10)


@pytest.mark.parametrize("shift_us", GRID_SHIFTS_US)
def test_a_peak_of_seconds_is_found_wherever_the_grid_lies(shift_us):
    """A slot hardly wider than the Sun is only just lit to 0.75."""
    sky = Sky(NORTH)
    start_us, end_us = around_noon(NORTH, EQUINOX, 0.5)
    near_us = np.arange(start_us, end_us, SECOND_US // 2)

    def narrow(x):
        one = dial(bore(exit_mm=0.7 - 0.4 * x, entry_mm=0.7 - 0.4 * x))
        return one, lit_fractions(one, sky.sun(near_us)).max()

    one = tuned(narrow, 0.75 + 1e-3)
    slow = scanned(one, sky, start_us, end_us, SECOND_US // 10)
    assert slow.rise.tolist() == [True, False]
    assert 0.4 < np.diff(slow.utc_us)[0] / 1e6 < 9
    assert_same(crossings(one, sky, start_us + shift_us, end_us), slow, SECOND_US // 10)


def test_the_bound_on_the_rate_of_change_holds():
    """For slots and rounds, on the axis and far off it, tapered or not."""
    listed = (
        bore(0.0, channel=0, exit_mm=1.0, entry_mm=4.0),
        bore(0.0, channel=1, exit_mm=4.0, entry_mm=1.0),
        bore(0.0, channel=2, declination_deg=-23.0, opening_deg=95.0, exit_mm=2.0, entry_mm=2.0),
        hole(0.0, channel=3, exit_mm=2.0, entry_mm=2.5),
        hole(0.0, channel=4, exit_mm=2.0, entry_mm=9.0),
    )
    here = dial(*listed)
    for pose_deg in ((0.0, 0.0, 0.0), (1.0, -1.0, 0.5)):
        start_us, end_us = around_noon(NORTH, SUMMER, 30)
        sun = Sky(NORTH).sun(np.arange(start_us, end_us, SECOND_US // 2))
        steepest = np.abs(np.diff(lit_fractions(here, sun, pose_deg), axis=0)).max(axis=0) * 2
        bound = ideal._Bores(here, pose_deg).steepest_per_s()
        assert (steepest > 0).all()
        assert (steepest <= bound).all()


def test_sunrise_over_a_lit_bore_is_no_crossing():
    sky = Sky(NORTH)
    rise_us, _ = sky.daylight(EQUINOX)
    hour_angle_deg = float(sky.sun(np.array([rise_us])).hour_angle_deg[0])
    found = crossings(
        dial(bore(hour_angle_deg)), sky, rise_us - 1800 * SECOND_US, rise_us + 1800 * SECOND_US
    )
    assert found.rise.tolist() == [False, False, False]
    assert found.threshold.tolist() == [2, 1, 0]
    assert (found.utc_us > rise_us).all()


def test_a_crossing_seconds_before_sunrise_is_none():
    sky = Sky(NORTH)
    rise_us, _ = sky.daylight(EQUINOX)
    hour_angle_deg = float(sky.sun(np.array([rise_us])).hour_angle_deg[0])
    for early_deg, left in ((0.01, [2]), (-0.01, [1, 2])):  # half lit 2.4 s before, and after
        soon = dial(bore(hour_angle_deg - early_deg + 1.432))
        found = crossings(soon, sky, rise_us - 5 * SECOND_US, rise_us + 600 * SECOND_US)
        assert found.threshold[found.rise].tolist() == left


@pytest.mark.parametrize(("site", "late_s"), [(NORTH, -144.0), (SOUTH, 144.0)])
def test_a_turned_body_crosses_early_in_the_north_and_late_in_the_south(site, late_s):
    """0.6 deg at 15 deg an hour."""
    sky = Sky(site)
    start_us, end_us = around_noon(site, EQUINOX, 30)
    straight = crossings(dial(bore(), site=site), sky, start_us, end_us)
    turned = crossings(dial(bore(), site=site), sky, start_us, end_us, (0.0, 0.0, 0.6))
    assert (turned.threshold == straight.threshold).all()
    assert (turned.utc_us - straight.utc_us) / 1e6 == pytest.approx([late_s] * 6, abs=0.1)


@pytest.mark.parametrize("site", [NORTH, SOUTH])
def test_a_posed_body_meets_the_hour_angle_of_the_first_order_formula(site):
    """H + wz - tan d (wx cos H - wy sin H) of the northern frame, and mirrored in the south."""
    sky, hour_angle_deg = Sky(site), 30.0
    pose_deg = (0.10, -0.08, 0.05)
    start_us, end_us = around_noon(site, SUMMER, 180)
    found = crossings(dial(bore(hour_angle_deg), site=site), sky, start_us, end_us, pose_deg)
    half = found.threshold == 1
    sun = sky.sun(found.utc_us[half])
    side = site.hemisphere
    h, d = np.radians(side * sun.hour_angle_deg), np.radians(side * sun.declination_deg)
    wx, wy, wz = pose_deg
    met_deg = side * (np.degrees(h) + wz - np.tan(d) * (wx * np.cos(h) - wy * np.sin(h)))
    edges_deg = [hour_angle_deg - 1.432, hour_angle_deg + 1.432]
    assert met_deg == pytest.approx(edges_deg, abs=0.002)
