"""The residuals page: strips of dots, and what they say, of a log of traced light."""

import threading
import time
from dataclasses import fields, replace

import numpy as np
import pytest

from dialbench.diagnosis import diagnose
from dialbench.errors import UserError
from dialbench.logged import board_log
from dialbench.residuals import Residuals
from dialbench.solve import SolveError
from dialbench.store import Store
from dialbench.watch.events import Connected, Lost
from dialbench.watch.residuals import page as module
from dialbench.watch.residuals.model import Axis, Refused, chart, solved
from dialbench.watch.residuals.page import ResidualsPage
from dialbench.watch.residuals.views import Strips

UID = "5b0f3a7710c2d941"


def made(late_s, channel=None):
    """Residuals of one day, an hour apart."""
    late_s = np.array(late_s, float)
    count = len(late_s)
    return Residuals(
        utc_us=np.arange(count) * 3_600_000_000,
        channel=np.zeros(count, np.int64) if channel is None else np.array(channel),
        threshold=np.ones(count, np.int64),
        rise=np.ones(count, bool),
        late_s=late_s,
        solar_hour=np.arange(count) % 24.0,
        day=np.full(count, 739_000),
    )


def test_an_axis_takes_in_all_but_the_farthest_few_and_never_shrinks_to_nothing():
    axis = Axis.over(np.full(9, 30.0), 10)
    assert (axis.low_s, axis.high_s) == (25.0, 35.0)
    assert axis.cell(np.array([24.0, 25.0, 30.0, 34.9, 35.0, 1e9])).tolist() == [0, 0, 5, 9, 9, 9]
    assert axis.zero() is None
    assert Axis(-10.0, 10.0, 20).zero() == 10


@pytest.mark.parametrize("blocks", [True, False])
def test_a_strip_has_a_dot_where_crossings_are_and_its_median_beside_it(blocks):
    found = made([-50.0] * 3 + [50.0] * 3 + [0.0], [0] * 3 + [1] * 4)
    rows, axis = chart(found, "channel", 60, blocks)
    texts = ["".join(text for text, _ in row) for row in rows]
    assert len(texts) == 2 and {len(text) for text in texts} == {60}
    full = "█" if blocks else "#"
    assert texts[0].count(full) == 1 and texts[0].index(full) < 10
    assert texts[1].rindex(full) > 35
    assert texts[0].split()[-2:] == ["-50.0", "0.0"]
    assert texts[1].split()[-2] == "+50.0"
    assert "".join(text for text, _ in axis[0]).startswith("   -50")
    assert blocks or all(text.isascii() for text in texts)


def on(pilot, text_of, what):
    return isinstance(pilot.app.screen, ResidualsPage) and what in text_of(pilot.app)


def test_strips_by_channel_hour_and_day_without_any_board(
    make_app, still_feed, stored, small, drive, until, text_of
):
    app = make_app(still_feed(Lost("/dev/dial", "None.", False)), on=small, store=stored)

    async def script(pilot):
        await pilot.press("5")
        await until(pilot, lambda: on(pilot, text_of, "seconds late by"))
        text = text_of(app)
        # The body was turned by 0.25 deg: crossings come 60 s early.
        assert "board 5b0f3a7710c2d941" in text
        assert " came" in text and "early in" in " ".join(text.split())
        strips = app.screen.query_one(Strips)
        assert len([row for row in strips.painted if row[0][0].strip().isdecimal()]) == 4
        await pilot.press("h")
        await until(pilot, lambda: "11 h" in text_of(app))
        await pilot.press("d")
        await until(pilot, lambda: "2027-04-17" in text_of(app))
        await pilot.press("up", "down", "c")
        await until(pilot, lambda: strips.view == "channel")

    drive(app, script)


