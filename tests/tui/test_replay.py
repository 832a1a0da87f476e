"""The replay page, driven by keys: any day, scrubbed, played and drawn."""

import threading
from dataclasses import replace
from datetime import date

import pytest
from tests.host import traced
from tests.host.stores import OPEN, SHUT, UID, hello
from tests.tui.days import MINUTE_US, Days, made

from dialbench import dialfile
from dialbench.clock import Mark
from dialbench.face import GLYPHS
from dialbench.reading import zone_time
from dialbench.states import State
from dialbench.store import Store
from dialbench.watch.events import Connected, Pulled
from dialbench.watch.replay import page as page_module
from dialbench.watch.replay.tape import HOUR_US, SPEEDS, Tape
from dialbench.watch.replay.views import clock_rows, day_rows
from dialcore import records

DAY = date(2027, 4, 16)
SMALL, LARGE, HUGE = (80, 24), (120, 40), (200, 60)


# -- the tape


def test_a_tape_stays_within_its_day():
    tape = Tape(100, 200, 150)
    assert (tape.by(-70).at_us, tape.by(70).at_us, tape.to(160).at_us) == (100, 199, 160)


def test_a_tape_plays_at_its_speed_and_stops_at_the_end():
    tape = Tape(0, 10 * HOUR_US, 0)
    assert tape.after(5.0) == tape
    playing = tape.switched()
    assert playing.after(2.0).at_us == 2 * SPEEDS[tape.speed] * 1_000_000
    assert playing.after(2.0).playing
    ended = playing.after(1e6)
    assert (ended.at_us, ended.playing) == (10 * HOUR_US - 1, False)
    assert ended.switched().at_us == 0
    assert not playing.switched().playing


def test_a_tape_has_a_slowest_and_a_fastest_speed():
    tape = Tape(0, 100, 0)
    assert tape.faster(-100).speed == 0 and tape.faster(100).speed == len(SPEEDS) - 1
    assert tape.faster(1).speed == tape.speed + 1


# -- what is painted


def text(rows):
    return ["".join(part for part, _ in row) for row in rows]


@pytest.mark.parametrize(("width", "blocks"), [(72, True), (144, True), (36, False), (200, False)])
def test_the_strip_shows_where_what_was_wrong(dial, make_app, still_feed, width, blocks):
    day = made(dial, make_app(still_feed())._desk.sky, DAY, "stored")
    wrong, bar, hours = text(day_rows(day, width, blocks))
    assert (len(wrong), len(bar), len(hours)) == (width, width, width)
    a_minute = width / 720
    for column in range(width):
        at_us = day.start_us + round((column + 0.5) / a_minute * MINUTE_US)
        shown = day.at(at_us)
        missing, stray = (shown.channels(state) for state in (State.MISSING, State.STRAY))
        assert not missing or wrong[column] in "o*"
        assert not stray or wrong[column] in "x*"
    assert "-" in bar and "." in bar and bar.isascii() != blocks
    assert "*" in wrong and "o" in wrong
    names = hours.split()
    assert names == sorted(names, key=int) and set(map(int, names)) <= set(range(6, 18))


def test_digits_are_those_of_the_face():
    rows = clock_rows("12:07", blocks=False)
    assert len(rows) == 5 and max(map(len, rows)) <= 35
    drawn = [[GLYPHS[int(sign)][y] for sign in "1207"] for y in range(5)]
    dots = [sum(digit.count("#") for digit in row) for row in drawn]
    dots[1] += 1
    dots[3] += 1  # the colon's
    assert [row.count("#") / 2 for row in rows] == dots
    assert [row.replace("█", "#") for row in clock_rows("12:07", blocks=True)] == rows


# -- the page


@pytest.fixture
def days(monkeypatch):
    days = Days()
    monkeypatch.setattr(page_module, "predicted_day", days.predicted)
    monkeypatch.setattr(page_module, "stored_day", days.stored)
    monkeypatch.setattr(page_module, "board_log", lambda store, uid, dial_hash: None)
    return days


@pytest.fixture
def store(dial, tmp_path):
    """A store that knows one board."""
    with Store.open(tmp_path / "store.sqlite") as store:
        store.add_board(hello(dial_hash=dial.hash, channels=len(dial.channels)))
    return tmp_path / "store.sqlite"


@pytest.fixture
def replaying(make_app, still_feed, drive, until):
    """Run a script on the replay page once it shows a day."""

    def replaying(script, size=SMALL, app=None, **kinds):
        app = app or make_app(still_feed(), **kinds)

        async def whole(pilot):
            await pilot.press("6")
            await until(pilot, lambda: getattr(app.screen, "timeline", None) is not None)
            await script(pilot, app.screen)

        drive(app, whole, size)

    return replaying


