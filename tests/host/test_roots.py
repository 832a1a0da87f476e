import math

import numpy as np
import pytest

from dialbench import roots


def found(functions, edges, tolerance=1e-12):
    """Roots of scalar functions, and at how many points each was looked at."""
    looks = np.zeros(len(functions), np.int64)

    def values(x, which):
        looks[which] += 1
        return np.array([functions[k](float(at)) for at, k in zip(x, which, strict=True)])

    edges = np.array(edges, float).T
    ends = np.array([[f(float(at)) for f, at in zip(functions, e, strict=True)] for e in edges])
    return roots.between(values, edges, ends, tolerance), looks


def test_each_function_has_its_own_root():
    functions = [math.cos, lambda x: x**3 - 2, lambda x: 1 - math.exp(x), math.atan]
    place, _ = found(functions, [(0, 3), (0, 2), (-5, 3), (-1, 4)])
    assert place == pytest.approx([math.pi / 2, 2 ** (1 / 3), 0, 0], abs=1e-12)


def test_edges_may_stand_either_way_round_and_functions_fall_or_rise():
    for sign in (1, -1):
        for edges in ((0.5, 3), (3, 0.5)):
            place, _ = found([lambda x, s=sign: s * (x * x - 2)], [edges])
            assert place == pytest.approx([math.sqrt(2)], abs=1e-12)


def test_an_edge_that_is_a_root_is_taken():
    place, looks = found([lambda x: x, lambda x: x - 1, lambda x: x], [(0, 1), (0, 1), (0, 0)])
    assert place.tolist() == [0, 1, 0]
    assert looks.tolist() == [0, 0, 0]


def test_nothing_has_no_roots():
    assert roots.between(lambda x, which: x, np.zeros((2, 0)), np.zeros((2, 0)), 1e-9).shape == (0,)


def test_a_jump_is_found_to_the_tolerance():
    """Continuity is not even needed: the place is where the sign changes."""
    for at in (0.3, 0.999999, 1e-9):
        place, looks = found([lambda x, at=at: 1.0 if x > at else -1e-9], [(0, 1)], 1e-7)
        assert abs(place[0] - at) <= 1e-7
        assert looks[0] < 80


def test_kinks_and_flat_feet_take_few_looks():
    """What lit fractions are made of; bisection alone would take 34 looks for each."""
    functions = [
        lambda x: max(0.0, x - 0.9) - 1e-4,  # dark, then light
        lambda x: min(x, 0.2) - 0.19,
        lambda x: x**9 - 1e-5,
        lambda x: math.tanh(200 * (x - 0.13)),
    ]
    place, looks = found(functions, [(0, 1)] * 4, 1e-10)
    assert place == pytest.approx([0.9001, 0.19, 10 ** (-5 / 9), 0.13], abs=1e-10)
    assert looks.max() <= 30


def test_the_bracket_is_kept():
    """No look falls outside of it, however steep the function at one end."""
    inside = []

    def values(x, which):
        inside.append(((x >= 0) & (x <= 1)).all())
        return np.log(x + 1e-12) + 20

    ends = values(np.array([0.0, 1.0]), None)
    place = roots.between(values, np.array([[0.0], [1.0]]), ends[:, None], 1e-15)
    assert place == pytest.approx([math.exp(-20) - 1e-12], rel=1e-6)
    assert all(inside)
