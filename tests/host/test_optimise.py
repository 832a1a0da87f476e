"""From a wish to a dial: what is drawn, how edges are set, and that the search keeps its word."""

import functools
import json
import math
from dataclasses import replace

import numpy as np
import pytest

from dialbench import dialfile, predict, wishfile
from dialbench.dial import Limits, Plan, Site, Step
from dialbench.errors import UserError
from dialbench.optimise import laid, search
from dialbench.optimise.design import (
    Design,
    Fan,
    Infeasible,
    Trim,
    channels,
    drawn,
    drill_depth_mm,
    edges_deg,
    fans,
)
from dialbench.optimise.outcome import Outcome, merit, shortfalls
from dialbench.optimise.picture import curve_svg
from dialbench.optimise.trial import looked_at
from dialbench.optimise.trim import INSIDE_DEG, trimmed
from dialbench.sky import Sky, to_us
from dialbench.wish import Cell, Envelope, Face, Process, Wish

pytestmark = pytest.mark.timeout(240)

SITE = Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0)
LIT = ({0, 1}, {0}, {1, 2}, {0, 1, 2, 3}, {3}, {0, 3})
STEPS = tuple(
    Step(k, 660.0 + 15 * k, f"{11 + k // 4}:{15 * (k % 4):02}", frozenset(lit))
    for k, lit in enumerate(LIT)
)
DESIGN = Design(14.0, 16.0, 16.0, 0.5)


def wish(**changed):
    face = Face(tuple(Cell(c, r) for r in (0, 1) for c in (0, 1)), STEPS)
    facts = {
        "name": "four",
        "site": SITE,
        "face": face,
        "plan": Plan("apparent", 15.0, STEPS),
        "envelope": Envelope(70.0, 70.0, 30.0),
        "process": Process(0.5, 0.4, 0.01),
        "limits": Limits(duty=0.95, wrong=0.0, ghost=0.05),
    }
    return Wish(**{**facts, **changed})


once = functools.cache(search.look)  # one look takes half a second, and many tests begin alike


def one_by_one(asked, designs, closely):
    return [once(asked, design, closely) for design in designs]


def anew(asked, designs, closely):
    return [search.look(asked, design, closely) for design in designs]


def silent(*_):
    pass


@pytest.fixture
def short(monkeypatch):
    """A search of a few looks."""
    monkeypatch.setattr(search, "_LOOKS", 6)
    monkeypatch.setattr(search, "_BATCH", 3)
    monkeypatch.setattr(search, "_DEPTHS", 3)
    monkeypatch.setattr(search, "_LOOKS_AT_SCALE", 3)
    monkeypatch.setattr(search, "_FINALISTS", 1)
    monkeypatch.setattr(search, "_FINALISTS_AT_SCALE", 1)
    monkeypatch.setattr(search, "_CLOSELY", (3, 1, 5))
    monkeypatch.setattr(search, "_ROUGHLY", (2, 1, 0))


def test_a_fan_is_what_a_channel_is_lit_for_on_end():
    found = fans(wish())
    assert Fan(0, 0, 2) in found and Fan(0, 3, 4) in found and Fan(0, 5, 6) in found
    for channel in range(4):
        steps = {k for fan in found if fan.channel == channel for k in range(fan.first, fan.last)}
        assert steps == {k for k, lit in enumerate(LIT) if channel in lit}


def test_the_face_stands_in_the_middle_with_its_slant_and_stagger():
    design = Design(10.0, 20.0, 16.0, 0.5, slant_mm=2.0, stagger_mm=3.0)
    places = channels(wish(), design)
    assert [(c.y_mm, c.z_mm) for c in places] == [
        (6.0, 11.5),
        (-4.0, 8.5),
        (4.0, -8.5),
        (-6.0, -11.5),
    ]


