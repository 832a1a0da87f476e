"""The link's fuzz targets under hypothesis, and that they reach what they are meant to."""

import random

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from tests.fuzz import targets_link

DATA = st.one_of(
    st.binary(max_size=300),
    # Mostly proper answers, so that a pull gets far.
    st.lists(st.integers(0, 160).map(lambda n: bytes((0, n, n * 7 & 255, 1))), max_size=90).map(
        b"".join
    ),
)


@settings(max_examples=150, deadline=None)
@given(DATA)
@example(bytes(400))
def test_a_host_ends_whatever_its_board_says(data):
    targets_link.link_host(data)


@settings(max_examples=80, deadline=None)
@given(st.binary(max_size=400))
@example(b"\1\1\0" * 40)
def test_a_board_goes_on_whatever_its_host_says(data):
    targets_link.link_board(data)


@pytest.mark.parametrize("name", targets_link.TARGETS)
def test_the_seeds_are_taken(name):
    for seed in targets_link.seeds(name):
        targets_link.TARGETS[name](seed)


def test_some_pulls_end_complete_and_some_bring_nothing():
    chance = random.Random(1)
    brought = []
    for _ in range(100):
        picks = [(0, chance.choice((0, 0, 0, 62, 150, 178, 230)), 9, 1) for _ in range(60)]
        brought.append(targets_link.link_host(b"".join(map(bytes, picks))))
    assert {0, 40} <= set(brought), brought
    assert targets_link.link_host(b"") == 40
