"""The setting page: what it shows of guidance, and what its keys do, with an assistant that
says what a test wants."""

import re
from types import SimpleNamespace

import pytest

from dialbench.errors import UserError
from dialbench.placing.guide import Action, Guidance
from dialbench.placing.later import Later
from dialbench.solve.observe import Combination
from dialbench.watch.events import Connected, Frame, Lost
from dialbench.watch.setting import large
from dialbench.watch.setting import page as setting
from dialbench.watch.setting.guided import guided as listened
from dialbench.watch.setting.views import Amount, Arrow, Setting, Words

FONT_FACE = re.compile(r"@font-face \{.*?\}\s*", re.DOTALL)
UNTOLD = (Combination((0.97, 0.0, 0.24), 4.9, ("azimuth", "turn")),)
TURN = Action(None, -3.42, 0.31, "")
FOOT = Action(1, 1.83, 0.2, "foot 2 (south-west)")


def said(now_us, state="act", action=TURN, off=2.25, half=0.2, due=(240, 700)):
    return Guidance(
        utc_us=now_us,
        state=state,
        action=action,
        off_deg=off,
        half_width_deg=half,
        untold=UNTOLD,
        crossings=3,
        moved_us=None,
        next_us=due and (now_us + due[0] * 1_000_000, now_us + due[1] * 1_000_000),
        goal_deg=0.1,
    )


@pytest.fixture
def assistant(monkeypatch, now_us):
    """Stands in for the one that thinks: `says` is its guidance, `asked` what it was asked."""
    one = SimpleNamespace(says=said(now_us), asked=[], begun=0)

    class Fake:
        def __init__(self, dial, sky, feet):
            one.begun += 1

        def look(self, utc_us, gate, levels):
            one.asked.append("look")
            return one.says

        def moved(self):
            one.asked.append("moved")
            return one.says

    ahead = Later(now_us, (), UNTOLD)
    monkeypatch.setattr(setting, "Setter", Fake)
    monkeypatch.setattr(setting.stand, "footprint", lambda dial: ((0, 0), (1, 0), (0, 1)))
    monkeypatch.setattr(setting, "later", lambda dial, sky, now_us: ahead)
    return one


@pytest.fixture
def app(make_app, still_feed, dial, now_us, levels, assistant):
    def make(blocks=True, *events):
        begun = Connected("/dev/dial", "5b0f3a7710c2d941", dial.hash, "0.1.0", "")
        frame = Frame(now_us, 0.0, True, levels(), 0)
        return make_app(still_feed(begun, frame, *events), blocks=blocks)

    return make


def guided(app):
    return app.page.label == "set" and app.page.setting.guidance is not None


def test_the_page_tells_one_action_with_its_amount(app, drive, until, text_of):
    page = app()

    async def script(pilot):
        await pilot.press("2")
        await until(pilot, lambda: guided(page))
        text = text_of(page)
        assert "+- 0.3 deg  clockwise" in text
        assert "Turn the base 3.4 +- 0.3 deg clockwise as seen from above." in text
        assert "azimuth and turn: anything together" in text
        assert "Never look at the Sun" in text
        assert all(row.rstrip() in text for row in page.page.query_one(Amount).painted[0][0][:1])

    drive(page, script)


def test_a_move_is_told_to_the_assistant(app, assistant, drive, until):
    page = app()

    async def script(pilot):
        await pilot.press("2")
        await until(pilot, lambda: guided(page))
        await pilot.press("m")
        await until(pilot, lambda: "moved" in assistant.asked)

    drive(page, script)


def test_forgetting_begins_with_another_assistant(app, assistant, drive, until, levels, now_us):
    page = app()

    async def script(pilot):
        await pilot.press("2")
        await until(pilot, lambda: guided(page))
        await pilot.press("f")
        assert page.page.setting.guidance is None
        page._feed.post(Frame(now_us + 100_000, 0.0, True, levels(), 0))
        await until(pilot, lambda: assistant.begun == 2)

    drive(page, script)


def test_what_was_thought_about_before_forgetting_is_not_shown(app, drive, until, now_us):
    page = app()

    async def script(pilot):
        await pilot.press("2")
        await until(pilot, lambda: guided(page))
        late = setting.Guided(0, page.page.setting.guidance, None)
        await pilot.press("f")
        page.page.post_message(late)
        await pilot.pause()
        assert page.page.setting.guidance is None

    drive(page, script)


def test_looks_of_another_dial_tell_nothing_even_after_a_move(
    app, assistant, drive, until, levels, now_us
):
    stranger = Connected("/dev/dial", "00aa00aa00aa00aa", "0123456789abcdef", "0.1.0", "")
    page = app(True, stranger, Frame(now_us, 0.0, True, levels(), 0))

    async def script(pilot):
        await pilot.press("2")
        await pilot.press("m")
        await until(pilot, lambda: assistant.asked)
        await pilot.pause()
        assert assistant.asked == ["moved"]

    drive(page, script)


def test_looks_of_another_number_of_channels_are_one_sentence(still_feed, dial, levels, now_us):
    here = Connected("/dev/dial", "5b0f3a7710c2d941", dial.hash, "0.1.0", "")
    feed = still_feed(here, Frame(now_us, 0.0, True, levels()[:-1], 0))
    with pytest.raises(UserError, match=rf"{len(dial.channels) - 1} channels"):
        next(listened(feed, dial, None, 5.0, lambda: False, lambda text: None))


