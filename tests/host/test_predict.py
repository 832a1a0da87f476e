"""The predictor with ghosts: lit fractions and crossings against rays and the hand."""

import math
from dataclasses import replace
from datetime import date
from itertools import pairwise

import numpy as np
import pytest
from tests.host import interval_search
from tests.host.dials import NORTH, SECOND_US, SOUTH, around_noon, late_s, rows

from dialbench import dialfile, ideal
from dialbench.crossing import NOMINAL
from dialbench.dial import Body, Bore, Channel, Dial, Plan, Step
from dialbench.predict import crossings, lit_fractions
from dialbench.rays.tracer import Tracer
from dialbench.sky import Sky
from dialcore.crossing import THRESHOLDS

BOTH = pytest.mark.parametrize("site", [NORTH, SOUTH], ids=["north", "south"])
EQUINOX, SUMMER, WINTER = date(2026, 3, 20), date(2026, 6, 21), date(2026, 12, 21)
RADIUS_MM = 60.0
FAR_MM = 100.0  # channels so far apart along the polar axis share no light


def bore(hour_angle_deg=0.0, channel=0, **changed):
    """A bore of a channel in the axis of the cylinder: every one meets the rim 60 mm out."""
    facts = {"shape": "slot", "exit_mm": 3.0, "entry_mm": 3.0}
    facts |= {"declination_deg": 0.0, "opening_deg": 60.0} | changed
    length_mm = RADIUS_MM / math.cos(math.radians(facts["declination_deg"]))
    return Bore(channel, hour_angle_deg, length_mm=length_mm, **facts)


def hole(hour_angle_deg=0.0, channel=0, **changed):
    return bore(hour_angle_deg, channel, shape="round", declination_deg=23.43, **changed)


def dial(*listed, site=NORTH, plan=None, apart_mm=FAR_MM):
    channels = 1 + max(b.channel for b in listed)
    steps = (Step(0, 720.0, "12:00", frozenset({0})),)
    return Dial(
        name="test",
        site=site,
        channels=tuple(Channel(0.0, apart_mm * k, k, 0) for k in range(channels)),
        plan=plan or Plan("apparent", 15.0, steps),
        body=Body(RADIUS_MM, 2 * apart_mm * channels + 100.0),
        bores=listed,
    )


# --- bores far apart: what closed forms say of each by itself

STRAIGHT = (bore(0.0), bore(10.0, 1), bore(-20.0, 2))
TAPERED = (
    bore(0.0, 0, exit_mm=0.5, entry_mm=4.0),
    bore(12.0, 1, exit_mm=1.0, entry_mm=5.0),
    bore(-25.0, 2, exit_mm=0.35, entry_mm=3.0),
    bore(-15.0, 3, exit_mm=0.5, entry_mm=4.0),
    bore(15.0, 3, exit_mm=0.5, entry_mm=4.0),
)
ROUND = (hole(0.0), hole(10.0, 1, entry_mm=5.0), hole(-20.0, 2))
POSE_DEG = (0.3, -0.2, 0.4)

ALONE = pytest.mark.parametrize(
    ("listed", "day", "ray_off"),
    # What 4096 rays give, measured over both sites: 0.0030, 0.0063, 0.0094.
    [(STRAIGHT, EQUINOX, 0.006), (TAPERED, EQUINOX, 0.009), (ROUND, SUMMER, 0.013)],
    ids=["straight", "tapered", "round"],
)


@BOTH
@ALONE
@pytest.mark.parametrize("pose_deg", [NOMINAL, POSE_DEG], ids=["nominal", "posed"])
def test_bores_far_apart_are_as_each_by_itself(listed, day, site, pose_deg, ray_off):
    here, sky = dial(*listed, site=site), Sky(site)
    span = around_noon(site, day, 130)
    sun = sky.sun(np.arange(*span, 20 * SECOND_US))
    by_itself = ideal.lit_fractions(here, sun, pose_deg)
    assert (by_itself.max(axis=0) > 0.85).all()
    assert lit_fractions(here, sun, pose_deg) == pytest.approx(by_itself, abs=1e-12)
    expected = interval_search.crossings(here, sky, *span, pose_deg)
    assert len(expected.utc_us) == 6 * len(listed)
    for ghosts in (True, False):
        late = late_s(crossings(here, sky, *span, pose_deg, ghosts=ghosts), expected)
        # Borders are followed less closely where light may stray.
        assert np.abs(late).max() < (0.05 if ghosts else 0.001)


