"""The screen, driven by keys, around a real feed and a fake board."""

import random
import threading
from dataclasses import replace

import pytest

from dialbench.errors import UserError
from dialbench.states import State
from dialbench.watch import theme
from dialbench.watch.events import Connected, Frame, Health, Lost, Marked, Pulled
from dialbench.watch.live import LivePage
from dialbench.watch.painted import Painted
from dialbench.watch.sheets import Sheet
from dialbench.watch.views import Face, Facts, Legend
from dialbench.watch.wishes import Pull


@pytest.fixture
def board(make_board):
    return make_board()


@pytest.fixture
def source(make_source, board):
    return make_source(board)


@pytest.fixture
def app(make_app, make_feed, source):
    return make_app(make_feed(source))


def seen(app):
    """The states on the face, once there are any."""
    return set(app.live.states) if app.live else set()


def told(app):
    """All lines of the list of events, also those that have left the screen."""
    return "\n".join(text for _, text in app.live.happened)


def test_the_face_shows_what_the_board_measures(app, board, drive, until, text_of, levels):
    async def script(pilot):
        board.look(levels())
        await until(pilot, lambda: State.LIT in seen(app))
        text = text_of(app)
        assert "all 33 as predicted" in text
        assert "dial reads    14:30" in text
        assert "next change   4:09  at 14:37:19" in text
        assert "█████ █████" in text

    drive(app, script)


def test_all_five_states_are_on_the_screen_with_their_numbers(
    app, board, drive, until, text_of, levels
):
    async def script(pilot):
        board.look(levels({0: 0, 1: 0, 5: 3}))
        await until(pilot, lambda: State.MISSING in seen(app))
        text = text_of(app)
        assert "! 3 of 33 not as predicted" in text
        assert "missing 0 1" in text
        assert "stray 5" in text
        assert "missing 2" in text
        assert "stray 1" in text
        assert "!no face of the plan" in text
        board.look(levels(), gate=False)
        await until(pilot, lambda: seen(app) == {State.UNOBSERVED})
        text = text_of(app)
        assert "unobserved 33" in text
        assert "no direct sun" in text

    drive(app, script)


def test_a_channel_in_its_ramp_is_as_predicted_whatever_it_measures(
    make_app, make_feed, source, board, still_forecast, dial, drive, until, levels
):
    app = make_app(make_feed(source), still_forecast(dial, {0: 0.4, 5: 0.6}))

    async def script(pilot):
        board.look(levels({0: 0, 5: 3}))
        await until(pilot, lambda: State.LIT in seen(app))
        assert app.live.wrong == ()

    drive(app, script)


def test_p_pulls_with_progress_while_face_and_keys_go_on_and_then_compares(
    app, board, drive, until, text_of, levels
):
    async def script(pilot):
        board.look(levels())
        await until(pilot, lambda: State.LIT in seen(app))
        await pilot.press("p")
        await until(pilot, lambda: "pulling the log" in text_of(app))
        board.steps.release(17)
        await until(pilot, lambda: "17 of 41 pages" in text_of(app))
        assert "█░" in text_of(app)
        # The board is still at it: the face goes on, and so do the keys.
        board.look(levels({0: 0}))
        await until(pilot, lambda: State.MISSING in seen(app))
        await pilot.press("t")
        assert app.theme == theme.LIGHT.name
        board.steps.release(41)
        await until(pilot, lambda: isinstance(app.screen, Sheet))
        await until(pilot, lambda: "residual, median" in text_of(app))
        text = text_of(app)
        for fact in ("matched", "1216", "missed", "unexpected", "unobserved", "+0.3 s"):
            assert fact in text
        assert "The dial stands as drawn" in text
        board.look(levels({5: 3}))
        await until(pilot, lambda: State.STRAY in seen(app))
        await pilot.press("escape")
        await until(pilot, lambda: isinstance(app.screen, LivePage))
        text = text_of(app)
        assert "pulling" not in text
        assert "log pulled, 41 pages new" in text

    drive(app, script)


def test_p_again_while_pulling_asks_for_nothing(make_app, still_feed, drive, dial):
    feed = still_feed(Connected("/dev/dial", "5b", dial.hash, "1", ""))
    app = make_app(feed)

    async def script(pilot):
        await pilot.press("p", "p", "p")
        assert feed.wishes == [Pull()]

    drive(app, script)


