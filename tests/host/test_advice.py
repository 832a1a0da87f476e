"""What is advised, what it buys, and what comes of following it.

In the deep tests light is traced through the true body before and after, and read by the
plan; the solver's own light has no part in what is judged.
"""

import json
import math
import os
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from tests.host.dials import NORTH, SOUTH
from tests.host.test_stand import moved
from tests.host.traced import imported, log_of, spelt, truth_of
from tests.host.typed import typed

from dialbench import dialfile, reading
from dialbench.compare import Measured, compare
from dialbench.crossing import Crossings
from dialbench.fabricate import compensate
from dialbench.sky import Sky
from dialbench.solve import observe, solve, stand
from dialbench.solve.advice import Gain, advice
from dialbench.solve.compensation import learnt
from dialbench.solve.fit import Fit
from dialbench.solve.solved import Solved
from dialbench.solve.unknowns import (
    ALL_WIDTHS,
    AXIS,
    COMMON,
    DARK,
    EXIT,
    GAIN,
    POSE,
    TILT,
    WIDTH,
    Layout,
    Values,
)
from dialbench.virtual.light import tracer

SEASONS = (date(2027, 3, 16), date(2027, 6, 10), date(2027, 12, 12))
FEET = ((150.0, -75.0), (-150.0, -75.0), (0.0, 300.0))
SCATTER = {GAIN: 0.05, DARK: 0.005, EXIT: 0.03, AXIS: 2e-3, TILT: 2e-3, WIDTH: 0.03}


@pytest.fixture(scope="module")
def dial():
    return spelt(3, 6)


@pytest.fixture(scope="module")
def sky(dial):
    return Sky(dial.site)


def solved(dial, pose_deg=(0, 0, 0), pose_sigma_deg=(0.01, 0.01, 0.02), bores=None, gain=None):
    """A solution as it might be: bores and gain map numbers to (value, sigma)."""
    layout = Layout(dial)
    values, sigma = layout.zeros(), layout.zeros()
    values.common[POSE] = np.radians(pose_deg)
    sigma.common[:] = 0.01
    sigma.common[POSE] = np.radians(pose_sigma_deg)
    sigma.common[ALL_WIDTHS] = 0.002
    for block, kinds in zip(sigma.own, layout.kind, strict=True):
        block[:] = [SCATTER[kind] for kind in kinds.tolist()]
    for number, (kind, value, how) in (bores or {}).items():
        block, column = dial.bores[number].channel, layout.column[kind, number]
        values.own[block][column], sigma.own[block][column] = value, how
    for channel, (value, how) in (gain or {}).items():
        values.own[channel][GAIN], sigma.own[channel][GAIN] = value, how
    covariance = np.diag(np.square(sigma.common))
    none = np.zeros(0)
    fit = Fit(
        Values(values.common, values.own),
        Values(sigma.common, sigma.own),
        covariance,
        np.hypot(layout.by_bore(WIDTH, sigma), sigma.common[ALL_WIDTHS]),
        np.array([SCATTER[kind] for kind in range(len(SCATTER))]),
        0.01,
        none,
        none,
        none,
        none.astype(bool),
        1,
        True,
    )
    assert len(sigma.common) == len(COMMON)
    one = np.zeros(1, np.int64)
    measured = Measured(one, one, one == 0, one + 1_800_000_000_000_000, np.ones(1))
    due = Crossings(measured.channel, measured.threshold, measured.rise, measured.utc_us)
    pose = observe.Pose.of(values.common[POSE], covariance[POSE, POSE])
    return Solved(dial, fit, pose, compare(due, measured, []), one)


