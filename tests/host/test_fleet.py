"""Fleets: boards pulled at once, in turn; boards held against each other."""

import os
import resource
import threading
import time
from contextlib import ExitStack
from dataclasses import replace

import numpy as np
import pytest
from tests import board_double as doubles
from tests.host import dials

from dialbench.clock import SystemClock
from dialbench.dial import Dial
from dialbench.fleet import pulls
from dialbench.fleet.compared import HOUR_US, compared
from dialbench.fleet.member import Member
from dialbench.fleet.pulls import Turns, pull_all
from dialbench.store import Store

START_US = doubles.START_US // HOUR_US * HOUR_US
BOARDS = int(os.environ.get("FLEET_BOARDS", "5"))


class Named(doubles.BoardDouble):
    """A double with a uid of its own."""

    def __init__(self, number, pages):
        super().__init__(pages, clock_ms=lambda: int(time.monotonic() * 1000) & 0x3FFFFFFF)
        self.uid = doubles.UID[:-2] + number.to_bytes(2, "big")

    def _hello(self):
        return super()._hello().replace(doubles.UID, self.uid)


@pytest.fixture
def dial(monkeypatch):
    """One that the doubles say they were set up for."""
    named = dials.dial(dials.bore())
    monkeypatch.setattr(Dial, "hash", doubles.DIAL_HASH.hex())
    return named


@pytest.mark.parametrize("line", [doubles.on_tcp, doubles.on_pty])
def test_all_boards_are_pulled_at_once_and_none_waits_for_ever(dial, tmp_path, line, capsys):
    """FLEET_BOARDS of them; each page of each is there, whole."""
    boards = [Named(k, doubles.log(40, seed=k)) for k in range(BOARDS)]
    seen, begun, path = {}, time.process_time(), tmp_path / "fleet.sqlite"
    order = []
    with ExitStack() as stack:
        ports = [stack.enter_context(line(board))[0] for board in boards]

        def told(port, share):
            order.append(port)
            assert 0 <= share <= 1 and share >= seen.get(port, 0)
            seen[port] = share

        brought = pull_all(ports, dial, path, SystemClock(), told)
    assert [one.port for one in brought] == ports
    assert all(one.whole and one.pulled.pages == 40 for one in brought), brought
    assert set(seen.values()) == {1.0} and len(seen) == BOARDS
    with Store.look(path) as store:
        known = {one.uid: one.pages for one in store.boards()}
        assert known == {board.uid.hex(): 40 for board in boards}
        held = sorted(one.raw for one in store.raw_pages())
    assert held == sorted(raw for board in boards for raw in board.pages.values())
    # At once, and not one after the other: all began before the first had ended.
    firsts = [order.index(port) for port in ports]
    lasts = [len(order) - 1 - order[::-1].index(port) for port in ports]
    assert max(firsts) < max(lasts) and sum(a < min(lasts) for a in firsts) > 1
    with capsys.disabled():
        if "FLEET_BOARDS" in os.environ:
            memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            print(f"\n{BOARDS} boards: {time.process_time() - begun:.2f} s of CPU, {memory:.0f} MB")


def test_what_goes_wrong_with_one_board_hinders_no_other(dial, tmp_path):
    boards = [Named(k, doubles.log(3, seed=k)) for k in range(3)]
    boards[1].hello["protocol"] = (99, 99)
    with ExitStack() as stack:
        ports = [stack.enter_context(doubles.on_tcp(board))[0] for board in boards]
        ports.append("socket://127.0.0.1:9")
        path = tmp_path / "fleet.sqlite"
        brought = pull_all(ports, dial, path, SystemClock(), lambda port, share: None)
    assert [one.whole for one in brought] == [True, False, True, False]
    assert "protocol" in brought[1].why_not and "reached" in brought[3].why_not
    other = Named(7, doubles.log(1))
    with doubles.on_tcp(other) as (port, _), pytest.MonkeyPatch.context() as patch:
        patch.setattr(Dial, "hash", "f" * 16)
        (refused,) = pull_all([port], dial, path, SystemClock(), lambda port, share: None)
    assert "set up for another dial" in refused.why_not


