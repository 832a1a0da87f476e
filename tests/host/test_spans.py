"""Lit spans: where they begin and end, what cuts them, how deep short ones are, whose they are."""

from dataclasses import replace
from datetime import date
from functools import partial

import numpy as np
import pytest
from tests.host.dials import DAY_US, NORTH, SECOND_US, around_noon, bore, dial

from dialbench import predict
from dialbench import spans as lit_spans
from dialbench.ideal import lit_fractions
from dialbench.sky import Sky
from dialbench.spans import CROSSING, EMPTY, KINDS, Spans, alone, joined
from dialcore.crossing import THRESHOLDS

EQUINOX, SUMMER = date(2026, 3, 20), date(2026, 6, 21)
HALF = (0.5,)
MINUTE_US = 60 * SECOND_US

spans = partial(predict.spans, ghosts=False)


def kinds(found):
    return [(KINDS[a], KINDS[b]) for a, b in zip(found.begin_kind, found.end_kind, strict=True)]


def hour_angle_deg(sky, utc_us):
    return float(sky.sun(np.array([utc_us])).hour_angle_deg[0])


def lasting(minutes, hour_angle_deg=0.0, channel=0):
    """A slot lit to a half for so long."""
    entry_mm = 2 * 60.0 * np.tan(np.radians(minutes / 8))
    return bore(hour_angle_deg, channel, exit_mm=1.0, entry_mm=float(entry_mm))


def test_a_span_begins_and_ends_with_its_crossings():
    sky = Sky(NORTH)
    span = around_noon(NORTH, EQUINOX, 60)
    found = spans(dial(bore()), sky, *span)
    assert kinds(found) == [("crossing", "crossing")] * 3
    assert found.threshold.tolist() == [0, 1, 2]
    assert (np.diff(found.begin_us) > 0).all() and (np.diff(found.end_us) < 0).all()
    for at_us in (found.begin_us, found.end_us):
        lit = lit_fractions(dial(bore()), sky.sun(at_us))[:, 0]
        assert lit == pytest.approx(THRESHOLDS, abs=1e-5)
    assert np.isnan(found.peak).all() and np.isnan(found.dip).all()


def test_crossings_are_the_ends_of_spans():
    sky, here = Sky(NORTH), dial(bore(), bore(6.0, 1), bore(12.0, 1))
    span = around_noon(NORTH, EQUINOX, 60)
    found = spans(here, sky, *span)
    made = predict.crossings_of(found)
    assert len(made.utc_us) == 2 * len(found) == 18
    assert made.utc_us.tolist() == sorted(found.begin_us.tolist() + found.end_us.tolist())
    assert set(made.utc_us[made.rise]) == set(found.begin_us)


def test_the_asked_span_cuts():
    sky = Sky(NORTH)
    start_us, end_us = around_noon(NORTH, EQUINOX, 2)
    found = spans(dial(lasting(10)), sky, start_us, end_us, thresholds=HALF)
    assert kinds(found) == [("start of the asked span", "end of the asked span")]
    assert (found.begin_us.tolist(), found.end_us.tolist()) == ([start_us], [end_us])
    assert np.isnan(found.peak).all()
    assert len(predict.crossings_of(found).utc_us) == 0


def test_sunrise_and_sunset_cut():
    sky = Sky(NORTH)
    rise_us, set_us = sky.daylight(EQUINOX)
    early, late = (
        lasting(20, hour_angle_deg(sky, us), k) for k, us in enumerate((rise_us, set_us))
    )
    found = spans(dial(early, late), sky, rise_us - 3600 * SECOND_US, set_us + 3600 * SECOND_US)
    half = found.only(found.threshold == 1)
    assert kinds(half) == [("sunrise", "crossing"), ("crossing", "sunset")]
    assert abs(half.begin_us[0] - rise_us) <= 2000 and abs(half.end_us[1] - set_us) <= 2000
    # Ten minutes of hour angle; a little more of time, while refraction still holds the Sun.
    for bore_at_deg, end_us, way in ((early, half.end_us[0], 1), (late, half.begin_us[1], -1)):
        away_deg = hour_angle_deg(sky, int(end_us)) - bore_at_deg.hour_angle_deg
        assert away_deg == pytest.approx(2.5 * way, abs=0.001)


