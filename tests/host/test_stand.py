"""Turning and shimming a base, carried out on three real feet."""

import math

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation
from tests.host.dials import NORTH, SOUTH, bore, dial

from dialbench.solve import stand
from dialbench.solve.stand import Told

FEET = ((134.8, -33.4), (-134.8, -33.4), (0.0, 188.6))  # east, north
SURE = np.radians(np.radians(np.diag([1e-6, 1e-6, 1e-6])))


def polar(site):
    return stand.to_polar(dial(bore(), site=site))


FLAT = np.eye(3)  # a body that lies flat
WALL = np.array([(0.0, -1.0, 0.0), (1.0, 0.0, 0.0), (0.0, 0.0, 1.0)])  # one that faces south


def moved(pose_deg, move, to_polar):
    """The pose after real feet were raised and the whole was turned, by no formula of stand's."""
    body = Rotation.from_matrix(
        to_polar.T @ Rotation.from_rotvec(np.radians(pose_deg)).as_matrix() @ to_polar
    )
    turned = Rotation.from_rotvec([0, 0, math.radians(move.turn)]) * body
    feet = turned.apply([(east, north, 0.0) for east, north in move.feet])
    wanted = feet[:, 2] + np.array(move.shims)

    def off(level):
        heights = Rotation.from_rotvec([level[0], level[1], 0]).apply(feet)[:, 2]
        return heights + level[2] - wanted

    east, north, _ = least_squares(off, np.zeros(3), x_scale=[0.01, 0.01, 1], xtol=1e-15).x
    after = Rotation.from_rotvec([east, north, 0]) * turned
    vector = Rotation.from_matrix(to_polar @ after.as_matrix() @ to_polar.T).as_rotvec()
    return np.degrees(vector)


@pytest.mark.parametrize("to_polar", [polar(NORTH), polar(SOUTH), FLAT, WALL])
@pytest.mark.parametrize("pose_deg", [(1.5, -1.5, 1.5), (-2.0, 0.3, 0.1), (0.0, 0.0, -3.0)])
def test_following_it_once_sets_the_body_right(to_polar, pose_deg):
    move = stand.move(np.radians(pose_deg), SURE, to_polar, FEET)
    assert min(move.shims) == 0.0
    left = moved(pose_deg, move, to_polar)
    # Half a shim under one foot, and half of a step of the turn.
    limit = math.degrees(1.5 * stand.SHIM_MM / 130) + stand.TURN_DEG
    assert np.linalg.norm(left) < limit < 0.05
    told = np.degrees(move.after(np.radians(pose_deg), to_polar))
    assert told == pytest.approx(left, abs=2e-3)


def test_a_body_that_meets_the_sun_early_in_the_north_is_turned_clockwise():
    # A positive turn about the polar axis carries its noon side to the east.
    move = stand.move(np.radians([0, 0, 1.0]), SURE, polar(NORTH), FEET)
    assert move.turn < 0
    assert "clockwise as seen from above" in move.sentence()
    assert "anticlockwise" not in move.sentence()


def test_southern_feet_are_read_along_the_visible_pole_and_y():
    assert stand.listed("10,20 -30,0 0,-40", 1) == ((20, 10), (0, -30), (-40, 0))
    assert stand.listed("10,20 -30,0 0,-40", -1) == ((-20, -10), (0, 30), (40, 0))


@pytest.mark.parametrize(
    "text", ["", "1,2 3,4", "1,2 3,4 5", "a,b c,d e,f", "0,0 100,0 200,0", "nan,0 1,9 300,1"]
)
def test_feet_that_hold_nothing_are_refused(text):
    with pytest.raises(stand.FeetError, match="--feet"):
        stand.listed(text, 1)


def test_what_is_not_surely_off_is_left_alone():
    wide = np.radians(np.radians(np.diag([1.0, 1.0, 1.0])))
    assert stand.move(np.radians([0.5, 0.5, 0.5]), wide, polar(NORTH), FEET).nothing
    assert not Told(0.1, 0.1).sure and Told(-0.2, 0.1).sure


def test_the_interval_of_a_shim_is_that_of_the_pose_it_comes_from():
    rng = np.random.default_rng(4)
    covariance = np.radians(np.radians(np.diag([0.01, 0.02, 0.015]) ** 2))
    best = np.radians([0.8, -0.5, 0.3])
    move = stand.move(best, covariance, polar(NORTH), FEET)
    drawn = rng.multivariate_normal(best, covariance, 400)
    sure = np.zeros((3, 3))
    others = [stand.move(pose, sure, polar(NORTH), FEET) for pose in drawn]
    for n, told in enumerate([move.turn_deg, *move.shims_mm]):
        if told.value == 0:
            continue
        values = [[one.turn_deg, *one.shims_mm][n].value for one in others]
        assert 1.96 * np.std(values) == pytest.approx(told.half_width, rel=0.15)