def test_steps_of_first_placing_come_one_by_one_and_then_the_sun_again(app, drive, until, text_of):
    page = app()

    async def script(pilot):
        await pilot.press("2")
        await until(pilot, lambda: guided(page))
        seen = []
        for _ in range(5):
            await pilot.press("n")
            await pilot.pause()
            seen.append(text_of(page))
        assert "step 1 of 5" in seen[0]
        assert "Wedge: the bed rises towards the visible pole, true north" in seen[0]
        assert "Level:" in seen[1]
        assert "North by compass" in seen[2]
        assert "North by shadow" in seen[3]
        assert "step 5 of 5" in seen[4]
        await pilot.press("n")
        await pilot.pause()
        assert "Turn the base" in text_of(page)

    drive(page, script)


@pytest.mark.parametrize("label", ["live", "set"])
def test_only_the_page_on_top_thinks(app, assistant, drive, until, label):
    page = app()

    async def script(pilot):
        if label == "set":
            await pilot.press("2")
        await until(pilot, lambda: page.live and page.live.reads)
        await pilot.pause(0.1)

    drive(page, script)
    assert bool(assistant.asked) == (label == "set")


def test_a_board_that_is_gone_is_told(app, drive, until, text_of):
    page = app(True, Lost("/dev/dial", "the board at /dev/dial is gone", True))

    async def script(pilot):
        await pilot.press("2")
        await until(pilot, lambda: "no board" in text_of(page))

    drive(page, script)


def test_help_tells_the_keys_of_the_page(app, drive, until, text_of):
    page = app()

    async def script(pilot):
        await pilot.press("2", "question_mark")
        await until(pilot, lambda: "I have moved it" in text_of(page))
        assert "shrinks to nothing" in " ".join(text_of(page).split())

    drive(page, script, (120, 40))


def area(dial, guidance, width=40, height=11, blocks=True):
    arrow = Arrow(blocks)
    setting = Setting(dial, guidance)
    return sum(
        len(text.replace(" ", "")) for row in arrow.shown(setting, width, height) for text, _ in row
    )


@pytest.mark.parametrize("blocks", [True, False])
def test_the_arrow_shrinks_with_the_amount(dial, now_us, blocks):
    sizes = [
        area(dial, said(now_us, action=Action(None, amount, 0.1, "")), blocks=blocks)
        for amount in (8.0, 5.0, 3.0, 1.0)
    ]
    assert sizes == sorted(sizes, reverse=True)
    assert sizes[0] > 2 * sizes[-1] > 0


def test_each_way_has_an_arrow_of_its_own(dial, now_us):
    actions = [Action(foot, amount, 0.1, "foot 1") for foot in (None, 0) for amount in (4.0, -4.0)]
    guidances = [said(now_us, action=action) for action in actions]
    guidances += [said(now_us, state=state) for state in ("wait", "enough", "dark")]
    shapes = {
        "\n".join(row[0][0] for row in Arrow(True).shown(Setting(dial, one), 40, 11))
        for one in guidances
    }
    assert len(shapes) == len(guidances)


@pytest.mark.parametrize(
    ("state", "digits", "meaning"),
    [
        ("act", "3.4", "+- 0.3 deg  clockwise"),
        ("enough", "2.25", "within the goal of 0.1"),
        ("wait", "14:44", "by then the face tells more"),
        ("dark", "-", "the face tells nothing now"),
    ],
)
def test_what_the_digits_say(dial, now_us, state, digits, meaning):
    rows = Amount(True).shown(Setting(dial, said(now_us, state=state)), 60, 10)
    assert [row[0][0] for row in rows[:-2]] == large.figures(digits, 58, 8, True)
    assert meaning in rows[-1][0][0]


def test_words_leave_room_for_the_caution_whatever_there_is_to_say(dial, now_us):
    setting = Setting(dial, said(now_us), later=Later(now_us, (), UNTOLD))
    for height in range(3, 12):
        rows = Words(True).shown(setting, 60, height)
        assert len(rows) <= height
        assert any("! Never look at the Sun" in row[0][0] for row in rows)


def test_figures_fill_what_they_are_given_and_no_more():
    for width, height in ((12, 3), (30, 5), (60, 11), (200, 30)):
        for blocks in (True, False):
            rows = large.figures("12:31", width, height, blocks)
            assert len(rows) <= max(1, height)
            assert all(len(row) <= width for row in rows)
    assert len(large.figures("8", 40, 20, True)) > len(large.figures("8", 40, 10, True))


@pytest.fixture
def picture(app, assistant, until, snap_compare, monkeypatch):
    """Compare the page with its stored picture."""

    def picture(size, guidance, *keys, blocks=True):
        assistant.says = guidance
        shown = app(blocks)
        export = shown.export_screenshot
        monkeypatch.setattr(
            shown, "export_screenshot", lambda **kinds: FONT_FACE.sub("", export(**kinds))
        )

        async def settle(pilot):
            await pilot.press("2")
            await until(pilot, lambda: guided(shown))
            await pilot.press(*keys)
            await pilot.pause()

        return snap_compare(shown, terminal_size=size, run_before=settle)

    return picture


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (200, 60)], ids=["small", "large", "huge"])
def test_turn(picture, now_us, size):
    assert picture(size, said(now_us))


def test_foot_in_the_light(picture, now_us):
    assert picture((120, 40), said(now_us, action=FOOT), "t")


def test_enough_in_letters(picture, now_us):
    assert picture((80, 24), said(now_us, "enough", off=0.03, half=0.05), blocks=False)


def test_wait_without_colour(picture, now_us, monkeypatch):
    monkeypatch.setenv("NO_COLOR", "1")
    assert picture((80, 24), said(now_us, "wait"))


def test_first_placing(picture, now_us):
    assert picture((80, 24), said(now_us), "n", "n", "n")