def test_p_without_a_board_says_so(make_app, make_feed, make_source, drive, until, text_of):
    app = make_app(make_feed(make_source(None)))

    async def script(pilot):
        await until(pilot, lambda: "NOT THERE" in text_of(app) or "VANISHED" in text_of(app))
        await pilot.press("p")
        await until(pilot, lambda: "there is no board: nothing" in text_of(app))
        assert "pulling the log" not in text_of(app)

    drive(app, script)


def test_a_comparison_that_fails_says_why(make_app, still_feed, drive, until, text_of):
    def analyse(uid):
        raise UserError(f"the store knows no board {uid}")

    app = make_app(still_feed(Pulled("5b", 0, "")), analyse=analyse)

    async def script(pilot):
        await until(pilot, lambda: "comparison: the store knows no" in text_of(app))

    drive(app, script)


def test_while_comparing_the_screen_says_so(make_app, still_feed, drive, until, text_of, analysis):
    ready = threading.Event()

    def analyse(uid):
        assert ready.wait(10)
        return analysis

    app = make_app(still_feed(Pulled("5b", 0, "")), analyse=analyse)

    async def script(pilot):
        await until(pilot, lambda: "comparing the log with the prediction" in text_of(app))
        ready.set()
        await until(pilot, lambda: isinstance(app.screen, Sheet))
        await pilot.press("escape")
        await until(pilot, lambda: not app.live.comparing)
        await until(pilot, lambda: "comparing" not in text_of(app))

    drive(app, script)


def test_t_changes_between_dark_and_light_and_back(make_app, still_feed, drive):
    app = make_app(still_feed())

    async def script(pilot):
        assert app.theme == theme.DARK.name
        ground = app.screen.styles.background
        await pilot.press("t")
        await pilot.pause()
        assert app.theme == theme.LIGHT.name
        assert app.screen.styles.background != ground
        await pilot.press("t")
        assert app.theme == theme.DARK.name

    drive(app, script)


def test_help_lists_every_state_and_key_and_goes_again(make_app, still_feed, drive, text_of):
    app = make_app(still_feed())

    async def script(pilot):
        await pilot.press("question_mark")
        await pilot.pause()
        text = text_of(app)
        for state in State:
            assert state.value in text
        for said in ("p  pull the board's log", "t  light or dark", "?  help", "q  quit"):
            assert said in text
        await pilot.press("escape")
        await pilot.pause()
        assert isinstance(app.screen, LivePage)
        await pilot.press("question_mark", "question_mark")
        await pilot.pause()
        assert isinstance(app.screen, LivePage)

    drive(app, script, (80, 60))  # where it need not be scrolled


def test_a_sheet_too_long_for_the_screen_scrolls_to_its_end_and_no_further(
    make_app, still_feed, drive, until, text_of, analysis
):
    rows = tuple((f"fact {n}", "value") for n in range(20))
    long = type(analysis)(rows=(*rows, ("the end", "of it")), sentences=("The beginning.",))
    app = make_app(still_feed(Pulled("5b", 1, "")), analyse=lambda uid: long)

    async def script(pilot):
        await until(pilot, lambda: "arrows show more" in text_of(app))
        assert "The beginning." in text_of(app)
        await pilot.press(*["down"] * 9)
        await pilot.pause()
        assert "the end" in text_of(app)
        await pilot.press("up")
        await pilot.pause()
        assert "the end" not in text_of(app)
        await pilot.press(*["up"] * 9)
        await pilot.pause()
        assert "The beginning." in text_of(app)

    drive(app, script)


def test_q_quits_and_stops_the_feed(make_app, still_feed, drive):
    feed = still_feed()
    app = make_app(feed)

    async def script(pilot):
        await pilot.press("q")

    drive(app, script)
    assert not app.is_running
    assert feed.stopped


