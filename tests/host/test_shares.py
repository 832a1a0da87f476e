"""Whose fault a difference is: shares that add up, each held against a way of its own."""

import json
from dataclasses import replace
from datetime import UTC, date, datetime

import erfa
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.host.dials import NORTH, SOUTH, dial

from dialbench.dial import Plan, Site
from dialbench.face import hour_steps
from dialbench.reading import decode
from dialbench.shares import Shift, live_shift, shares
from dialbench.sky import Sky, from_us, to_us

DAY_US = 86_400_000_000
STEPS = hour_steps("08:30", 15, 28)
FAR = Site("Far Holm", 12.0, 171.3, 24.0, "+12:00", 1010.0, 10.0)


def a_dial(kind="zone", site=NORTH, day=None):
    return dial(site=site, plan=Plan(kind, 15.0, STEPS, day))


def split(one, utc_us, reads=None, shift=None):
    sky, at = Sky(one.site), np.array([utc_us])
    hour_deg = float(sky.sun(at).hour_angle_deg[0])
    return shares(one, utc_us, hour_deg, float(sky.equation_of_time_s(at)[0]), reads, shift)


def us(*when):
    return to_us(datetime(*when, tzinfo=UTC))


def referee_eot_min(utc_us):
    """Greenwich apparent sidereal time less the Sun's apparent right ascension, less UT1 - 12 h.

    By the IAU's routines in ERFA: Earth by epv00 (VSOP2000 in closed form, no JPL ephemeris),
    aberration, IAU 2006/2000A precession and nutation. UTC stands for UT1 (0.9 s at most, the
    published difference is taken off by Dialbench alone).
    """
    days = utc_us / DAY_US
    utc = (2440587.5, days)
    tt = (2440587.5, days + (37 + 32.184) / 86400)
    heliocentric, barycentric = erfa.epv00(*tt)
    toward = -heliocentric["p"]
    distance = float(np.linalg.norm(toward))
    speed = barycentric["v"] / 173.1446327  # of light, au a day
    seen = erfa.ab(toward / distance, speed, distance, float(np.sqrt(1 - speed @ speed)))
    right_ascension, _ = erfa.c2s(erfa.pnm06a(*tt) @ seen)
    hour_angle = erfa.gst06a(*utc, *tt) - right_ascension
    minutes = np.degrees(hour_angle) * 4 + 720 - utc_us % DAY_US / 60e6
    return float((minutes + 720) % 1440 - 720)


@pytest.mark.parametrize("day", [(2026, 2, 11), (2026, 5, 14), (2027, 4, 16), (2027, 11, 3)])
def test_the_equation_of_times_share_is_a_referees(day):
    """Of a plan that does not allow for it; the extremes of the year, and a day near zero."""
    at = us(*day, 11, 20)
    found = split(a_dial("zone"), at)
    # UTC for UT1 parts them by up to 0.1 s in these years, 0.0017 min.
    assert found.equation_of_time_min == pytest.approx(referee_eot_min(at), abs=0.002)


def test_known_extremes_of_the_equation_of_time():
    """-14.2 min on 11 February, +16.4 min on 3 November: common knowledge, from memory."""
    assert split(a_dial(), us(2026, 2, 11, 12)).equation_of_time_min == pytest.approx(
        -14.2, abs=0.1
    )
    assert split(a_dial(), us(2026, 11, 3, 12)).equation_of_time_min == pytest.approx(16.4, abs=0.1)


def test_what_the_plan_allows_for_is_no_fault():
    at, place = us(2026, 11, 3, 12), 4 * NORTH.longitude_deg + 60
    apparent, mean, zone = (split(a_dial(kind), at) for kind in ("apparent", "mean", "zone"))
    assert apparent.longitude_min == pytest.approx(place)
    assert mean.longitude_min == pytest.approx(place)
    assert zone.longitude_min == pytest.approx(0)
    for kind in ("mean", "zone"):
        drawn = split(a_dial(kind, day=date(2026, 11, 3)), at)
        assert drawn.equation_of_time_min == pytest.approx(0, abs=0.02)  # of an hour's change
        spring = split(a_dial(kind, day=date(2026, 2, 11)), at)
        # Both extremes at once.
        assert spring.equation_of_time_min == pytest.approx(16.4 + 14.2, abs=0.2)