def test_the_skyline_cuts_even_into_several():
    """Three peaks of a far range, each before the Sun for a minute or two."""
    free = Sky(NORTH)
    noon_us = free.noon_us(EQUINOX)
    at_us = noon_us - 4 * 3600 * SECOND_US
    sun = free.sun(at_us + np.array([-5, 0, 5]) * MINUTE_US)
    profile = [(0.0, 0.0)]
    for azimuth_deg, altitude_deg in zip(sun.azimuth_deg, sun.altitude_deg, strict=True):
        profile += [
            (azimuth_deg - 0.3, 0.0),
            (azimuth_deg, altitude_deg + 5),
            (azimuth_deg + 0.3, 0.0),
        ]
    site = replace(NORTH, horizon=tuple((float(a), float(b)) for a, b in profile))
    here = dial(lasting(20, float(sun.hour_angle_deg[1])), site=site)
    whole = spans(replace(here, site=NORTH), free, noon_us - DAY_US // 4, noon_us, thresholds=HALF)
    sky = Sky(site)
    found = spans(here, sky, noon_us - DAY_US // 4, noon_us, thresholds=HALF)
    assert kinds(found) == [
        ("crossing", "horizon"),
        ("horizon", "horizon"),
        ("horizon", "horizon"),
        ("horizon", "crossing"),
    ]
    assert (found.begin_us[0], found.end_us[-1]) == (whole.begin_us[0], whole.end_us[0])
    for cut_us in (found.end_us[:-1], found.begin_us[1:]):
        edge = sky.sun(cut_us)
        margin_deg = edge.altitude_deg + edge.semidiameter_deg - edge.horizon_deg
        assert margin_deg == pytest.approx([0] * 3, abs=1e-3)
    gaps_us = found.begin_us[1:] - found.end_us[:-1]
    assert (gaps_us > 20 * SECOND_US).all()
    # What the Sun cuts says nothing of the bore.
    assert np.isnan(found.dip).all()


def test_nothing_is_lit_where_the_sun_stays_down():
    polar = replace(NORTH, latitude_deg=80.0)
    start_us, end_us = around_noon(polar, SUMMER, 60)
    half_year_us = 183 * DAY_US
    here = dial(lasting(30), site=polar)
    assert len(spans(here, Sky(polar), start_us, end_us)) == 3
    assert len(spans(here, Sky(polar), start_us + half_year_us, end_us + half_year_us)) == 0


def test_a_short_span_has_its_peak():
    """A slot narrower than the Sun is lit to little more than 0.75."""
    sky = Sky(NORTH)
    span = around_noon(NORTH, EQUINOX, 30)
    best = None
    for exit_mm in np.linspace(0.7, 0.3, 41):
        one = dial(bore(exit_mm=float(exit_mm), entry_mm=float(exit_mm)))
        found = spans(one, sky, *span, thresholds=(0.75,))
        if len(found) and found.end_us[0] - found.begin_us[0] < lit_spans.GRAZING_US:
            best = one, found
    one, found = best
    each_us = np.arange(found.begin_us[0], found.end_us[0], SECOND_US // 20)
    due = lit_fractions(one, sky.sun(each_us))[:, 0].max()
    assert due > 0.75
    assert found.peak[0] == pytest.approx(due, abs=1e-6)
    wider = spans(one, sky, *span, thresholds=(0.25,))
    assert wider.end_us[0] - wider.begin_us[0] > lit_spans.GRAZING_US
    assert np.isnan(wider.peak).all()


def test_a_short_gap_has_its_dip():
    """Between a short slot and a long one the light dips."""
    sky = Sky(NORTH)
    two = dial(bore(-0.7), bore(1.5, length_mm=120.0))
    near_us = np.arange(*around_noon(NORTH, EQUINOX, 2), SECOND_US // 4)
    least = float(lit_fractions(two, sky.sun(near_us)).min())
    span = around_noon(NORTH, EQUINOX, 30)
    found = spans(two, sky, *span, thresholds=(least + 0.001, least + 0.1))
    shallow, deep = (found.only(found.threshold == k) for k in (0, 1))
    assert len(shallow) == len(deep) == 2
    assert 0 < shallow.begin_us[1] - shallow.end_us[0] < lit_spans.GRAZING_US
    assert np.isnan(shallow.dip[0]) and shallow.dip[1] == pytest.approx(least, abs=1e-6)
    assert deep.begin_us[1] - deep.end_us[0] > lit_spans.GRAZING_US
    assert np.isnan(deep.dip).all()


def test_spans_are_sorted_and_join():
    sky = Sky(NORTH)
    here = dial(*(bore(4.0 * k, k % 3) for k in range(-6, 7)))
    start_us, end_us = around_noon(NORTH, EQUINOX, 60 * 24 * 20)
    parts = list(predict.stream(here, sky, start_us, end_us, ghosts=False))
    assert len(parts) == 3
    found = joined(parts)
    order = np.lexsort((found.threshold, found.channel, found.begin_us))
    assert (order == np.arange(len(found))).all()
    # The noon's is cut at both ends of 40 days.
    assert len(found) == 3 * (40 * 13 + 1)
    assert len(joined([EMPTY, EMPTY])) == 0


# --- whose light it is


def made(*listed):
    """Spans (channel, threshold, begin_us, end_us), all of crossings."""
    channel, threshold, begin_us, end_us = np.array(listed, np.int64).reshape(-1, 4).T
    none, nan = np.full(len(channel), CROSSING), np.full(len(channel), np.nan)
    return Spans(channel, threshold, begin_us, end_us, none, none, nan, nan)


T = 1_800_000_000 * SECOND_US


def test_each_span_knows_its_own_bores_spans():
    own = made(
        (0, 0, T + 10_000, T + 20_000), (0, 0, T + 30_000, T + 40_000), (1, 0, T, T + 90_000)
    )
    found = made(
        (1, 0, T - 5_000, T + 80_000),  # a little earlier
        (0, 0, T + 12_000, T + 41_000),  # a gap closed by what strays
        (0, 0, T + 50_000, T + 60_000),  # a ghost
        (0, 1, T + 12_000, T + 15_000),  # of another threshold
        (2, 0, T + 12_000, T + 15_000),  # of a channel that is dark by itself
    )
    first, last = alone(found, own)
    assert first.tolist() == [2, 0, -1, -1, -1]
    assert last.tolist() == [2, 1, -1, -1, -1]


def test_spans_that_only_touch_are_apart():
    own = made((0, 0, T + 10_000, T + 20_000))
    first, _ = alone(made((0, 0, T, T + 10_000), (0, 0, T + 20_000, T + 30_000)), own)
    assert first.tolist() == [-1, -1]


def test_none_have_none():
    some = made((0, 0, T, T + 1000))
    for found, own in ((EMPTY, some), (some, EMPTY), (EMPTY, EMPTY)):
        first, last = alone(found, own)
        assert first.tolist() == last.tolist() == [-1] * len(found)


def test_each_is_its_own_alone():
    """Among many, in a decade, to the last one."""
    rng = np.random.default_rng(5)
    begin_us = T + np.sort(rng.integers(0, 3650 * DAY_US, 4000))
    begin_us = begin_us[np.append(True, np.diff(begin_us) > MINUTE_US)]
    channel = rng.integers(0, 33, len(begin_us))
    found = made(
        *((c, 0, us, us + MINUTE_US // 2) for c, us in zip(channel, begin_us, strict=True))
    )
    first, last = alone(found, found)
    assert (first == np.arange(len(found))).all() and (last == first).all()
