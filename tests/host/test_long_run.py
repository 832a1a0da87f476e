"""The long run of a dial, told: years, sentences, the figure. Its values: tests/references."""

import json
from dataclasses import replace

import numpy as np
import pytest
from lxml import etree

from dialbench import dialfile
from dialbench.longrun import drift as drifts
from dialbench.longrun.account import LongRunError, long_run, span, told
from dialbench.plots import figure
from dialbench.plots import longrun as picture


@pytest.fixture(scope="module")
def demo():
    return dialfile.demo()


@pytest.fixture(scope="module")
def ahead(demo):
    return long_run(demo, 2027, 10_000)


def test_the_years_told_are_near_and_far(ahead):
    assert [int(one.year) for one in ahead.drifts] == [2028, 2037, 2127, 3027, 10_000]


def test_the_first_wrong_year_is_the_first(ahead, demo):
    """Year by year about it: before, less than a step; from then on a step and more."""
    limit_s = 60 * demo.plan.step_min
    for year, size in (
        (ahead.first_wrong_earth, lambda one: one.largest_earth_s),
        (ahead.first_wrong_uniform, lambda one: one.largest_uniform_s),
    ):
        assert abs(size(drifts.drift(2027, year))) >= limit_s
        assert abs(size(drifts.drift(2027, year - 1))) < limit_s
    # Against uniform time delta T alone decides: it must have come to a step less the drift.
    assert 2300 < ahead.first_wrong_uniform < 2600 < ahead.first_wrong_earth


def test_the_first_wrong_year_is_told_with_what_delta_t_leaves_open(ahead, demo):
    """Both ends from what delta T would be, 1.96 sigma off, by the model of it alone."""
    early, late = ahead.first_wrong_uniform_95
    assert early < ahead.first_wrong_uniform < late
    limit_s = 60 * demo.plan.step_min
    for year, way in ((early, 1), (late, -1)):
        sizes = [
            np.abs(one.uniform_s).max() + way * 1.96 * one.delta_t_sigma_s
            for one in (drifts.drift(2027, year - 1), drifts.drift(2027, year))
        ]
        assert sizes[0] < limit_s <= sizes[1]
    assert f"(95%: {early} to {late})" in " ".join(ahead.sentences())
    assert len(set(ahead.sentences())) == len(ahead.sentences())
    assert long_run(demo, 2027, early + 5).first_wrong_uniform_95 == (early, None)


def test_the_table_has_its_signs(ahead):
    head, *rows = ahead.table()
    for row, one in zip(rows, ahead.drifts, strict=True):
        told = dict(zip(head, row, strict=True))
        assert (told["against TAI"][0] == "-") == (one.largest_uniform_s < -0.05)
        assert all(told[name][0] in "+-" for name in head[1:4])
    assert not [cell for row in rows for cell in row if cell.startswith("-0.0")]


def test_backwards_works_as_well(demo):
    back = long_run(demo, 2027, -699)
    assert [int(one.year) for one in back.drifts] == [2026, 2017, 1927, 1027, -699]
    assert back.first_wrong_earth is None
    assert 900 < back.first_wrong_uniform < 1500
    assert any("stays within 15 minutes" in line for line in back.sentences())
    assert any("700 BC" in line for line in back.sentences())


def test_shares_add_up(ahead):
    for one in ahead.drifts:
        np.testing.assert_allclose(sum(one.shares_s.values()), one.earth_s, atol=1e-9)
        np.testing.assert_allclose(one.uniform_s, one.earth_s - one.delta_t_s)


def test_a_longer_step_is_wrong_later(demo):
    long_step = replace(demo, plan=replace(demo.plan, step_min=20.0))
    assert long_run(long_step, 2027, 4000).first_wrong_uniform > 2443


def test_facts_are_json(ahead):
    facts = json.loads(json.dumps(ahead.as_dict(), allow_nan=False))
    assert facts["years"][-1]["year"] == 10_000
    assert len(facts["years"][0]["earth_s"]) == len(facts["declination_deg"]) == 90
    assert facts["deep_time"]["years_to_lock"][0] > facts["deep_time"]["years_to_lock"][1]


@pytest.mark.parametrize(("base", "to"), [(2027, 10_001), (-700, 2027), (2027, 2027)])
def test_years_out_of_reach_are_refused(demo, base, to):
    with pytest.raises(LongRunError, match="700 BC to 10000|nothing changes"):
        long_run(demo, base, to)


@pytest.mark.parametrize(
    ("year", "said"), [(1, "AD 1"), (0, "1 BC"), (-699, "700 BC"), (999, "AD 999"), (1582, "1582")]
)
def test_years_are_said_as_people_say_them(year, said):
    assert told(year) == said


def test_spans_choose_their_unit():
    assert [span(s) for s in (1.64, -48, 900, 19_965)] == ["1.6 s", "-48 s", "15 min", "5.5 h"]


def test_the_figure_is_the_same_twice_and_fetches_nothing(demo):
    run = long_run(replace(demo, name="<b>$x$\x1b[2J"), 2027, 2100)
    with figure.styled():
        once, again = (figure.svg(picture.drawn(run), "title", "said") for _ in range(2))
    assert once == again
    tree = etree.fromstring(once)
    assert tree.find("{*}desc").text == "said"
    for element in tree.iter(tag=etree.Element):
        for name, value in element.items():
            if etree.QName(name).localname in ("href", "src"):
                assert value.startswith("#")