@BOTH
@ALONE
def test_rays_through_bores_far_apart_agree_with_the_closed_form(listed, day, site, ray_off):
    here, sky = dial(*listed, site=site), Sky(site)
    sun = sky.sun(np.arange(*around_noon(site, day, 130), 120 * SECOND_US))
    by_itself = ideal.lit_fractions(here, sun, POSE_DEG)
    rays = Tracer(here, POSE_DEG, rays=4096).lit_fractions(sun.polar, sun.semidiameter_deg)
    assert rays == pytest.approx(by_itself, abs=ray_off)


# --- a ghost, worked out by hand

TILT_DEG, APART_MM = 7.5, 5.0


def crossed(site):
    """Channel 1 looks 7.5 deg, half an hour, past channel 0, and stands 5 mm beside it."""
    return dial(bore(0.0, 0), bore(TILT_DEG, 1), site=site, apart_mm=APART_MM)


def ghost_share(sun, hemisphere):
    """Lit share of channel 0's exit when the Sun stands near channel 1's hour angle, (n,).

    The exit is 3 mm square, its points p mm across (the way the Sun goes) and q mm along
    the polar axis. Both bores have parallel walls across, and spread by tan 30 either way
    along the axis, so all that counts is:

    - t mm out, a ray of hour angle h is p + t sin h across its own bore, and leaves it
      where that reaches 1.5 mm;
    - it is p cos T + t sin(h - T) across the other, T apart, and must be there within
      1.5 mm on its way from one bore into the other and at the rim, 60 mm out;
    - the other bore's near wall comes down from 5 mm beside: a ray is under it at first,
      and gets into it where its own z, q + t tan d, reaches 5 - 1.5 - along tan 30.

    Lit if it gets into the other bore before it leaves its own.
    """
    grid = ((np.arange(24) + 0.5) / 24 - 0.5) * 3.0
    p, q = (a.ravel() for a in np.meshgrid(grid, grid))
    tilt, wall = math.radians(TILT_DEG), math.tan(math.radians(30.0))
    total = weights = 0.0
    for r in (np.arange(16) + 0.5) / 16:
        weight = r * (1 - 0.6 * (1 - math.sqrt(1 - r * r)))  # limb darkening, from memory
        for turn in (np.arange(24) + 0.5) * 2 * math.pi / 24:
            size = np.radians(sun.semidiameter_deg) * r
            d = np.radians(hemisphere * sun.declination_deg) + size * math.sin(turn)
            h = np.radians(sun.hour_angle_deg) + size * math.cos(turn) / np.cos(d)
            h, d = h[:, None], d[:, None]
            leaves = (1.5 - p) / np.sin(h)
            # Along the other's axis the point is p sin T + t cos(h - T) out.
            enters = (APART_MM - 1.5 - q - wall * p * math.sin(tilt)) / (
                wall * np.cos(h - tilt) + np.tan(d)
            )
            rim = np.sqrt(RADIUS_MM**2 - (p * np.cos(h)) ** 2) - p * np.sin(h)
            through = enters <= leaves
            for t in (enters, rim):
                through &= np.abs(p * math.cos(tilt) + t * np.sin(h - tilt)) <= 1.5
            total = total + weight * through.mean(axis=1)
            weights += weight
    return total / weights


@BOTH
def test_a_ghost_is_predicted_when_the_hand_says(site):
    here, sky = crossed(site), Sky(site)
    noon_us = sky.noon_us(EQUINOX)
    span = noon_us + 20 * 60 * SECOND_US, noon_us + 40 * 60 * SECOND_US
    utc_us = np.arange(*span, 20 * SECOND_US)
    sun = sky.sun(utc_us)
    by_hand = ghost_share(sun, site.hemisphere)
    assert lit_fractions(here, sun)[:, 0] == pytest.approx(by_hand, abs=0.008)
    found = crossings(here, sky, *span)
    ghost = found.channel == 0
    for threshold, (level, expected) in enumerate(zip(THRESHOLDS, (2, 2, 0), strict=True)):
        above = by_hand >= level
        at = np.flatnonzero(above[1:] != above[:-1])
        share = (level - by_hand[at]) / (by_hand[at + 1] - by_hand[at])
        due_us = utc_us[at] + share * 20 * SECOND_US
        mine = ghost & (found.threshold == threshold)
        assert found.rise[mine].tolist() == [True, False][:expected]
        assert found.utc_us[mine] / 1e6 == pytest.approx(due_us / 1e6, rel=0, abs=2.0)


