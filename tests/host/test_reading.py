"""Patterns, faces and errors, on a dial and a Sun simple enough to reckon by hand."""

import json
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dialbench import predict
from dialbench.crossing import Crossings
from dialbench.dial import Body, Channel, Dial, Plan, Site, Step
from dialbench.face import hour_steps, hours_and_quarters
from dialbench.layout import uniform
from dialbench.reading import Pattern, decode, pattern, read, unpack_levels
from dialbench.sky import Sky

MIN = 60_000_000
HOUR = 60 * MIN
DAY_US = 86_400_000_000
T0 = 20_000 * DAY_US  # a midnight of UTC
SITE = Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", 1013.0, 10.0)


class EvenSun:
    """Stands at hour angle 0 when UTC is noon_h, and goes 15 deg an hour."""

    def __init__(self, noon_h=12.0):
        self.noon_h = noon_h

    def sun(self, utc_us):
        @dataclass
        class Place:
            hour_angle_deg: np.ndarray

        turned = (utc_us % DAY_US / HOUR - self.noon_h) * 15
        return Place((turned + 180) % 360 - 180)


def a_dial(*faces, start_min=660.0, step_min=15.0, site=SITE):
    """Steps from start_min of apparent time that light the given channels."""
    steps = tuple(
        Step(n, start_min + n * step_min, f"step {n}", frozenset(face))
        for n, face in enumerate(faces)
    )
    channels = tuple(Channel(0.0, 8.0 * n, 0, n) for n in range(8))
    return Dial("test", site, channels, Plan("apparent", step_min, steps), Body(70.0, 200.0), ())


def events(*rows):
    """Crossings (minutes after T0, channel, rise) at lit fraction 0.50."""
    rows = sorted(rows)
    return Crossings(
        channel=np.array([r[1] for r in rows], np.int64),
        threshold=np.ones(len(rows), np.int64),
        rise=np.array([r[2] for r in rows], bool),
        utc_us=np.array([T0 + round(r[0] * MIN) for r in rows], np.int64),
    )


def span(start_min, end_min):
    return T0 + round(start_min * MIN), T0 + round(end_min * MIN)


def told(found):
    """A pattern as (start, end, sorted channels), in minutes after T0."""
    return [
        ((int(a) - T0) / MIN, (int(b) - T0) / MIN, sorted(found.faces[k]))
        for a, b, k in zip(found.start_us, found.end_us, found.face, strict=True)
    ]


def drawn(*pieces):
    """A pattern from (start, end, channels), in minutes after T0."""
    faces = [frozenset(p[2]) for p in pieces]
    return Pattern(
        np.array([span(*p[:2])[0] for p in pieces], np.int64),
        np.array([span(*p[:2])[1] for p in pieces], np.int64),
        np.arange(len(pieces)),
        tuple(faces),
    )


