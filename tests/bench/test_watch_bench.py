"""How soon the watch shows something, and what share of a core it takes to follow a board."""

import asyncio
import os
import pty
import random
import sys
import termios
import time
from pathlib import Path

import pytest
from tests.host.dials import NORTH

from dialbench.dial import Body, Channel, Dial, Plan, Step
from dialbench.errors import UserError
from dialbench.layout import uniform
from dialbench.sky import Sky
from dialbench.watch.app import WatchApp
from dialbench.watch.desk import Desk
from dialbench.watch.events import Connected, Frame, Marked
from dialbench.watch.forecast import Forecast

NOON_US = 1_807_966_800_000_000  # 2027-04-17T11:00Z
CHANNELS = 128
LOOKS_A_SECOND = 20
LOOKS = 150
SHARE = 0.15
AS_A_WHOLE = 0.8  # of what drawing all of it takes
FIRST = 0.5  # of the time until the face is there


def first_seen(words):
    """Seconds from the start of a watch until its terminal has got each of the words."""
    began = time.perf_counter()
    pid, terminal = pty.fork()
    if pid == 0:
        environment = {**os.environ, "TERM": "xterm-256color", "LC_ALL": "C.UTF-8"}
        command = [sys.executable, "-m", "dialbench.cli", "watch", "--virtual"]
        os.execve(sys.executable, command, environment)
    termios.tcsetwinsize(terminal, (36, 100))
    said, seen = b"", []
    while len(seen) < len(words):
        said += os.read(terminal, 65536)
        while len(seen) < len(words) and words[len(seen)] in said:
            seen.append(time.perf_counter() - began)
    os.write(terminal, b"q")
    try:
        while os.read(terminal, 65536):
            pass
    except OSError:
        pass  # it has ended
    os.waitpid(pid, 0)
    os.close(terminal)
    return seen


@pytest.mark.bench
@pytest.mark.timeout(120)
def test_something_is_shown_long_before_everything_is_loaded():
    pairs = [first_seen([b"Ctrl-C quits", b"dial reads"]) for _ in range(4)]
    first, whole = (min(times) for times in zip(*pairs, strict=True))
    print(f"first frame after {first:.2f} s, the face after {whole:.2f} s")
    assert first < FIRST * whole


def wide():
    """A dial of 128 channels, 16 x 8."""
    channels = tuple(
        Channel(12.0 * (c % 16 - 7.5), 18.0 * (c // 16 - 3.5), c % 16, c // 16)
        for c in range(CHANNELS)
    )
    steps = tuple(
        Step(
            k,
            480.0 + 15 * k,
            f"{8 + k // 4:02}:{k % 4 * 15:02}",
            frozenset(range(4 * k, 4 * k + 4)),
        )
        for k in range(CHANNELS // 4)
    )
    plan, body = Plan("apparent", 15.0, steps), Body(200.0, 700.0)
    bores = uniform(NORTH, channels, plan, body, 0.35, 1.4, 50.0)
    return Dial("wide", NORTH, channels, plan, body, bores)


def nothing_stored(uid):
    raise UserError("there is no store")


class Silent:
    """A feed that says what the benchmark says."""

    post = None

    def start(self, post):
        self.post = post

    def ask(self, wish): ...

    def stop(self): ...


@pytest.fixture
def cpu_s():
    """Function: seconds of CPU for one look, of which so many channels differ from the one
    before; whole: everything is drawn anew."""
    dial, chance = wide(), random.Random(1)
    sky = Sky(dial.site)

    def cost(changing, whole=False):
        feed, now_us, levels = Silent(), NOON_US, [0] * CHANNELS
        desk = Desk(
            dial=dial,
            sky=sky,
            store_path=Path("no.sqlite"),
            forecast=Forecast(dial, sky),
            feed=feed,
            clock_us=lambda: now_us,
            monotonic_s=time.monotonic,
            blocks=True,
        )
        app = WatchApp(desk, nothing_stored)

        async def script():
            nonlocal now_us
            async with app.run_test(size=(120, 40)) as pilot:
                while feed.post is None:
                    await pilot.pause()
                feed.post(Connected("/dev/dial", "5b", dial.hash, "1", ""))
                feed.post(Marked(now_us, 2000))
                await pilot.pause(0.5)
                await app.workers.wait_for_complete()  # looking ahead is no part of it
                began_s = time.process_time()
                for _ in range(LOOKS):
                    for _ in range(changing):
                        levels[chance.randrange(CHANNELS)] = chance.randrange(4)
                    now_us += 1_000_000 // LOOKS_A_SECOND
                    feed.post(Frame(now_us, time.monotonic(), True, tuple(levels), 0))
                    if whole:
                        app.screen.refresh(layout=True)
                    await asyncio.sleep(0.03)
                return (time.process_time() - began_s) / LOOKS

        return asyncio.run(script())

    return cost


@pytest.mark.bench
@pytest.mark.timeout(120)
def test_128_channels_at_20_looks_a_second_take_little_of_a_core(cpu_s):
    still, moving, whole = cpu_s(0), cpu_s(2), cpu_s(2, whole=True)
    for name, cost in (("none", still), ("two", moving), ("two, all drawn anew", whole)):
        print(f"{name} changing at each look: {cost * LOOKS_A_SECOND:.1%} of a core")
    assert still * LOOKS_A_SECOND < SHARE
    assert moving < AS_A_WHOLE * whole
