"""What the views draw, cell by cell, without regard to colour."""

from dataclasses import replace
from itertools import combinations

import pytest

from dialbench.states import State
from dialbench.watch import glyphs
from dialbench.watch.events import Connected, Frame
from dialbench.watch.views import Face, Legend


@pytest.fixture
def shown(make_app, still_feed, dial, levels, now_us):
    def shown(blocks=True, on=dial):
        feed = still_feed(
            Connected("/dev/dial", "5b", on.hash, "1", ""),
            Frame(now_us, 0.0, True, levels(), 0),
        )
        return make_app(feed, blocks=blocks, on=on)

    return shown


def rows_of(view):
    """The text of a view's strips."""
    return [view.render_line(y).text for y in range(view.size.height)]


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (200, 60)], ids=str)
@pytest.mark.parametrize("blocks", [True, False], ids=["blocks", "letters"])
def test_in_grey_the_states_on_the_face_differ_by_shape(shown, drive, until, dial, size, blocks):
    app = shown(blocks)

    async def script(pilot):
        await until(pilot, lambda: app.live and State.LIT in app.live.states)
        face = app.screen.query_one(Face)
        # One whole face a state, so that every channel shows every state.
        pictures = {}
        for state in State:
            face.show(replace(app.live, states=(state,) * len(dial.channels)))
            pictures[state] = rows_of(face)
        fitted = glyphs.fit(dial.channels, *face.size, blocks)
        left = (face.size.width - fitted.width) // 2
        top = (face.size.height - fitted.height) // 2
        scale = 2 if blocks else 1
        for channel in dial.channels:
            x = left + channel.column * (fitted.pixel_width + fitted.gap_x)
            y = channel.row * (fitted.pixel_height + fitted.gap_y)
            span = range(top + y // scale, top + (y + fitted.pixel_height - 1) // scale + 1)
            pixel = {
                state: [pictures[state][row][x : x + fitted.pixel_width] for row in span]
                for state in State
            }
            for one, other in combinations(State, 2):
                assert pixel[one] != pixel[other], (channel, one, other)

    drive(app, script, size=size)


@pytest.mark.parametrize("blocks", [True, False], ids=["blocks", "letters"])
def test_the_legend_shows_every_state_with_its_shape_and_name(shown, drive, until, blocks):
    app = shown(blocks)

    async def script(pilot):
        await until(pilot, lambda: app.live and State.LIT in app.live.states)
        top, bottom = rows_of(app.screen.query_one(Legend))
        for state in State:
            at = top.index(state.value) - 4
            shape = [top[at : at + 3], bottom[at : at + 3]]
            assert shape == glyphs.sample(state, 3, blocks)

    drive(app, script)


def test_in_letters_nothing_but_ascii_reaches_the_terminal(shown, drive, until, dial, text_of):
    name = "H\u00f6lm \u2600 \u6642\u8a08"
    app = shown(blocks=False, on=replace(dial, name=name, site=replace(dial.site, name=name)))

    async def script(pilot):
        await until(pilot, lambda: app.live and State.LIT in app.live.states)
        assert text_of(app).isascii()
        assert "H\\xf6lm \\u2600" in text_of(app)
        await pilot.press("question_mark")
        await pilot.pause()
        assert text_of(app).isascii()

    drive(app, script)


def test_wide_characters_do_not_push_the_screen_out_of_shape(shown, drive, until, dial):
    name = "\u6642\u8a08" * 30
    app = shown(on=replace(dial, name=name))

    async def script(pilot):
        await until(pilot, lambda: app.live and State.LIT in app.live.states)
        for row in app.screen._compositor.render_strips():
            assert row.cell_length == 80

    drive(app, script)
