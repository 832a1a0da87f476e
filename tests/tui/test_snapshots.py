"""The screen as a picture, at a fixed instant; renew with --snapshot-update and look at it."""

import re

import pytest
from tests.host.stores import hello
from tests.tui.days import Days

from dialbench.states import State
from dialbench.store import Store
from dialbench.watch.events import Connected, Frame, Health, Lost, Marked, Pulled, Pulling
from dialbench.watch.replay import page as replay_page
from dialbench.watch.sheets import Sheet

FONT_FACE = re.compile(r"@font-face \{.*?\}\s*", re.DOTALL)
SMALL, LARGE, HUGE = (80, 24), (120, 40), (200, 60)


@pytest.fixture
def picture(make_app, still_feed, dial, levels, now_us, until, snap_compare, monkeypatch):
    """Compare the screen after fixed events and some keys with its stored picture."""

    def without_fonts(app):
        """A stored picture shall not fetch fonts from anywhere when it is looked at."""
        export = app.export_screenshot
        monkeypatch.setattr(
            app, "export_screenshot", lambda **kinds: FONT_FACE.sub("", export(**kinds))
        )

    def picture(size, *more, gate=True, blocks=True, keys=(), ready=None, on=dial, store=None):
        feed = still_feed(
            Connected("/dev/ttyACM0", "5b0f3a7710c2d941", on.hash, "0.1.0", ""),
            Marked(now_us - 620_000_000, 2100),
            Health(12, 53, 39, 0, 0, 12, 1430, 0),
            Frame(now_us, 0.0, gate, levels({7: 0, 29: 0, 5: 3, 30: 3}), 0),
            *more,
        )
        app = make_app(feed, blocks=blocks, on=on, store=store)
        without_fonts(app)

        async def settle(pilot):
            await until(pilot, lambda: app.live and app.live.foretold)
            await pilot.press(*keys)
            await until(pilot, lambda: ready is None or ready(app))
            await pilot.pause()

        return snap_compare(app, terminal_size=size, run_before=settle)

    return picture


def on_a_sheet(app):
    return isinstance(app.screen, Sheet)


def test_small(picture):
    assert picture(SMALL)


def test_large(picture):
    assert picture(LARGE)


def test_large_light(picture):
    assert picture(LARGE, keys=["t"])


def test_small_in_letters(picture):
    assert picture(SMALL, blocks=False)


def test_small_without_direct_sun(picture):
    assert picture(SMALL, gate=False)


def test_large_with_the_board_vanished(picture):
    lost = Lost("/dev/ttyACM0", "the board at /dev/ttyACM0 is gone: check its cable", True)
    assert picture(LARGE, lost)


def test_small_while_pulling(picture):
    assert picture(SMALL, Pulling(17, 41))


def test_small_help(picture):
    assert picture(SMALL, keys=["question_mark"], ready=on_a_sheet)


@pytest.mark.parametrize("size", [SMALL, LARGE], ids=["small", "large"])
def test_comparison(picture, size):
    assert picture(size, Pulled("5b0f3a7710c2d941", 2, ""), ready=on_a_sheet)


def test_without_colour(picture, monkeypatch):
    monkeypatch.setenv("NO_COLOR", "1")
    assert picture(SMALL, ready=lambda app: State.STRAY in app.live.states)


@pytest.fixture
def replayed(picture, dial, tmp_path, monkeypatch):
    """The replay page with a stored day made up, at 14:33:10."""
    days = Days()
    monkeypatch.setattr(replay_page, "predicted_day", days.predicted)
    monkeypatch.setattr(replay_page, "stored_day", days.stored)
    monkeypatch.setattr(replay_page, "board_log", lambda store, uid, dial_hash: None)
    with Store.open(tmp_path / "store.sqlite") as store:
        store.add_board(hello(dial_hash=dial.hash, channels=len(dial.channels)))

    def stored(app):
        timeline = getattr(app.screen, "timeline", None)
        return timeline is not None and timeline.kind == "stored"

    return lambda size, *keys, **kinds: picture(size, keys=["6", "s", *keys], ready=stored, **kinds)


@pytest.mark.deep
@pytest.mark.parametrize("size", [SMALL, LARGE, HUGE], ids=["small", "large", "huge"])
def test_replay(replayed, size):
    assert replayed(size)


@pytest.mark.deep
def test_replay_large_light(replayed):
    assert replayed(LARGE, "t")


def test_replay_small_in_letters(replayed):
    assert replayed(SMALL, blocks=False)


def in_all_sizes_and_themes():
    """Both themes in all sizes; the smallest in the dark one always, the rest in deep runs."""
    for size, name in ((SMALL, "small"), (LARGE, "large"), (HUGE, "huge")):
        for theme in ("dark", "light"):
            plain = (name, theme) == ("small", "dark")
            marks = [] if plain else [pytest.mark.deep]
            yield pytest.param(size, theme, id=f"{name}-{theme}", marks=marks)


SIZES_AND_THEMES = pytest.mark.parametrize(("size", "theme"), list(in_all_sizes_and_themes()))


def themed(theme):
    return ["t"] if theme == "light" else []


@pytest.mark.deep
@pytest.mark.parametrize("theme", ["dark", "light"])
def test_huge(picture, theme):
    assert picture(HUGE, keys=themed(theme))


@pytest.mark.deep
def test_small_light(picture):
    assert picture(SMALL, keys=["t"])


@SIZES_AND_THEMES
def test_log(picture, small, stored, text_of, size, theme):
    half = Pulling(17, 41, 9_000)

    def counted(app):
        return "being counted" not in text_of(app)

    keys = ["4", *themed(theme)]
    assert picture(size, half, keys=keys, ready=counted, on=small, store=stored)


@SIZES_AND_THEMES
def test_residuals(picture, small, stored, text_of, size, theme):
    def compared(app):
        return "seconds late by" in text_of(app)

    keys = ["5", *themed(theme)]
    assert picture(size, keys=keys, ready=compared, on=small, store=stored)
