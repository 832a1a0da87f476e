"""Readings taken apart: patterns whose faces, times and mistakes are made by hand."""

import json
from datetime import UTC, date, datetime

import numpy as np
import pytest
from tests.host import dials

from dialbench import dialfile
from dialbench.dial import Dial, Plan, Step
from dialbench.layout import plan_edges_deg
from dialbench.reading import Pattern, read
from dialbench.readings import CAUSES, readings
from dialbench.sky import Sky, to_us

STEPS = tuple(
    Step(k, 600.0 + 15 * k, f"{10 + k // 4}:{15 * (k % 4):02}", frozenset({k, 20 + k % 3}))
    for k in range(16)
)
DAY_US = 86_400_000_000


@pytest.fixture(scope="module")
def dial():
    plan = Plan("zone", 15.0, STEPS, date(2027, 4, 16))
    return dials.dial(*(dials.bore(0.0, channel) for channel in range(23)), plan=plan)


@pytest.fixture(scope="module")
def sky(dial):
    return Sky(dial.site)


def shown(dial, sky, days, off=0, turned_deg=0.0):
    """What a perfect dial shows on some days, `off` steps away from the right one and turned by
    an hour angle: faces from edge to edge."""
    edges = plan_edges_deg(dial.site, dial.plan) - turned_deg
    faces = tuple(step.channels for step in dial.plan.steps)
    starts, ends, which = [], [], []
    for day in days:
        noon_us = sky.noon_us(day)
        at = noon_us + (edges * 240e6).astype(np.int64)
        for _ in range(3):
            at = at - ((sky.sun(at).hour_angle_deg - edges) * 240e6).astype(np.int64)
        for k in range(len(faces)):
            if 0 <= k + off < len(faces):
                starts.append(at[k])
                ends.append(at[k + 1])
                which.append(k + off)
    return Pattern(np.array(starts), np.array(ends), np.array(which), faces)


DAYS = [date(2027, 1, 20), date(2027, 2, 3), date(2027, 2, 4), date(2027, 10, 31)]


def test_a_perfect_dial_errs_by_the_equation_of_time_and_its_step(dial, sky):
    found = readings(dial, sky, shown(dial, sky, DAYS))
    assert found.whole.share_right == pytest.approx(1, abs=1e-4)
    assert found.confused == ()
    budget = found.budget
    assert list(budget) == list(CAUSES)
    assert budget["pose"] is None
    assert budget["bores"].rms_min < 0.15  # a look in the very second of a change
    # Meeus, Astronomical Algorithms, chapter 28 and its figure (from memory): 3 to 4 November
    # and mid February are its extremes, some 16.4 and -14.2 min; the plan allows for mid April's.
    eot = budget["equation of time"].quantile_min
    assert eot["0"] == pytest.approx(-13.8, abs=0.3)
    assert eot["1"] == pytest.approx(16.2, abs=0.3)
    # Half a step either way, evenly: its root mean square is 15 / sqrt 12.
    assert budget["step"].rms_min == pytest.approx(15 / 12**0.5, rel=0.01)
    whole = found.spreads["zone"]
    parts = [one.mean_min for one in budget.values() if one is not None]
    assert sum(parts) == pytest.approx(whole.mean_min, abs=1e-9)
    assert whole.rms_min == pytest.approx(
        np.hypot(budget["equation of time"].rms_min, budget["step"].rms_min), rel=0.02
    )


def test_the_median_is_the_one_that_read_tells(dial, sky):
    lit = shown(dial, sky, DAYS)
    found, exact = readings(dial, sky, lit), read(dial, sky, lit)
    for kind in ("zone", "mean", "apparent"):
        median = found.spreads[kind].quantile_min["0.5"]
        assert median == pytest.approx(getattr(exact, kind).median_min, abs=0.3)