@pytest.mark.deep
def test_a_solve_tells_causes_and_advice_while_keys_go_on(
    make_app, still_feed, stored, small, drive, until, text_of
):
    app = make_app(still_feed(), on=small, store=stored)

    async def script(pilot):
        await pilot.press("5")
        await until(pilot, lambda: on(pilot, text_of, "seconds late by"))
        await pilot.press("s")
        await until(pilot, lambda: "Solving" in text_of(app))
        await pilot.press("h")  # keys go on while it is solved
        await until(pilot, lambda: "11 h" in text_of(app))
        await until(pilot, lambda: "crossings" in text_of(app) and "used" in text_of(app), 3000)
        for _ in range(20):
            await pilot.press("pagedown")
            if "Feet as" in text_of(app):
                break
        assert "Feet as" in text_of(app)
        await pilot.press(*["pageup"] * 20)
        await until(pilot, lambda: "board 5b0f3a7710c2d941" in text_of(app))

    drive(app, script)


def test_nothing_is_computed_again_while_the_store_is_the_same(
    make_app, still_feed, stored, small, drive, until, text_of, monkeypatch
):
    solves = []

    def refuse(*_):
        solves.append(threading.current_thread())
        raise UserError("Channels 1 and 2 are exchanged.", "Swap them.")

    monkeypatch.setattr(module, "diagnose", refuse)
    compared = []
    analysed = module.analysed
    monkeypatch.setattr(module, "analysed", lambda *a: compared.append(1) or analysed(*a))
    feed = still_feed(Lost("/dev/dial", "None.", False))
    app = make_app(feed, on=small, store=stored)

    async def script(pilot):
        await pilot.press("5")
        await until(pilot, lambda: on(pilot, text_of, "seconds late by"))
        await pilot.press("s")
        await until(pilot, lambda: "are exchanged." in text_of(app))
        assert "Swap them." in text_of(app)
        await pilot.press("s", "s")
        feed.post(Connected("/dev/dial", UID, small.hash, "0.1.0", ""))
        await pilot.press("1", "5")
        await until(pilot, lambda: not app.screen._looking)
        await pilot.pause(0.2)
        assert len(solves) == 1 and solves[0] is not threading.main_thread()
        assert len(compared) == 1
        assert "are exchanged." in text_of(app)

    drive(app, script)


def test_a_solve_under_way_holds_up_no_quitting(
    make_app, still_feed, stored, small, drive, until, text_of, monkeypatch
):
    ended = threading.Event()

    def endless(logged, dial, sky, progress):
        try:
            while True:
                progress("going round", 0.5)
                time.sleep(0.01)
        finally:
            ended.set()

    monkeypatch.setattr(module, "diagnose", endless)
    app = make_app(still_feed(), on=small, store=stored)

    async def script(pilot):
        await pilot.press("5")
        await until(pilot, lambda: on(pilot, text_of, "seconds late by"))
        await pilot.press("s")
        await until(pilot, lambda: "going round, 50%" in text_of(app))
        await pilot.press("q")

    drive(app, script)
    assert ended.wait(5)


def test_a_store_of_another_dial_is_a_sentence_and_no_key_does_harm(
    make_app, still_feed, stored, drive, until, text_of
):
    app = make_app(still_feed(), store=stored)

    async def script(pilot):
        await pilot.press("5")
        said = "nothing of this dial yet"
        await until(pilot, lambda: said in " ".join(text_of(pilot.app).split()))
        await pilot.press("s", "h", "d", "c", "up", "down", "pageup", "pagedown")
        assert isinstance(pilot.app.screen, ResidualsPage)

    drive(app, script)


def test_a_log_too_thin_to_be_solved_says_so(make_app, small, stored):
    """What the page shows of it are the solver's own words."""
    desk = make_app(None, on=small, store=stored).page.desk
    with Store.look(stored) as store:
        log = board_log(store, UID, small.hash)
    few = replace(
        log.measured,
        **{field.name: getattr(log.measured, field.name)[:5] for field in fields(log.measured)},
    )
    with pytest.raises(SolveError) as refused:
        diagnose(replace(log, measured=few), small, desk.sky, lambda *_: None)
    assert "20 are the least" in str(refused.value)
    _, told = solved(Refused((str(refused.value),)))
    assert told == (str(refused.value),)