@BOTH
def test_alone_the_ghosts_channel_is_dark(site):
    """The same minutes, with one of the two bores: it takes both."""
    here, sky = crossed(site), Sky(site)
    noon_us = sky.noon_us(EQUINOX)
    span = noon_us + 20 * 60 * SECOND_US, noon_us + 40 * 60 * SECOND_US
    sun = sky.sun(np.arange(*span, 60 * SECOND_US))
    assert lit_fractions(here, sun)[:, 0].max() > 0.7
    for k in range(2):
        lone = replace(here, bores=here.bores[k : k + 1])
        assert not lit_fractions(lone, sun)[:, 0].any()
    assert not ideal.lit_fractions(here, sun)[:, 0].any()


# --- crossings


def tangled():
    """Twelve bores of four channels side by side: light gets from each into several others."""
    listed = (bore(2.5 * k - 14, k * 5 % 4, exit_mm=1.0, entry_mm=3.0) for k in range(12))
    return dial(*listed, apart_mm=5.0)


def assert_crossings_are_those_of_lit_fractions(here, minutes, off_us):
    """Seen every second; within off_us of a crossing the two may differ. Returns how many."""
    sky = Sky(here.site)
    start_us, end_us = around_noon(here.site, SUMMER, minutes)
    utc_us = np.arange(start_us, end_us, SECOND_US)
    lit = lit_fractions(here, sky.sun(utc_us))
    found = crossings(here, sky, start_us, end_us)
    assert (np.diff(found.utc_us) >= 0).all()
    assert start_us <= found.utc_us[0] and found.utc_us[-1] < end_us
    seen = 0
    for channel in range(len(here.channels)):
        for threshold, level in enumerate(THRESHOLDS):
            mine = (found.channel == channel) & (found.threshold == threshold)
            at_us, rise = found.utc_us[mine], found.rise[mine]
            above = lit[:, channel] >= level
            passed = np.searchsorted(at_us, utc_us, side="right")
            side = np.concatenate(([not rise[0] if len(rise) else above[0]], rise))[passed]
            near = np.zeros(len(utc_us), np.bool_)
            for one_us in at_us:
                near |= np.abs(utc_us - one_us) <= off_us
            assert (side == above)[~near].all(), (channel, threshold)
            assert (rise[1:] != rise[:-1]).all()
            seen += len(rise)
    assert seen == len(found.utc_us)
    return seen