def test_a_vanished_board_says_so_and_comes_back_by_itself(
    app, board, source, make_board, drive, until, text_of, levels
):
    async def script(pilot):
        board.look(levels())
        await until(pilot, lambda: State.LIT in seen(app))
        source.board = None
        board.gone = True
        await until(pilot, lambda: "VANISHED, trying" in text_of(app))
        assert seen(app) == {State.UNOBSERVED}
        assert "! no board" in text_of(app)
        await until(pilot, lambda: "is the board plugged in?" in told(app))
        back = make_board()
        back.look(levels())
        source.board = back
        await until(pilot, lambda: State.LIT in seen(app))
        text = text_of(app)
        assert "VANISHED" not in text
        assert "all 33 as predicted" in text

    drive(app, script)


HOSTILE = "[red]hi[/red] [link=x]\x1b[2J\x1b]0;owned\x07\r\n\u202e\u0000[/"


def test_hostile_text_is_shown_inert(make_app, still_feed, dial, drive, until, text_of, analysis):
    evil_dial = replace(dial, name=HOSTILE, site=replace(dial.site, name=HOSTILE))
    evil = type(analysis)(rows=((HOSTILE, HOSTILE),), sentences=(HOSTILE,))
    feed = still_feed(
        Connected(HOSTILE, HOSTILE, evil_dial.hash, HOSTILE, HOSTILE), Pulled(HOSTILE, 1, HOSTILE)
    )
    app = make_app(feed, analyse=lambda uid: evil, on=evil_dial)

    async def script(pilot):
        await until(pilot, lambda: isinstance(app.screen, Sheet))
        await pilot.pause()
        for size in ((200, 40), (80, 24)):
            await pilot.resize_terminal(*size)
            await pilot.pause()
            for _ in range(2):
                text = text_of(app)
                assert "[red]hi[/red]" in text
                assert "\\x1b[2J" in text
                assert all(c.isprintable() or c == "\n" for c in text)
                assert "\u202e" not in text
                if isinstance(app.screen, Sheet):
                    await pilot.press("escape")
                    await pilot.pause()

    drive(app, script, size=(200, 40))


def test_the_board_of_another_dial_is_not_judged(
    make_app, make_feed, make_source, make_board, drive, until, text_of, levels
):
    board = make_board(dial_hash="00" * 8)
    app = make_app(make_feed(make_source(board)))

    async def script(pilot):
        board.look(levels({0: 0}))
        await until(pilot, lambda: app.live and app.live.frame_age_s is not None)
        assert seen(app) == {State.UNOBSERVED}
        assert "! another dial" in text_of(app)
        assert "carries another dial" in told(app)

    drive(app, script)


def test_a_resized_terminal_gets_a_face_of_its_size(app, board, drive, until, text_of, levels):
    async def script(pilot):
        board.look(levels())
        await until(pilot, lambda: State.LIT in seen(app))
        assert "█████ █████" in text_of(app)
        assert "█████████" not in text_of(app)
        await pilot.resize_terminal(120, 40)
        await until(pilot, lambda: "█████████  █████████" in text_of(app))
        assert " ahead" in text_of(app)
        for width, height in ((40, 10), (10, 3), (200, 60), (80, 24)):
            await pilot.resize_terminal(width, height)
            await pilot.pause()
        await until(pilot, lambda: "█████ █████" in text_of(app))

    drive(app, script)


def test_a_storm_of_sizes_leaves_the_screen_whole(app, board, drive, until, text_of, levels):
    chance = random.Random(5)

    async def script(pilot):
        board.look(levels())
        await until(pilot, lambda: State.LIT in seen(app))
        for n in range(12):
            board.look(levels({n % 33: n % 4}))
            await pilot.resize_terminal(chance.randint(1, 130), chance.randint(1, 45))
            if n % 4 == 0:
                await pilot.press("question_mark")
            if n % 4 == 2:
                await pilot.press("escape")
        await pilot.press("escape")
        await pilot.resize_terminal(80, 24)
        board.look(levels())
        await until(pilot, lambda: "all 33 as predicted" in text_of(app))

    drive(app, script)


def test_everything_fits_at_80_x_24(app, board, drive, until, text_of, levels):
    async def script(pilot):
        board.look(levels({0: 0, 5: 3}))
        await until(pilot, lambda: State.STRAY in seen(app) and app.live.foretold)
        await pilot.pause()
        rows = text_of(app).split("\n")
        assert len(rows) == 24
        text = "\n".join(rows)
        for label in ("dial reads", "blind", "unobserved 0", "not observed", "q quit"):
            assert label in text
        facts = pilot.app.screen.query_one(Facts)
        assert all(sum(len(text) for text, _ in row) <= facts.size.width for row in facts.painted)

    drive(app, script)


