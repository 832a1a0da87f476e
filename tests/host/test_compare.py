"""Matching measured with predicted crossings, against patterns made up here."""

import json
from functools import cache
from itertools import pairwise
from time import perf_counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dialbench import compare as module
from dialbench.compare import KINDS, MATCHED, MISSED, UNOBSERVED, Measured, compare, merged
from dialbench.crossing import Crossings

S = 1_000_000
T0 = 1_800_000_000 * S
WINDOW = module.WINDOW_S * S


def predicted_of(channel, threshold, rise, utc_us):
    order = np.argsort(np.array(utc_us, np.int64), kind="stable")
    return Crossings(
        channel=np.array(channel, np.int64)[order],
        threshold=np.array(threshold, np.int64)[order],
        rise=np.array(rise, bool)[order],
        utc_us=np.array(utc_us, np.int64)[order],
    )


def measured_of(channel, threshold, rise, utc_us):
    utc_us = np.array(utc_us, np.int64)
    return Measured(
        channel=np.array(channel, np.int64),
        threshold=np.array(threshold, np.int64),
        rise=np.array(rise, bool),
        utc_us=utc_us,
        sigma_s=np.full(len(utc_us), 0.02),
    )


def as_measured(predicted, keep=slice(None), later_us=0):
    """The predicted crossings of an index, measured later_us late."""
    return measured_of(
        predicted.channel[keep],
        predicted.threshold[keep],
        predicted.rise[keep],
        predicted.utc_us[keep] + later_us,
    )


def joined(one, *others):
    fields = ("channel", "threshold", "rise", "utc_us")
    return measured_of(*(np.concatenate([getattr(m, f) for m in (one, *others)]) for f in fields))


@cache
def a_day(seed, channels=9, steps=24, days=1):
    """Random faces on 15-minute steps: a channel's crossings spread 40 s about each edge."""
    rng = np.random.default_rng(seed)
    found = []
    for day in range(days):
        lit = rng.random((channels, steps + 2)) < 0.5
        lit[:, [0, -1]] = False
        for channel, step in zip(*np.nonzero(lit[:, 1:] != lit[:, :-1]), strict=True):
            rise = bool(lit[channel, step + 1])
            for threshold in range(3):
                late = 40 * (threshold - 1) * (1 if rise else -1)
                found.append(
                    (channel, threshold, rise, T0 + (86_400 * day + 900 * step + late) * S)
                )
    return predicted_of(*zip(*found, strict=True))


def whole(predicted):
    return [(int(predicted.utc_us[0]) - 3600 * S, int(predicted.utc_us[-1]) + 3600 * S)]


def scatter(predicted, seed, sigma_s=24.0):
    """Making scatter, the same for all crossings of one lit interval's flank."""
    rng = np.random.default_rng(seed)
    late = np.clip(rng.normal(0, sigma_s, len(predicted.utc_us)), -3 * sigma_s, 3 * sigma_s)
    return np.round(late * S).astype(np.int64)


def outcomes(comparison):
    """Everything a comparison says, in words that do not depend on the input's order."""
    p, m = comparison.predicted, comparison.measured

    def name(crossings, index):
        return tuple(
            int(a[index])
            for a in (crossings.channel, crossings.threshold, crossings.rise, crossings.utc_us)
        )

    return (
        sorted((*name(p, i), int(k)) for i, k in enumerate(comparison.kind)),
        sorted(
            (name(p, i), name(m, j), float(r))
            for i, j, r in zip(
                comparison.predicted_index,
                comparison.measured_index,
                comparison.residual_s,
                strict=True,
            )
        ),
        sorted(name(m, j) for j in comparison.unexpected),
        comparison.shift_s,
    )


crossing_rows = st.lists(
    st.tuples(
        st.integers(0, 2),
        st.integers(0, 1),
        st.booleans(),
        st.integers(0, 2500).map(lambda s: T0 + s * S),
    ),
    max_size=25,
)
spans = st.lists(
    st.tuples(st.integers(0, 2500), st.integers(0, 2500)).map(
        lambda ab: (T0 + ab[0] * S, T0 + ab[1] * S)
    ),
    max_size=4,
)


def columns(rows):
    return zip(*rows, strict=True) if rows else ([], [], [], [])


