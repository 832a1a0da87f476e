"""What must hold of any dial's crossings, whatever its bores: mirrors, shifts, wider, deeper.

Each channel has one bore and counts by itself. Bounds rest on how fast the Sun moves of its
own accord: the equation of time changes by at most 30 s a day, and by at most 1 s a day
faster from one day to the next; the declination by at most 0.4 degrees a day, and by 0.007
degrees a day more or less from one day to the next (from memory).
"""

import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from dialbench import predict
from dialbench.dial import Body, Bore, Channel, Dial, Plan, Site, Step
from dialbench.lit import light_of
from dialbench.path import Place
from dialbench.sky import Sky, to_us

DAY_US = 86_400_000_000
few = settings(derandomize=True, deadline=None, max_examples=6)

# A slot with an opening that the Sun never leaves meets the Sun at hour angles of its own,
# wherever the Sun stands in declination.
OPEN_DEG = 120.0
# A round bore whose axis passes within 0.3 of its reach of the Sun: there its border's
# hour angle changes by less than 0.5 of a change in declination.
BESIDE = 0.3
# The Sun is up so far from noon on any day at latitudes up to 50 degrees.
HOURS_DEG, LATITUDE_DEG = 50.0, 50.0


def numbers(low, high):
    return st.floats(low, high, allow_nan=False, allow_infinity=False)


@st.composite
def bores(draw, sun_deg=0.0, open_slots=True, shapes=("slot", "round")):
    """Some bores that the Sun, so far from the equator, lights; a channel each."""
    listed = []
    for channel in range(draw(st.integers(3, 6))):
        length_mm = draw(numbers(40, 150))
        exit_mm = length_mm * draw(numbers(0.006, 0.05))
        # So wide that the whole disc is let through at the axis.
        entry_mm = exit_mm + length_mm * draw(numbers(0.012, 0.1))
        hour_angle_deg = draw(numbers(-HOURS_DEG, HOURS_DEG))
        if draw(st.sampled_from(shapes)) == "round":
            exit_mm, entry_mm = exit_mm + 0.02 * length_mm, entry_mm + 0.02 * length_mm
            reach_deg = math.degrees(exit_mm / 2 / length_mm)
            beside_deg = draw(numbers(-BESIDE, BESIDE)) * reach_deg
            shape, opening_deg = "round", 0.0
        elif open_slots:
            shape, opening_deg, beside_deg = "slot", OPEN_DEG, -sun_deg
        else:
            shape, opening_deg = "slot", draw(numbers(2, 60))
            beside_deg = draw(numbers(-0.55, 0.55)) * opening_deg
        listed.append(
            Bore(
                channel,
                hour_angle_deg,
                sun_deg + beside_deg,
                shape,
                exit_mm,
                entry_mm,
                length_mm,
                opening_deg,
            )
        )
    return tuple(listed)


@st.composite
def sites(draw, air=True):
    pressure_mbar = draw(numbers(700, 1040)) if air else 0.0
    latitude_deg, longitude_deg = (
        draw(numbers(-LATITUDE_DEG, LATITUDE_DEG)),
        draw(numbers(-150, 150)),
    )
    return Site("x", latitude_deg, longitude_deg, 24.0, "+00:00", pressure_mbar, 10.0)


days = st.integers(0, 3 * 365).map(lambda count: date(2024, 6, 1) + timedelta(count))


def dial(site, listed):
    channels = tuple(Channel(0.0, 100.0 * k, k, 0) for k in range(len(listed)))
    plan = Plan("apparent", 15.0, (Step(0, 720.0, "12:00", frozenset({0})),))
    return Dial("test", site, channels, plan, Body(200.0, 2000.0), tuple(listed))


def declination_deg(day):
    """Of the Sun at about noon."""
    noon = np.array([to_us(datetime(day.year, day.month, day.day, 12, tzinfo=UTC))])
    return float(Sky(Site("x", 0.0, 0.0, 0.0, "+00:00", 0.0, 0.0)).sun(noon).declination_deg[0])


