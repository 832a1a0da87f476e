"""An audit's figures against what can be worked out by hand, or by other means."""

import itertools
import json
import math
import sys
from dataclasses import replace
from datetime import date, timedelta
from functools import lru_cache, partial

import manifold3d
import numpy as np
import pytest
from tests.host import dials
from tests.host.dials import NORTH, SOUTH, bore, hole

from dialbench import dialfile, predict
from dialbench.audit import showing
from dialbench.audit.columns import only
from dialbench.audit.facts import SCHEMA, facts
from dialbench.audit.legibility import apart, misread
from dialbench.audit.limits import broken
from dialbench.audit.minutes import look, plan_time, wanted
from dialbench.audit.result import AuditError, audited
from dialbench.audit.tables import headline, remarks, tables
from dialbench.audit.walls import MEET_MM, distances, walls
from dialbench.audit.ways import Ways
from dialbench.dial import Body, Channel, Dial, Limits, Plan, Step
from dialbench.layout import uniform
from dialbench.lit import light_of
from dialbench.rays.tracer import Tracer
from dialbench.sky import Sky
from dialcore import frames

HOUR_US = 3_600_000_000
DIALBENCH = [sys.executable, "-m", "dialbench.cli"]

lonely = partial(dials.dial, apart_mm=100.0)  # no channel lights another's exit


def plan(*lit, step_min=60.0, first_min=660.0, kind="apparent"):
    """Steps that light these channels, one after the other."""
    steps = []
    for k, channels in enumerate(lit):
        hour, minute = divmod(round(first_min + k * step_min), 60)
        spells = f"{hour:02}:{minute:02}"
        steps.append(Step(k, first_min + k * step_min, spells, frozenset(channels)))
    return Plan(kind, step_min, tuple(steps))


def lit_for(minutes, hour_angle_deg, channel=0):
    """A slot lit to a half for so many minutes about an hour angle: its entry sets the time."""
    entry_mm = 2 * 60.0 * math.tan(math.radians(minutes / 8))
    return bore(hour_angle_deg, channel, exit_mm=0.35, entry_mm=entry_mm)


@lru_cache(maxsize=1)
def by_turns():
    """Two steps of an hour, 11 to 13; their channels are lit for 36 minutes amid each."""
    return audited(lonely(lit_for(36, -7.5, 0), lit_for(36, 7.5, 1), plan=plan({0}, {1})), 2027)


@lru_cache(maxsize=1)
def crowded():
    """Three channels side by side in a plate: bores cross, and edges are stretched."""
    places = tuple(Channel(1.5 * (1 - k), 0.0, k, 0) for k in range(3))
    steps, body = plan({0, 1}, {1, 2}, {0}, {0, 2}, step_min=15.0), Body(40.0, 80.0, 30.0, 0.4)
    listed = uniform(NORTH, places, steps, body, 0.5, 1.5, 60.0)
    return audited(Dial("crowded", NORTH, places, steps, body, listed), 2027)


def rays(found, utc_us):
    """Lit fractions of all channels at some instants, by rays: (n, channels)."""
    place = found.seen.time.place(np.asarray(utc_us))
    polar = frames.direction(place.hour_angle, place.declination, 1, np)
    return Tracer(found.dial, rays=4096).lit_fractions(polar, np.degrees(place.semidiameter))


# The plan's time.


def test_the_plans_time_is_that_of_its_steps():
    """Apparent days: each hour angle comes once a day, an hour to 15 deg but for the Sun's
    own way, which is up to 30 s a day (from memory), and refraction's seconds."""
    here = lonely(bore(), plan=plan({0}, set()))
    time = plan_time(here, 2028)
    assert len(time.dates) == 366
    assert time.dates[0] == date(2028, 1, 1)
    assert time.dates[-1] == date(2028, 12, 31)
    assert np.abs(np.diff(time.edges_us, axis=1) / HOUR_US - 1).max() < 0.001
    assert (time.begin_us == time.edges_us[:, 0]).all()
    sun = Sky(NORTH).sun(time.edges_us.ravel())
    expected = np.tile([-15.0, 0.0, 15.0], 366)
    assert sun.hour_angle_deg == pytest.approx(expected, abs=1e-5)