@given(crossing_rows, crossing_rows, spans)
def test_any_input_is_matched_one_to_one_in_order_and_fully_accounted_for(one, other, observed):
    predicted, measured = predicted_of(*columns(one)), measured_of(*columns(other))
    found = compare(predicted, measured, observed)
    p, m = found.predicted_index, found.measured_index
    assert len(set(p)) == len(p) and len(set(m)) == len(m)
    assert list(p) == sorted(p)
    assert set(np.flatnonzero(found.kind == MATCHED)) == set(p)
    assert set(m) | set(found.unexpected) == set(range(len(other)))
    assert not set(m) & set(found.unexpected)
    for field in ("channel", "threshold", "rise"):
        assert (getattr(predicted, field)[p] == getattr(measured, field)[m]).all()
    late_us = measured.utc_us[m] - predicted.utc_us[p]
    assert (found.residual_s == late_us / S).all()
    if len(p):
        assert (abs(late_us - round(found.shift_s * S)) <= WINDOW).all()
    key = predicted.channel * 6 + predicted.threshold * 2 + predicted.rise
    for k in set(key[p]):
        pairs = sorted(
            (predicted.utc_us[i], measured.utc_us[j])
            for i, j in zip(p, m, strict=True)
            if key[i] == k
        )
        assert all(a[1] <= b[1] for a, b in pairwise(pairs))
    counts = found.counts
    assert counts["predicted"] == sum(counts[name] for name in KINDS) == len(one)
    assert counts["measured"] == counts["matched"] + counts["unexpected"] == len(other)
    inside = {
        i
        for i, t in enumerate(predicted.utc_us + round((found.shift_s or 0) * S))
        if any(a + module.GUARD_S * S <= t <= b - module.GUARD_S * S for a, b in merged(observed))
    }
    assert set(np.flatnonzero(found.kind == MISSED)) == inside - set(p)


def best_sum(p, m, window):
    """The greatest sum of (window + 1 - distance) over order-keeping pairs, by trying all."""

    @cache
    def best(i, j):
        if i == len(p) or j == len(m):
            return 0
        options = [best(i + 1, j), best(i, j + 1)]
        if abs(m[j] - p[i]) <= window:
            options.append(window + 1 - abs(m[j] - p[i]) + best(i + 1, j + 1))
        return max(options)

    return best(0, 0)


instants = st.lists(st.integers(0, 900).map(lambda s: T0 + s * S), min_size=1, max_size=7)


@given(instants, instants)
def test_within_a_key_no_other_matching_earns_more(one, other):
    predicted = predicted_of(*columns([(0, 1, True, t) for t in one]))
    measured = measured_of(*columns([(0, 1, True, t) for t in other]))
    found = compare(predicted, measured, [])
    if found.shift_s is None:
        assert not len(found.predicted_index)
        return
    shift = round(found.shift_s * S)
    late = measured.utc_us[found.measured_index] - predicted.utc_us[found.predicted_index]
    earned = int((WINDOW + 1 - abs(late - shift)).sum())
    assert earned == best_sum(tuple(sorted(int(t) + shift for t in one)), sorted(other), WINDOW)


@given(crossing_rows, crossing_rows, spans, st.randoms(use_true_random=False))
def test_the_order_of_the_input_does_not_matter(one, other, observed, random):
    found = compare(predicted_of(*columns(one)), measured_of(*columns(other)), observed)
    again = [list(rows) for rows in (one, other, observed)]
    for rows in again:
        random.shuffle(rows)
    mixed = compare(predicted_of(*columns(again[0])), measured_of(*columns(again[1])), again[2])
    assert outcomes(found) == outcomes(mixed)
    assert found.as_dict() == mixed.as_dict()


@settings(max_examples=40)
@given(st.integers(0, 30), st.integers(-1_500 * S, 1_500 * S))
def test_a_shift_moves_every_residual_by_exactly_as_much(seed, later_us):
    predicted = a_day(seed)
    late = scatter(predicted, seed)
    still = compare(predicted, as_measured(predicted, later_us=late), whole(predicted))
    moved = compare(predicted, as_measured(predicted, later_us=late + later_us), whole(predicted))
    assert still.counts["matched"] == len(predicted.utc_us)
    assert (moved.predicted_index == still.predicted_index).all()
    assert (moved.measured_index == still.measured_index).all()
    as_us = [np.round(c.residual_s * S).astype(np.int64) for c in (still, moved)]
    assert (as_us[1] - as_us[0] == later_us).all()
    assert round(moved.shift_s * S) - round(still.shift_s * S) == later_us


@settings(max_examples=40)
@given(
    st.integers(0, 30), st.sets(st.integers(0, 200), max_size=60), st.sampled_from((0, 144, -480))
)
def test_dropped_crossings_and_only_those_are_missed(seed, dropped, late_s):
    predicted = a_day(seed)
    keep = np.array([i for i in range(len(predicted.utc_us)) if i not in dropped])
    late = scatter(predicted, seed)[keep] + late_s * S
    found = compare(predicted, as_measured(predicted, keep, late), whole(predicted))
    gone = sorted(i for i in dropped if i < len(predicted.utc_us))
    assert list(np.flatnonzero(found.kind == MISSED)) == gone
    assert not len(found.unexpected) and not (found.kind == UNOBSERVED).any()