def about_noon(here, day):
    """The dial's spans of the apparent day that culminates on a day; and that noon."""
    sky = Sky(here.site)
    middle_us = to_us(datetime(day.year, day.month, day.day, 12, tzinfo=UTC))
    guess_us = middle_us - round(here.site.longitude_deg * 240e6)
    hour_deg = sky.sun(np.array([guess_us])).hour_angle_deg[0]
    noon_us = guess_us - round(hour_deg * 240e6)
    span = noon_us - DAY_US // 2 + 60_000_000, noon_us + DAY_US // 2 - 60_000_000
    return predict.spans(here, sky, *span, ghosts=False), noon_us


def whole(found):
    """Spans between two crossings as {(channel, threshold): (begin_us, end_us)}; one each."""
    both = found.only((found.begin_kind == 0) & (found.end_kind == 0))
    keys = list(zip(both.channel.tolist(), both.threshold.tolist(), strict=True))
    ends = zip(both.begin_us.tolist(), both.end_us.tolist(), strict=True)
    return dict(zip(keys, ends, strict=True))


def every(listed, thresholds=(0, 1, 2)):
    """All (channel, threshold) of some bores."""
    return {(bore.channel, threshold) for bore in listed for threshold in thresholds}


@few
@given(st.data())
def test_a_dial_mirrored_in_hour_angle_has_its_crossings_mirrored_about_noon(data):
    """At a solstice, without air.

    The equation of time's change of pace shifts a pair 6 hours off noon by 0.07 s; the site's
    own speed (0.3") makes 0.04 s. The declination, half a day off its extreme, changes by
    0.002 degrees in 12 hours, and a round bore's crossing by half of that, 0.25 s.
    """
    day = data.draw(st.sampled_from([date(2025, 6, 21), date(2025, 12, 21), date(2026, 6, 21)]))
    site = data.draw(sites(air=False))
    listed = data.draw(bores(declination_deg(day)))
    mirrored = [replace(b, hour_angle_deg=-b.hour_angle_deg) for b in listed]
    found, noon_us = about_noon(dial(site, listed), day)
    other, _ = about_noon(dial(site, mirrored), day)
    ours, theirs = whole(found), whole(other)
    assert ours.keys() == theirs.keys() >= every(listed, (0, 1))
    for key in ours:
        bound_s = 0.11 if listed[key[0]].shape == "slot" else 0.36
        for one, two in zip(ours[key], reversed(theirs[key]), strict=True):
            assert abs((one - noon_us) + (two - noon_us)) / 1e6 <= bound_s, key


@few
@given(sites(), st.data(), numbers(-0.45, 0.45), st.tuples(*[numbers(-5, 5)] * 3))
def test_lit_fractions_of_a_dial_mirrored_north_to_south_are_the_same(
    site, data, declination, pose_deg
):
    """Latitude, the Sun's and the bores' declinations change sign, hour angles do not: the
    body's frame then has its y axis mirrored, and rotations about x and z turn the other way."""
    listed = data.draw(bores(math.degrees(declination), open_slots=False))
    north = dial(replace(site, latitude_deg=abs(site.latitude_deg) + 1), listed)
    south = dial(
        replace(site, latitude_deg=-abs(site.latitude_deg) - 1),
        [replace(b, declination_deg=-b.declination_deg) for b in listed],
    )
    channel = np.repeat(np.arange(len(listed)), 40)
    axes = np.radians([b.hour_angle_deg for b in listed])[channel]
    place = Place(
        axes + np.tile(np.linspace(-0.08, 0.08, 40), len(listed)),
        np.full(len(channel), declination),
        np.full(len(channel), 0.00465),
    )
    lit = light_of(north, ghosts=False).at(place, channel)
    assert lit.max() > 0
    under = replace(place, declination=-place.declination)
    assert np.abs(light_of(south, ghosts=False).at(under, channel) - lit).max() <= 1e-12

    sun = Sky(north.site).sun(
        to_us(datetime(2025, 4, 1, tzinfo=UTC)) + np.arange(0, DAY_US, 3 * 10**8)
    )
    x, y, z = sun.polar
    below = replace(sun, polar=(x, -y, z))
    wx, wy, wz = pose_deg
    for number in range(2):  # alone in a dial, so that nothing strays
        one, two = ([replace(each.bores[number], channel=0)] for each in (north, south))
        lit = predict.lit_fractions(dial(north.site, one), sun, pose_deg)
        mirrored = predict.lit_fractions(dial(south.site, two), below, (-wx, wy, -wz))
        assert np.abs(mirrored - lit).max() <= 1e-12


