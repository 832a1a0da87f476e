"""Measured against predicted: which of the five states."""

import pytest

from dialbench.states import RAMP, State, states


@pytest.mark.parametrize(
    ("level", "fraction", "state"),
    [
        (3, 1.0, State.LIT),
        (2, 0.8, State.LIT),
        (0, 0.0, State.DARK),
        (1, 0.1, State.DARK),
        (0, 1.0, State.MISSING),
        (1, 0.8, State.MISSING),
        (3, 0.0, State.STRAY),
        (2, 0.2, State.STRAY),
    ],
)
def test_lit_is_half_and_disagreement_has_a_name(level, fraction, state):
    assert states([level], [fraction]) == (state,)


@pytest.mark.parametrize("fraction", [RAMP[0], 0.35, 0.5, 0.65, RAMP[1]])
def test_a_channel_predicted_to_pass_agrees_with_either_measurement(fraction):
    assert states([0, 1, 2, 3], [fraction] * 4) == (
        State.DARK,
        State.DARK,
        State.LIT,
        State.LIT,
    )


def test_just_outside_the_ramp_the_measurement_counts():
    low, high = RAMP
    assert states([3, 0], [low - 0.01, high + 0.01]) == (State.STRAY, State.MISSING)


def test_other_numbers_of_levels_and_fractions_are_refused():
    with pytest.raises(ValueError, match="2 levels for 3 predicted channels"):
        states([0, 0], [0.0, 0.0, 0.0])