@pytest.mark.parametrize("merged", [1, 2, 4])
def test_a_drawn_fan_lights_its_steps_and_no_others(merged):
    """By the closed form alone: half lit at each end of the fan, lit in between without a dip."""
    design = replace(DESIGN, merged=merged)
    dial, edges = drawn(wish(), design, {}), edges_deg(wish())
    trial = looked_at(dial, edges, [0.0], ghosts=False)
    for fan in fans(wish()):
        own = trial.own[0, :, fan.channel]
        at = [np.interp(edges[k], trial.hours_deg, own) for k in (fan.first, fan.last)]
        assert at == pytest.approx([0.5, 0.5], abs=0.03)
        inside = (trial.hours_deg > edges[fan.first] + 1.6) & (
            trial.hours_deg < edges[fan.last] - 1.6
        )
        assert own[inside].min() > 0.97


def test_what_is_drawn_loads_back_and_keeps_within_its_envelope(tmp_path):
    dial = drawn(wish(), DESIGN, {Fan(0, 0, 2): Trim(0.1, -0.1)})
    (tmp_path / "dial.toml").write_text(dialfile.dump(dial))
    assert dialfile.load(tmp_path / "dial.toml") == dial
    assert 2 * dial.body.radius_mm <= 70 and dial.body.length_mm <= 70
    assert dial.body.depth_mm == 16 and dial.body.wall_mm == 0.4
    assert dial.limits.duty == 0.95


def test_no_body_is_drawn_outside_the_envelope():
    with pytest.raises(Infeasible, match="along the axis"):
        drawn(wish(), replace(DESIGN, row_pitch_mm=60.0), {})
    with pytest.raises(Infeasible, match="wide"):
        drawn(wish(), replace(DESIGN, column_pitch_mm=75.0), {})


def test_edges_are_set_so_that_no_channel_is_lit_out_of_its_time():
    """Against the exact prediction of a year's days, with ghosts, by its own crossings."""
    season = (-23.44, 0.0, 23.44)
    trims, trial = trimmed(wish(), DESIGN, season, 3)
    assert trial.wrong == 0
    assert max(abs(trim.early_deg) for trim in trims.values()) < 0.6
    dial, sky = drawn(wish(), DESIGN, trims), Sky(SITE)
    edges = edges_deg(wish())
    from datetime import UTC, datetime, timedelta

    for day in (datetime(2027, 6, 21, tzinfo=UTC), datetime(2027, 12, 21, tzinfo=UTC)):
        found = predict.crossings(
            dial, sky, to_us(day), to_us(day + timedelta(days=1)), thresholds=(0.5,)
        )
        hour_angle_deg = sky.sun(found.utc_us).hour_angle_deg
        assert len(found.utc_us) == 2 * len(fans(wish()))
        for rise, at_deg in zip(found.rise, hour_angle_deg, strict=True):
            off_deg = at_deg - edges[np.abs(edges - at_deg).argmin()]
            inside = off_deg if rise else -off_deg
            # The trial's own error is a few hundredths of lit fraction: 0.01 degrees.
            assert -0.01 < inside < 0.25
    assert INSIDE_DEG > 0.01


