"""Every crossing, and none besides: what follows borders against what looks again and again.

Each bore by itself: the lit fractions are those of test_ideal, in closed form.
"""

from datetime import date
from functools import partial
from itertools import pairwise

import numpy as np
import pytest
from tests.host import interval_search
from tests.host.dials import (
    DAY_US,
    ELSEWHERE_MM,
    NORTH,
    SECOND_US,
    SOUTH,
    around_noon,
    bore,
    dial,
    face,
    hole,
    late_s,
    rows,
    scattered,
)

from dialbench import predict
from dialbench.crossing import NOMINAL, Crossings
from dialbench.ideal import lit_fractions
from dialbench.sky import Sky
from dialcore import frames
from dialcore.crossing import THRESHOLDS

EQUINOX, SUMMER = date(2026, 3, 20), date(2026, 6, 21)
YEAR_US = 1_767_225_600 * SECOND_US  # 2026-01-01
LEVELS = np.array(THRESHOLDS)
SHIFTS_US = [0, 2 * SECOND_US, 5 * SECOND_US, 8 * SECOND_US]

crossings = partial(predict.crossings, ghosts=False)


@pytest.fixture(scope="module")
def whole_face():
    return face()


def scanned(dial, sky, start_us, end_us, step_us, pose_deg=NOMINAL):
    """Crossings by looking at every channel every step_us: plain and slow."""
    utc_us = np.arange(start_us, end_us, step_us)
    above = lit_fractions(dial, sky.sun(utc_us), pose_deg)[:, :, None] >= LEVELS
    cell, channel, threshold = np.nonzero(above[1:] != above[:-1])
    return Crossings(channel, threshold, above[cell + 1, channel, threshold], utc_us[cell])


def assert_same(found, slow, step_us):
    """One crossing of found in each step in which the slow scan saw one; none besides."""
    late = late_s(found, slow)
    assert len(late) and late.min() >= -0.005 and late.max() <= step_us / 1e6 + 0.005


def random_span(seed):
    """(dial, sky, start, end, pose): bores anywhere, four days of 2026, and every other
    body turned."""
    here, rng = scattered(seed), np.random.default_rng(seed + 99)
    start_us = YEAR_US + int(rng.integers(0, 360)) * DAY_US
    pose_deg = tuple((rng.uniform(-5, 5, 3) * (seed % 2)).tolist())
    return here, Sky(here.site), start_us, start_us + 4 * DAY_US, pose_deg


def assert_as_the_search_has_it(seed):
    """The search is right to 5 ms itself; in slow light at grazing Suns a little worse."""
    span = random_span(seed)
    found, sought = crossings(*span), interval_search.crossings(*span)
    late = late_s(found, sought)
    assert len(late) > 100
    assert np.abs(late).max() <= 0.010
    return late


def test_random_bores_against_the_interval_search():
    assert_as_the_search_has_it(0)


@pytest.mark.deep
@pytest.mark.timeout(1200)
def test_many_random_bores_against_the_interval_search():
    off = np.concatenate([assert_as_the_search_has_it(seed) for seed in range(1, 60)])
    assert len(off) > 20_000
    assert np.sqrt((off**2).mean()) <= 0.001


def test_crossings_of_a_face_against_a_scan_every_second(whole_face):
    sky = Sky(NORTH)
    start_us, end_us = around_noon(NORTH, SUMMER, 50)
    found = crossings(whole_face, sky, start_us, end_us)
    assert_same(found, scanned(whole_face, sky, start_us, end_us, SECOND_US), SECOND_US)
    assert (np.diff(found.utc_us) >= 0).all()
    assert start_us <= found.utc_us[0] and found.utc_us[-1] <= end_us


def test_crossings_are_right_to_a_millisecond(whole_face):
    sky = Sky(NORTH)
    found = crossings(whole_face, sky, *around_noon(NORTH, date(2026, 5, 3), 60))
    each = np.arange(len(found.utc_us))
    level = LEVELS[found.threshold]
    before, after = (
        lit_fractions(whole_face, sky.sun(found.utc_us + off_us))[each, found.channel] >= level
        for off_us in (-1000, 1000)
    )
    assert len(each) > 100
    assert (before != after).all()
    assert (after == found.rise).all()


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
    square = dial(one, radius_mm=ELSEWHERE_MM)
    found = crossings(square, sky, *around_noon(NORTH, day, 20))
    half = found.threshold == 1
    sun = sky.sun(found.utc_us[half])
    assert found.rise[half].tolist() == [True, False]
    if one.shape == "round":
        axis = frames.direction(0.0, np.radians(one.declination_deg), 1, np)
        away_deg = np.degrees(np.arccos(frames.dot(sun.polar, axis)))
        assert away_deg == pytest.approx([half_angle_deg] * 2, abs=0.015)
    else:
        assert sun.hour_angle_deg == pytest.approx([-half_angle_deg, half_angle_deg], abs=0.001)


