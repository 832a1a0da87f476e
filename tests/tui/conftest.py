"""A dial without a board: fixed predictions, a fake board that does what a test says, and
the watch application around them, without a terminal."""

import asyncio
import queue
import threading
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from types import SimpleNamespace

import numpy as np
import pytest
from tests.host.stores import hello, status, written
from tests.host.traced import log_of, sky_of, spelt, truth_of

from dialbench import dialfile
from dialbench.clock import Mark
from dialbench.dial import Body, Dial, Plan, Site
from dialbench.face import hour_steps, hours_and_quarters
from dialbench.layout import uniform
from dialbench.link import Hello, LinkLost, Live, Status
from dialbench.shares import Shift
from dialbench.sky import Sky, SunFacts, to_us
from dialbench.store import Store
from dialbench.watch.app import WatchApp
from dialbench.watch.desk import Desk
from dialbench.watch.events import Changes
from dialbench.watch.feed import Feed
from dialbench.watch.forecast import DAY_US, Moment
from dialcore import records

NOW_US = to_us(datetime(2027, 4, 16, 15, 33, 10, tzinfo=UTC))  # 14:33:10 of the zone
STEP = 24  # the step that spells 14:30
UID = "5b0f3a7710c2d941"
EQUATION_OF_TIME_S = 10.6


def _dial():
    site = Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", 1010.0, 12.0)
    channels = hours_and_quarters(20.0, 31.0)
    plan = Plan("zone", 15.0, hour_steps("08:30", 15, 28))
    body = Body(111.0, 260.0)
    bores = uniform(site, channels, plan, body, exit_mm=0.35, taper_deg=1.4, opening_deg=48.0)
    return Dial("Gannet Holm dial", site, channels, plan, body, bores)


@pytest.fixture(scope="session")
def dial():
    return _dial()


@pytest.fixture(scope="session")
def nearby():
    """The dial with the bores of the hours about NOW_US alone: to know all takes long."""
    dial = _dial()
    hour_deg = Sky(dial.site).sun(np.array([NOW_US])).hour_angle_deg[0]
    bores = [bore for bore in dial.bores if abs(bore.hour_angle_deg - hour_deg) < 20]
    return replace(dial, bores=tuple(bores))


@pytest.fixture(scope="session")
def now_us():
    return NOW_US


@pytest.fixture(scope="session")
def lit(dial):
    """The channels that are lit at NOW_US."""
    return dial.plan.steps[STEP].channels


class Levels:
    """Levels of all channels: those of the step, but for what a test bends."""

    def __init__(self, dial):
        self._count = len(dial.channels)
        self._lit = dial.plan.steps[STEP].channels

    def __call__(self, bent=None):
        right = {c: 3 for c in self._lit}
        return tuple({**right, **(bent or {})}.get(c, 0) for c in range(self._count))


@pytest.fixture(scope="session")
def levels(dial):
    return Levels(dial)


class StillForecast:
    """Fixed predictions: the step's channels fully lit, whatever a test bends; changes
    4 min 9 s and 5 min 3 s ahead, together with one 40 s after the first."""

    def __init__(self, dial, bent=None):
        self.dial = dial
        fractions = [0.0] * len(dial.channels)
        self._step = min(STEP, len(dial.plan.steps) - 1)
        for channel in dial.plan.steps[self._step].channels:
            fractions[channel] = 1.0
        for channel, fraction in (bent or {}).items():
            fractions[channel] = fraction
        self._fractions = tuple(fractions)

    def moment(self, utc_us):
        sun = SunFacts(36.9266, 10.21, 45.13, 236.94, up=True)
        return Moment(utc_us, sun, self._fractions, self._step, EQUATION_OF_TIME_S)

    def changes(self, utc_us):
        first = NOW_US + 249_000_000
        return Changes(
            utc_us,
            utc_us + DAY_US,
            (
                (first, 4, False),
                (first, 9, True),
                (first + 40_000_000, 17, True),
                (first + 303_000_000, 12, False),
            ),
        )


@pytest.fixture(scope="session")
def still_forecast():
    return StillForecast


