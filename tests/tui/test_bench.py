"""The bench page, driven by keys: what it shows comes from a traced rehearsal or is set by hand."""

from dataclasses import replace

import numpy as np
import pytest
from tests.tui.test_snapshots import FONT_FACE

from dialbench.aperture import sweep as sweeps
from dialbench.aperture.bench import BoreState, Found, LiveBench
from dialbench.aperture.setting import Setting
from dialbench.errors import UserError
from dialbench.watch.bench import page, plot
from dialbench.watch.bench.lamp import LampSheet, told
from dialbench.watch.events import Connected, Looked, Lost, Noted, Traced, Tracing
from dialbench.watch.wishes import Trace
from dialcore import records


@pytest.fixture
def here(dial):
    return Connected("/dev/ttyACM0", "5b0f3a7710c2d941", dial.hash, "0.1.0", "")


@pytest.fixture(autouse=True)
def nothing_told(monkeypatch):
    """The work itself has tests of its own; here it tells nothing, at once."""

    def worked_out(setting, sweep, is_wanted):
        return Found(setting, len(sweep) // len(setting.dial.channels), None, (), "not this dial")

    monkeypatch.setattr(page, "worked_out", worked_out)


class AskedFeed:
    """Keeps the wishes, and posts what the test says."""

    def __init__(self):
        self.wishes = []

    def start(self, post):
        self.post = post

    def ask(self, wish):
        self.wishes.append(wish)

    def stop(self):
        pass


@pytest.fixture
def feed():
    return AskedFeed()


@pytest.fixture
def app(make_app, feed):
    return make_app(feed)


def response(dial, angle_deg):
    """Levels (n, channels): a bump of its own for each bore, as a far light may show."""
    levels = np.zeros((len(dial.channels), len(angle_deg)))
    for bore in dial.bores:
        off = np.abs(angle_deg - 180 - bore.hour_angle_deg)
        mine = levels[bore.channel]
        np.maximum(mine, np.clip(1.5 - off / 1.5, 0, 1), out=mine)
    return np.floor(1024 * levels.T).astype(int)


def looks(dial, now_us, low=170.0, high=200.0, step=0.25, state=0, gate=True):
    angles = np.arange(low, high, step)
    return Traced(
        tuple(
            Looked(
                now_us + 50_000 * k,
                round(angle * 65536 / 360),
                state,
                gate,
                0,
                tuple(levels),
            )
            for k, (angle, levels) in enumerate(
                zip(angles.tolist(), response(dial, angles).tolist(), strict=True)
            )
        )
    )


@pytest.fixture
def bench_of():
    return lambda app: app._pages["bench"]


async def turned_to(pilot, feed, until, here, *events):
    await until(pilot, lambda: hasattr(feed, "post"))
    for event in (here, *events):
        feed.post(event)
    await pilot.press("3")
    await until(pilot, lambda: pilot.app.page.label == "bench")
    await pilot.pause()


def test_space_starts_and_stops_and_what_is_wrong_is_said(
    app, feed, here, dial, now_us, drive, until, text_of
):
    async def script(pilot):
        await pilot.press("3")
        await until(pilot, lambda: "not tracing" in text_of(app))
        await pilot.press("space")
        await until(pilot, lambda: "there is no board: nothing to trace" in text_of(app))
        assert feed.wishes == []
        await turned_to(pilot, feed, until, here, Noted("something"))
        await pilot.press("space")
        assert feed.wishes == [Trace(50)]
        feed.post(Tracing(False, "the firmware of the board (0.0.9) is older than live traces"))
        await until(pilot, lambda: "older than live traces" in text_of(app))
        await pilot.press("space")
        assert feed.wishes == [Trace(50)] * 2
        feed.post(Tracing(True, ""))
        await until(pilot, lambda: " tracing" in text_of(app) and "not tracing" not in text_of(app))
        for state, gate, words in (
            (records.NO_MAGNET, True, "sees no magnet"),
            (records.SILENT, True, "encoder does not answer"),
            (records.WEAK, True, "too far off"),
            (records.STRONG, True, "too near"),
            (0, False, "is the lamp on, or the Sun out?"),
        ):
            feed.post(looks(dial, now_us, 180, 181, state=state, gate=gate))
            await until(pilot, lambda words=words: words in text_of(app))
        # A board that goes and comes back is asked again, by itself; one that need not is not.
        feed.post(Lost("/dev/ttyACM0", "the board is gone", True))
        await until(pilot, lambda: "not tracing" in text_of(app))
        feed.post(here)
        await until(pilot, lambda: feed.wishes == [Trace(50)] * 3)
        feed.post(Tracing(True, ""))
        await pilot.press("space")
        await until(pilot, lambda: feed.wishes[-1] == Trace(0))
        feed.post(Tracing(False, ""))
        await until(pilot, lambda: "not tracing" in text_of(app))
        feed.post(here)
        await pilot.pause(0.05)
        assert len(feed.wishes) == 4

    drive(app, script)


def test_channels_are_chosen_and_a_trace_is_saved_and_begun_anew(
    app, feed, here, dial, now_us, drive, until, text_of, bench_of, tmp_path
):
    async def script(pilot):
        await turned_to(pilot, feed, until, here, Tracing(True, ""))
        await pilot.press("s")
        await until(pilot, lambda: "nothing was traced yet" in text_of(app))
        feed.post(looks(dial, now_us))
        await until(pilot, lambda: "120 looks" in text_of(app))
        first = text_of(app)
        assert "channel 0" in first and "shaft 199.7" in first and "█" in first
        last = len(dial.channels) - 1
        for keys, channel in ((["j", "down"], 2), (["k"], 1), (["up", "k"], last), (["j"], 0)):
            await pilot.press(*keys)
            await until(pilot, lambda channel=channel: f" channel {channel} " in text_of(app))
            # The curve is the channel's own.
            shown = bench_of(app).shown()
            want = response(dial, 170 + 0.25 * np.arange(120))[:, channel] / 1024
            assert np.allclose(shown.y, want)
        assert ">   0" in text_of(app)
        await pilot.press("n")
        await until(pilot, lambda: "120 looks are not saved" in text_of(app))
        assert " 120 looks" in text_of(app)
        await pilot.press("s")
        await until(pilot, lambda: "120 looks are saved" in text_of(app))
        path = next(tmp_path.glob("sweep-*.csv"))
        sweep = sweeps.load(path, len(dial.channels), False)
        assert len(sweep) == 120 * len(dial.channels)
        feed.post(looks(dial, now_us, 200.0, 210.0))
        await until(pilot, lambda: " 160 looks" in text_of(app))
        path.unlink()
        path.mkdir()
        await pilot.press("s")
        await until(pilot, lambda: "not saved (" in text_of(app))
        path.rmdir()
        await pilot.press("s")
        await until(pilot, lambda: "160 looks are saved" in text_of(app))
        assert len(list(tmp_path.glob("sweep-*"))) == 1
        await pilot.press("n")
        await until(pilot, lambda: " 0 looks" in text_of(app))
        feed.post(looks(dial, now_us))
        await until(pilot, lambda: "120 looks" in text_of(app))
        await pilot.press("n", "n")
        await until(pilot, lambda: " 0 looks" in text_of(app))

    drive(app, script)


def test_what_came_of_a_bench_that_was_dropped_says_nothing_of_the_next(
    app, feed, here, dial, now_us, drive, until, text_of, bench_of
):
    async def script(pilot):
        await turned_to(pilot, feed, until, here, Tracing(True, ""))
        feed.post(looks(dial, now_us))
        await until(pilot, lambda: "120 looks" in text_of(app))
        shown = bench_of(app)
        old = shown.bench
        await pilot.press("n", "n")
        await until(pilot, lambda: " 0 looks" in text_of(app))
        shown.post_message(page.Worked(old, Found(old.setting, 120, None, (), "of the old one")))
        shown.post_message(page.Saved(old, 120, "120 looks are saved"))
        await until(pilot, lambda: "120 looks are saved" in text_of(app))
        assert shown.bench.found is None
        feed.post(looks(dial, now_us, 170.0, 190.0))
        await until(pilot, lambda: "80 looks" in text_of(app))
        await pilot.press("n")
        await until(pilot, lambda: "80 looks are not saved" in text_of(app))

    drive(app, script)


@pytest.mark.parametrize("keys", [("1", "q"), ("question_mark", "ctrl+c")])
def test_the_app_does_not_end_with_looks_unsaved_unless_told_twice(
    app, feed, here, dial, now_us, drive, until, text_of, bench_of, keys
):
    async def script(pilot):
        await turned_to(pilot, feed, until, here, Tracing(True, ""))
        feed.post(looks(dial, now_us))
        await until(pilot, lambda: "120 looks" in text_of(app))
        await pilot.press(*keys)
        await until(pilot, lambda: "120 looks are not saved" in text_of(app))
        assert app.is_running and app.screen is bench_of(app)
        await pilot.press(keys[-1])
        await until(pilot, lambda: app._exit)

    drive(app, script)


def test_a_warning_does_not_stand_for_ever(
    app, feed, here, dial, now_us, drive, until, text_of, bench_of, monkeypatch
):
    async def script(pilot):
        await turned_to(pilot, feed, until, here, Tracing(True, ""))
        shown = bench_of(app)
        clock = [0.0]
        shown.desk = replace(shown.desk, monotonic_s=lambda: clock[0])
        feed.post(looks(dial, now_us))
        await until(pilot, lambda: "120 looks" in text_of(app))
        await pilot.press("n")
        clock[0] = 60.0
        await pilot.press("n")
        await pilot.pause()
        assert len(shown.bench.tracing) == 120
        await pilot.press("n")
        await until(pilot, lambda: " 0 looks" in text_of(app))

    drive(app, script)


def test_the_light_is_told_on_a_sheet_and_help_has_the_cautions(
    app, feed, here, drive, until, text_of, bench_of
):
    async def script(pilot):
        await turned_to(pilot, feed, until, here)
        assert "light: the Sun" in text_of(app)
        await pilot.press("l")
        await until(pilot, lambda: isinstance(app.screen, LampSheet))
        assert "Never look into the lamp" in text_of(app)
        await pilot.press(*"1000", "space", *"8s", "backspace", "enter")
        await until(pilot, lambda: not isinstance(app.screen, LampSheet))
        await until(pilot, lambda: "lamp: 1000 mm off, 8 mm wide" in text_of(app))
        await pilot.press("l", *"20", "enter")
        await until(pilot, lambda: "reaches" in text_of(app))
        await pilot.press("escape")
        await until(pilot, lambda: not isinstance(app.screen, LampSheet))
        assert bench_of(app).bench.setting.distance_mm == 1000
        await pilot.press("question_mark")
        await until(pilot, lambda: "escape closes" in text_of(app))
        text = " ".join(text_of(app).split())
        assert "never look into the lamp" in text and "stage that moves" in text

    drive(app, script, (120, 50))


class Snapped:
    """States of bores set by hand, for pictures: a fit's last digit is not the same everywhere."""

    def __init__(self, dial):
        self._dial = dial

    def states(self):
        for n, bore in enumerate(self._dial.bores):
            told = {"value": bore.entry_mm + 0.003 * (n % 7), "sigma": 0.011}
            axis = {"value": bore.hour_angle_deg - 0.02 * (n % 5), "sigma": 0.031}
            needs = (
                ()
                if n % 4
                else (
                    "its edge towards later hour angles was passed too fast: turn by 1.3 deg/s at most",
                )
                if n % 8
                else ("not passed yet",)
            )
            here = n % 8 != 0
            yield BoreState(n, bore.channel, told if here else None, axis if here else None, needs)

    def places_deg(self, channel):
        for n, bore in enumerate(self._dial.bores):
            if bore.channel == channel:
                yield n, 180 + bore.hour_angle_deg


@pytest.fixture
def bench_picture(make_app, feed, here, dial, now_us, until, snap_compare, monkeypatch, text_of):
    """The page after a pass over half of the dial, with its stored picture."""

    def picture(size, blocks=True, keys=()):
        fixed = Snapped(dial)
        monkeypatch.setattr(LiveBench, "states", lambda bench: list(fixed.states()))
        monkeypatch.setattr(
            LiveBench, "places_deg", lambda bench, channel: list(fixed.places_deg(channel))
        )
        app = make_app(feed, blocks=blocks)
        export = app.export_screenshot
        monkeypatch.setattr(
            app, "export_screenshot", lambda **kinds: FONT_FACE.sub("", export(**kinds))
        )

        async def settle(pilot):
            traced = looks(dial, now_us, 120.0, 200.0)
            await turned_to(pilot, feed, until, here, Tracing(True, ""), traced)
            await until(pilot, lambda: "320 looks" in text_of(app))
            await pilot.press(*keys)
            await pilot.pause()

        return snap_compare(app, terminal_size=size, run_before=settle)

    return picture


def test_small(bench_picture):
    assert bench_picture((80, 24), keys=["j", "j"])


def test_large_light(bench_picture):
    assert bench_picture((120, 40), keys=["t"])


def test_huge(bench_picture):
    assert bench_picture((200, 60))


def test_small_in_letters(bench_picture):
    assert bench_picture((80, 24), blocks=False, keys=["j", "j"])


@pytest.mark.parametrize("typed", ["", "1000 8 0 4", "lamp", "-5", "0", "1000 -8", "sun 3", "1e9"])
def test_a_light_that_cannot_be_is_refused_in_a_sentence(dial, typed):
    with pytest.raises(UserError):
        told(typed, Setting(dial, None))


def test_a_light_is_read_as_it_was_typed(dial):
    found = told(" 1000, 8 -20", Setting(dial, None))
    assert (found.distance_mm, found.diameter_mm, found.height_mm) == (1000, 8, -20)
    assert told("sun", found).distance_mm is None


@pytest.mark.parametrize("blocks", [True, False])
def test_a_curve_is_as_high_as_its_level_and_empty_where_there_is_no_look(blocks):
    x = np.concatenate((np.linspace(0, 40, 200), np.linspace(60, 100, 200)))
    y = np.where(x < 50, 0.0, 1.0)
    rows = plot.curve(x, y, 65, 8, blocks)
    text = [row[1][0] for row in rows]
    assert [row[0][0] for row in rows][:1] == [" 1.0 "] and len(text) == 8
    ink = [[c != " " for c in line] for line in text]
    assert all(ink[7][:24]) and not any(ink[0][:24])
    assert all(ink[0][36:]) and not any(ink[7][36:])
    assert not any(any(line[26:35]) for line in ink)
    if not blocks:
        assert set("".join(text)) == {" ", "*"}
    assert plot.curve(x, y, 10, 8, blocks) == [] and plot.axis(0, 1, 10, "deg") == []


def test_marks_stand_where_their_places_are():
    row = plot.marks(
        [(0.0, "+", "plain"), (100.0, "!", "alert"), (200.0, "^", "strong")], 0, 100, 65
    )
    text = "".join(part for part, _ in row)
    assert text[5] == "+" and text[64] == "!" and "^" not in text