def test_the_place_of_the_sun_between_minutes():
    time = plan_time(lonely(bore(), plan=plan({0})), 2027)
    rng = np.random.default_rng(4)
    utc_us = np.sort(rng.integers(time.begin_us[0], time.end_us[-1], 2000))
    sun, place = Sky(NORTH).sun(utc_us), time.place(utc_us)
    # Near the horizon refraction bends the path, within a minute by half an arc second.
    for low_deg, high_deg, close_deg in ((10, 90, 2e-5), (0, 10, 2e-4)):
        here = (sun.altitude_deg > low_deg) & (sun.altitude_deg < high_deg)
        assert here.sum() > 50
        hour_deg, fall_deg = np.degrees(place.hour_angle), np.degrees(place.declination)
        assert hour_deg[here] == pytest.approx(sun.hour_angle_deg[here], abs=close_deg)
        assert fall_deg[here] == pytest.approx(sun.declination_deg[here], abs=close_deg)
    assert np.degrees(place.semidiameter) == pytest.approx(sun.semidiameter_deg, abs=1e-6)


def test_days_out_of_season_do_not_count():
    here = lonely(bore(), plan=plan({0}))
    whole, some = plan_time(here, 2027), plan_time(here, 2027, (-5.0, 10.0))
    assert 0 < len(some.dates) < len(whole.dates)
    middle_us = some.edges_us.mean(axis=1).astype(np.int64)
    fall_deg = Sky(NORTH).sun(middle_us).declination_deg
    assert ((fall_deg >= -5.0) & (fall_deg <= 10.0)).all()
    left_us = whole.edges_us[~np.isin(whole.edges_us[:, 0], some.edges_us[:, 0])].mean(axis=1)
    fall_deg = Sky(NORTH).sun(left_us.astype(np.int64)).declination_deg
    assert ((fall_deg < -5.0) | (fall_deg > 10.0)).all()


