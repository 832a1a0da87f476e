"""The inputs of tests/fuzz, each with some hundred bent ones: what every day's run can afford."""

import random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.fuzz import targets, targets_link

# Executions a day; the board's and the store's inputs are the slow ones.
EXAMPLES = {
    "frames": 150,
    "board": 120,
    "page": 300,
    "dial": 100,
    "spec": 80,
    "csv": 150,
    "sweep": 100,
    "store": 120,
    "link_host": 100,
    "link_board": 60,
}


def bent(seeds):
    """Seeds with some bytes changed and some added, or bytes of no seed at all."""
    changes = st.lists(st.tuples(st.integers(0, 4000), st.integers(0, 255)), max_size=6)

    def change(made):
        seed, changed, tail = made
        data = bytearray(seed)
        for at, byte in changed:
            if data:
                data[at % len(data)] = byte
        return bytes(data) + tail

    near = st.tuples(st.sampled_from(seeds), changes, st.binary(max_size=40)).map(change)
    return st.one_of(near, st.binary(max_size=200))


@pytest.fixture(scope="module", autouse=True)
def put_away():
    yield
    targets.put_away()


@pytest.mark.parametrize("name", list(targets.TARGETS))
def test_no_input_breaks_anything(name):
    @settings(
        max_examples=EXAMPLES[name],
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(bent(targets.seeds(name)))
    def run(data):
        targets.TARGETS[name](data)

    run()


@pytest.mark.parametrize("name", list(targets.TARGETS))
def test_every_seed_is_taken(name):
    for seed in targets.seeds(name):
        targets.TARGETS[name](seed)
    targets.TARGETS[name](b"")


def test_a_fault_behind_an_input_is_found(monkeypatch):
    """The sound store is really read: a question that fails is not passed over."""
    monkeypatch.setattr(targets.Store, "marks", lambda self, uid: 1 // 0)
    with pytest.raises(ZeroDivisionError):
        targets.store(b"\x70")


def test_a_pull_from_a_board_that_says_anything_gets_to_the_end_and_to_nothing():
    chance = random.Random(1)
    brought = []
    for _ in range(60):
        picks = [(0, chance.choice((0, 0, 0, 62, 150, 178, 230)), 9, 1) for _ in range(60)]
        brought.append(targets_link.link_host(b"".join(map(bytes, picks))))
    assert {0, targets_link.PAGES} <= set(brought), brought
    assert targets_link.link_host(b"") == targets_link.PAGES