@settings(max_examples=40)
@given(
    st.integers(0, 30),
    st.lists(st.tuples(st.integers(0, 8), st.integers(0, 2), st.booleans(), st.integers(0, 24))),
)
def test_added_crossings_and_only_those_are_unexpected(seed, added):
    predicted = a_day(seed)
    # Mid-step, 450 s from any edge: no prediction is within reach of these.
    extra = measured_of(*columns([(c, t, r, T0 + (450 + 900 * s) * S) for c, t, r, s in added]))
    real = as_measured(predicted, later_us=scatter(predicted, seed))
    found = compare(predicted, joined(real, extra), whole(predicted))
    assert found.counts["matched"] == len(predicted.utc_us)
    assert list(found.unexpected) == list(range(len(real.utc_us), len(real.utc_us) + len(added)))


@settings(max_examples=40)
@given(st.integers(0, 30), st.integers(1, 23), st.integers(1, 8))
def test_what_falls_into_a_cloud_is_unobserved(seed, first, length):
    predicted = a_day(seed)
    (start, end), cut, back = (
        whole(predicted)[0],
        *(T0 + (900 * step - 450) * S for step in (first, first + length)),
    )
    clear = (predicted.utc_us < cut) | (predicted.utc_us > back)
    late = scatter(predicted, seed)
    found = compare(
        predicted, as_measured(predicted, clear, late[clear]), [(back, end), (start, cut)]
    )
    assert (np.flatnonzero(found.kind == UNOBSERVED) == np.flatnonzero(~clear)).all()
    assert found.counts["missed"] == found.counts["unexpected"] == 0


def test_guard_at_the_edge_of_observed_time_follows_the_shifted_instant():
    predicted = a_day(3)
    lost = int(np.flatnonzero(predicted.threshold == 1)[5])
    measured = as_measured(predicted, np.arange(len(predicted.utc_us)) != lost, 300 * S)
    instant = int(predicted.utc_us[lost]) + 300 * S
    start, end = whole(predicted)[0]
    for edge_s, kind in ((119, UNOBSERVED), (120, MISSED), (-1, UNOBSERVED)):
        late_edge = compare(predicted, measured, [(start, instant + edge_s * S)])
        early_edge = compare(predicted, measured, [(instant - edge_s * S, end)])
        assert late_edge.kind[lost] == early_edge.kind[lost] == kind


def test_a_match_counts_outside_observed_time_too():
    predicted = a_day(4)
    found = compare(predicted, as_measured(predicted), [])
    assert (found.kind == MATCHED).all() and found.observed_hours == 0


@pytest.mark.parametrize("late_s", [-480, 144, 480, 1700])
@pytest.mark.parametrize("seed", range(6))
def test_a_turned_body_is_matched_in_full_even_from_two_hours_of_sun(seed, late_s):
    predicted = a_day(seed)
    seen = (predicted.utc_us > T0 + 9_450 * S) & (predicted.utc_us < T0 + 16_650 * S)
    late = late_s * S + scatter(predicted, seed)
    found = compare(predicted, as_measured(predicted, seen, late[seen]), whole(predicted))
    assert (np.flatnonzero(found.kind == MATCHED) == np.flatnonzero(seen)).all()
    assert found.residual["median"] == pytest.approx(late_s, abs=12)


@pytest.mark.parametrize("lasts_s", [20, 20_000])
def test_a_flickering_channel_does_not_carry_the_vote(lasts_s):
    predicted = a_day(5)
    t = T0 + 9_000 * S + np.linspace(0, lasts_s * S, 5_000).astype(np.int64)
    flicker = measured_of(*(np.full(len(t), v) for v in (2, 1, True)), t)
    real = as_measured(predicted, later_us=480 * S + scatter(predicted, 5))
    found = compare(predicted, joined(real, flicker), whole(predicted))
    assert found.shift_s == pytest.approx(480, abs=6)
    assert found.counts["matched"] == len(predicted.utc_us)


def test_one_flashed_channel_is_not_taken_for_a_turn():
    predicted = a_day(6)
    one = predicted.channel == predicted.channel[0]
    found = compare(predicted, as_measured(predicted, one, 700 * S), whole(predicted))
    assert found.counts["matched"] == 0 and found.shift_s is None
    assert found.counts["unexpected"] == one.sum()
    near = compare(predicted, as_measured(predicted, one, 170 * S), whole(predicted))
    assert near.counts["matched"] == one.sum() and near.shift_s == 170