def test_night_and_a_skyline_cut_the_plans_time():
    """Between azimuths 170 and 190 deg a tower hides the Sun whatever its altitude."""
    tower = ((0.0, 0.0), (169.9, 0.0), (170.0, 89.0), (190.0, 89.0), (190.1, 0.0))
    here = lonely(bore(), site=replace(NORTH, horizon=tower), plan=plan({0}, {0}))
    time = plan_time(here, 2027)
    assert len(time.begin_us) == 2 * 365
    hidden = Sky(here.site).sun((time.end_us[0::2] + time.begin_us[1::2]) // 2)
    assert not hidden.up.any()
    early = lonely(bore(), plan=plan({0}, {0}, first_min=300.0))
    time = plan_time(early, 2027)
    assert 0 < len(time.begin_us) < 365  # the Sun of winter rises after seven
    assert Sky(NORTH).sun(time.begin_us + 1_000_000).up.all()
    assert (time.begin_us >= time.edges_us[time.day, 0]).all()


def test_a_plan_without_any_sun_is_refused():
    with pytest.raises(AuditError, match=r"plan: the Sun is never up at Gannet Holm .* 2027"):
        audited(lonely(bore(), plan=plan({0}, first_min=60.0)), 2027)


# Duty and wrong light.


def test_duty_is_the_share_of_the_plans_time():
    """Each channel is lit 36 minutes of its hour."""
    found = by_turns()
    assert found.duty == pytest.approx(0.6, abs=0.0005)
    assert found.wrong == 0
    assert found.by_step.duty == pytest.approx([0.6, 0.6], abs=0.0005)
    assert found.by_day.duty == pytest.approx(np.full(365, 0.6), abs=0.001)
    assert found.whole.total_us[0] / HOUR_US == pytest.approx(730, abs=0.5)


def test_duty_spoilt_by_a_wrong_channel():
    """The first is lit for 12 minutes of the second step as well."""
    here = lonely(
        lit_for(36, -7.5, 0), lit_for(12, 7.5, 0), lit_for(36, 7.5, 1), plan=plan({0}, {1})
    )
    found = audited(here, 2027)
    assert found.duty == pytest.approx(0.5, abs=0.0005)
    assert found.wrong == pytest.approx(0.1, abs=0.0005)
    assert found.by_step.wrong == pytest.approx([0.0, 0.2], abs=0.0005)


def test_duty_is_what_prediction_makes_of_it():
    """Borders and their meetings with the Sun's path, an altogether other way."""
    found = crowded()
    time = found.seen.time
    span = int(time.edges_us[0, 0]) - HOUR_US, int(time.edges_us[-1, -1]) + HOUR_US
    assert 0.2 < found.duty < 0.98
    assert found.wrong > 0.005
    assert found.duty == pytest.approx(predict.duty(found.dial, Sky(NORTH), *span), abs=0.0005)


def test_shares_are_those_of_a_look_every_two_seconds():
    """Some days of the crowded dial, by lit fractions at instants one after the other."""
    found = crowded()
    time, wants = found.seen.time, wanted(found.dial)
    for day in (20, 79, 172):
        utc_us = np.arange(time.begin_us[day], time.end_us[day], 2_000_000)
        sun = Sky(NORTH).sun(utc_us)
        lit = predict.lit_fractions(found.dial, sun) >= 0.5
        want = wants[predict.plan_step(found.dial, sun.hour_angle_deg)]
        right, wrong = (lit == want).all(axis=1).mean(), (lit & ~want).any(axis=1).mean()
        assert found.by_day.duty[day] == pytest.approx(right, abs=0.003)
        assert found.by_day.wrong[day] == pytest.approx(wrong, abs=0.003)


def test_counted_minutes_agree_but_for_chance():
    found = crowded()
    minutes, right, wrong = (
        int(of.sum()) for of in (found.seen.minutes, found.seen.right, found.seen.wrong)
    )
    assert minutes == pytest.approx(found.whole.total_us[0] / 60e6, abs=365)
    # All boundaries of a day fall on one second of the minute: days count, not minutes.
    assert right / minutes == pytest.approx(found.duty, abs=0.01)
    assert wrong / minutes == pytest.approx(found.wrong, abs=0.01)


def test_pieces_fill_the_plans_time_once():
    found = crowded()
    pieces, time = found.seen.pieces, found.seen.time
    assert (pieces.length_us > 0).all()
    assert pieces.length_us.sum() == (time.end_us - time.begin_us).sum()
    assert (pieces.begin_us[1:] >= pieces.end_us[:-1]).all()
    assert (time.edges_us[pieces.day, pieces.step] <= pieces.begin_us).all()
    assert (time.edges_us[pieces.day, pieces.step + 1] >= pieces.end_us).all()
    assert pieces.dark.min() == pieces.stray.min() == 0


def test_how_long_no_face_stands_between_two_steps():
    """From 12 minutes before the boundary to 12 minutes after it."""
    assert by_turns().gaps_s == pytest.approx(np.full((365, 1), 24 * 60.0), abs=6)
    spoilt = crowded()
    gaps = spoilt.gaps_s.copy()
    pieces, edges_us = spoilt.seen.pieces, spoilt.seen.time.edges_us
    for day, boundary in ((3, 0), (100, 1), (200, 2)):
        edge_us = edges_us[day, boundary + 1]
        mine = only(pieces, pieces.day == day)
        bad = ~mine.right
        here = np.flatnonzero(bad & (mine.begin_us <= edge_us) & (mine.end_us >= edge_us))
        first, last = (int(here[0]), int(here[-1])) if len(here) else (0, -1)
        while len(here) and first > 0 and bad[first - 1]:
            first -= 1
        while len(here) and last < len(bad) - 1 and bad[last + 1]:
            last += 1
        expected = (mine.end_us[last] - mine.begin_us[first]) / 1e6 if len(here) else 0.0
        assert gaps[day, boundary] == pytest.approx(expected)
    assert gaps.max() > 5


def test_no_gap_where_the_sun_is_down():
    here = lonely(bore(), plan=plan({0}, {0}, {0}, first_min=300.0))
    time = plan_time(here, 2027)
    runs = np.arange(len(time.begin_us))
    pieces = showing.pieces(
        time, wanted(here), look(light_of(here), time, runs), dark_all_day(len(runs))
    )
    gaps_us = showing.gaps_us(time, pieces)
    down = ~Sky(NORTH).sun(time.edges_us[:, 1]).up
    assert 0 < down.sum() < 365
    assert (np.isnan(gaps_us[:, 0]) == down).all()


def dark_all_day(runs):
    from dialbench.audit.crossings import Passed

    nothing = np.zeros(0, np.int64)
    return Passed(nothing, nothing, nothing, nothing.astype(bool))


# Edges.


def test_how_late_light_comes_and_goes():
    """12 minutes after the hour it comes and 12 before the next it goes; nothing strays."""
    found = by_turns()
    edges = found.seen.edges
    assert len(edges.day) == 365 * 4
    expected = np.where(edges.on, 12 * 60e6, -12 * 60e6)
    assert edges.late_us == pytest.approx(expected, abs=3e6)
    assert edges.own_late_us == pytest.approx(edges.late_us, abs=1e5)
    assert (found.late.count, found.late.missed) == (1460, 0)
    assert found.late.rms_s == pytest.approx(720, abs=2)
    assert found.stretch.rms_s < 0.1


def test_an_edge_without_light_is_missed():
    found = audited(lonely(lit_for(36, -7.5, 0), bore(60.0, 1), plan=plan({0}, {1})), 2027)
    assert found.late.missed == 365 * 2
    assert found.late.rms_s == pytest.approx(720, abs=2)
    blank = audited(lonely(bore(60.0, 0), plan=plan({0})), 2027)
    assert (blank.late.missed, blank.late.worst) == (730, None)
    assert facts(blank)["edges"]["worst"] is None


def test_stray_light_stretches_edges():
    """On three days, against crossings as they are predicted with and without ghosts."""
    found = crowded()
    edges, time = found.seen.edges, found.seen.time
    assert found.stretch.rms_s > 3
    for day in (20, 79, 172):
        span = int(time.begin_us[day]) - HOUR_US, int(time.end_us[day]) + HOUR_US
        for ghosts, late_us in ((True, edges.late_us), (False, edges.own_late_us)):
            known = predict.crossings(
                found.dial, Sky(NORTH), *span, thresholds=(0.5,), ghosts=ghosts
            )
            mine = np.flatnonzero(edges.day == day)
            for k in mine.tolist():
                same = (known.channel == edges.channel[k]) & (known.rise == edges.on[k])
                due_us = time.edges_us[day, edges.edge[k]]
                nearest_us = np.abs(known.utc_us[same] - due_us).min()
                if nearest_us < 7 * 60e6:
                    assert abs(late_us[k]) == pytest.approx(nearest_us, abs=1.5e6)


# Ghosts.


def test_the_bore_that_a_ghost_comes_through():
    """Two exits side by side; the second's bore leads across before the first exit. The Sun
    stands where the first's own bore is dark for certain."""
    side_by_side = Channel(0.0, 0.0, 0, 0), Channel(3.0, 0.0, 1, 0)
    listed = bore(0.0, 0), bore(15.0, 1, entry_mm=16.0)
    here = Dial("haunted", NORTH, side_by_side, plan({0}), Body(60.0, 200.0), listed)
    sun = [math.radians(of_deg) for of_deg in (10.0, 5.0, 0.267)]
    [way] = Ways(here).through(0, *sun)
    assert way.bore == listed[1]
    assert way.share == 1.0
    # As much light as other rays find; none where that bore is filled, nor under a Sun
    # beyond it.
    polar = frames.direction(*(np.array([of]) for of in sun[:2]), 1, np)
    traced = Tracer(here, rays=4096).lit_fractions(polar, 0.267)[0, 0]
    assert Ways(here).lit(0, *sun).mean() == pytest.approx(traced, abs=0.03)
    assert traced > 0.3
    filled = replace(here, bores=listed[:1])
    assert Tracer(filled, rays=4096).lit_fractions(polar, 0.267)[0, 0] == 0
    assert Ways(here).through(0, math.radians(40.0), *sun[1:]) == []


def test_the_strongest_ghosts_say_where_they_come_through():
    found = crowded()
    assert len(found.ghosts) > 3
    assert found.ghost == found.ghosts[0].peak > 0.1
    for ghost in found.ghosts[:12]:
        shares = [way.share for way in ghost.through]
        assert sum(shares) == pytest.approx(1)
        assert shares == sorted(shares, reverse=True)
        # Not through its own bores: these are dark.
        own = sum(way.share for way in ghost.through if way.bore.channel == ghost.channel)
        assert own < 0.1


def test_a_ghosts_peak_is_what_rays_make_of_it():
    found = crowded()
    for ghost in found.ghosts[:6]:
        traced = rays(found, [ghost.peak_us])[0, ghost.channel]
        assert ghost.peak == pytest.approx(traced, abs=0.02)
        place = found.seen.time.place(np.array([ghost.peak_us]))
        assert math.degrees(place.hour_angle[0]) == pytest.approx(ghost.peak_hour_angle_deg)
        low, high = ghost.declination_deg
        assert low - 0.1 <= ghost.peak_declination_deg <= high + 0.1
        day = found.seen.time.dates[int(np.argmax(found.seen.time.end_us > ghost.peak_us))]
        assert any(first <= day <= last for first, last in ghost.dates)


def test_every_minute_of_a_ghost_is_counted():
    """The days of the strongest, one by one: dark in the plan, its own bores dark, and yet lit."""
    found = crowded()
    time, ghost = found.seen.time, found.ghosts[0]
    seen = look(light_of(found.dial), time, np.arange(len(time.day)))
    lit, own = seen.lit[:, ghost.channel], seen.own[:, ghost.channel]
    stray = seen.inside & (seen.step == ghost.step) & (lit >= 0.01) & (own < 1e-3)
    assert ghost.minutes == stray.sum() > 100
    assert ghost.minutes_lit == (stray & (lit >= 0.5)).sum()
    days = {time.dates[k] for k in time.day[seen.run[stray]].tolist()}
    told = {
        first + timedelta(days=k)
        for first, last in ghost.dates
        for k in range((last - first).days + 1)
    }
    assert told == days
    assert ghost.channel not in found.dial.plan.steps[ghost.step].channels


def test_where_bores_keep_apart_there_are_no_ghosts():
    assert by_turns().ghosts == ()
    assert by_turns().ghost == 0


# Contrast and brightness.


def test_contrast_in_the_middle_of_a_step():
    """The dimmest wanted channel over the brightest unwanted one, by rays."""
    found = crowded()
    least, wants = found.middle, wanted(found.dial)
    assert least.step.tolist() == [0, 1, 2, 3]
    place = found.seen.time.place(least.utc_us)
    middles_deg = np.array([-13.125, -9.375, -5.625, -1.875])
    assert np.degrees(place.hour_angle) == pytest.approx(middles_deg, abs=0.01)
    traced = rays(found, least.utc_us)
    dim = np.where(wants[:4], traced, np.inf).min(axis=1)
    bright = np.where(wants[:4], 0.0, traced).max(axis=1)
    assert bright.max() > 0.1
    assert least.dim_lit == pytest.approx(dim, abs=0.02)
    assert least.bright_lit == pytest.approx(bright, abs=0.02)
    worst = least.bright_lit.argmax()
    assert found.contrast == pytest.approx(least.dim_lit[worst] / least.bright_lit[worst])


def test_contrast_has_no_end_where_dark_channels_are_dark():
    assert by_turns().contrast == math.inf
    assert facts(by_turns())["contrast"] is None
    blank = audited(lonely(bore(60.0, 0), bore(60.0, 1), plan=plan({0})), 2027)
    assert blank.contrast == 0


def test_the_middle_half_holds_the_middle():
    found = crowded()
    assert (found.half.ratio <= found.middle.ratio * 1.1).all()
    time = found.seen.time
    edges_us = time.edges_us[found.half.day, found.half.step]
    share = (found.half.utc_us - edges_us) / (15 * 60e6)
    assert ((share > 0.249) & (share < 0.751)).all()


def test_brightness_of_a_straight_slot():
    """By hand: T = 1 - 20 |tan a| over 2.5 deg to either side, whose mean is 0.563. In the
    middle half it is least at its ends, 1.25 deg off: 0.564. Near its top the Sun's disc
    rounds it off by no more than 20 times a fifth of its radius."""
    found = audited(lonely(bore(), plan=plan({0}, step_min=20.0, first_min=710.0)), 2027)
    bright = found.seen.brightness
    assert bright.mean[0] == pytest.approx(0.563, abs=0.01)
    assert bright.least[0] == pytest.approx(0.564, abs=0.02)
    told = facts(found)["channels"][0]
    assert told["exit_mm2"] == 9.0
    assert told["lit_mm2"] == pytest.approx(9 * bright.mean[0])


def test_a_channel_that_is_never_wanted_has_no_brightness():
    found = audited(lonely(bore(0.0, 0), bore(0.0, 1), plan=plan({0})), 2027)
    told = facts(found)["channels"][1]
    assert (told["mean"], told["least"], told["least_us"]) == (None, None, None)
    # From 1.432 deg before noon to noon, of 15 deg: by hand for slots 3 mm wide, 60 mm long.
    assert found.wrong == pytest.approx(1.432 / 15, abs=0.002)


# Walls and pieces.


def test_the_wall_between_two_straight_bores():
    """3 mm wide, side by side at 10 mm."""
    found = walls(dials.dial(bore(0.0, 0), bore(0.0, 1, opening_deg=0.0), apart_mm=50.0))
    assert (found.pairs, found.meeting, found.thin) == (1, 0, 0)
    level = Dial(
        "level",
        NORTH,
        (Channel(5.0, 0.0, 0, 0), Channel(-5.0, 0.0, 1, 0)),
        plan({0}),
        Body(60.0, 200.0),
        (bore(0.0, 0), bore(0.0, 1)),
    )
    found = walls(level)
    assert found.least.wall_mm == pytest.approx(7.0, abs=0.001)
    assert sorted(side[1] for side in found.least.sides_mm) == pytest.approx([-3.5, 3.5], abs=0.01)
    assert (found.feature_mm, found.feature[:4]) == (3.0, "exit")


def test_bores_that_cross_meet():
    """From y = 10 mm and -10 mm, both towards the middle: they cross within the body; the
    other way round they do not."""
    at = Channel(10.0, 0.0, 0, 0), Channel(-10.0, 0.0, 1, 0)
    here = Dial("x", NORTH, at, plan({0}), Body(60.0, 200.0), (bore(30.0, 0), bore(-30.0, 1)))
    assert (walls(here).meeting, walls(here).least) == (1, None)
    away = replace(here, bores=(bore(-30.0, 0), bore(30.0, 1)))
    assert walls(away).meeting == 0
    # Nearest at the face: 20 mm less half an exit cut aslant on either side.
    aslant = 3 / math.cos(math.radians(30))
    assert walls(away).least.wall_mm == pytest.approx(20 - aslant, abs=0.2)
    assert walls(replace(away, site=SOUTH)).meeting == 1
    # Cut flat before they meet, they keep apart.
    assert walls(replace(here, body=Body(60.0, 200.0, 10.0))).meeting == 0


def test_distances_are_those_of_another_library():
    """Random hulls against Manifold's own least gap."""
    rng = np.random.default_rng(12)
    hulls = rng.normal(size=(60, 8, 3)) * [1.0, 3.0, 0.3] + rng.uniform(-6, 6, (60, 1, 3))
    one, other = np.triu_indices(60, 1)
    gap_mm, sides = distances(hulls, one, other, 100.0)
    solids = [manifold3d.Manifold.hull_points(hull) for hull in hulls]
    expected = np.array(
        [solids[i].min_gap(solids[k], 100.0) for i, k in zip(one, other, strict=True)]
    )
    met = expected < MEET_MM
    assert 20 < met.sum() < len(met) / 2
    assert (gap_mm[met] < MEET_MM + 0.001).all()
    assert gap_mm[~met] == pytest.approx(expected[~met], abs=0.0011)
    assert np.linalg.norm(sides[:, 0] - sides[:, 1], axis=1) == pytest.approx(gap_mm)


def test_walls_of_round_bores():
    """Two cylinders side by side, the prisms around them wider by less than 1%."""
    at = Channel(5.0, 0.0, 0, 0), Channel(-5.0, 0.0, 1, 0)
    straight = partial(hole, 0.0, declination_deg=0.0)
    here = Dial(
        "x", NORTH, at, plan({0}), Body(60.0, 200.0), (straight(channel=0), straight(channel=1))
    )
    assert walls(here).least.wall_mm == pytest.approx(7.0, abs=0.03)


def test_walls_of_many_bores_against_another_library():
    """The crowded dial's own bores, as solids cut off at the body's flat front."""
    here = crowded().dial
    found = walls(here)
    solids = []
    for each in here.bores:
        h = math.radians(each.hour_angle_deg)
        along, across = (
            np.array([math.cos(h), -math.sin(h), 0.0]),
            np.array([math.sin(h), math.cos(h), 0.0]),
        )
        channel, corners = here.channels[each.channel], []
        widen, rise = (
            (each.entry_mm - each.exit_mm) / 2 / each.length_mm,
            math.tan(math.radians(each.opening_deg / 2)),
        )
        for p, q in itertools.product((1, -1), (1, -1)):
            start = np.array([0.0, channel.y_mm, channel.z_mm]) + each.exit_mm / 2 * (
                p * across + q * np.array([0, 0, 1.0])
            )
            way = along + p * widen * across + q * rise * np.array([0, 0, 1.0])
            corners += [start + (x - start[0]) / way[0] * way for x in (0.0, here.body.front_mm)]
        solids.append(manifold3d.Manifold.hull_points(np.array(corners)))
    gaps = [
        solids[i].min_gap(solids[k], 100.0)
        for i, k in itertools.combinations(range(len(solids)), 2)
        if here.bores[i].channel != here.bores[k].channel
    ]
    assert found.pairs == len(gaps)
    assert found.meeting == pytest.approx(np.less(gaps, MEET_MM).sum(), abs=2)
    assert 0 < found.meeting < len(gaps)
    assert found.pockets > 0


def test_pockets_are_counted_with_their_depth():
    """Slots 1 mm wide at the exit, 20 deg apart, straight: a wall of 0.5 mm begins
    (0.5 + 1) / 2 / tan(10 deg) = 4.25 mm from the exit."""
    fan = [bore(h, exit_mm=1.0, entry_mm=1.0) for h in (-20.0, 0.0, 20.0)]
    here = replace(dials.dial(*fan), body=Body(60.0, 200.0, None, 0.5))
    found = walls(here)
    assert (found.pockets, found.through) == (2, 0)
    assert found.deepest_mm == pytest.approx(4.253, abs=0.001)
    assert found.mean_mm == pytest.approx(4.253, abs=0.001)
    assert (found.feature_mm, found.pairs, found.least) == (0.5, 0, None)
    # 1 deg apart it would begin 86 mm from the exit, beyond the body's surface at 60.
    close = [bore(h, exit_mm=1.0, entry_mm=1.0) for h in (-0.5, 0.5)]
    deep = walls(replace(here, bores=tuple(close)))
    assert (deep.pockets, deep.through) == (1, 1)
    assert deep.deepest_mm == pytest.approx(60.0)


def test_the_body_is_weighed_piece_by_piece():
    """A half cylinder less one straight bore, by hand; to a percent."""
    found = by_turns()
    assert len(found.pieces_mm3) == 1
    assert found.loose_mm3 == ()
    here = found.dial.body
    assert found.pieces_mm3[0] == pytest.approx(
        math.pi / 2 * here.radius_mm**2 * here.length_mm, rel=0.03
    )
    fallen = replace(found, pieces_mm3=(1000.0, 50.0, 0.5))
    assert fallen.loose_mm3 == (50.0,)
    assert any("2 pieces" in sentence for sentence in remarks(fallen))


# Legibility.


def test_faces_are_told_apart_channel_by_channel():
    rng = np.random.default_rng(5)
    lit = [set(np.flatnonzero(rng.random(9) < 0.4).tolist()) for _ in range(12)]
    here = lonely(
        *(bore(0.0, k) for k in range(9)), plan=plan(*lit, step_min=30.0, first_min=480.0)
    )
    found = apart(here)
    for k, each in enumerate(found):
        differ = {j: len(lit[k] ^ lit[j]) for j in range(12) if j != k}
        assert each.channels == min(differ.values())
        assert set(each.nearest) == {j for j, n in differ.items() if n == each.channels}


def test_the_same_reading_twice_is_no_misreading():
    steps = plan({0}, {0}, {1, 2})
    alike = replace(
        steps, steps=(steps.steps[0], replace(steps.steps[1], spells="11:00"), steps.steps[2])
    )
    here = lonely(*(bore(0.0, k) for k in range(3)), plan=alike)
    assert [each.channels for each in apart(here)] == [3, 3, 3]
    assert apart(lonely(bore(), plan=plan({0})))[0].channels is None
    # Three channels apart: with one wrong the right face is the nearer one, with two not.
    assert [misread(d) for d in (1, 2, 3, 4, 5)] == [1, 1, 2, 2, 3]


# Limits.


def limited(found, **limits):
    return {each.limit: each for each in broken(replace(found, limits=Limits(**limits)))}


def test_each_limit_is_held_to():
    found = crowded()
    assert broken(found) == ()  # nothing is asked of it
    kept = {
        "duty": found.duty,
        "wrong": found.wrong,
        "ghost": found.ghost,
        "contrast": found.contrast,
        "hamming": found.hamming,
    }
    assert limited(found, **kept) == {}
    harder = {
        "duty": found.duty + 0.001,
        "wrong": found.wrong - 0.001,
        "ghost": found.ghost - 0.001,
        "contrast": found.contrast + 0.01,
        "hamming": found.hamming + 1,
    }
    told = limited(found, **harder)
    assert list(told) == list(harder)
    for name, asked in harder.items():
        [alone] = limited(found, **{name: asked}).values()
        assert alone == told[name]
        assert (alone.value, alone.asked) == (kept[name], asked)
        assert alone.sentence.startswith(f"{name}: ")
        assert alone.sentence.endswith(".")
        assert len(alone.sentence.splitlines()) == 1


def test_a_broken_limit_says_when_and_where():
    found = crowded()
    told = limited(found, ghost=0.05, duty=1.0, contrast=1e6)
    ghost = found.ghosts[0]
    spelt = found.dial.plan.steps[ghost.step].spells
    way = ghost.through[0].bore
    for words in (
        f"channel {ghost.channel} to {ghost.peak:.3f} in step {spelt}",
        f"channel {way.channel} at hour angle {way.hour_angle_deg:.2f} deg",
        f"declination {ghost.peak_declination_deg:.2f} deg",
    ):
        assert words in told["ghost"].sentence
    assert str(found.seen.time.dates[found.by_day.least_right]) in told["duty"].sentence
    least = found.middle.step[found.middle.ratio.argmin()]
    assert f"step {found.dial.plan.steps[least].spells}" in told["contrast"].sentence


# What is told.


def test_facts_are_plain_json_and_add_up():
    for found in (by_turns(), crowded()):
        told = json.loads(json.dumps(facts(found), allow_nan=False))
        assert told["schema"] == SCHEMA
        assert sum(told["days"]["hours"]) == pytest.approx(told["plan_hours"])
        assert sum(month["hours"] for month in told["months"]) == pytest.approx(told["plan_hours"])
        assert len(told["months"]) == 12
        right = sum(h * d for h, d in zip(told["days"]["hours"], told["days"]["duty"], strict=True))
        assert right / told["plan_hours"] == pytest.approx(told["duty"])
        by_step = sum(step["hours"] * step["wrong"] for step in told["steps"])
        assert by_step / told["plan_hours"] == pytest.approx(told["wrong"])
        assert told["worst_day"]["duty"]["value"] == min(told["days"]["duty"])
        assert told["worst_day"]["wrong"]["value"] == max(told["days"]["wrong"])
        assert len(told["ghosts"]) == len(found.ghosts)


def test_tables_are_whole():
    for found in (by_turns(), crowded()):
        assert "the right face stands" in headline(found)
        for _, rows in tables(found):
            assert len(rows) > 1
            assert len({len(row) for row in rows}) == 1
        sentences = list(remarks(found))
        assert all(sentence.endswith(".") for sentence in sentences)


def test_a_year_is_the_same_whichever_way_it_is_cut(monkeypatch):
    from dialbench.audit import year

    found = crowded()
    monkeypatch.setattr(year, "_VALUES", 3 * 60 * 5)  # five days at a time
    again = year.year_of(found.dial, found.seen.time)
    assert again.pieces.begin_us.tolist() == found.seen.pieces.begin_us.tolist()
    assert again.minutes.tolist() == found.seen.minutes.tolist()
    assert again.brightness.mean == pytest.approx(found.seen.brightness.mean)
    assert len(again.edges.day) == len(found.seen.edges.day)


def test_progress_comes_to_an_end():
    told = []
    audited(
        lonely(bore(), plan=plan({0})),
        2027,
        progress=lambda what, share: told.append((what, share)),
    )
    assert told[0] == ("body", 1.0)
    assert told[-1] == ("year", 1.0)
    shares = [share for what, share in told if what == "year"]
    assert shares == sorted(shares)


# The command.


@pytest.fixture
def audit(run, tmp_path):
    here = replace(by_turns().dial, name="By turns", limits=Limits(duty=0.5, hamming=2))
    (tmp_path / "dial.toml").write_text(dialfile.dump(here))

    def call(*words):
        return run([*DIALBENCH, "audit", "dial.toml", *words], tmp_path, COLUMNS="140")

    return call


def test_kept_limits_end_with_status_0(audit):
    ran = audit()
    assert (ran.returncode, ran.stderr) == (0, "")
    lines = ran.stdout.splitlines()
    assert lines[0].startswith("By turns, Gannet Holm, 2027: the right face stands 60.0")
    assert lines[-1] == "All limits are kept."


def test_broken_limits_end_with_status_1_and_a_sentence_each(audit):
    ran = audit("--duty", "0.7", "--hamming", "3")
    assert (ran.returncode, ran.stderr) == (1, "")
    duty, hamming = ran.stdout.splitlines()[-2:]
    assert duty.startswith("duty: the right face stands 6")
    assert "70%" in duty
    assert (
        hamming
        == "hamming: the faces of steps 11:00 and 12:00 differ in 2 channels; at least 3 is asked."
    )


def test_json_says_the_same(audit):
    ran = audit("--json", "--year", "2028", "--duty", "0.7")
    assert (ran.returncode, ran.stderr) == (1, "")
    told = json.loads(ran.stdout)
    assert (told["schema"], told["year"]) == ("dialbench.audit/1", 2028)
    assert len(told["days"]["date"]) == 366
    assert [each["limit"] for each in told["broken"]] == ["duty"]
    assert told["limits"]["hamming"] == 2
    assert told["duty"] == pytest.approx(0.6, abs=0.001)


@pytest.mark.parametrize(
    "words", [("--year", "1850"), ("--year", "2053"), ("--duty", "nan"), ("--wrong", "2")]
)
def test_what_cannot_be_is_refused(audit, words):
    ran = audit(*words)
    assert (ran.returncode, ran.stdout) == (2, "")
    assert words[0] in ran.stderr
