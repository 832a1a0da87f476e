"""Studies of tolerances: against theory, against dense sampling, whoever works them out."""

import math
import os
import signal
from dataclasses import replace

import numpy as np
import pytest
from tests.host import dials

from dialbench import dialfile, ideal
from dialbench.cli import _dialbench
from dialbench.dial import Plan, Step
from dialbench.layout import plan_edges_deg
from dialbench.optimise.trial import looked_at
from dialbench.sky import mean_semidiameter_deg
from dialbench.tolerance import here
from dialbench.tolerance.course import Course, declinations_deg, wanted
from dialbench.tolerance.errors import Tolerances, made
from dialbench.tolerance.found import Asked, Share, studied
from dialbench.tolerance.here import Pool, ThisProcess, WorkersError
from dialbench.tolerance.results import Results, ResultsError
from dialbench.tolerance.study import BLOCK, FIGURES, Block, Question, blocks, worked_out
from dialcore import frames

NONE = Tolerances(0, 0, 0, 0, 0, 0)
# A slot lit to a half for just as long as the plan's one step of 15 min: 50% at w / 2L.
HALF_DEG = 1.875
SLOT = dials.bore(
    length_mm=60.0, exit_mm=(width := 120 * math.tan(math.radians(HALF_DEG))), entry_mm=width
)
ONE = dials.dial(SLOT, plan=Plan("apparent", 15.0, (Step(0, 712.5, "12:00", frozenset({0})),)))
TWO = dials.dial(
    dials.bore(0.0, entry_mm=4.2),
    dials.bore(3.75, entry_mm=4.2),
    dials.bore(3.75, channel=1, entry_mm=3.9),
    dials.bore(-3.75, channel=1, entry_mm=4.0),
    apart_mm=100.0,
    plan=Plan(
        "zone",
        15.0,
        tuple(
            Step(k, 703.1 + 15 * k, f"12:{15 * k:02}", frozenset(lit))
            for k, lit in enumerate(({1}, {0}, {0, 1}))
        ),
    ),
)


def question(dial=TWO, tolerances=None, seed=1, days=3, **more):
    return Question(
        dialfile.dump(dial), tolerances or replace(NONE, axis_deg=0.3), seed, days, **more
    )


def study(asked, runs, workers=None, results=None, keep=None):
    with results or Results(asked, keep) as known:
        return studied(
            asked, Asked(0.9, 0.1, 60.0), runs, workers or ThisProcess(), known, lambda share: None
        )


def same(first, second):
    return np.array_equal(first.figures, second.figures, equal_nan=True) and (
        first.as_dict() == second.as_dict()
    )