class FakeBoard:
    """A link.Board without a line: it does what the test says, in the feed's thread."""

    def __init__(self, hello, pages=41):
        self.hello = hello
        self.health = SimpleNamespace(bad_frames=0, live_dropped=0)
        self.pages = pages
        self.period_ms = None
        self.marks = 0
        self.closed = False
        self.gone = False
        self.steps = threading.Semaphore(0)  # one for every page a pull may bring
        self.pull_error = None
        self.trouble = {"absent": 0, "lacking": 0, "unsealed": ""}
        self._looks = queue.SimpleQueue()
        self.trace_ms = None
        self.trace_error = None
        self.benched = queue.SimpleQueue()  # looks on the bench that it sends

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.closed = True

    def look(self, levels, gate=True, boot=3, dropped=0, device_ms=60_000):
        """Let the board send a look at its channels."""
        self._looks.put(Live(boot, device_ms, gate, 900, dropped, tuple(levels)))

    def _answer(self):
        if self.gone:
            raise LinkLost("the board at /dev/dial is gone: check its cable and its power")

    def status(self):
        self._answer()
        return Status(3, 60_000, 12, 12 + self.pages, 12, 0, 0, 2, 1430, 9000, 5, True, 33, 4096)

    def mark(self):
        self._answer()
        self.marks += 1
        return Mark(3, 60_000, NOW_US, 2100, "link")

    def stream(self, period_ms):
        self._answer()
        self.period_ms = period_ms

    def trace(self, period_ms):
        self._answer()
        if self.trace_error is not None:
            raise self.trace_error
        self.trace_ms = period_ms

    def traced(self, timeout_s):
        self._answer()
        return None if self.benched.empty() else self.benched.get()

    def live(self, timeout_s):
        self._answer()
        try:
            return (
                self._looks.get(timeout=min(timeout_s, 0.01))
                if timeout_s
                else (self._looks.get_nowait())
            )
        except queue.Empty:
            return None

    def pull(self, store, progress):
        if self.pull_error is not None:
            raise self.pull_error
        for done in range(self.pages):
            progress(done, self.pages, 100 * done)
            while not self.steps.acquire(timeout=0.01):
                self._answer()
                progress(done, self.pages, 100 * done)
        progress(self.pages, self.pages, 100 * self.pages)
        return SimpleNamespace(pages=self.pages, bytes=4100, **self.trouble)


class FakeSource:
    """Opens the board it is given; none there is a LinkLost like a vanished one."""

    port = "/dev/dial"

    def __init__(self, board=None):
        self.board = board
        self.clock = SimpleNamespace(utc_us=lambda: NOW_US, speed=1.0)
        self.opened = 0

    def open(self):
        board = self.board
        if board is None:
            raise LinkLost("there is no port /dev/dial: is the board plugged in?")
        self.opened += 1
        return board


@pytest.fixture
def make_board(dial):
    def make(**kinds):
        told = {
            "protocol_min": 1,
            "protocol_max": 1,
            "page_version": 1,
            "channels": len(dial.channels),
            "boot": 3,
            "device_ms": 59_000,
            "uid": UID,
            "dial_hash": dial.hash,
            "heap_bytes": 131072,
            "firmware": "0.1.0",
            "runtime": "MicroPython",
            "trouble": "",
        }
        return FakeBoard(Hello(**{**told, **kinds}))

    return make


@pytest.fixture(scope="session")
def make_source():
    return FakeSource


@pytest.fixture
def make_feed(dial, tmp_path):
    """A real feed around a fake source, stopped at the end of the test."""
    feeds = []

    def make(source, **settings):
        feed = Feed(source, dial, tmp_path / "store.sqlite", retry_s=0.05, **settings)
        feeds.append(feed)
        return feed

    yield make
    for feed in feeds:
        feed.stop()


class StillFeed:
    """A feed that tells fixed events at once, and then nothing."""

    def __init__(self, *events):
        self._events = events
        self.wishes = []
        self.stopped = False

    def start(self, post):
        self.post = post
        for event in self._events:
            post(event)

    def ask(self, wish):
        self.wishes.append(wish)

    def stop(self):
        self.stopped = True


