"""Device time to UTC through clock marks: exact lines, honest sigmas, bad marks out."""

import random
import time
import tracemalloc

import numpy as np
import pytest

from dialbench.clock import (
    PRIOR_PPM,
    WANDER_PPM,
    ClockError,
    ClockModel,
    Mark,
    SystemClock,
)

START_US = 1_774_000_000_000_000
DAY_MS = 86_400_000


def mark(device_ms, *, ppm=0.0, boot=1, sigma_us=1000, late_us=0, source="link"):
    """A mark of a device whose rate is ppm fast of nominal (UTC runs on less a tick)."""
    utc_us = START_US + round(device_ms * 1000 * (1 - ppm * 1e-6)) + late_us
    return Mark(boot, device_ms, utc_us, sigma_us, source)


def true_us(device_ms, ppm):
    return START_US + np.rint(np.asarray(device_ms) * 1000 * (1 - ppm * 1e-6)).astype(np.int64)


def test_two_marks_tell_offset_and_rate_inside_and_beyond():
    model = ClockModel([mark(0, ppm=30), mark(DAY_MS, ppm=30)])
    asked = np.array([-DAY_MS // 4, 0, 1, DAY_MS // 3, DAY_MS, 2 * DAY_MS])
    assert model.utc_us(1, asked).dtype == np.int64
    assert np.abs(model.utc_us(1, asked) - true_us(asked, 30)).max() <= 2


def test_a_month_of_pulls_every_ten_minutes_take_little_room():
    """A month of them in one boot, two marks a pull; tables of each with each would take 2 GB."""
    often = [mark(300_000 * k, ppm=30, late_us=k % 7 * 100) for k in range(8_000)]
    wrong = mark(300_000 * 4_000 + 1000, ppm=30, sigma_us=500, late_us=90_000_000)
    tracemalloc.start()
    try:
        model = ClockModel([*often, wrong])
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 400_000_000
    assert [one.mark for one in model.rejected] == [wrong]
    asked = np.arange(0, 300_000 * 8_000, DAY_MS // 2)
    assert np.abs(model.utc_us(1, asked) - true_us(asked, 30)).max() < 1000


def test_a_single_mark_runs_at_nominal_rate_with_the_stated_prior():
    model = ClockModel([mark(5000, sigma_us=2000)])
    assert model.utc_us(1, 3_605_000) == START_US + 3_605_000_000
    assert model.sigma_s(1, 5000) == pytest.approx(0.002)
    assert model.sigma_s(1, 3_605_000) == pytest.approx(np.hypot(0.002, 3600 * PRIOR_PPM * 1e-6))


def test_marks_too_close_to_tell_a_rate_count_as_one():
    close = ClockModel([mark(0, late_us=900), mark(1000, sigma_us=400)])
    alone = ClockModel([mark(1000, sigma_us=400)])
    asked = np.arange(0, DAY_MS, 3_600_000)
    assert np.array_equal(close.utc_us(1, asked), alone.utc_us(1, asked))
    assert np.array_equal(close.sigma_s(1, asked), alone.sigma_s(1, asked))


def test_a_close_pair_at_the_end_does_not_spoil_the_rate_beyond():
    model = ClockModel(
        [mark(0, ppm=20), mark(DAY_MS, ppm=20, late_us=800), mark(DAY_MS + 900, ppm=20)]
    )
    asked = 2 * DAY_MS
    assert abs(model.utc_us(1, asked) - true_us(asked, 20)) < 5000


def test_the_line_bends_at_each_mark():
    # The rate changes by 40 ppm after the first day: a straight line would be 1.7 s off.
    middle = mark(DAY_MS, ppm=0)
    end = Mark(1, 2 * DAY_MS, middle.utc_us + round(DAY_MS * 1000 * (1 + 40e-6)), 1000, "log")
    model = ClockModel([end, mark(0), middle])
    assert model.utc_us(1, DAY_MS // 2) == START_US + DAY_MS * 500
    half = middle.utc_us + round(DAY_MS * 500 * (1 + 40e-6))
    assert abs(model.utc_us(1, DAY_MS * 3 // 2) - half) <= 1


def test_sigma_grows_away_from_the_marks():
    model = ClockModel([mark(0), mark(DAY_MS)])
    inside = model.sigma_s(1, np.linspace(0, DAY_MS // 2, 20).astype(np.int64))
    beyond = model.sigma_s(1, DAY_MS + np.linspace(0, 3 * DAY_MS, 20).astype(np.int64))
    assert (np.diff(inside) > 0).all()
    assert (np.diff(beyond) > 0).all()
    assert inside[0] == pytest.approx(0.001)
    assert inside[-1] == pytest.approx(np.hypot(0.001, 86400 / 4 * WANDER_PPM * 1e-6))
    lever = np.hypot(4 * 0.001, 3 * 0.001)
    assert beyond[-1] == pytest.approx(np.hypot(lever, 3 * 86400 * WANDER_PPM * 1e-6))


def test_sigma_covers_a_clock_that_wanders_with_the_day():
    # A crystal whose rate swings by 5 ppm (rms) between day and night about a mean of its own.
    chance = random.Random(7)
    hours = np.arange(0, 61)
    inside = total = 0
    for _ in range(300):
        mean_ppm, phase = chance.uniform(-40, 40), chance.uniform(0, 2 * np.pi)
        day = 2 * np.pi / 24
        swing_us = 5 * np.sqrt(2) * 3600 / day * (np.cos(phase) - np.cos(day * hours + phase))
        ms = hours * 3_600_000
        utc_us = START_US + np.rint(ms * 1000 - mean_ppm * 3600 * hours - swing_us).astype(int)
        marks = [
            Mark(1, int(ms[i]), int(utc_us[i] + chance.gauss(0, 1000)), 1000, "link")
            for i in (0, 8, 24, 36)
        ]
        model = ClockModel(marks)
        assert model.rejected == []
        error_s = (model.utc_us(1, ms) - utc_us) * 1e-6
        inside += int((np.abs(error_s) <= 1.96 * model.sigma_s(1, ms)).sum())
        total += len(ms)
    assert 0.93 <= inside / total <= 0.995, inside / total


def test_a_lone_mark_that_cannot_be_true_or_is_too_unsure_tells_nothing():
    unset = Mark(1, 500, 3_000_000, 1000, "link")  # a computer's clock that was never set
    vague = Mark(2, 500, START_US, 30_000_000, "link")
    model = ClockModel([unset, vague, mark(0, boot=3), Mark(3, 900, 1 << 60, 1000, "log")])
    assert list(model.boots) == [3]
    assert model.why_not(1) == "none of its clock marks can be true"
    assert model.why_not(2) == "its marks leave it uncertain by 30 s"
    assert [one.mark.boot for one in model.rejected] == [1, 3]
    assert model.rejected[0].reason == (
        "the mark at 500 ms of boot 1 says a time before 2000 or after 2099"
    )


def test_boots_are_told_apart_and_one_without_a_mark_is_named():
    model = ClockModel([mark(0), Mark(3, 0, START_US + DAY_MS * 5000, 1000, "log")])
    assert model.covers(1) and model.covers(3) and not model.covers(2)
    got = model.utc_us([3, 1, 3], [10, 20, 30])
    assert got.tolist() == [
        START_US + DAY_MS * 5000 + 10_000,
        START_US + 20_000,
        START_US + DAY_MS * 5000 + 30_000,
    ]
    for ask in (model.utc_us, model.sigma_s):
        with pytest.raises(
            ClockError,
            match="boot 2 of the board cannot be turned into UTC, for it has no clock mark",
        ):
            ask([1, 2], [0, 0])
    assert ClockModel([]).utc_us([], []).shape == (0,)


def test_shapes_broadcast():
    model = ClockModel([mark(0), mark(DAY_MS)])
    assert model.utc_us(1, np.zeros((2, 3), int)).shape == (2, 3)
    assert model.sigma_s(np.ones((4, 1), int), [0, 1]).shape == (4, 2)
    assert model.utc_us(1, 7).shape == ()


def test_a_mark_from_a_wrong_clock_is_rejected_with_its_reason():
    wrong = mark(DAY_MS // 2, late_us=40_000_000)
    model = ClockModel([mark(0), wrong, mark(DAY_MS)])
    assert [r.mark for r in model.rejected] == [wrong]
    assert "differs by 40.000 s" in model.rejected[0].reason
    assert "contradicts 2 of 2 others" in model.rejected[0].reason
    assert model.utc_us(1, DAY_MS // 2) == START_US + DAY_MS * 500


def test_of_two_marks_that_disagree_the_less_sure_goes_else_the_earlier():
    sure = mark(0, sigma_us=500)
    unsure = mark(60_000, sigma_us=20_000, late_us=5_000_000)
    assert [r.mark for r in ClockModel([sure, unsure]).rejected] == [unsure]
    early = mark(0)
    late = mark(60_000, late_us=5_000_000)
    assert [r.mark for r in ClockModel([late, early]).rejected] == [early]


def test_plausible_rates_are_not_rejected():
    fast = ClockModel([mark(0, ppm=150), mark(DAY_MS, ppm=150)])
    assert fast.rejected == []
    assert len(ClockModel([mark(0, ppm=400), mark(DAY_MS, ppm=400)]).rejected) == 1


def test_the_system_clock_tells_unix_microseconds():
    before = time.time_ns() // 1000
    assert before <= SystemClock().utc_us() <= time.time_ns() // 1000
    assert SystemClock().speed == 1.0