def test_a_trial_counts_what_stands_in_it():
    dial, edges = drawn(wish(), DESIGN, {}), edges_deg(wish())
    trial = looked_at(dial, edges, [-10.0, 10.0])
    faces = {frozenset(np.flatnonzero(row)) for row in trial.wanted[trial.running]}
    assert faces == {step.channels for step in STEPS}
    # Set one dark channel to full light for a tenth of the plan: a tenth less duty.
    row = np.flatnonzero(trial.running)
    some = row[: len(row) // 10]
    spoiled = trial.total.copy()
    spoiled[:, some, 3] = 1.0  # dark in the first steps
    worse = replace(trial, total=spoiled)
    right = (trial.total[:, some] >= 0.5) == trial.wanted[some]
    lost = right.all(axis=2).mean() * len(some) / len(row)
    assert trial.duty - worse.duty == pytest.approx(lost)
    assert worse.wrong == pytest.approx(len(some) / len(row), abs=0.01)
    assert worse.ghost == 1.0


def test_limits_come_before_everything_else():
    good = Outcome(DESIGN, duty=0.96, wrong=0.0, ghost=0.01, clear=0.5)
    clear = replace(good, clear=0.99, duty=0.93)
    ghostly = replace(good, clear=0.99, ghost=0.3)
    assert shortfalls(wish(), good) == {}
    assert shortfalls(wish(), clear) == {"duty": pytest.approx(0.02)}
    assert merit(wish(), good) > merit(wish(), ghostly)
    assert merit(wish(), replace(good, clear=0.6)) > merit(wish(), good)
    assert merit(wish(), Outcome(DESIGN, reason="none")) < merit(wish(), ghostly)
    assert Outcome.from_dict(json.loads(json.dumps(good.as_dict()))) == good


def laid_out(tmp_path, asked, sizes=False, file="s.json"):
    return laid.laid_out(asked, one_by_one, silent, tmp_path / file, sizes)


def test_a_small_wish_is_met_and_the_same_seed_gives_the_same_dial(tmp_path, short):
    one = laid_out(tmp_path, wish())
    assert one.missed == {} and one.least is None
    assert one.best.duty >= 0.95 and one.best.wrong == 0 and one.best.ghost <= 0.05
    other = laid.laid_out(wish(), anew, silent, tmp_path / "again.json", False)
    assert one.dial == other.dial
    assert laid_out(tmp_path, wish(seed=2), file="2.json").dial != one.dial


def test_a_search_broken_off_goes_on_from_its_file(tmp_path, short):
    whole = laid_out(tmp_path, wish(), file="whole.json")
    made = []

    def breaking(asked, designs, closely):
        if len(made) >= 3:
            raise KeyboardInterrupt
        made.extend((design, closely) for design in designs)
        return one_by_one(asked, designs, closely)

    with pytest.raises(KeyboardInterrupt):
        laid.laid_out(wish(), breaking, silent, tmp_path / "s.json", False)
    seen = search.load(tmp_path / "s.json")
    assert len(seen) == len(made) == 3
    later = []

    def counting(asked, designs, closely):
        later.extend((design, closely) for design in designs)
        return one_by_one(asked, designs, closely)

    again = laid.laid_out(wish(), counting, silent, tmp_path / "s.json", False)
    assert again.dial == whole.dial
    assert not set(later) & set(made)


def test_a_file_that_is_no_search_s_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "s.json"
    path.write_text('{"format": 1}')
    assert search.load(path) == {}  # another version's
    path.write_text("not JSON")
    with pytest.raises(UserError, match=r"s\.json: is no file of a search"):
        search.load(path)
    assert path.read_text() == "not JSON"


@pytest.mark.deep
def test_a_wish_that_cannot_be_had_says_what_limits_it_and_what_could(tmp_path, short):
    asked = wish(
        envelope=Envelope(16.0, 16.0, 8.0), limits=Limits(duty=0.98, wrong=0.0, ghost=0.01)
    )
    found = laid_out(tmp_path, asked)
    assert found.missed
    assert found.least is not None and found.least.scale > 1
    assert not shortfalls(search.scaled(asked, found.least.scale), found.least.outcome)
    told = " ".join(found.sentences)
    assert "smallest envelope" in told and "nowhere as thick as the 0.4 mm" in told


def test_the_curve_is_told_as_table_picture_and_object(tmp_path, short, monkeypatch):
    monkeypatch.setattr(laid, "SCALES", (1.0, 0.6))
    found = laid_out(tmp_path, wish(name='<four> & "more"'), sizes=True)
    assert [size.scale for size in found.sizes] == [1.0, 0.6]
    assert len(found.rows()) == 3
    widths = [size.outcome.width_mm for size in found.sizes]
    assert widths[1] <= 0.6 * 70 < widths[0]
    svg = curve_svg(found.wish.name, found.sizes)
    import xml.etree.ElementTree as ET

    root = ET.fromstring(svg)
    assert "<four>" in root.find("{http://www.w3.org/2000/svg}title").text
    assert f"{widths[1]:.0f} mm wide" in root.find("{http://www.w3.org/2000/svg}desc").text
    json.dumps(found.as_dict(), allow_nan=False)


def test_time_that_is_over_ends_the_search_with_what_there_is(tmp_path, short):
    asked = wish(minutes=1e-9, limits=Limits(duty=1.0))
    found = laid_out(tmp_path, asked, sizes=True)
    assert found.cut_short and found.dial is not None
    assert found.looks == 4  # the wide look, and a close one
    assert any("goes on from where it stands" in sentence for sentence in found.sentences)
    # What was not looked for is not said to be impossible.
    assert found.missed and any("not looked for to the end" in told for told in found.sentences)


def test_drilled_bores_are_as_wide_as_a_drill_and_half_lit_at_their_step_s_ends():
    process = Process(4.0, 2.0, 0.1, "drill", (4.0, 6.0, 8.0))
    steps = tuple(replace(s, channels=frozenset({0} if s.index in (1, 4) else ())) for s in STEPS)
    asked = wish(
        face=Face((Cell(0, 0),), steps),
        plan=Plan("apparent", 15.0, steps),
        process=process,
        season_deg=(9.0, 11.0),
        envelope=Envelope(150.0, 150.0, 150.0),
    )
    depth_mm = drill_depth_mm(asked, 4.0)
    # 2/pi (acos q - q sqrt(1 - q^2)) of a straight round bore, q = L tan a / D.
    q = depth_mm * math.tan(math.radians(1.875)) / 4.0
    assert 2 / math.pi * (math.acos(q) - q * math.sqrt(1 - q * q)) == pytest.approx(0.5, abs=1e-4)
    dial = drawn(asked, Design(1.0, 1.0, depth_mm, 4.0), {})
    assert {(b.shape, b.exit_mm, b.entry_mm, b.declination_deg) for b in dial.bores} == {
        ("round", 4.0, 4.0, 10.0)
    }
    edges = edges_deg(asked)
    trial = looked_at(dial, edges, [10.0], ghosts=False)
    for step in (1, 4):
        at = [np.interp(edges[step + k], trial.hours_deg, trial.own[0, :, 0]) for k in (0, 1)]
        assert at == pytest.approx([0.5, 0.5], abs=0.06)


@pytest.mark.parametrize(
    "feature_mm", [0.01, *(pytest.param(size, marks=pytest.mark.deep) for size in (0.1, 1.0)), 5.0]
)
@pytest.mark.parametrize("spec", ["demo", "plate", "south", "twenty-minutes", "teaching"])
def test_where_a_search_begins_there_is_a_body(spec, feature_mm):
    asked = wishfile.load(wishfile.SPECS.joinpath(f"{spec}.toml"))
    asked = replace(asked, process=replace(asked.process, feature_mm=feature_mm))
    begun = 0
    for depth_mm in search._depths(asked):
        design = search.widest(asked, search._start(asked, depth_mm))
        if design is not None:
            begun += 1
            drawn(asked, design, {})
    assert begun > 0 or (spec, feature_mm) == ("plate", 5.0)


def test_what_a_smaller_envelope_was_found_to_hold_this_one_holds_too(tmp_path, short, monkeypatch):
    monkeypatch.setattr(laid, "SCALES", (1.0, 0.6))
    asked = wish()

    def poor_if_large(of, designs, closely):
        found = one_by_one(of, designs, closely)
        large = of.envelope == asked.envelope
        return [replace(each, duty=0.5) if large else each for each in found]

    found = laid.laid_out(asked, poor_if_large, lambda *_: None, tmp_path / "s.json", True)
    small = found.sizes[1].outcome
    assert not found.missed and found.best == small and found.least is None
    assert 2 * found.dial.body.radius_mm == small.width_mm
    assert len(found.dial.bores) == small.bores


def test_a_look_that_was_tampered_with_is_none(tmp_path, short):
    found = laid_out(tmp_path, wish())
    plain = found.best.as_dict()
    assert Outcome.from_dict(plain) == found.best
    for change in ({"duty": "x"}, {"ghost": True}, {"clear": float("inf")}, {"bores": 1.5}):
        with pytest.raises((TypeError, ValueError)):
            Outcome.from_dict({**plain, **change})


def test_a_searchs_file_too_deep_to_read_is_none(tmp_path):
    path = tmp_path / "s.json"
    path.write_text("[" * 200_000)
    with pytest.raises(UserError, match=r"s\.json: is no file of a search"):
        search.load(path)