def test_a_single_crossing_is_matched_when_it_is_near():
    predicted = predicted_of([4], [1], [True], [T0])
    near = compare(predicted, measured_of([4], [1], [True], [T0 + 100 * S]), [])
    assert near.counts["matched"] == 1 and list(near.residual_s) == [100.0]
    for other in ((5, 1, True), (4, 2, True), (4, 1, False)):
        apart = compare(predicted, measured_of(*([v] for v in other), [T0 + 100 * S]), [])
        assert apart.counts["matched"] == 0 and apart.counts["unexpected"] == 1


def test_of_two_equal_claims_the_nearer_to_no_shift_wins():
    predicted = predicted_of([4], [1], [True], [T0])
    measured = measured_of([4, 4], [1, 1], [True, True], [T0 - 100 * S, T0 + 50 * S])
    found = compare(predicted, measured, [])
    assert list(found.residual_s) == [50.0] and list(found.unexpected) == [0]


def test_nothing_at_all():
    nothing = compare(predicted_of(*columns([])), measured_of(*columns([])), [])
    assert set(nothing.counts.values()) == {0}
    assert nothing.residual == {"median": None, "p95": None, "scatter_p95": None}
    assert nothing.shift_s is None and nothing.as_dict()["channels"] == []


def test_figures_are_plain_median_and_percentiles():
    predicted = a_day(7)
    late = scatter(predicted, 7) - 144 * S
    found = compare(predicted, as_measured(predicted, later_us=late), whole(predicted))
    r = np.sort(late / S)
    assert found.residual["median"] == pytest.approx(np.median(r), abs=1e-9)
    assert found.residual["p95"] == pytest.approx(np.percentile(abs(r), 95), abs=1e-9)
    assert found.residual["scatter_p95"] == pytest.approx(
        np.percentile(abs(r - np.median(r)), 95), abs=1e-9
    )


def test_dict_is_json_and_its_channels_add_up():
    predicted = a_day(8)
    keep = np.arange(len(predicted.utc_us)) % 10 != 0
    extra = measured_of([40], [0], [False], [T0 + 5000 * S])
    found = compare(predicted, joined(as_measured(predicted, keep), extra), whole(predicted))
    facts = json.loads(json.dumps(found.as_dict()))
    assert facts["schema"] == "dialbench.comparison/1"
    for name in ("predicted", "matched", "missed", "unobserved", "unexpected"):
        assert sum(row[name] for row in facts["channels"]) == facts["crossings"][name]
    assert facts["unexpected"] == [
        {"utc_us": T0 + 5000 * S, "channel": 40, "threshold": 0, "rise": False}
    ]
    assert len(facts["missed"]) == facts["crossings"]["missed"] == (~keep).sum()
    assert facts["channels"][-1]["residual_s"]["median"] is None
    start, end = whole(predicted)[0]
    assert facts["observed_hours"] == pytest.approx((end - start) / 3.6e9)


def test_intervals_are_merged_and_counted_once():
    assert merged([(5, 9), (1, 3), (3, 4), (6, 7), (8, 8), (12, 10)]).tolist() == [[1, 4], [5, 9]]
    nothing = predicted_of(*columns([])), measured_of(*columns([]))
    hour = (T0, T0 + 3600 * S)
    assert compare(*nothing, [hour, hour]).observed_hours == 1.0


def test_half_a_million_crossings_take_seconds():
    predicted = a_day(9, channels=33, steps=28, days=370)
    assert len(predicted.utc_us) > 500_000
    measured = as_measured(predicted, later_us=scatter(predicted, 9) + 144 * S)
    began = perf_counter()
    found = compare(predicted, measured, whole(predicted))
    took_s = perf_counter() - began
    assert found.counts["matched"] == len(predicted.utc_us)
    assert took_s < 10


def test_what_was_not_to_be_logged_is_not_missed():
    predicted = predicted_of(
        *columns([(c, k, True, T0 + c * 600 * S) for c in range(8) for k in range(3)])
    )
    half = predicted.threshold == 1
    seen = np.flatnonzero(half)
    span = whole(predicted)
    found = compare(predicted, as_measured(predicted, seen), span, {0: span, 2: span})
    assert found.counts["missed"] == 0
    assert (found.kind == np.where(half, MATCHED, UNOBSERVED)).all()
    plain = compare(predicted, as_measured(predicted, seen), span)
    assert plain.counts["missed"] == 16
    # Only for as long as it was so, and only what is not there.
    early = [(span[0][0], T0 + 3 * 600 * S + 300 * S)]
    part = compare(predicted, as_measured(predicted, seen), span, {0: early, 2: early})
    assert part.counts["missed"] == 8
    full = compare(predicted, as_measured(predicted), span, {0: span, 2: span})
    assert full.counts["matched"] == 24