@few
@given(sites(air=False), st.data(), days)
def test_a_southern_dial_crosses_half_a_year_later_at_the_same_hour_angles(site, data, day):
    """Slots, without air: all that differs is the Sun's size, by 3.4% at most, and no border
    of a slot so wide moves farther than the limb: 0.0091 degrees, over the least cos d 0.01."""
    listed = data.draw(bores(shapes=("slot",)))
    north = dial(replace(site, latitude_deg=abs(site.latitude_deg)), listed)
    south = dial(replace(site, latitude_deg=-abs(site.latitude_deg) - 1e-9), listed)
    hours = []
    for here, when in ((north, day), (south, day + timedelta(182))):
        spans = whole(about_noon(here, when)[0])
        ends_us = np.array(list(spans.values()), np.int64).ravel()
        at = Sky(here.site).sun(ends_us).hour_angle_deg.reshape(-1, 2)
        hours.append(dict(zip(spans, at, strict=True)))
    assert hours[0].keys() == hours[1].keys() == every(listed)
    for key in hours[0]:
        assert np.abs(hours[0][key] - hours[1][key]).max() <= 0.010, key


@few
@given(sites(air=False), st.data(), days, numbers(0.5, 20))
def test_a_site_farther_east_has_every_crossing_earlier(site, data, day, east_deg):
    """By 240 s a degree, but for what the Sun does of its own accord meanwhile: 30 s a day in
    hour angle, and for a round bore half of its 0.4 degrees a day in declination, 60 s at
    most where the meridians are close."""
    listed = data.draw(bores(declination_deg(day)))
    found, _ = about_noon(dial(site, listed), day)
    moved = replace(site, longitude_deg=site.longitude_deg + east_deg)
    other, _ = about_noon(dial(moved, listed), day)
    ours, theirs = whole(found), whole(other)
    assert ours.keys() == theirs.keys() >= every(listed, (0, 1))
    for key, ends in ours.items():
        own_s = 30.0 if listed[key[0]].shape == "slot" else 90.0
        for one, two in zip(ends, theirs[key], strict=True):
            late_s = (two - one) / 1e6 + 240 * east_deg
            assert abs(late_s) <= own_s * east_deg / 360 + 0.02, key


def outside_us(inner, outer):
    """By how much spans reach out of the ones of another set that hold them; worst of all."""
    worst = 0
    for k in range(len(inner)):
        mine = outer.channel == inner.channel[k]
        mine &= outer.threshold == inner.threshold[k]
        early = outer.begin_us[mine] - inner.begin_us[k]
        late = inner.end_us[k] - outer.end_us[mine]
        worst = max(worst, int(np.maximum(early, late).min(initial=DAY_US)))
    return worst


@few
@given(sites(), st.data(), days, numbers(1.01, 2.0), st.booleans())
def test_a_wider_bore_is_never_lit_for_less(site, data, day, factor, entry_only):
    listed = data.draw(bores(declination_deg(day), open_slots=False))
    wider = [
        replace(b, entry_mm=b.entry_mm * factor, exit_mm=b.exit_mm * (1 if entry_only else factor))
        for b in listed
    ]
    found, _ = about_noon(dial(site, listed), day)
    other, _ = about_noon(dial(site, wider), day)
    assert len(found)
    assert outside_us(found, other) <= 10_000


@few
@given(sites(), st.data(), days)
def test_spans_of_higher_thresholds_lie_within_those_of_lower(site, data, day):
    listed = data.draw(bores(declination_deg(day), open_slots=False))
    found, _ = about_noon(dial(site, listed), day)
    assert len(found)
    for high in (1, 2):
        inner = found.only(found.threshold == high)
        outer = found.only(found.threshold == high - 1)
        outer = replace(outer, threshold=outer.threshold + 1)
        assert outside_us(inner, outer) <= 0
