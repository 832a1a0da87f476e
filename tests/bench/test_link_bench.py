"""How much of a line a pull uses, and how fast it is where the line is no limit.

The board is the real firmware under a real MicroPython, its log full pages in files. Payload
is pages as stored; time is that of the whole pull, clock marks, questions and all, by the clock
on the wall. Into a store the host has work to do for every record, so there the bound is on its
own processor's seconds, which a busy machine does not stretch so much; the wall's are printed.
"""

import random
from datetime import UTC, datetime
from time import perf_counter, process_time

import pytest
from tests.bench import shaped

from dialbench import dialfile
from dialbench.clock import SystemClock
from dialbench.link import Board
from dialbench.sky import to_us
from dialbench.store import Store
from dialbench.virtual.clouds import Clear
from dialbench.virtual.process import VirtualDial
from dialbench.virtual.truth import Truth
from dialcore import messages, records
from dialnode.storage_files import FileStorage

BAUD_BYTES = 115200 / 10  # 8 data bits, a start and a stop bit
SHARE = 0.95
BYTES_A_SECOND = 1_000_000
NOON_US = to_us(datetime(2027, 4, 16, 12, 30, tzinfo=UTC))


@pytest.fixture
def full(tmp_path):
    """Function: a virtual dial whose log already holds so many full pages."""

    def make(count):
        (tmp_path / "board" / "log").mkdir(parents=True)
        storage = FileStorage(str(tmp_path / "board" / "log"), 1 << 30)
        chance = random.Random(1)
        writer = records.PageWriter()
        for number in range(count):
            writer.start(0)
            at_ms = 0
            # The spans between crossings of a day with clouds: most are short.
            while writer.crossing(chance.randrange(33), chance.randrange(3), at_ms & 1, at_ms):
                at_ms += chance.choice((100, 1000, 8000, 60_000))
            storage.append(writer.sealed(number, 1, number * 3_000_000))
        return VirtualDial(Truth.draw(dialfile.demo(), 5), Clear(), tmp_path / "board", NOON_US)

    return make


@pytest.mark.bench
@pytest.mark.timeout(120)
def test_a_pull_fills_a_slow_line(full, tmp_path):
    with (
        full(250) as dial,
        shaped.line(dial.port, BAUD_BYTES) as port,
        Store.open(tmp_path / "store.sqlite") as store,
        Board.open(port, SystemClock()) as board,
    ):
        assert dial.real_micropython
        began = perf_counter()
        pulled = board.pull(store)
        seconds = perf_counter() - began
    share = pulled.bytes / seconds / BAUD_BYTES
    received = board.health.bytes_in / seconds / BAUD_BYTES
    print(f"\n{pulled.bytes} bytes in {seconds:.2f} s: payload {share:.1%}, all {received:.1%}")
    assert pulled.pages >= 250 and pulled.lacking == 0
    assert received <= 1.001  # the line is as slow as it says
    assert share >= SHARE


@pytest.mark.bench
@pytest.mark.timeout(120)
def test_a_pull_is_fast_where_the_line_is(full, tmp_path):
    speeds = {}
    with full(2000) as dial, Board.open(dial.port, SystemClock()) as board:
        assert dial.real_micropython
        for _ in range(3):
            began = perf_counter()
            starts = range(0, 2000, messages.FETCH_PAGES)
            batches = (range(at, at + messages.FETCH_PAGES) for at in starts)
            size = 0
            for fetched in board.fetch(batches):
                assert fetched.complete
                size += sum(map(len, fetched.pages.values()))
            speeds.setdefault("memory", []).append(size / (perf_counter() - began))
        for number in range(3):
            with Store.open(tmp_path / f"{number}.sqlite") as store:
                began, worked = perf_counter(), process_time()
                pulled = board.pull(store)
                speeds.setdefault("store", []).append(pulled.bytes / (perf_counter() - began))
                worked = process_time() - worked
                speeds.setdefault("store, by host processor", []).append(pulled.bytes / worked)
    shown = {name: [round(speed / 1e6, 2) for speed in found] for name, found in speeds.items()}
    print(f"\nMB/s: {shown}")
    assert max(speeds["memory"]) >= BYTES_A_SECOND
    assert max(speeds["store, by host processor"]) >= BYTES_A_SECOND