def test_a_base_that_is_off_is_turned_and_shimmed_and_one_that_is_right_is_not(dial, sky):
    told = advice(solved(dial, (1.5, -1.5, 1.5)), sky, FEET)
    assert told.stand.gain.sure and told.stand.after.duty > told.stand.before.duty + 0.2
    assert told.stand.before.median_min > 5 > told.stand.after.median_min
    # A quarter of a 15-minute step is what even a perfect dial's readings are off by.
    assert told.stand.after.median_min == pytest.approx(told.limit.median_min, abs=0.05)
    assert told.limit.median_min == pytest.approx(3.75, abs=0.5)
    (sentence,) = told.sentences()
    assert sentence.startswith("Base: turn the base") and "clockwise as seen from above" in sentence
    assert "mm under foot 3 (north)" in sentence
    json.dumps(told.as_dict(), allow_nan=False)

    again = advice(solved(dial, (0.005, -0.004, 0.01)), sky, FEET)
    assert again.stand is None
    assert again.sentences()[0].startswith("Nothing is advised")


def test_what_the_data_cannot_tell_moves_no_base(dial, sky):
    told = advice(solved(dial, (1.5, -1.5, 1.5), (5.0, 5.0, 5.0)), sky, FEET)
    assert told.stand is None
    # The turn alone is told: it is undone, and no more than it.
    told = advice(solved(dial, (1.5, -1.5, 1.5), (5.0, 5.0, 0.02)), sky, FEET)
    left = told.stand.move.after(np.radians([0, 0, 1.5]), stand.to_polar(dial))
    assert np.degrees(left) == pytest.approx([0, 0, 0], abs=0.03)


def test_a_bore_is_only_ever_opened_and_only_if_it_is_surely_narrow(dial, sky):
    made = {
        0: (WIDTH, -0.08, 0.005),
        1: (WIDTH, +0.08, 0.005),
        2: (WIDTH, -0.01, 0.02),
    }
    told = advice(solved(dial, bores=made), sky)
    (ream,) = told.reams
    assert ream.bore == 0 and ream.to_mm == dial.bores[0].entry_mm
    # An exit as drawn, and 8% less of both ends' widths.
    both_mm = dial.bores[0].exit_mm + ream.to_mm
    assert ream.found_mm.value == pytest.approx(0.92 * both_mm - dial.bores[0].exit_mm)
    assert ream.gain.sure
    assert "open its entry to" in told.sentences()[0]


def test_a_sensor_that_reads_low_is_set(dial, sky):
    told = advice(solved(dial, gain={1: (-0.2, 0.01), 2: (-0.02, 0.05)}), sky)
    (sensor,) = told.sensors
    assert sensor.channel == 1 and sensor.dark is None
    assert "scale[1] times 1.250" in told.sentences()[0]


def test_what_runs_over_the_hour_angles_is_the_process_and_what_scatters_is_not(tmp_path):
    dial = spelt(5, 16)
    rng = np.random.default_rng(1)
    hours = np.array([bore.hour_angle_deg for bore in dial.bores])
    assert len(hours) >= 20
    lean = np.radians(0.3) * hours / 45
    scatter = np.radians(0.05) * rng.normal(size=len(hours))
    sure = np.radians(0.01)
    with_lean = solved(
        dial, bores={n: (AXIS, float(lean[n] + scatter[n]), sure) for n in range(len(hours))}
    )
    found = {one.bore: one.hour_angle_deg for one in learnt(with_lean).errors.bore}
    off = np.array([found.get(n, 0.0) for n in range(len(hours))]) - np.degrees(lean)
    assert np.abs(off - off.mean()).max() < 0.06
    assert any("axes in hour angle are off by" in told for told in learnt(with_lean).told)

    without = solved(dial, bores={n: (AXIS, float(scatter[n]), sure) for n in range(len(hours))})
    assert learnt(without).errors.bore == []
    single = learnt(without, each_bore=True).errors
    assert single.dial == dial.hash and len(single.bore) > 10
    (tmp_path / "file.toml").write_text(compensate.dump(single, ["a remark\x1b[0m"]))
    assert compensate.load_for(dial, tmp_path / "file.toml") == single