def test_only_what_changed_is_drawn_again(app, board, drive, until, levels):
    async def script(pilot):
        board.look(levels())
        await until(pilot, lambda: State.LIT in seen(app) and app.live.foretold)
        await pilot.pause()
        face, legend = app.screen.query_one(Face), app.screen.query_one(Legend)
        drawn = [(view, view.lines_drawn) for view in app.screen.query(Painted)]
        for _ in range(5):
            app.show()
            await pilot.pause()
        assert [(view, view.lines_drawn) for view in app.screen.query(Painted)] == drawn
        before, legend_before = face.lines_drawn, legend.lines_drawn
        board.look(levels({0: 0}))  # the pixel at the top left
        await until(pilot, lambda: State.MISSING in seen(app))
        await pilot.pause()
        assert 1 <= face.lines_drawn - before <= 3
        assert legend.lines_drawn - legend_before <= 2

    drive(app, script)


def test_changes_ahead_are_computed_in_a_thread_once_while_they_serve(
    make_app, still_feed, still_forecast, dial, drive, until
):
    forecast = still_forecast(dial)
    asked = []
    changes = forecast.changes

    def noted(utc_us):
        asked.append(threading.current_thread())
        return changes(utc_us)

    forecast.changes = noted
    app = make_app(still_feed(), forecast)

    async def script(pilot):
        await until(pilot, lambda: app.live and app.live.foretold)
        for _ in range(5):
            app.show()
            await pilot.pause()
        [thread] = asked
        assert thread is not threading.main_thread()

    drive(app, script)


def test_no_color_leaves_every_cell_in_the_terminals_own_colours(
    make_app, still_feed, dial, levels, now_us, drive, until, monkeypatch, text_of
):
    monkeypatch.setenv("NO_COLOR", "1")
    feed = still_feed(
        Connected("/dev/dial", "5b", dial.hash, "1", ""),
        Marked(now_us, 2100),
        Health(0, 5, 5, 0, 0, 0, 0, 0),
        Frame(now_us, 0.0, True, levels({0: 0, 5: 3}), 0),
    )
    app = make_app(feed)

    def coloured():
        """Styles on the screen that carry a colour, as the driver would get them."""
        for row in app.screen._compositor.render_strips():
            strip = row
            for line_filter in app._filters:
                strip = strip.apply_filter(line_filter, app.screen.styles.background)
            for segment in strip:
                for colour in (segment.style.color, segment.style.bgcolor):
                    if colour is not None and not colour.is_default:
                        yield segment.style

    async def script(pilot):
        await until(pilot, lambda: State.STRAY in seen(app))
        assert list(coloured()) == []
        assert "missing 1" in text_of(app)
        await pilot.press("question_mark")
        await pilot.pause()
        assert isinstance(app.screen, Sheet)
        assert list(coloured()) == []

    drive(app, script)


def test_changes_that_never_come_leave_the_screen_alive(
    make_app, still_feed, still_forecast, dial, drive, until, text_of
):
    forecast = still_forecast(dial)

    def changes(utc_us):
        raise UserError("the Sun's place is known from 1900 to 2053")

    forecast.changes = changes
    app = make_app(still_feed(), forecast)

    async def script(pilot):
        await until(pilot, lambda: "changes ahead: the Sun's place" in text_of(app))
        for _ in range(3):
            app.show()
            await pilot.pause()
        assert text_of(app).count("changes ahead:") == 1

    drive(app, script)


def test_a_lost_board_that_comes_back_keeps_its_changes(make_app, still_feed, drive, until, dial):
    feed = still_feed(Lost("/dev/dial", "None.", False))
    app = make_app(feed)

    async def script(pilot):
        await until(pilot, lambda: app.live and app.live.foretold)
        feed.post(Connected("/dev/dial", "5b", dial.hash, "1", ""))
        await until(pilot, lambda: app.live.why_unobserved == "no data")
        assert app.live.foretold

    drive(app, script)