def clock(page):
    return f"{zone_time(page.desk.dial, page.tape.at_us):%H:%M:%S}"


def test_it_begins_today_at_the_present_time_of_day_and_tells_its_keys(days, replaying, text_of):
    async def script(pilot, page):
        await pilot.pause()
        assert days.asked == [(DAY, "predicted")]
        shown = text_of(pilot.app)
        for said in ("2027-04-16 predicted", "14:33:10  -01:00", "dial reads    14:30", "stopped"):
            assert said in shown
        assert "unobserved 0" in shown and "missing       none" in shown
        await pilot.press("question_mark")
        await pilot.pause()
        assert all(key in text_of(pilot.app) for key, _ in page_module.ReplayPage.keys)

    replaying(script, size=LARGE)


SCRUBS = [
    ("left", "14:32:10"),
    ("right", "14:33:10"),
    ("right", "14:34:10"),
    ("pageup", "13:34:10"),
    ("pagedown", "14:34:10"),
    ("shift+left", "13:34:10"),
    ("shift+right", "14:34:10"),
    ("home", "06:00:00"),
    ("left", "06:00:00"),
    ("pagedown", "07:00:00"),
    ("end", "17:59:59"),
    ("pagedown", "17:59:59"),
    ("left", "17:58:59"),
]


def test_keys_that_scrub(days, replaying, text_of):
    async def script(pilot, page):
        for key, shows in SCRUBS:
            await pilot.press(key)
            assert clock(page) == shows and shows in text_of(pilot.app), key

    replaying(script)


def test_space_plays_and_stops_and_speeds_change(days, replaying, text_of, until):
    passed_s = [0.0]

    async def script(pilot, page):
        page.desk = replace(page.desk, monotonic_s=lambda: passed_s[0])
        await pilot.press("home", "space")
        passed_s[0] = 60.0
        await until(pilot, lambda: page.tape.at_us > page.tape.start_us)
        assert clock(page) == "16:00:00" and "600 x" in text_of(pilot.app)
        await pilot.press("minus", "minus", "plus", "equals_sign", "plus")
        assert "1800 x" in text_of(pilot.app)
        await pilot.press("space")
        passed_s[0] = 90.0
        await pilot.pause(0.25)
        assert clock(page) == "16:00:00" and "stopped" in text_of(pilot.app)
        await pilot.press("space")
        passed_s[0] = 900.0
        await until(pilot, lambda: not page.tape.playing)
        assert clock(page) == "17:59:59"
        await pilot.press("home", "space", "1")  # another page
        passed_s[0] = 960.0
        await pilot.pause(0.25)
        await pilot.press("6")
        await pilot.pause(0.25)
        assert clock(page) == "06:00:00" and page.tape.playing

    replaying(script)


def test_brackets_turn_to_other_days_at_the_same_time_of_day(days, replaying, text_of, until):
    async def script(pilot, page):
        await pilot.press("pageup", "right_square_bracket")
        await until(pilot, lambda: page.timeline and page.timeline.day.day == 17)
        await pilot.pause()
        assert "2027-04-17 predicted" in text_of(pilot.app) and clock(page) == "13:33:10"
        days.dark = {15}
        await pilot.press("left_square_bracket", "left_square_bracket")
        await until(pilot, lambda: "does not rise on 2027-04-15" in text_of(pilot.app))
        assert page.timeline is None
        await pilot.press("right_square_bracket")
        await until(pilot, lambda: page.timeline is not None)
        assert "does not rise" not in text_of(pilot.app)

    replaying(script)


def test_days_leafed_through_fast_are_worked_out_one_at_a_time(days, replaying, until, monkeypatch):
    gate, most, working = threading.Event(), [0], [0]

    def slow(dial, sky, day):
        working[0] += 1
        most[0] = max(most[0], working[0])
        gate.wait(5)
        working[0] -= 1
        return days.predicted(dial, sky, day)

    async def script(pilot, page):
        monkeypatch.setattr(page_module, "predicted_day", slow)
        await pilot.press(*["right_square_bracket"] * 12)
        assert page.timeline is None and "working out 2027-04-28" in page._notice
        await pilot.press("right", "space", "e", "home", "plus")  # nothing there yet to move
        gate.set()
        await until(pilot, lambda: page.timeline is not None)
        assert page.timeline.day.day == 28 and most[0] == 1
        assert [day.day for day, _ in days.asked] == [16, 17, 28]

    replaying(script)