def test_what_is_corrected_comes_out_as_drawn(dial):
    errors = compensate.Errors.model_validate(
        {
            "format": 1,
            "bores": {"width_mm": 0.05, "entry_percent": 3.0},
            "channel": [{"channel": 1, "exit_percent": -4.0, "hour_angle_deg": 0.2}],
            "bore": [{"bore": 2, "entry_percent": 2.0, "declination_deg": -0.1}],
        }
    )
    drawing = compensate.compensated(dial, errors)
    assert drawing.bores[0].entry_mm < dial.bores[0].entry_mm - 0.1
    for drawn, bore in zip(compensate.made(drawing, errors).bores, dial.bores, strict=True):
        got = (drawn.hour_angle_deg, drawn.declination_deg, drawn.exit_mm, drawn.entry_mm)
        want = (bore.hour_angle_deg, bore.declination_deg, bore.exit_mm, bore.entry_mm)
        assert got == pytest.approx(want, abs=1e-6)


def test_a_file_of_another_dial_is_refused_by_name(dial, tmp_path, capsys):
    (tmp_path / "dial.toml").write_text(dialfile.dump(dial))
    (tmp_path / "errors.toml").write_text('format = 1\ndial = "0123456789abcdef"\n')
    for words in (("fabricate", "--out", tmp_path / "made"), ("audit",)):
        ran = typed(
            capsys, words[0], tmp_path / "dial.toml", *words[1:],
            "--compensation", tmp_path / "errors.toml",
        )  # fmt: skip
        assert ran.returncode == 2 and not (tmp_path / "made").exists()
        assert "errors.toml: dial: these are the errors of dial 0123456789abcdef" in ran.stderr
        assert f"this is dial {dial.hash}" in ran.stderr


def test_what_is_there_already_is_not_written_over(tmp_path, capsys):
    store = tmp_path / "log.sqlite"
    store.write_bytes(b"a year of Sun")
    ran = typed(capsys, "solve", store, "--compensation", store)
    assert ran.returncode == 2 and "is there already" in ran.stderr
    assert store.read_bytes() == b"a year of Sun"


@pytest.mark.parametrize(
    ("share", "sigma", "words"),
    [(0.234, 0.0028, "23.40 +- 0.55 points"), (0.2, 0.04, "20.0 +- 7.8 points")],
)
def test_a_gain_has_as_many_decimals_as_its_error(share, sigma, words):
    assert words in Gain(share, sigma, 1000 * share).words


def test_no_gain_is_certain(dial, sky):
    found = advice(solved(dial, gain={1: (-0.2, 1e-9)}), sky)
    assert found.sensors_gain.sigma > 0


# The whole way, by traced light.