@pytest.fixture(scope="session")
def still_feed():
    return StillFeed


@dataclass
class FakeAnalysis:
    rows: tuple
    sentences: tuple
    shift: Shift | None = None


ANALYSIS = FakeAnalysis(
    rows=(
        ("direct sun", "9.42 h"),
        ("crossings predicted", "1236"),
        ("  matched", "1216"),
        ("  missed", "2"),
        ("  unobserved", "18"),
        ("crossings unexpected", "0"),
        ("residual, median", "+0.3 s"),
        ("residual, 95% within", "41 s"),
    ),
    sentences=(
        "The dial stands as drawn: what its crossings have in common is less than 2 s.",
        "Channel 17 missed two crossings in direct sun: look whether its bores are clear.",
    ),
)


@pytest.fixture(scope="session")
def analysis():
    return ANALYSIS


@pytest.fixture(scope="session")
def small():
    """A dial of four channels that stand so far apart that nothing strays."""
    return spelt(4, 6)


def _two_days(small):
    days = [date(2027, 2, 16), date(2027, 4, 17)]  # whose declinations tell all of the pose
    truth = truth_of(small, pose_deg=(0.0, 0.0, 0.25))
    return log_of(truth, sky_of(small), days, step_us=30_000_000, count=64)


@pytest.fixture(scope="session")
def stored(small, tmp_path_factory):
    """A store of a board that logged two days of traced light, the body turned by 0.25 deg;
    the last of its 6 pages is not there."""
    path = tmp_path_factory.mktemp("stored") / "store.sqlite"
    told = (
        (1, records.SETUP, records.pack_setup(500, 600, 7, "files", 4_194_304)),
        (2, records.HEALTH, records.pack_health(12, 0, 0, 31, 0, 1430, 65536)),
    )
    pages, start_us = written(_two_days(small), entries=told, most=18)
    with Store.open(path) as store:
        facts = {"channels": 4, "dial_hash": small.hash, "uid": UID}
        store.add_board(hello(**facts), dialfile.dump(small))
        for raw in pages[:-1]:
            store.add_page(UID, raw)
        store.add_status(UID, status(next_page=len(pages)))
        for hours in (0, 20, 1440, 1460):
            at_ms = hours * 3_600_000
            store.add_mark(UID, Mark(1, at_ms, start_us + 1000 * at_ms, 1000, "link"))
    return path


@pytest.fixture(autouse=True)
def colours(monkeypatch):
    """Whoever runs the tests may have set NO_COLOR; the tests say themselves when it is."""
    monkeypatch.delenv("NO_COLOR", raising=False)


@pytest.fixture
def make_app(dial, tmp_path):
    """The application with clocks that stand still."""

    def make(feed, forecast=None, analyse=lambda uid: ANALYSIS, blocks=True, on=dial, store=None):
        desk = Desk(
            dial=on,
            sky=Sky(on.site),
            store_path=store or tmp_path / "store.sqlite",
            forecast=forecast or StillForecast(on),
            feed=feed,
            clock_us=lambda: NOW_US,
            monotonic_s=lambda: 0.0,
            blocks=blocks,
        )
        return WatchApp(desk, analyse)

    return make


def _text(app):
    """What stands on the screen, row by row."""
    rows = app.screen._compositor.render_strips()
    return "\n".join("".join(segment.text for segment in row) for row in rows)


@pytest.fixture(scope="session")
def text_of():
    return _text


async def _until(pilot, holds, looks=400):
    """Wait, within bounds, until something holds on the screen's side."""
    for _ in range(looks):
        if holds():
            return
        await pilot.pause(0.01)
    raise AssertionError("it never came to hold; the screen says\n" + _text(pilot.app))


@pytest.fixture(scope="session")
def until():
    return _until


@pytest.fixture(scope="session")
def drive():
    """Run an application without a terminal, and a coroutine function of its pilot with it."""

    def drive(app, script, size=(80, 24)):
        async def whole():
            async with app.run_test(size=size) as pilot:
                await pilot.pause()
                await script(pilot)

        asyncio.run(whole())

    return drive