# --- what lasts seconds


def tuned(make, wanted):
    """make(x) with x in 0..1 halved until its figure is wanted; figures fall with x."""
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if make(middle)[1] > wanted else (low, middle)
    return make(high)[0]


def test_a_dip_of_seconds_is_found_wherever_the_span_begins():
    """Between a short slot and a long one the light dips just under 0.75."""
    sky = Sky(NORTH)
    start_us, end_us = around_noon(NORTH, EQUINOX, 2)
    near_us = np.arange(start_us, end_us, SECOND_US // 2)

    def pair(x):
        two = dial(bore(-0.7), bore(1.2 + 0.5 * x, length_mm=120.0))
        return two, lit_fractions(two, sky.sun(near_us)).min()

    two = tuned(pair, 0.75 - 3e-4)
    slow = scanned(two, sky, start_us, end_us, SECOND_US // 10)
    assert slow.rise.tolist() == [False, True]
    assert 1 < np.diff(slow.utc_us)[0] / 1e6 < 9
    for shift_us in SHIFTS_US:
        assert_same(crossings(two, sky, start_us + shift_us, end_us), slow, SECOND_US // 10)


def test_a_peak_of_seconds_is_found_wherever_the_span_begins():
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
    for shift_us in SHIFTS_US:
        assert_same(crossings(one, sky, start_us + shift_us, end_us), slow, SECOND_US // 10)


def test_the_searchs_bound_on_the_rate_of_change_holds():
    """For slots and rounds, on the axis and far off it, tapered or not: without it the search
    would be no judge."""
    here = dial(
        bore(0.0, channel=0, exit_mm=1.0, entry_mm=4.0),
        bore(0.0, channel=1, exit_mm=4.0, entry_mm=1.0),
        bore(0.0, channel=2, declination_deg=-23.0, opening_deg=95.0, exit_mm=2.0, entry_mm=2.0),
        hole(0.0, channel=3, exit_mm=2.0, entry_mm=2.5),
        hole(0.0, channel=4, exit_mm=2.0, entry_mm=9.0),
    )
    bound = interval_search.steepest_per_s(here)
    for pose_deg in ((0.0, 0.0, 0.0), (1.0, -1.0, 0.5)):
        start_us, end_us = around_noon(NORTH, SUMMER, 30)
        sun = Sky(NORTH).sun(np.arange(start_us, end_us, SECOND_US // 2))
        steepest = np.abs(np.diff(lit_fractions(here, sun, pose_deg), axis=0)).max(axis=0) * 2
        assert (steepest > 0).all()
        assert (steepest <= bound).all()


# --- the Sun's rise, pieces of time, poses


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


def test_no_bores_and_no_time():
    start_us, end_us = around_noon(NORTH, EQUINOX, 5)
    assert len(crossings(dial(), Sky(NORTH), start_us, end_us).utc_us) == 0
    assert len(crossings(dial(bore()), Sky(NORTH), start_us, start_us).utc_us) == 0


def test_a_span_in_pieces_gives_the_same_crossings(whole_face, monkeypatch):
    """Cut at odd instants, and at a crossing itself, which belongs to what follows."""
    sky = Sky(NORTH)
    start_us, end_us = around_noon(NORTH, EQUINOX, 60 * 24 * 2.3)
    whole = crossings(whole_face, sky, start_us, end_us)
    at_us = int(whole.utc_us[9])
    cuts_us = [start_us, start_us + 1234567, at_us, at_us + 1, end_us - 777_777_777, end_us]
    pieces = [rows(crossings(whole_face, sky, *cut)) for cut in pairwise(cuts_us)]
    assert min(us for _, _, us, _ in pieces[2]) == at_us
    assert sorted(row for piece in pieces for row in piece) == rows(whole)
    monkeypatch.setattr(predict, "DAYS", 1)
    assert rows(crossings(whole_face, sky, start_us, end_us)) == rows(whole)
    assert len(whole.utc_us) > 1000


@pytest.mark.parametrize(("site", "late"), [(NORTH, -144.0), (SOUTH, 144.0)])
def test_a_turned_body_crosses_early_in_the_north_and_late_in_the_south(site, late):
    """0.6 deg at 15 deg an hour."""
    sky, here = Sky(site), dial(bore(), site=site)
    span = around_noon(site, EQUINOX, 30)
    turned = crossings(here, sky, *span, (0.0, 0.0, 0.6))
    assert late_s(turned, crossings(here, sky, *span)) == pytest.approx([late] * 6, abs=0.05)


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