def read_by_light(true, sky, days):
    """(middle size of a reading's error in minutes, duty) of a true body, read by the plan."""
    dial, plan = true.dial, true.dial.plan
    rays = tracer(true)
    sizes, right, total = [], 0, 0
    for day in days:
        at_us = np.arange(*sky.daylight(day), 20_000_000)
        sun = sky.sun(at_us)
        minute = 720 + 4 * sun.hour_angle_deg
        inside = (minute >= plan.steps[0].start_min) & (
            minute < plan.steps[-1].start_min + plan.step_min
        )
        levels = rays.lit_fractions(
            tuple(part[inside] for part in sun.polar), sun.semidiameter_deg[inside]
        )
        for level, now in zip(levels, minute[inside].tolist(), strict=True):
            lit = np.flatnonzero(level >= 0.5).tolist()
            step = reading.decode(dial, lit, now)
            wanted = plan.steps[int((now - plan.steps[0].start_min) // plan.step_min)]
            right += frozenset(lit) == wanted.channels
            total += 1
            if step is not None:
                sizes.append(abs(step.start_min + plan.step_min / 2 - now))
    return float(np.median(sizes)), right / total


@pytest.mark.deep
@pytest.mark.timeout(900)
@pytest.mark.parametrize("site", [NORTH, SOUTH], ids=["north", "south"])
def test_following_it_once_brings_the_dial_to_its_own_limit_and_twice_changes_nothing(site):
    dial = spelt(5, 16, site=site)
    sky = Sky(site)
    for number in range(int(os.environ.get("ADVICE_DIALS", "1"))):
        rng = np.random.default_rng(70 + number)
        pose_deg = tuple((1.5 * rng.choice([-1, 1], 3)).tolist())
        true = truth_of(dial, number, pose_deg)
        year = (date(2027, 1, 5), date(2027, 3, 20), date(2027, 5, 1), date(2027, 8, 20))
        at_best, best_duty = read_by_light(replace(true, pose_deg=(0.0, 0.0, 0.0)), sky, year)
        before, _ = read_by_light(true, sky, year)
        assert before > at_best + 1.0

        found = solve(log_of(true, sky, SEASONS, number, false=0.01), dial, sky)
        told = advice(found, sky, FEET)
        polar = stand.to_polar(dial)
        true = replace(true, pose_deg=tuple(moved(true.pose_deg, told.stand.move, polar).tolist()))
        after, duty = read_by_light(true, sky, year)
        print(f"{pose_deg}: {before:.2f} -> {after:.2f}, at best {at_best:.2f}; duty {duty:.3f}"
              f" of {best_duty:.3f}; left {np.round(true.pose_deg, 3)}")  # fmt: skip
        assert after < at_best + 0.05
        assert duty == pytest.approx(best_duty, abs=0.01)

        found = solve(log_of(true, sky, SEASONS, 100 + number, false=0.01), dial, sky)
        again = advice(found, sky, FEET)
        if again.stand is not None:  # one more shim may be worth it, but buys next to nothing
            assert again.stand.gain.share < 0.01
            true = replace(
                true, pose_deg=tuple(moved(true.pose_deg, again.stand.move, polar).tolist())
            )
        last, last_duty = read_by_light(true, sky, year)
        print(f"twice: {last:.2f}, duty {last_duty:.3f}, moved {again.stand is not None}")
        assert last == pytest.approx(after, abs=0.05)
        assert last_duty == pytest.approx(duty, abs=0.01)


@pytest.mark.deep
@pytest.mark.timeout(900)
def test_a_second_body_comes_out_within_the_scatter_of_its_making(tmp_path, capsys):
    dial = spelt(6, 20)
    sky = Sky(dial.site)

    def process(drawing, seed):
        """Entries come out 3% wide, and axes lean outwards, besides what scatters."""
        rng = np.random.default_rng(seed)
        return replace(
            drawing,
            bores=tuple(
                replace(
                    one,
                    entry_mm=one.entry_mm * 1.03 * rng.normal(1.0, 0.01),
                    hour_angle_deg=one.hour_angle_deg * (1 + 0.4 / 45) + rng.normal(0.0, 0.05),
                )
                for one in drawing.bores
            ),
        )

    def systematic(body):
        """Mean share of entries too wide, and how far axes lean at 45 deg."""
        wide = np.array(
            [b.entry_mm / one.entry_mm - 1 for b, one in zip(body.bores, dial.bores, strict=True)]
        )
        hours = np.array([one.hour_angle_deg for one in dial.bores])
        lean = np.array([one.hour_angle_deg for one in body.bores]) - hours
        return wide.mean(), 45 * np.polyfit(hours, lean, 1)[0]

    body = process(dial, 1)
    true = replace(truth_of(body, axis_deg=0.0, width=0.0), pose_deg=(0.3, -0.2, 0.2))
    # Few rays are off by as much as 2% of a level at the same place of every ramp.
    logged = log_of(true, sky, SEASONS, 2, count=2048)
    store = imported(typed, capsys, tmp_path, logged, dial)
    ran = typed(capsys, "solve", store, "--compensation", tmp_path / "errors.toml")
    assert ran.returncode == 0, ran.stderr
    assert "All entries come out" in ran.stdout and "axes in hour angle are off by" in ran.stdout

    drawing = compensate.compensated(dial, compensate.load_for(dial, tmp_path / "errors.toml"))
    first, second = systematic(body), systematic(process(drawing, 3))
    count = len(dial.bores)
    print("first", first, "second", second, "of", count)
    # Three standard errors of the mean of what scatters, and as much again for the log's own.
    assert abs(first[0]) > 0.025 and abs(second[0]) < 6 * 0.01 / math.sqrt(count)
    assert abs(first[1]) > 0.3 and abs(second[1]) < 6 * 0.05 / math.sqrt(count) * 45 / 25