def test_the_stored_day_stands_beside_the_predicted_one(days, replaying, text_of, until, store):
    async def script(pilot, page):
        await pilot.press("s")
        await until(pilot, lambda: page.timeline and page.timeline.kind == "stored")
        await pilot.press("home", *["pagedown"] * 8)
        shown = text_of(pilot.app)
        assert "2027-04-16 stored" in shown and "stray        !5" in shown
        assert "x" in shown and "*" in shown
        await pilot.press("left_square_bracket")
        await until(pilot, lambda: page.timeline and page.timeline.day.day == 15)
        assert page.timeline.kind == "stored"
        await pilot.press("s")
        await until(pilot, lambda: page.timeline and page.timeline.kind == "predicted")
        store.unlink()
        await pilot.press("s")
        await until(pilot, lambda: "nothing is stored yet" in text_of(pilot.app))

    replaying(script)


@pytest.mark.deep
@pytest.mark.timeout(120)
def test_of_several_boards_the_one_that_talks_is_shown(
    days, replaying, text_of, until, store, dial, make_app, still_feed, monkeypatch
):
    with Store.open(store) as opened:
        opened.add_board(hello("00d1a1b0a2d000ff", dial_hash=dial.hash, channels=33))
    asked = []
    monkeypatch.setattr(page_module, "board_log", lambda _, uid, dial_hash: asked.append(uid))
    feed = still_feed()

    async def script(pilot, page):
        await pilot.press("s")
        await until(pilot, lambda: "holds 2 boards" in text_of(pilot.app))
        feed.post(Connected("/dev/dial", "00d1a1b0a2d000ff", dial.hash, "1", ""))
        feed.post(Pulled("00d1a1b0a2d000ff", 3, ""))  # and what is new is read
        await until(pilot, lambda: page.timeline is not None)
        assert asked == ["00d1a1b0a2d000ff"]

    replaying(script, app=make_app(feed))


@pytest.mark.deep
@pytest.mark.timeout(120)
def test_export_draws_the_day_beside_what_is_there(
    days, replaying, text_of, until, tmp_path, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(page_module, "animated", lambda timeline: f"<svg>{timeline.day}</svg>")
    (tmp_path / "replay-2027-04-16-predicted.svg").write_text("mine")

    async def script(pilot, page):
        await pilot.press("e")
        await until(
            pilot, lambda: "wrote replay-2027-04-16-predicted-2.svg (0 kB)" in text_of(pilot.app)
        )
        assert (tmp_path / "replay-2027-04-16-predicted.svg").read_text() == "mine"
        written = tmp_path / "replay-2027-04-16-predicted-2.svg"
        assert written.read_text() == "<svg>2027-04-16</svg>"
        monkeypatch.setattr(page_module.whole, "write", _fails)
        await pilot.press("e")
        await until(pilot, lambda: "cannot be written (no room)" in text_of(pilot.app))

    replaying(script, size=LARGE)


def _fails(path, text):
    raise OSError(28, "no room")


@pytest.mark.deep
@pytest.mark.timeout(120)
def test_it_bears_being_resized(days, replaying, text_of):
    async def script(pilot, page):
        for size in [(40, 10), (20, 5), HUGE, LARGE, SMALL]:
            await pilot.resize_terminal(*size)
            await pilot.pause()
            assert size[0] < 80 or "14:33:10" in text_of(pilot.app)

    replaying(script)


@pytest.mark.deep
@pytest.mark.timeout(120)
def test_a_real_day_is_worked_out_and_a_real_log_read(
    make_app, still_feed, still_forecast, replaying, text_of, until, tmp_path
):
    few = traced.spelt(channels=6, steps=25)
    spelt = [
        replace(one, spells=f"{k // 2:02}:{30 * (k % 2):02}")
        for k, one in enumerate(few.plan.steps)
    ]
    here = replace(few, plan=replace(few.plan, steps=tuple(spelt)))
    noon_us = make_app(still_feed(), on=here)._desk.sky.noon_us(DAY)
    page = records.PageWriter()
    page.start(0)
    for device_ms, tag, payload in [
        (0, records.GATE, OPEN),
        (0, records.SNAPSHOT, bytes((0b11, 0))),
        (3_600_000, records.GATE, SHUT),
    ]:
        assert page.record(tag, device_ms, payload)
    with Store.open(tmp_path / "store.sqlite") as store:
        store.add_board(hello(dial_hash=here.hash, channels=6), dialfile.dump(here))
        store.add_page(UID, bytes(page.sealed(0, 1, 0)))
        store.add_mark(UID, Mark(1, 0, noon_us, 1000, "link"))

    async def script(pilot, page):
        assert page.timeline.stretches
        await pilot.press("s")
        await until(pilot, lambda: page.timeline and page.timeline.kind == "stored")
        half_past = page.timeline.at(noon_us + 1_800_000_000)
        assert half_past.states[0] in (State.LIT, State.STRAY) and half_past.observed
        assert not page.timeline.at(noon_us - 1_000_000).observed

    replaying(script, app=make_app(still_feed(), forecast=still_forecast(here), on=here))