def test_months_and_hours_are_the_whole_in_parts(dial, sky):
    found = readings(dial, sky, shown(dial, sky, DAYS))
    assert sorted(found.months) == [1, 2, 10]
    assert found.months[2].plan_hours == pytest.approx(8, abs=0.01)
    for parts in (found.months, found.hours):
        total = sum(one.plan_hours for one in parts.values())
        assert total == pytest.approx(found.whole.plan_hours, abs=1e-6)
    assert 9 <= min(found.hours) <= 10
    assert found.hours[11].plan_hours == pytest.approx(4, abs=0.01)


def test_a_step_late_is_a_mistake_with_its_name(dial, sky):
    found = readings(dial, sky, shown(dial, sky, DAYS, off=-1))
    assert found.whole.share_wrong == pytest.approx(1, abs=1e-3)
    assert found.budget["bores"].mean_min == pytest.approx(-15, abs=0.1)
    assert len(found.confused) == 12
    for one in found.confused:
        due = next(step for step in STEPS if step.spells == one.due)
        assert one.read == STEPS[due.index - 1].spells
        assert one.channels == len(due.channels ^ STEPS[due.index - 1].channels)
        assert one.share == pytest.approx(1 / 15, abs=0.002)


@pytest.mark.parametrize("turned_deg", [0.6, -2.0])
def test_a_known_pose_takes_its_part_out_of_the_bores(dial, sky, turned_deg):
    lit = shown(dial, sky, DAYS, turned_deg=turned_deg)
    blind = readings(dial, sky, lit)
    knowing = readings(dial, sky, lit, (0.0, 0.0, turned_deg))
    assert blind.budget["pose"] is None
    assert blind.budget["bores"].mean_min == pytest.approx(4 * turned_deg, abs=0.6)
    assert knowing.budget["pose"].mean_min == pytest.approx(4 * turned_deg, abs=1e-6)
    assert knowing.budget["bores"].rms_min < 0.3
    assert knowing.spreads == blind.spreads


def test_alike_faces_are_listed_nearest_first(dial, sky):
    found = readings(dial, sky, shown(dial, sky, DAYS[:1]))
    counts = [pair.channels for pair in found.alike]
    assert counts == sorted(counts)
    assert counts[0] == 2  # their third channel repeats every third step


def test_nothing_to_read_is_told(dial, sky):
    empty = Pattern(*(np.empty(0, np.int64) for _ in range(3)), ())
    night = to_us(datetime(2027, 1, 1, 3, tzinfo=UTC))
    dark = Pattern(np.array([night]), np.array([night + 3_600_000_000]), np.zeros(1, int), ({1},))
    for lit in (empty, dark):
        found = readings(dial, sky, lit)
        assert found.spreads is None
        assert found.sentences() == (
            "There is none of the plan's time in it: nothing was to be read.",
        )
        json.dumps(found.as_dict(), allow_nan=False)


def test_facts_are_json_and_tables_have_headings(dial, sky):
    found = readings(dial, sky, shown(dial, sky, DAYS), (0.1, 0.0, 0.2), 0.5)
    facts = json.loads(json.dumps(found.as_dict(), allow_nan=False))
    assert facts["schema"] == "dialbench.readings/1"
    assert facts["budget"]["clock"]["rms_min"] == pytest.approx(0.5 / 60)
    for table in (found.table(), found.error_table()):
        assert len({len(row) for row in table}) == 1


def test_a_year_of_the_demo_has_a_duty_as_predicted():
    """Against predict.duty, which counts the same by spans, for a week."""
    from dialbench import predict
    from dialbench.reading import pattern

    demo = dialfile.demo()
    over = Sky(demo.site)
    start_us = to_us(datetime(2027, 4, 16, tzinfo=UTC))
    end_us = start_us + 3 * DAY_US
    up = over.up_spans(start_us, end_us)
    lit = pattern(
        predict.crossings(demo, over, start_us, end_us),
        list(zip(up.begin_us.tolist(), up.end_us.tolist(), strict=True)),
    )
    found = readings(demo, over, lit)
    assert isinstance(found.dial, Dial)
    assert found.whole.share_right == pytest.approx(
        predict.duty(demo, over, start_us, end_us), abs=0.002
    )