def test_crossings_are_those_of_lit_fractions_seen_every_second():
    here = tangled()
    sun = Sky(NORTH).sun(np.arange(*around_noon(NORTH, SUMMER, 70), 60 * SECOND_US))
    strayed = lit_fractions(here, sun) - ideal.lit_fractions(here, sun)
    assert strayed.max() > 0.1
    assert assert_crossings_are_those_of_lit_fractions(here, 70, SECOND_US // 2) > 50


@pytest.mark.deep
@pytest.mark.timeout(600)
def test_crossings_of_the_demo_dial_are_those_of_its_lit_fractions():
    """Over two hours and all their changes of step."""
    here = dialfile.demo()
    assert assert_crossings_are_those_of_lit_fractions(here, 130, SECOND_US // 2) > 100


def test_what_strays_against_many_rays():
    """Of the tangle's ghosts; 4096 rays leave 0.01 themselves, see above."""
    here, sky = tangled(), Sky(NORTH)
    sun = sky.sun(np.arange(*around_noon(NORTH, EQUINOX, 70), 120 * SECOND_US))
    rays = Tracer(here, rays=4096).lit_fractions(sun.polar, sun.semidiameter_deg)
    off = lit_fractions(here, sun) - rays
    print("STRAY", np.abs(off).max(), np.sqrt((off**2).mean()))
    assert np.abs(off).max() < 0.03
    assert np.sqrt((off**2).mean()) < 0.005


@pytest.mark.parametrize("rise", [True, False])
def test_a_span_in_pieces_gives_the_same_crossings(rise):
    """Cut at odd instants, and at a crossing itself: what is lit from there on, or until then,
    is lit in the piece that holds that time."""
    here = dial(*TAPERED)
    sky = Sky(NORTH)
    start_us, end_us = around_noon(NORTH, EQUINOX, 130)
    whole = crossings(here, sky, start_us, end_us)
    at_us = int(whole.utc_us[whole.rise == rise][5])
    cuts_us = [start_us, start_us + 1234567, at_us, at_us + 1, end_us - 777_777_777, end_us]
    pieces = [rows(crossings(here, sky, *cut)) for cut in pairwise(cuts_us)]
    holding = [k for k, piece in enumerate(pieces) if any(row[2] == at_us for row in piece)]
    assert holding == ([2] if rise else [1])
    assert sorted(row for piece in pieces for row in piece) == rows(whole)
    assert len(crossings(here, sky, at_us, at_us).utc_us) == 0


def at_horizon_deg(sky, utc_us):
    """In winter the Sun rises and sets before the face, in summer behind it."""
    return float(sky.sun(np.array([utc_us])).hour_angle_deg[0])


def test_sunrise_over_a_lit_bore_is_no_crossing():
    sky = Sky(NORTH)
    rise_us, set_us = sky.daylight(WINTER)
    half_us = 1800 * SECOND_US
    up = dial(bore(at_horizon_deg(sky, rise_us), exit_mm=1.0, entry_mm=4.0))
    found = crossings(up, sky, rise_us - half_us, rise_us + half_us)
    assert found.rise.tolist() == [False, False, False]
    assert found.threshold.tolist() == [2, 1, 0]
    assert (found.utc_us > rise_us).all()
    down = dial(bore(at_horizon_deg(sky, set_us), exit_mm=1.0, entry_mm=4.0))
    found = crossings(down, sky, set_us - half_us, set_us + half_us)
    assert found.rise.tolist() == [True, True, True]
    assert (found.utc_us < set_us).all()


def test_nothing_is_lit_while_the_sun_is_down():
    sky = Sky(NORTH)
    rise_us, _ = sky.daylight(WINTER)
    sun = sky.sun(rise_us + np.array([-20, 20]) * SECOND_US)
    towards = bore(float(sun.hour_angle_deg[0]))
    lit = lit_fractions(dial(towards), sun)[:, 0]
    assert lit[0] == 0
    assert lit[1] > 0.9


@pytest.mark.parametrize(("site", "due_s"), [(NORTH, -144.0), (SOUTH, 144.0)])
def test_a_turned_body_crosses_early_in_the_north_and_late_in_the_south(site, due_s):
    """0.6 deg at 15 deg an hour; wz carries x towards y."""
    sky = Sky(site)
    here = dial(*TAPERED, site=site)
    span = around_noon(site, EQUINOX, 130)
    straight = crossings(here, sky, *span)
    turned = crossings(here, sky, *span, (0.0, 0.0, 0.6))
    late = late_s(turned, straight)
    assert len(late) == 30
    assert late == pytest.approx([due_s] * 30, abs=0.05)


@BOTH
def test_a_posed_body_meets_the_hour_angle_of_the_first_order_formula(site):
    """H + wz - tan d (wx cos H - wy sin H) of the northern frame, and mirrored in the south."""
    sky, hour_angle_deg = Sky(site), 30.0
    pose_deg = (0.10, -0.08, 0.05)
    start_us, end_us = around_noon(site, SUMMER, 180)
    here = dial(bore(hour_angle_deg, exit_mm=1.0, entry_mm=3.0), site=site)
    found = crossings(here, sky, start_us, end_us, pose_deg)
    half = found.threshold == 1
    sun = sky.sun(found.utc_us[half])
    side = site.hemisphere
    h, d = np.radians(side * sun.hour_angle_deg), np.radians(side * sun.declination_deg)
    wx, wy, wz = pose_deg
    met_deg = side * (np.degrees(h) + wz - np.tan(d) * (wx * np.cos(h) - wy * np.sin(h)))
    # Half-way between the two it is on the axis; 0.004 deg is a second.
    assert met_deg.mean() == pytest.approx(hour_angle_deg, abs=0.004)
    assert met_deg == pytest.approx([hour_angle_deg - 1.432, hour_angle_deg + 1.432], abs=0.01)
