"""Bad lines again, in real time and with the firmware under a real MicroPython at the far end."""

import os
import pty
import random
import select
import threading
import time
import tty
from collections import Counter
from contextlib import contextmanager

import pytest
from tests.board_double import stored
from tests.faults.simulation import ByteFaults, pages

from dialbench import dialfile
from dialbench.clock import SystemClock
from dialbench.link import Board, LinkError
from dialbench.store import Store
from dialbench.virtual.clouds import Clear
from dialbench.virtual.process import VirtualDial
from dialbench.virtual.truth import Truth
from dialnode.storage_files import FileStorage

NOON_US = 1_807_878_600_000_000
TRIALS = int(os.environ.get("LINK_TRIALS", "12"))


@contextmanager
def bad_line(port, chance, share, life, counts):
    """A port that reaches the one named through faults, until `life` bytes came from there."""
    board = os.open(port, os.O_RDWR | os.O_NOCTTY)
    far, near = pty.openpty()
    for end in (board, near):
        tty.setraw(end)
    name = os.ttyname(near)  # which cannot be had once the line has ended
    ended = threading.Event()

    def carry():
        # One thread: the faults of both directions draw from one generator.
        up, down = (ByteFaults(chance, share, counts) for _ in range(2))
        left = life
        while left > 0 and not ended.is_set():
            for end in select.select([board, far], [], [], 0.1)[0]:
                data = os.read(end, 512)
                if end is board:
                    left -= len(data)
                arriving, late_s = (down if end is board else up).on(data)
                time.sleep(min(late_s, 0.2))
                os.write(far if end is board else board, arriving)
        os.close(far)

    thread = threading.Thread(target=carry, daemon=True)
    thread.start()
    try:
        yield name
    finally:
        ended.set()
        thread.join(10)
        os.close(board)
        os.close(near)
    assert not thread.is_alive()


@pytest.mark.deep
@pytest.mark.timeout(900)
def test_a_real_board_behind_a_bad_line_is_pulled_to_the_end(tmp_path):
    folder = tmp_path / "board"
    (folder / "log").mkdir(parents=True)
    storage = FileStorage(str(folder / "log"), 1 << 30)
    for page in pages(120, 3):
        storage.append(page)
    counts, ends = Counter(), Counter()
    truth = Truth.draw(dialfile.demo(), 5)
    with VirtualDial(truth, Clear(), folder, NOON_US) as dial:
        assert dial.real_micropython
        for seed in range(TRIALS):
            chance = random.Random(seed)
            path = tmp_path / f"{seed}.sqlite"
            share = 10 ** chance.uniform(-4.5, -2.5)
            held = {}
            with Store.open(path) as store:
                for _ in range(3):
                    life = chance.choice((1 << 30, 10 ** chance.uniform(2, 5)))
                    with bad_line(dial.port, chance, share, life, counts) as port:
                        try:
                            with Board.open(port, SystemClock()) as board:
                                pulled = board.pull(store)
                            ends["lacking" if pulled.lacking else "complete"] += 1
                        except LinkError:
                            ends["cut"] += 1
                    before, held = held, stored(path)
                    assert before.items() <= held.items()
                with Board.open(dial.port, SystemClock()) as board:
                    pulled = board.pull(store)
            assert pulled.lacking == pulled.absent == 0
            log = FileStorage(str(folder / "log"), 1 << 30)
            there = {number: log.read(number) for number in range(log.first, log.next)}
            assert {number: raw for (_, number), raw in stored(path).items()} == there
    print(f"{TRIALS} schedules on MicroPython: faults {dict(counts)}, ends {dict(ends)}")
    assert set(counts) == set(ByteFaults.kinds)
    assert ends["complete"] and ends["cut"], ends
