"""Every fact on a page is had by a command with --json: each page says where, and here it is
looked up in what the commands print.

A page of its own adds a line to SCENES that brings up all its labels, and to `objects` the
command whose object it names, if that is new.
"""

import json

import pytest
from tests.host.typed import typed

from dialbench import dialfile
from dialbench.commands import pull
from dialbench.shares import Shift
from dialbench.watch import once
from dialbench.watch.events import Connected, Frame, Health, Judged, Lost, Marked, Pulling
from dialbench.watch.pages import PAGES
from dialbench.watch.painted import Painted
from dialbench.watch.views import Contents, KeyRow

FURNITURE = (KeyRow, Contents)
SMALL, LARGE = (80, 24), (120, 40)
LONG = ("residuals",)  # pages whose commands compute for a while


@pytest.fixture(scope="module")
def objects(stored, small, tmp_path_factory):
    """Objects that commands print, by the command's name; made as they are asked for."""
    return {}


def printed(capsys, *words):
    ran = typed(capsys, *words, "--json")
    assert ran.returncode in (0, 1), ran.stderr
    return json.loads(ran.stdout)


@pytest.fixture
def command(
    objects,
    capsys,
    stored,
    small,
    dial,
    monkeypatch,
    tmp_path,
    make_board,
    make_feed,
    make_source,
    still_forecast,
    levels,
    now_us,
):
    """Function: the object a command prints about the board, or the store, of these tests."""

    def watch():
        board = make_board()
        board.look(levels({0: 0}))
        feed = make_feed(make_source(board))
        return json.loads(
            json.dumps(once.snapshot(once.look(feed, still_forecast(dial), lambda: now_us)))
        )

    def pulled():
        board = make_board()
        board.port = "/dev/dial"
        board.pages = 0
        monkeypatch.setattr(pull.Board, "open", lambda *_: board)
        path = tmp_path / "dial.toml"
        path.write_text(dialfile.dump(dial))
        store = tmp_path / "pulled.sqlite"
        return printed(capsys, "pull", "/dev/dial", "--dial", path, "--store", store)

    made = {
        "watch": watch,
        "pull": pulled,
        "check": lambda: printed(capsys, "check", stored),
        "clock": lambda: printed(capsys, "clock", stored),
        "compare": lambda: printed(capsys, "compare", stored, "--residuals"),
        "solve": lambda: printed(capsys, "solve", stored),
    }

    def command(name):
        if name not in objects:
            objects[name] = made[name]()
        return objects[name]

    return command


def at(facts, path):
    """What stands at a path; KeyError or IndexError where there is none."""
    for key in path.split("."):
        name, *lists = key.split("[]")
        facts = facts[name]
        for _ in lists:
            facts = facts[0]
    return facts


def shown(app):
    """Labels on the page, and the class of each view that shows more than labelled values."""
    found = set()
    for view in app.screen.query(Painted):
        if isinstance(view, FURNITURE) or not view.painted:
            continue
        for row in view.rows(view.size.width, view.size.height):
            styles = {style for text, style in row if text.strip()}
            if styles - {"heading"} and "label" not in styles:
                found.add(type(view).__name__)
            found |= {text.strip() for text, style in row if style == "label"}
    return found


def board(dial, uid="5b0f3a7710c2d941", trouble=""):
    return Connected("/dev/dial", uid, dial.hash, "0.1.0", trouble)


def good_day(dial, now_us, levels):
    return (
        board(dial),
        Marked(now_us, 2100),
        Health(12, 53, 39, 0, 0, 12, 1430, 0, 7, 4096),
        Judged(Shift(30.0, 5.0, 40, "store")),
        Frame(now_us, 0.0, True, levels({0: 0, 5: 3}), 0),
    )


def scenes(label, dial, small, now_us, levels):
    """What happens on a page for all its labels to be seen: events, keys, words to wait for."""
    lost = Lost("/dev/dial", "It is gone.", True)
    dots = sorted(dial.plan.steps[24].channels - dial.plan.steps[23].channels)
    another_step = Frame(now_us, 0.0, True, levels({dots[0]: 0}), 0)
    if label == "live":
        good = good_day(dial, now_us, levels)
        return (
            (good, SMALL, (), "next change"),
            ((*good, another_step), LARGE, (), "next change"),
            ((*good, lost), SMALL, (), "VANISHED"),
        )
    if label == "log":
        told = (board(small), Health(0, 6, 5, 0, 0, 12, 1430, 0, 7, 4096))
        return (
            ((*told, Pulling(1, 4, 99)), LARGE, ("4", "c"), "not all well"),
            ((lost,), SMALL, ("4",), "no store yet"),
        )
    if label == "residuals":
        return (
            ((board(small),), LARGE, ("5",), "seconds late by"),
            ((), SMALL, ("5", "d"), "2027"),
        )
    return ()


@pytest.mark.parametrize(
    "page",
    [
        pytest.param(page, marks=[pytest.mark.deep] if page.label in LONG else [], id=page.label)
        for page in PAGES
    ],
)
def test_what_a_page_shows_a_command_gives(
    page, make_app, still_feed, small, stored, dial, now_us, levels, drive, until, text_of, command
):
    seen = set()
    for events, size, keys, words in scenes(page.label, dial, small, now_us, levels):
        of = dial if page.label == "live" else small
        app = make_app(
            still_feed(*events), on=of, store=stored if words != "no store yet" else None
        )

        async def script(pilot, keys=keys, words=words):
            for key in keys:
                await pilot.press(key)
                await pilot.pause()
            await until(pilot, lambda: words in " ".join(text_of(pilot.app).split()), 1500)
            await pilot.pause()
            seen.update(shown(pilot.app))

        drive(app, script, size)
    declared = set(page.facts)
    assert seen <= declared, f"on the page, and no command is named for it: {seen - declared}"
    if seen:
        assert declared <= seen, f"named, and not on the page: {declared - seen}"
    for label, sources in page.facts.items():
        for source in sources.split():
            name, _, path = source.partition(":")
            try:
                at(command(name), path)
            except (KeyError, IndexError, TypeError) as wrong:
                pytest.fail(f"{label}: {name} --json has no {path} ({wrong!r})")