@pytest.mark.parametrize("sigmas", [{"axis_deg": 0.3}, {"axis_deg": 0.2, "turn_deg": 0.25}])
def test_the_yield_of_one_bore_is_what_the_normal_distribution_says(sigmas):
    """A slot's light shifted by e against a step as long loses |e| / 2 half-widths of it."""
    tolerances, runs, duty = replace(NONE, **sigmas), 640, 0.9
    asked = question(ONE, tolerances, days=1)
    figures = np.concatenate([worked_out(asked, Block(0, k)) for k in range(runs // BLOCK)])
    sigma_deg = math.hypot(*sigmas.values())
    limit = 2 * HALF_DEG * (1 - duty) / sigma_deg
    expected = math.erf(limit / math.sqrt(2))
    share = Share.of(Asked(duty=duty).met_all(figures))
    assert abs(share.value - expected) < 3 * math.sqrt(expected * (1 - expected) / runs)
    assert 0.3 < expected < 0.95
    # All that is lost is late or early light: the mean loss is a half-normal's mean.
    loss = sigma_deg * math.sqrt(2 / math.pi) / (2 * HALF_DEG)
    deviation = sigma_deg * math.sqrt(1 - 2 / math.pi) / (2 * HALF_DEG)
    assert abs(1 - figures[:, 0].mean() - loss) < 3 * deviation / math.sqrt(runs) + 2e-3
    late_s = figures[:, 2]
    assert abs(np.std(late_s) / (240 * sigma_deg) - 1) < 0.12


def sampled(dial, body, days_deg):
    """Duty, wrong light and nothing else, of a body by its light at very many hour angles."""
    edges = plan_edges_deg(dial.site, dial.plan) + body.east_deg
    hours = np.arange(edges[0], edges[-1], 0.008) + 0.004
    steps = np.searchsorted(edges, hours, side="right")
    want, right, wrong = wanted(dial)[steps], [], []
    for day_deg in days_deg:
        polar = frames.direction(
            np.radians(hours), np.radians(day_deg) + 0 * hours, dial.site.hemisphere, np
        )
        size_deg = mean_semidiameter_deg(day_deg)
        lit = ideal.lit(body.dial, body.pose_deg, polar, size_deg) >= 0.5
        right.append((lit == want).all(axis=1))
        wrong.append((lit & ~want).any(axis=1))
    return np.mean(right), np.mean(wrong)


@pytest.mark.parametrize("site", [dials.NORTH, dials.SOUTH])
def test_a_body_with_errors_shows_what_dense_sampling_of_its_light_shows(site):
    dial = replace(TWO, site=replace(site, longitude_deg=-16.4))
    tolerances = Tolerances(0.4, 0.1, 0.1, 0.8, 0.8, 40.0)
    days_deg = declinations_deg(3)
    narrow = Course.of(dial, days_deg, 0.6, 0.5, 6.0)
    duties = []
    for number in range(6):  # of which some are beyond the course's usual reach
        body = made(dial, tolerances, 5, number)
        found = narrow.figures(body)
        duty, wrong = sampled(dial, body, days_deg)
        assert found.duty == pytest.approx(duty, abs=2e-3)
        assert found.wrong == pytest.approx(wrong, abs=2e-3)
        duties.append(duty)
    assert np.ptp(duties) > 0.05


def test_a_turned_body_changes_its_face_by_so_much_early_or_late():
    course = Course.of(TWO, declinations_deg(1), 0.1, 0.1, 3.0)
    drawn = made(TWO, NONE, 1, 0)
    straight = course.figures(drawn)
    # Against later hour angles: the Sun comes to its bores 0.5 deg sooner.
    turned = course.figures(replace(drawn, pose_deg=(0.0, 0.0, 0.5)))
    assert turned.late_s - straight.late_s == pytest.approx(-120.0, abs=1.0)
    # A degree farther east the zone's noon comes a degree of hour angle later: the dial is early.
    east = course.figures(replace(drawn, east_deg=0.5))
    assert east.late_s - straight.late_s == pytest.approx(-120.0, abs=1.0)


def test_declinations_stand_for_even_parts_of_the_year():
    days = declinations_deg(1000)
    assert np.mean(np.abs(days) < 11.47) == pytest.approx(1 / 3, abs=0.01)  # 2 months of 6
    assert abs(days).max() < 23.44
    within = declinations_deg(7, (-5.0, 12.0))
    assert within.min() > -5 and within.max() < 12 and len(within) == 7


@pytest.mark.deep
@pytest.mark.timeout(300)
def test_every_process_comes_to_the_same_figures_and_a_killed_worker_costs_nothing():
    asked = question()
    alone = study(asked, 80)
    assert same(study(asked, 80, _Murderous(2)), alone)
    assert not same(study(replace(asked, seed=2), 80), alone)


class _Murderous(Pool):
    """Kills one of its workers after the second block."""

    def results(self, asked, wanted_blocks):
        for number, block in enumerate(super().results(asked, wanted_blocks)):
            if number == 1:
                os.kill(here.multiprocessing.active_children()[0].pid, signal.SIGKILL)
            yield block


def test_where_every_worker_dies_it_is_said(monkeypatch):
    monkeypatch.setattr(here, "_pool", _broken)
    with pytest.raises(WorkersError, match="workers die"):
        study(question(), 40, Pool(2))


class _broken:
    def __init__(self, workers):
        pass

    def __enter__(self):
        return self

    def __exit__(self, *told):
        return None

    def submit(self, *told):
        raise here.BrokenProcessPool


def test_a_study_goes_on_where_it_was_cut_off(tmp_path):
    asked, path = question(), tmp_path / "runs"
    whole = study(asked, 70, _Counting())
    crew = _Counting(2)
    with pytest.raises(KeyboardInterrupt):
        study(asked, 70, crew, keep=path)
    kept = path.read_bytes()
    assert kept.count(b"\n") == 3
    for cut in (len(kept), len(kept) - 1, len(kept) - 40):
        path.write_bytes(kept[:cut])
        counted = _Counting()
        assert same(study(asked, 70, counted, keep=path), whole)
        assert counted.done == len(list(blocks(asked, 70))) - (2 if cut == len(kept) else 1)
        counted = _Counting()
        assert same(study(asked, 70, counted, keep=path), whole)
        assert counted.done == 0
    # A byte that was spoilt, in the last block but one.
    spoilt = bytearray(path.read_bytes())
    spoilt[-2000] ^= 1
    path.write_bytes(spoilt)
    assert same(study(asked, 70, _Counting(), keep=path), whole)
    # More runs of the same question begin with those known.
    assert np.array_equal(study(asked, 100, _Counting(), keep=path).figures[:70], whole.figures)


class _Counting:
    """Works out nothing: its figures are a lot of each block's own. May be interrupted."""

    def __init__(self, after=None):
        self.after, self.done = after, 0

    def results(self, asked, wanted_blocks):
        for block in wanted_blocks:
            if self.done == self.after:
                raise KeyboardInterrupt
            self.done += 1
            chance = np.random.default_rng([block.variant, block.number])
            yield block, chance.random((BLOCK, len(FIGURES)))


def test_results_of_another_question_or_none_are_refused(tmp_path):
    asked, path = question(), tmp_path / "runs"
    with Results(asked, path) as first, pytest.raises(ResultsError, match="another study writes"):
        first.add(Block(0, 0), np.zeros((BLOCK, len(FIGURES))))
        Results(asked, path)
    kept = path.read_bytes()
    for other, named in (
        (replace(asked, seed=2), "seed"),
        (replace(asked, tolerances=Tolerances(0.2)), "tolerances"),
        (question(ONE), "dial_hash"),
        (replace(asked, days=4), "days"),
        (replace(asked, season_deg=(0.0, 10.0)), "season_deg"),
    ):
        with pytest.raises(ResultsError, match=f"another question .*{named}"):
            Results(other, path)
    for text in (b"[limits]\nduty = 0.9\n", b"{}", b"[" * 5000, b"\0" * 100_000):
        (tmp_path / "other").write_bytes(text)
        with pytest.raises(ResultsError, match="holds no runs"):
            Results(asked, tmp_path / "other")
        assert (tmp_path / "other").read_bytes() == text
    assert path.read_bytes() == kept


def test_wilson_s_interval_is_the_published_one():
    """81 of 263: 0.2553 to 0.3662 (Newcombe 1998, table I, method 3; from memory)."""
    share = Share.of(np.arange(263) < 81)
    assert (share.low, share.high) == (
        pytest.approx(0.2553, abs=1e-4),
        pytest.approx(0.3662, abs=1e-4),
    )
    assert Share.of(np.zeros(50, bool)).high == pytest.approx(0.0713, abs=1e-3)


@pytest.mark.deep
def test_what_halving_buys_is_told_by_what_it_is():
    """Where only the turn is loose, halving it is what counts, and surely."""
    tolerances = Tolerances(0.02, 0.005, 0, 0, 0.5, 0)
    found = study(question(ONE, tolerances, days=1), 200)
    assert found.best.tolerance == "turn_deg"
    turn = next(one for one in found.bought if one.tolerance == "turn_deg")
    # Mean loss of duty falls by half: that of a half-normal of 0.25 deg.
    expected = 0.25 * math.sqrt(2 / math.pi) / (2 * HALF_DEG)
    assert turn.duty_gain == pytest.approx(expected, abs=2 * turn.duty_gain_half + 1e-3)
    other = next(one for one in found.bought if one.tolerance == "width_mm")
    assert other.gain_half > 0 and abs(other.gain) <= other.gain_half


def test_the_command_tells_a_table_a_figure_and_an_object(tmp_path, capsys):
    path = tmp_path / "dial.toml"
    path.write_text(dialfile.dump(replace(ONE, name="<b> & $one</desc>")), encoding="utf-8")
    words = ["tolerance", str(path), "--runs", "40", "--workers", "1", "--days", "1"]
    words += ["--axis", "0", "--width", "0", "--common", "0", "--site", "0"]
    plot = tmp_path / "plot.svg"
    _dialbench([*words, "--duty", "0.9", "--plot", str(plot)], standalone_mode=False)
    shown = capsys.readouterr().out
    assert "of 40 bodies meet all that is asked" in shown and "turn of the body" in shown
    drawn = plot.read_bytes()
    assert b"<script" not in drawn and b"<b>" not in drawn and b"</desc> " not in drawn
    _dialbench([*words, "--json", "--plot", str(plot)], standalone_mode=False)
    told = capsys.readouterr().out
    assert '"schema": "dialbench.tolerance/1"' in told and '"yield"' in told


@pytest.mark.deep
@pytest.mark.timeout(300)
def test_stray_light_as_drawn_stands_for_that_of_bodies_with_errors():
    """The demo dial's light, rays traced anew in each body: duty within 0.5% of the plan."""
    dial, days = dialfile.demo(), np.array([-15.0, 0.0, 15.0])
    course = Course.of(dial, days, 0.6, 0.1, 1.0)
    edges = plan_edges_deg(dial.site, dial.plan)
    for number in range(2):
        body = made(dial, Tolerances(0.1, 0.05, 0.05, 0, 0, 0), 3, number)
        traced = looked_at(body.dial, edges, days)
        found = course.figures(body)
        assert found.duty == pytest.approx(traced.duty, abs=5e-3)
        assert found.wrong == pytest.approx(traced.wrong, abs=5e-3)


@pytest.mark.deep
@pytest.mark.timeout(300)
def test_a_cluster_comes_to_the_same_figures_and_a_killed_worker_costs_nothing():
    from dialbench.tolerance.cluster import LOCAL, Cluster

    asked = question()
    alone = study(asked, 400)
    assert same(study(asked, 400, _MurderousCluster(LOCAL, 2)), alone)
    with pytest.raises(WorkersError, match="no scheduler answers"):
        study(asked, 40, Cluster("tcp://127.0.0.1:9", 1))


class _MurderousCluster:
    def __init__(self, address, workers):
        from dialbench.tolerance.cluster import Cluster

        self.real = Cluster(address, workers)
        self.killed = 0

    def results(self, asked, wanted_blocks):
        import psutil

        for number, block in enumerate(self.real.results(asked, wanted_blocks)):
            if number == 2:
                nannied = [
                    one
                    for one in psutil.Process().children(recursive=True)
                    if "spawn_main" in " ".join(one.cmdline())
                ]
                nannied[0].kill()
                self.killed += 1
            yield block
        assert self.killed == 1