def test_turns_are_taken_in_the_order_in_which_they_were_asked_for():
    turns, taken, waiting = Turns(), [], []

    def ask(number):
        with turns.taken(), turns.taken():
            taken.append(number)

    with turns.taken():
        for number in range(20):
            waiting.append(threading.Thread(target=ask, args=(number,)))
            waiting[-1].start()
            while len(turns._waiting) <= number:
                time.sleep(0.0005)
        assert taken == []
    for thread in waiting:
        thread.join(10)
    assert taken == list(range(20))
    with pytest.raises(KeyError), turns.taken():
        raise KeyError
    ask(20)  # what went wrong has let it go
    assert pulls.Turns is Turns


def board(number, late_s=0.0, noise_s=8.0, missed=2, faults=(), observed=None, seed=1):
    """A member of three days of 8 h, 12 crossings an hour, off by each of faults (hours, s)."""
    chance = np.random.default_rng([seed, number])
    hours = np.concatenate([24 * day + np.arange(9, 17) for day in range(3)])
    utc_us = (
        START_US + np.repeat(hours, 12) * HOUR_US + np.tile(np.arange(12), 24) * 300_000_000
    ).astype(np.int64)
    left_s = chance.normal(0.0, noise_s, len(utc_us))
    for first, last, off_s in faults:
        inside = (utc_us >= START_US + first * HOUR_US) & (utc_us < START_US + last * HOUR_US)
        left_s[inside] += off_s
    if observed is None:
        observed = [(24 * day + 9, 24 * day + 17) for day in range(3)]
    return Member(
        "fleet.sqlite",
        f"{number:016x}",
        "test",
        utc_us,
        left_s + late_s,
        left_s,
        START_US + (np.array(observed) * HOUR_US).astype(np.int64),
        len(utc_us),
        missed,
    )


def test_sound_boards_have_nothing_in_common_and_none_stands_out():
    for seed in range(20):
        found = compared([board(k, late_s=0.4 * k, seed=seed) for k in range(8)])
        assert found.faults == () and found.outliers == ()
        assert min(one.overlap for one in found.weather) == 1.0
        assert "No board stands out." in found.sentences()


def test_a_clock_that_set_several_boards_wrong_is_found_with_its_hours():
    fault = (33, 41, 30.0)  # the second day
    boards = [board(k, faults=[fault] if k in (1, 4, 5) else ()) for k in range(8)]
    (found,) = compared(boards).faults
    assert found.boards == tuple(f"{k:016x}" for k in (1, 4, 5))
    assert found.offset_s == pytest.approx(30.0, abs=8.0)
    assert (found.begin_us, found.end_us) == (START_US + 33 * HOUR_US, START_US + 41 * HOUR_US)
    # One board alone is no common fault, nor are two that err apart.
    lone = [board(0, faults=[fault]), board(1), board(2, faults=[(33, 41, -60.0)]), board(3)]
    assert compared(lone).faults == ()


def test_each_kind_of_odd_board_stands_out_by_its_own_figure():
    odd = [board(5, late_s=90.0), board(6, noise_s=60.0), board(7, missed=120)]
    found = compared([*(board(k) for k in range(5)), *odd])
    told = {(one.board[-1], one.figure) for one in found.outliers}
    assert told == {("5", "median_s"), ("6", "noise_s"), ("7", "missed_share")}
    assert "Too few boards" in " ".join(compared([board(0), board(1)]).sentences())


def test_a_board_in_the_shade_is_told_by_what_it_saw_with_the_others():
    shaded = board(3, observed=[(24 * day + 13, 24 * day + 17) for day in range(3)])
    found = compared([board(0), board(1), shaded])
    overlap = {one.boards: one.overlap for one in found.weather}
    assert overlap[board(0).board, board(1).board] == 1.0
    # Of the time from the shaded one's first Sun on: 20 h of either, 12 h of both.
    assert overlap[board(0).board, shaded.board] == pytest.approx(12 / 20)
    assert any("shade" in sentence for sentence in found.sentences())
    nothing = replace(board(4), observed=np.zeros((0, 2), np.int64))
    assert compared([board(0), nothing]).weather == ()


def test_a_board_in_two_stores_is_no_two_boards():
    """It agrees with itself in all: that is no fault of a common clock, and no common weather."""
    faulty = board(0, faults=[(33, 41, 30.0)])
    again = replace(faulty, store="copy.sqlite")
    found = compared([faulty, again, board(1)])
    assert found.faults == ()
    assert {one.boards[1] for one in found.weather} == {board(1).board}
    assert found.names[0] != found.names[1]
