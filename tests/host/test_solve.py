"""What a solve finds against what was true, where rays through the true body made the log.

The truth comes from the virtual dial's tracer, which knows nothing of the solver's formulas.
"""

import json
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from tests.host import traced
from tests.host.typed import typed

from dialbench import dialfile
from dialbench.compare import Measured
from dialbench.dial import Body, Bore, Channel, Dial, Plan
from dialbench.logged import Logged
from dialbench.sky import Sky
from dialbench.solve import SolveError, observe, solve
from dialbench.solve.unknowns import AXIS, WIDTH, Layout
from dialbench.virtual.light import tracer
from dialcore.crossing import THRESHOLDS

SEASONS = (date(2027, 3, 18), date(2027, 6, 10), date(2027, 12, 12))
POSE_DEG = (-0.24, 0.31, 0.52)
STEP_US = 15_000_000


@pytest.fixture(scope="module")
def dial():
    return dialfile.demo()


@pytest.fixture(scope="module")
def sky(dial):
    return Sky(dial.site)


def truth_of(dial, seed, pose_deg=POSE_DEG):
    return traced.truth_of(dial, seed, pose_deg)


def logged(truth, sky, days, seed, noise=0.01, false=0.0, rays=256):
    """Crossings of traced light, with the sensors' noise and gains, some of them false."""
    rng = np.random.default_rng(seed)
    channels = len(truth.dial.channels)
    gain = rng.normal(1.0, 0.1, channels)
    light = tracer(truth, rays)
    found, observed = [], []
    for day in days:
        start_us, end_us = sky.daylight(day)
        observed.append((start_us, end_us))
        at_us = np.arange(start_us, end_us, STEP_US)
        sun = sky.sun(at_us)
        level = gain * light.lit_fractions(sun.polar, sun.semidiameter_deg)
        for number, threshold in enumerate(THRESHOLDS):
            over = level - threshold
            row, channel = np.nonzero((over[:-1] < 0) != (over[1:] < 0))
            per_us = (level[row + 1, channel] - level[row, channel]) / STEP_US
            late_us = rng.normal(0.0, noise, len(row)) / np.abs(per_us)
            wrong = rng.random(len(row)) < false
            late_us[wrong] += rng.uniform(-120e6, 120e6, wrong.sum())
            when_us = at_us[row] + np.rint(late_us - over[row, channel] / per_us).astype(np.int64)
            found.append((channel, np.full(len(row), number), per_us > 0, when_us))
    channel, threshold, rise, utc_us = (np.concatenate(each) for each in zip(*found, strict=True))
    order = np.argsort(utc_us)
    measured = Measured(
        channel[order], threshold[order], rise[order], utc_us[order], np.full(len(order), 0.01)
    )
    return Logged(measured, observed, [], None)


@pytest.fixture(scope="module")
def small():
    """Four channels of five slots each, so far apart that nothing strays."""
    channels = tuple(Channel(0.0, 80.0 * k - 120.0, k, 0) for k in range(4))
    bores = tuple(
        Bore(k, 15.0 * n - 30.0 + 3.0 * k, 0.0, "slot", 1.0, 4.0, 60.0, 50.0)
        for k in range(4)
        for n in range(5)
    )
    site = dialfile.demo().site
    return Dial("small", site, channels, Plan("apparent", 15.0, ()), Body(60.0, 420.0), bores)


def test_a_log_without_observed_time_is_refused(small):
    sky = Sky(small.site)
    log = logged(truth_of(small, 5), sky, (date(2027, 4, 20),), 6)
    with pytest.raises(SolveError, match="no time in which the Sun was observed"):
        solve(replace(log, observed=[]), small, sky)


def test_two_days_tell_the_pose_of_a_small_dial(small):
    sky = Sky(small.site)
    true = truth_of(small, 5)
    found = solve(logged(true, sky, (date(2027, 4, 20), date(2027, 2, 18)), 6), small, sky)
    assert found.fit.settled
    for angle, true_deg in zip(found.pose.angles, POSE_DEG, strict=True):
        assert angle.value_deg is None or abs(angle.value_deg - true_deg) < 2 * angle.half_width_deg
    assert found.pose.angles[1].value_deg is not None
    told = found.as_dict()
    # Nothing strays in this dial, and no clock tells more than its own claim.
    assert told["stray_light_factor"] is None and told["clock"]["offset_s"] is None
    assert told["crossings"]["used"] == told["crossings"]["matched"]
    json.dumps(told, allow_nan=False)