def test_the_airs_share_is_that_of_a_sun_without_air():
    """Low in the west refraction lifts the Sun back along its way: dial slow."""
    at = us(2026, 5, 3, 19, 55)
    airless = replace(NORTH, pressure_mbar=0.0)
    with_air, without = (split(a_dial(site=site), at) for site in (NORTH, airless))
    assert -2 < with_air.air_min < -0.5
    moved = with_air.air_min - without.air_min
    hours = [Sky(site).sun(np.array([at])).hour_angle_deg[0] for site in (NORTH, airless)]
    assert moved == pytest.approx(4 * (hours[0] - hours[1]))
    assert abs(without.air_min) < 0.02  # parallax, 9 arc seconds, and UT1 - UTC


@settings(deadline=None, max_examples=50)
@given(
    st.integers(us(2026, 1, 1), us(2028, 1, 1)),
    st.sampled_from((NORTH, SOUTH, FAR)),
    st.sampled_from(("apparent", "mean", "zone")),
    st.sampled_from((None, date(2026, 11, 3))),
    st.none() | st.integers(0, 27),
    st.none() | st.floats(-1800, 1800),
)
def test_shares_add_up_to_what_is_read_less_the_clock(at, site, kind, day, step, late_s):
    one = a_dial(kind, site, day)
    reads = None if step is None else one.plan.steps[step]
    shift = None if late_s is None else Shift(late_s, 1.0, 9, "store")
    found = split(one, at, reads, shift)
    if reads is None:
        assert found.total_min is None
        return
    zone_min = (at / 60e6 + 60 * site.standard_offset_h(from_us(at).date())) % 1440
    off = found.total_min - (reads.start_min + 7.5 - zone_min)
    assert (off + 720) % 1440 - 720 == pytest.approx(0, abs=1e-6)
    assert found.step_min is None or abs(found.step_min) <= 7.5 + 1e-6
    assert found.face_min is not None and found.pose_min in (None, -(late_s or 0) / 60)


def test_a_turned_dial_is_split_into_turn_and_step():
    """It is 3 minutes into the step before the turn: the dial still stands in the last one."""
    one = a_dial("apparent")
    sky, noon = Sky(NORTH), Sky(NORTH).noon_us(date(2026, 5, 3))
    at = noon + 3 * 60_000_000
    hour = float(sky.sun(np.array([at])).hour_angle_deg[0])
    assert hour == pytest.approx(0.75, abs=0.01)
    last = next(step for step in STEPS if step.start_min == 705)
    told = split(one, at, last, Shift(300.0, 5.0, 40, "live"))
    assert told.pose_min == -5
    assert told.step_min == pytest.approx(-5.5, abs=0.05)  # 11:52:30 less 11:58
    assert told.face_min == 0
    unknown = split(one, at, last)
    assert unknown.pose_min is None
    assert unknown.step_min == pytest.approx(4.5, abs=0.05)  # 12:07:30 less 12:03
    assert unknown.face_min == -15
    assert unknown.total_min == pytest.approx(told.total_min)


def test_outside_the_plan_the_face_alone_is_to_blame():
    found = split(a_dial(), us(2026, 5, 3, 3), STEPS[0])
    assert found.step_min is None and found.face_min is not None
    assert json.loads(json.dumps(found.as_dict()))["total_min"] == found.total_min
    assert decode(a_dial(), STEPS[3].channels).start_min == STEPS[3].start_min


def seen(late_s, spread_s, channels, seed=1):
    """Crossings predicted a minute apart, and the same as they came."""
    rng = np.random.default_rng(seed)
    predicted = tuple((60_000_000 * n, n % channels, n % 2 == 0) for n in range(4 * channels))
    came = tuple(
        (at + round(1e6 * (late_s + spread_s * rng.standard_normal())), channel, rising)
        for at, channel, rising in predicted
    )
    return came, predicted


def test_the_live_shift_is_the_median_of_what_was_seen():
    came, predicted = seen(144.0, 20.0, 12)
    found = live_shift(came, predicted)
    assert (found.crossings, found.whence) == (48, "live")
    assert found.late_s == pytest.approx(144, abs=3 * found.sigma_s)
    assert 3 < found.sigma_s < 12
    assert live_shift(came[::-1], predicted) == found


@pytest.mark.parametrize("kept", [0, 5])
def test_too_few_crossings_tell_no_shift(kept):
    came, predicted = seen(10.0, 1.0, 12)
    assert live_shift(came[:kept], predicted) is None


def test_one_channel_alone_tells_no_shift():
    predicted = tuple((600_000_000 * n, 0, n % 2 == 0) for n in range(20))
    assert live_shift(predicted, predicted) is None
