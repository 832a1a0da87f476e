"""The predictor: rays over a day's Sun, held against closed forms, the hand and its own timeline.

256 rays tell a lit fraction to about 0.03, and a crossing as well as the light's slope
there makes of that; where a test asks for more, it follows more rays.
"""

import math
from dataclasses import replace
from datetime import UTC, date, datetime

import numpy as np
import pytest

from dialbench import dialfile, ideal, predict
from dialbench.dial import Body, Bore, Channel, Dial, Plan, Site, Step
from dialbench.predict import NOMINAL, THRESHOLDS, crossings, duty, lit_fractions, plan_step
from dialbench.sky import Sky, to_us

NORTH = Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0)
SOUTH = replace(NORTH, name="South Holm", latitude_deg=-41.2)
BOTH = pytest.mark.parametrize("site", [NORTH, SOUTH], ids=["north", "south"])
EQUINOX, SUMMER = date(2026, 3, 20), date(2026, 6, 21)
SECOND_US = 1_000_000
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


def around_noon(site, day, minutes):
    noon_us, half_us = Sky(site).noon_us(day), round(minutes * 60 * SECOND_US)
    return noon_us - half_us, noon_us + half_us


def columns(found):
    """Channel, threshold, rise and utc_us of crossings, channel by channel in time."""
    order = np.lexsort((found.utc_us, found.threshold, found.channel))
    return tuple(
        a[order].tolist() for a in (found.channel, found.threshold, found.rise, found.utc_us)
    )


def late_s(found, reference):
    """How much later each crossing comes than the same one of the reference."""
    *ours, when_us = columns(found)
    *theirs, due_us = columns(reference)
    assert ours == theirs
    return (np.array(when_us) - np.array(due_us)) / 1e6


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

# Bounds for 256 rays and for 4096. Measured, over both sites and poses: lit fraction off by
# at most 0.0200, 0.0299, 0.0402 and then 0.0030, 0.0051, 0.0103; a crossing by 8.3, 4.5,
# 22.0 s and then 1.4, 1.3, 5.3 s. The straight slots' light takes 11 minutes to come,
# hence their seconds. What more rays leave of the rounds' is the closed form's own: it
# takes the entry for flat, and averages the Sun over 18 points.
ALONE = pytest.mark.parametrize(
    ("listed", "day", "off", "off_s", "fine_off", "fine_off_s"),
    [
        (STRAIGHT, EQUINOX, 0.03, 10.0, 0.005, 2.0),
        (TAPERED, EQUINOX, 0.035, 5.0, 0.008, 2.0),
        (ROUND, SUMMER, 0.05, 25.0, 0.013, 6.0),
    ],
    ids=["straight", "tapered", "round"],
)


@pytest.fixture
def many_rays(monkeypatch):
    """Sixteen times the rays, until the test's end."""
    predict._tracer.cache_clear()
    monkeypatch.setattr(predict, "RAYS", 4096)
    yield
    predict._tracer.cache_clear()


@BOTH
@ALONE
@pytest.mark.parametrize("pose_deg", [NOMINAL, POSE_DEG], ids=["nominal", "posed"])
def test_bores_far_apart_are_as_each_by_itself(
    listed, day, site, pose_deg, off, off_s, fine_off, fine_off_s
):
    here, sky = dial(*listed, site=site), Sky(site)
    span = around_noon(site, day, 130)
    sun = sky.sun(np.arange(*span, 20 * SECOND_US))
    by_itself = ideal.lit_fractions(here, sun, pose_deg)
    assert (by_itself.max(axis=0) > 0.85).all()
    print('OFF', np.abs(lit_fractions(here, sun, pose_deg)-by_itself).max())
    assert lit_fractions(here, sun, pose_deg) == pytest.approx(by_itself, abs=off)
    expected = ideal.crossings(here, sky, *span, pose_deg)
    assert len(expected.utc_us) == 6 * len(listed)
    print('OFF_S',np.abs(late_s(crossings(here, sky, *span, pose_deg), expected)).max())
    assert np.abs(late_s(crossings(here, sky, *span, pose_deg), expected)).max() < off_s


@BOTH
@ALONE
def test_the_difference_is_the_rays_and_goes_with_their_number(
    many_rays, listed, day, site, off, off_s, fine_off, fine_off_s
):
    here, sky = dial(*listed, site=site), Sky(site)
    span = around_noon(site, day, 130)
    sun = sky.sun(np.arange(*span, 60 * SECOND_US))
    by_itself = ideal.lit_fractions(here, sun, POSE_DEG)
    assert lit_fractions(here, sun, POSE_DEG) == pytest.approx(by_itself, abs=fine_off)
    late = late_s(
        crossings(here, sky, *span, POSE_DEG), ideal.crossings(here, sky, *span, POSE_DEG)
    )
    print('FINE',np.abs(lit_fractions(here, sun, POSE_DEG)-by_itself).max(),np.abs(late).max())
    assert np.abs(late).max() < fine_off_s


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
    for r in (np.arange(8) + 0.5) / 8:
        weight = r * (1 - 0.6 * (1 - math.sqrt(1 - r * r)))  # limb darkening, from memory
        for turn in (np.arange(16) + 0.5) * 2 * math.pi / 16:
            size = np.radians(sun.semidiameter_deg) * r
            d = np.radians(hemisphere * sun.declination_deg) + size * math.sin(turn)
            h = np.radians(sun.hour_angle_deg) + size * math.cos(turn) / np.cos(d)
            h, d = h[:, None], d[:, None]
            leaves = (1.5 - p) / np.sin(h)
            # Along the other's axis the point is p sin T + t cos(h - T) out.
            enters = (APART_MM - 1.5 - q - wall * p * math.sin(tilt)) / (
                wall * np.cos(h - tilt) + np.tan(d)
            )
            across = [p * math.cos(tilt) + t * np.sin(h - tilt) for t in (enters, leaves)]
            rim = np.sqrt(RADIUS_MM**2 - (p * np.cos(h)) ** 2) - p * np.sin(h)
            across.append(p * math.cos(tilt) + rim * np.sin(h - tilt))
            through = (enters <= leaves) & (np.abs(across[0]) <= 1.5) & (np.abs(across[2]) <= 1.5)
            total = total + weight * through.mean(axis=1)
            weights += weight
    return total / weights


@BOTH
def test_a_ghost_is_predicted_when_the_hand_says(many_rays, site):
    here, sky = crossed(site), Sky(site)
    noon_us = sky.noon_us(EQUINOX)
    span = noon_us + 20 * 60 * SECOND_US, noon_us + 40 * 60 * SECOND_US
    utc_us = np.arange(*span, 10 * SECOND_US)
    sun = sky.sun(utc_us)
    by_hand = ghost_share(sun, site.hemisphere)
    lit = lit_fractions(here, sun)[:, 0]
    print(np.abs(lit - by_hand).max(), by_hand.max())
    found = crossings(here, sky, *span)
    for threshold, level in enumerate(THRESHOLDS):
        ghost = (found.channel == 0) & (found.threshold == threshold)
        above = by_hand >= level
        at = np.flatnonzero(above[1:] != above[:-1])
        share = (level - by_hand[at]) / (by_hand[at + 1] - by_hand[at])
        print(level, (found.utc_us[ghost] - utc_us[at] - share * 1e7) / 1e6 if len(at)==ghost.sum() else (at, ghost.sum()), found.rise[ghost])
    assert 0