@pytest.fixture(scope="module")
def truth(dial):
    return truth_of(dial, 11)


@pytest.fixture(scope="module")
def solved(dial, sky, truth):
    return solve(logged(truth, sky, SEASONS, 12, false=0.02, rays=1024), dial, sky)


@pytest.mark.deep
@pytest.mark.timeout(600)
def test_three_days_of_three_seasons_tell_the_pose(solved):
    assert solved.fit.settled and not solved.pose.untold
    for angle, true_deg in zip(solved.pose.angles, POSE_DEG, strict=True):
        # 1.96 sigma are half of a 95% interval; four of them are beyond chance.
        assert abs(angle.value_deg - true_deg) < 2 * angle.half_width_deg
    tilts = solved.pose.angles[:2]
    assert max(angle.half_width_deg for angle in tilts) < 0.02
    # Turn and the mean of all axes are one: 0.1 deg over the bores that show an edge.
    assert solved.pose.angles[2].half_width_deg < 0.04


@pytest.mark.deep
@pytest.mark.timeout(600)
def test_noise_and_scatter_are_found(solved):
    assert solved.fit.level_noise == pytest.approx(0.01, rel=0.2)
    assert np.degrees(solved.fit.scatter[AXIS]) == pytest.approx(0.1, rel=0.4)
    assert solved.fit.scatter[WIDTH] == pytest.approx(0.03, rel=0.4)


@pytest.mark.deep
@pytest.mark.timeout(600)
def test_bores_are_found_within_their_intervals(dial, truth, solved):
    layout, fitted = Layout(dial), solved.fit
    for kind, true in (
        (AXIS, np.radians(truth.axis_error_deg[:, 0])),
        (WIDTH, truth.width_factor - 1),
    ):
        sigma = layout.by_bore(kind, fitted.sigma)
        told = sigma < 0.8 * fitted.scatter[kind]
        assert told.sum() >= 10
        off = layout.by_bore(kind, fitted.values) - true
        off -= off[told].mean()  # what all have in common is in the turn, or in the share
        assert np.mean(np.abs(off[told]) < 2.5 * sigma[told]) > 0.85


@pytest.mark.deep
@pytest.mark.timeout(600)
def test_false_crossings_are_shown_and_kept(solved):
    doubted = solved.doubted()
    total = int(solved.fit.told.sum())
    assert 0.003 * total < len(doubted) < 0.03 * total
    assert abs(doubted[0]["late_s"]) > 20
    assert len(solved.fit.true) == len(solved.comparison.measured_index)


@pytest.mark.deep
@pytest.mark.timeout(600)
def test_one_day_at_the_equinox_tells_the_turn_and_refuses_the_tilts(dial, sky, truth):
    found = solve(logged(truth, sky, SEASONS[:1], 13), dial, sky)
    azimuth, altitude, turn = found.pose.angles
    assert azimuth.value_deg is None and altitude.value_deg is None
    assert turn.value_deg == pytest.approx(POSE_DEG[2], abs=0.1)
    assert {name for one in found.pose.untold for name in one.names} == {"azimuth", "altitude"}
    assert any("cannot tell azimuth" in sentence for sentence in found.sentences())
    told = found.as_dict()
    assert told["pose"]["azimuth"] is None and told["not_told"]
    json.dumps(told, allow_nan=False)


@pytest.mark.deep
@pytest.mark.timeout(600)
def test_with_too_little_nothing_is_solved(dial, sky, truth):
    little = logged(truth, sky, SEASONS[:1], 13)
    few = replace(
        little,
        measured=Measured(
            *(
                getattr(little.measured, name)[:9]
                for name in ("channel", "threshold", "rise", "utc_us", "sigma_s")
            )
        ),
    )
    with pytest.raises(SolveError, match="are the least"):
        solve(few, dial, sky)


def test_a_combination_is_named_by_its_angles():
    covariance = np.radians(np.radians(np.diag([0.0001, 0.0001, 0.0001])))
    lean = np.array([0.8, 0.0, -0.6])
    covariance += np.radians(np.radians(0.43**2)) * np.outer(lean, lean)
    pose = observe.Pose.of(np.zeros(3), covariance)
    (only,) = pose.untold
    assert only.sentence == "azimuth and turn: 0.43 deg together"
    assert [one.value_deg for one in pose.angles] == [None, 0.0, None]


def test_the_command_says_what_it_cannot(tmp_path, capsys):
    failed = typed(capsys, "solve", tmp_path / "none.sqlite")
    assert failed.returncode == 2
    assert "there is no such store" in failed.stderr