def levels(lit, partly=()):
    """Packed two-bit levels: 3 for lit channels, 1 for partly lit ones."""
    out = bytearray(2)
    for channel in lit:
        out[channel // 4] |= 3 << channel % 4 * 2
    for channel in partly:
        out[channel // 4] |= 1 << channel % 4 * 2
    return bytes(out)


def test_levels_unpack_from_the_lowest_bits_and_count_from_two_thresholds():
    assert unpack_levels(bytes((0b11_10_01_00, 0b00_00_00_10))) == {2, 3, 4}
    assert unpack_levels(b"") == frozenset()


def test_pattern_follows_half_crossings_from_a_dark_start():
    seen = events((10, 1, True), (10, 2, True), (20, 1, False), (25, 2, False))
    quarter = replace(seen, threshold=np.array([1, 1, 1, 0]))
    assert told(pattern(quarter, [span(0, 30)])) == [(0, 10, []), (10, 20, [1, 2]), (20, 30, [2])]


def test_pattern_starts_dark_anew_unless_a_snapshot_says_otherwise():
    seen = events((5, 1, True), (15, 3, True), (28, 3, False))
    observed = [span(20, 30), span(0, 10)]
    assert told(pattern(seen, observed))[2:] == [(20, 30, [])]
    snapshot = [(T0 + 20 * MIN, levels({1, 3}, partly={2}))]
    assert told(pattern(seen, observed, snapshot)) == [
        (0, 5, []),
        (5, 10, [1]),
        (20, 28, [1, 3]),
        (28, 30, [1]),
    ]
    for early_us, heard in ((1_000_000, True), (1_000_001, False)):
        shifted = [(T0 + 20 * MIN - early_us, levels({1}))]
        assert told(pattern(seen, observed, shifted))[2][2] == ([1] if heard else [])


def test_a_crossing_from_just_before_an_interval_is_not_in_it():
    seen = events((19.99, 1, True), (20, 2, True))
    assert told(pattern(seen, [span(20, 30)])) == [(20, 30, [2])]


def test_a_snapshot_mends_the_pattern_midway():
    lost_fall = events((5, 1, True))
    mended = pattern(lost_fall, [span(0, 30)], [(T0 + 20 * MIN, levels({2}))])
    assert told(mended) == [(0, 5, []), (5, 20, [1]), (20, 30, [2])]


def test_within_cuts_a_pattern_and_keeps_what_was_lit():
    found = pattern(events((10, 1, True), (20, 1, False)), [span(0, 30)])
    assert told(found.within([span(12, 14), span(18, 40)])) == [
        (12, 14, [1]),
        (18, 20, [1]),
        (20, 30, []),
    ]
    assert told(found.within([])) == []


def test_decode_takes_exact_faces_only():
    dial = a_dial({0, 1}, {0, 2}, set())
    assert decode(dial, {1, 0}) is dial.plan.steps[0]
    assert decode(dial, [2, 0]) is dial.plan.steps[1]
    for lit in ({0}, {0, 1, 2}, {7}, set()):
        assert decode(dial, lit) is None


def test_decode_of_a_shared_face_goes_by_the_clock_round_midnight():
    dial = a_dial({0}, {1}, *[{2}] * 8, {0}, start_min=0.0, step_min=120.0)
    first, last = dial.plan.steps[0], dial.plan.steps[10]
    assert decode(dial, {0}) is first
    assert decode(dial, {0}, near_min=1200.0) is last
    assert decode(dial, {0}, near_min=100.0) is first
    assert decode(dial, {0}, near_min=1439.0) is first


def test_shares_add_up_and_mean_what_they_say():
    # Apparent noon at 12:00 UTC: the plan runs from 11:00 to 11:45 UTC.
    dial = a_dial({0}, {1}, {2})
    lit = drawn(
        (600, 660, {2}),  # before the plan: not counted
        (660, 672, {0}),  # right for 12 min
        (672, 675, {0, 1}),  # no face for 3
        (675, 690, {0}),  # step 0's face in step 1: wrong for 15
        (690, 700, set()),  # dark for 10
        (700, 720, {2}),  # right for 5, then the plan is over
    )
    found = read(dial, EvenSun(), lit)
    assert found.plan_hours == pytest.approx(0.75, abs=1e-6)
    assert found.share_right == pytest.approx(17 / 45, abs=1e-6)
    assert found.share_wrong == pytest.approx(15 / 45, abs=1e-6)
    assert found.share_blank == pytest.approx(13 / 45, abs=1e-6)


def test_only_observed_time_counts():
    dial = a_dial({0}, {1}, {2})
    found = read(dial, EvenSun(), drawn((660, 662, {0}), (690, 694, set())))
    assert found.plan_hours == pytest.approx(0.1, abs=1e-6)
    assert found.share_right == pytest.approx(1 / 3, abs=1e-4)


def test_errors_are_positive_when_the_dial_is_fast():
    # Zone time is UTC - 1 h, mean time UTC - 1 h 5.6 min; the Sun is at noon at 12:00 UTC.
    dial = a_dial({0}, {1}, {2})
    found = read(dial, EvenSun(), drawn((660, 675, {0}), (675, 690, {1}), (690, 705, {2})))
    # Read 11:07:30 from 11:00 to 11:15 apparent: half a step either way, as often fast as slow.
    assert abs(found.apparent.worst_min) == pytest.approx(7.5, abs=1e-3)
    assert found.apparent.median_min == pytest.approx(0.0, abs=1e-3)
    # At 11:00 UTC the zone's clock shows 10:00, the dial 11:07:30: 67.5 min fast.
    assert found.zone.worst_min == pytest.approx(67.5, abs=1e-3)
    assert found.zone.median_min == pytest.approx(60.0, abs=1e-3)
    assert found.mean.median_min == pytest.approx(65.6, abs=1e-3)
    slow = read(dial, EvenSun(noon_h=14.0), drawn((780, 795, {0})))
    # At 13:15 UTC the zone's clock shows 12:15, the dial still 11:07:30.
    assert slow.zone.worst_min == pytest.approx(-67.5, abs=1e-3)


def test_median_error_weighs_by_time():
    dial = a_dial({0}, {1}, {2})
    # 3 min at errors 67.5..64.5, then 12 min of step 2's face in step 0: 94.5..82.5.
    found = read(dial, EvenSun(), drawn((660, 663, {0}), (663, 675, {2})))
    # Half of the 15 minutes: those 3 and the 4.5 nearest above 82.5.
    assert found.zone.median_min == pytest.approx(87.0, abs=1e-3)
    assert found.zone.worst_min == pytest.approx(94.5, abs=1e-3)


def test_a_passing_face_counts_but_not_among_the_lasting():
    dial = a_dial({0}, {1}, {2})
    pieces = [(660, 670, {0}), (670, 670.5, {2}), (670.5, 675, {0})]
    found = read(dial, EvenSun(), drawn(*pieces))
    assert found.zone.worst_min == pytest.approx(97.5 - 10, abs=1e-3)
    assert found.zone.worst_lasting_min == pytest.approx(67.5, abs=1e-3)
    only = read(dial, EvenSun(), drawn(pieces[1]))
    assert only.zone.worst_lasting_min is None
    # A face that stands long is lasting even where the plan changes under it.
    late = read(dial, EvenSun(), drawn((663, 675.5, {0})))
    assert late.zone.worst_lasting_min == pytest.approx(64.5, abs=1e-3)
    assert late.share_wrong == pytest.approx(0.5 / 12.5, abs=1e-4)


def test_a_shared_face_is_right_in_each_of_its_steps_and_read_by_the_clock():
    site = replace(SITE, zone="+00:00")
    dial = a_dial({0}, {1}, {0}, site=site)
    found = read(dial, EvenSun(), drawn((660, 675, {0}), (675, 690, {1}), (690, 705, {0})))
    assert found.share_right == pytest.approx(1.0)
    assert abs(found.zone.worst_min) == pytest.approx(7.5, abs=1e-3)


def test_a_step_without_channels_is_right_when_dark_and_never_read():
    dial = a_dial({0}, set())
    found = read(dial, EvenSun(), drawn((660, 675, {0}), (675, 690, set())))
    assert found.share_right == pytest.approx(1.0) and found.share_blank == 0
    assert read(dial, EvenSun(), drawn((660, 675, set()))).share_blank == 1
    assert read(dial, EvenSun(), drawn((675, 690, set()))).zone is None


@pytest.mark.parametrize("lit", [drawn(), drawn((0, 30, {0})), drawn((0, 30, ()))])
def test_without_observed_plan_time_there_are_no_figures(lit):
    found = read(a_dial({0}), EvenSun(), lit)
    facts = json.loads(json.dumps(found.as_dict()))
    assert facts.pop("schema") == "dialbench.reading/1" and facts.pop("plan_hours") == 0
    assert set(facts.values()) == {None}


def test_error_is_taken_the_short_way_round_midnight():
    dial = a_dial({0}, start_min=1425.0, site=replace(SITE, zone="+01:00"))
    found = read(dial, EvenSun(), drawn((1425, 1440, {0})))
    # It stands for 23:52:30 while the zone's clock goes from 00:45 to 01:00.
    assert found.zone.worst_min == pytest.approx(-67.5, abs=1e-3)
    assert found.zone.median_min == pytest.approx(-60.0, abs=1e-3)


@given(
    st.lists(
        st.tuples(
            st.integers(640, 760), st.integers(0, 2), st.booleans(), st.sampled_from((0, 1, 2))
        ),
        max_size=30,
    ),
    st.lists(st.tuples(st.integers(640, 760), st.integers(640, 760)), max_size=3),
)
def test_shares_agree_with_a_look_at_every_minute(rows, spans):
    """Everything on whole minutes, so that a look at each minute is exact."""
    dial = a_dial({0}, {1}, {0, 1}, {2}, {0, 2}, {1})
    seen = events(*(r[:3] for r in sorted(rows)))
    seen = replace(seen, threshold=np.array([r[3] for r in sorted(rows)], np.int64))
    observed = [span(*s) for s in spans]
    found = read(dial, EvenSun(), pattern(seen, observed))
    tally = {"right": 0, "wrong": 0, "blank": 0}
    for minute in {m for start, end in spans for m in range(start, end)}:
        step = (minute - 660) // 15
        if not 0 <= step < 6:
            continue
        begin = first_of_run(spans, minute)
        lit = set()
        for at, channel, rise, threshold in sorted(rows, key=lambda r: (r[0], r[2])):
            if threshold == 1 and begin <= at <= minute:
                (lit.add if rise else lit.discard)(channel)
        if lit == dial.plan.steps[step].channels:
            tally["right"] += 1
        else:
            tally["wrong" if decode(dial, lit) else "blank"] += 1
    total = sum(tally.values())
    assert found.plan_hours * 60 == pytest.approx(total, abs=1e-3)
    if total:
        for name, count in tally.items():
            assert getattr(found, f"share_{name}") == pytest.approx(count / total, abs=1e-4)


def first_of_run(spans, minute):
    """Where the run of touching intervals that holds a minute begins."""
    begin = minute
    while any(s <= begin - 1 < e for s, e in spans):
        begin -= 1
    return begin


def test_share_right_of_the_predicted_pattern_is_the_layouts_duty():
    site, day = SITE, 20_559 * DAY_US
    plan = Plan("apparent", 15.0, hour_steps("10:30", 15, 12))
    channels = hours_and_quarters(22.2, 28.4)
    body = Body(113.0, 260.0)
    # A narrow taper leaves gaps between the steps, so that duty is well below 1.
    bores = uniform(site, channels, plan, body, 0.5, 1.2, 60.0)
    dial, sky = Dial("narrow", site, channels, plan, body, bores), Sky(site)
    predicted = predict.crossings(dial, sky, day, day + DAY_US)
    found = read(dial, sky, pattern(predicted, [(day, day + DAY_US)]))
    duty = predict.duty(dial, sky, day, day + DAY_US)
    assert 0.3 < duty < 0.95
    assert found.share_right == pytest.approx(duty, abs=0.002)
    assert found.plan_hours == pytest.approx(3.0, abs=0.01)
    # At Gannet Holm on 16 April the Sun is within seconds of mean time, 5.6 min behind its
    # zone, so the dial's middle error against zone time is that, dial slow.
    eot_min = float(sky.equation_of_time_s(np.array([day + DAY_US // 2]))[0]) / 60
    assert found.mean.median_min == pytest.approx(eot_min, abs=0.3)
    assert found.zone.median_min == pytest.approx(eot_min - 5.6, abs=0.3)
