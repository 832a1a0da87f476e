"""The log page: what is on the board, what is in the store, and a pull between them."""

from dataclasses import replace

import pytest

from dialbench.watch.events import Connected, Failed, Health, Lost, Pulled, Pulling
from dialbench.watch.log.model import Progress, followed
from dialbench.watch.log.page import LogPage
from dialbench.watch.wishes import Pull

UID = "5b0f3a7710c2d941"


def pulled(*told, before=None):
    """The pull after events at seconds."""
    for at_s, event in told:
        before = followed(before, event, at_s)
    return before


def test_a_pull_has_a_rate_and_a_time_left():
    start = (10.0, Pulling(0, 0)), (10.1, Pulling(0, 400, 0))
    early = pulled(*start)
    assert (early.bytes_s, early.left_s) == (None, None)
    half = pulled(*start, (20.0, Pulling(100, 400, 50_000)))
    assert (half.seconds, half.bytes_s, half.left_s) == (10.0, 5000.0, 30.0)
    over = pulled(*start, (20.0, Pulling(100, 400, 50_000)), (50.0, Pulled(UID, 400, "", 200_000)))
    assert over == Progress(10.0, 50.0, 400, 400, 200_000, True, "")
    assert (over.bytes_s, over.left_s) == (5000.0, None)


def test_the_next_pull_begins_anew_and_a_loss_between_says_nothing():
    one = pulled((0.0, Pulling(0, 0)), (9.0, Pulled(UID, 4, "", 100)))
    assert followed(one, Lost("/dev/dial", "It is gone.", True), 10.0) is one
    assert followed(one, Failed("no"), 10.0) is one
    assert followed(one, Pulling(0, 0), 20.0) == Progress(20.0, 20.0)


@pytest.mark.parametrize(
    ("event", "told"),
    [
        (Lost("/dev/dial", "It is gone.", True), "cut: It is gone."),
        (Failed("the store is full"), "the store is full"),
        (Pulled(UID, 3, "2 pages did not come through: pull again", 9), "2 pages did not"),
    ],
)
def test_how_a_pull_ended_is_said(event, told):
    over = pulled((0.0, Pulling(0, 0)), (1.0, Pulling(3, 5, 9)), (2.0, event))
    assert over.over and over.told.startswith(told)
    assert (over.done, over.seconds) == (3, 2.0)


@pytest.fixture
def board(small):
    return Connected("/dev/dial", UID, small.hash, "0.1.0", "")


HEALTH = Health(0, 6, 5, 0, 0, 12, 1430, 0, 7, 65536)


def on_the_log(pilot, text_of):
    return isinstance(pilot.app.screen, LogPage) and "being counted" not in text_of(pilot.app)


def test_board_and_store_are_told_from_the_stores_own_pages(
    make_app, still_feed, stored, small, board, drive, until, text_of
):
    app = make_app(still_feed(board, HEALTH), on=small, store=stored)

    async def script(pilot):
        await pilot.press("4")
        await until(pilot, lambda: on_the_log(pilot, text_of))
        text = text_of(app)
        for said in (
            "board pages   0 to 5, 6",
            "to be pulled  1 page ",
            "open, memory  7 records, 65.5 kB free",
            "scan, store   500 ms, 600 s",
            "thresholds    0.25 0.50 0.75",
            "storage       files, 4.19 MB",
            "writes        0 failed, 31 erases",
            "stored pages  0 to 4, 5",
            "gaps         !5",
            "2027-02-16",
            "2027-04-17",
            "none yet",
            "drift         +0.00 +-",
        ):
            assert said in text, said
        assert len(text.split("\n")) == 24 and "4 log" in text

    drive(app, script)


def test_without_store_and_board_the_page_says_so_and_makes_none(
    make_app, still_feed, small, drive, until, text_of, tmp_path
):
    path = tmp_path / "none.sqlite"
    reason = (
        "the board at /dev/dial is at its prompt instead of running the firmware:"
        " dialbench start /dev/dial"
    )
    app = make_app(still_feed(Lost("/dev/dial", reason, False)), on=small, store=path)

    async def script(pilot):
        await pilot.press("4")
        await until(pilot, lambda: "There is no store yet" in text_of(app))
        text = " ".join(text_of(app).split())
        assert "dialbench start /dev/dial" in text
        assert "!NOT THERE" in text
        await pilot.press("c")
        await until(pilot, lambda: "Checking" not in text_of(app))

    drive(app, script)
    assert not path.exists()


def test_p_pulls_from_here_with_progress_rate_and_time_left(
    make_app, still_feed, stored, small, board, drive, until, text_of
):
    feed = still_feed(board, HEALTH)
    app = make_app(feed, on=small, store=stored)
    clock = iter(range(1000))
    object.__setattr__(app.page.desk, "monotonic_s", lambda: float(next(clock)) / 2)

    async def script(pilot):
        await pilot.press("4", "p")
        assert feed.wishes == [Pull()]
        feed.post(Pulling(0, 400, 0))
        for done in range(100, 400, 100):
            feed.post(Pulling(done, 400, 250 * done))
        await until(pilot, lambda: "300 of 400 pages" in text_of(app))
        assert "kB/s" in text_of(app) and " left" in text_of(app)
        feed.post(Pulled(UID, 400, "", 100_000))
        feed.post(Failed("not this one"))
        await until(pilot, lambda: "measured against predicted" in text_of(app))
        await pilot.press("escape")
        await until(pilot, lambda: "400 pages, 100 kB" in text_of(app))

    drive(app, script)


def test_what_was_pulled_is_counted_again(
    make_app, still_feed, small, board, stored, drive, until, text_of, tmp_path
):
    path = tmp_path / "copy.sqlite"
    app = make_app(still_feed(board, HEALTH), on=small, store=path)

    async def script(pilot):
        await pilot.press("4")
        await until(pilot, lambda: "There is no store yet" in text_of(app))
        path.write_bytes(stored.read_bytes())
        app.page.desk.feed.post(Pulled(UID, 5, "", 900))
        await until(pilot, lambda: "measured against predicted" in text_of(app))
        await pilot.press("escape")
        await until(pilot, lambda: "stored pages  0 to 4, 5" in text_of(app))

    drive(app, script)


def test_days_and_sentences_roll(make_app, still_feed, stored, small, board, drive, until, text_of):
    trouble = replace(board, trouble="the storage is full " * 25)
    app = make_app(still_feed(trouble, HEALTH), on=small, store=stored)

    async def script(pilot):
        await pilot.press("4")
        await until(pilot, lambda: "up, down" in text_of(app) and on_the_log(pilot, text_of))
        assert "!NO, see right" in text_of(app)
        await pilot.press(*["down"] * 20)
        await until(pilot, lambda: "2027-02-16" in text_of(app))
        await pilot.press(*["up"] * 20)
        await until(pilot, lambda: "The board does not log" in text_of(app))

    drive(app, script)
