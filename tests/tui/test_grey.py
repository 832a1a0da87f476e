"""The five states stay apart where there is no colour: the screen's own picture, seen in grey."""

import re
from itertools import combinations
from xml.etree import ElementTree

import pytest

from dialbench.states import State
from dialbench.watch import theme
from dialbench.watch.events import Connected, Frame
from dialbench.watch.glyphs import fit
from dialbench.watch.views import Face

SVG = "{http://www.w3.org/2000/svg}"
CELL = (12.2, 24.4)  # of a character in such a picture
# What must be seen of a user interface: WCAG 2.1, success criterion 1.4.11 (from memory).
CONTRAST = 3.0
DIFFER = 1 / 8  # of a pixel's area at least, between any two states: no source, our own
HALVES = {"█": (1, 1), "▀": (1, 0), "▄": (0, 1)}


def luminance(colour):
    """The grey of "#rrggbb", 0 to 1: relative luminance as WCAG 2.1 defines it (from memory)."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def in_grey(svg):
    """Ink of half characters by place (column, half row), and its contrast with the ground.

    Ink is 1 where the picture's tone differs from the ground's at all: nothing of a colour
    but its luminance comes in here.
    """
    root = ElementTree.fromstring(svg)
    style = "".join(node.text or "" for node in root.iter(f"{SVG}style"))
    fill = dict(re.findall(r"\.([\w-]+-r\d+) \{ fill: (#[0-9a-f]{6})", style))
    ground = {}
    for node in root.iter(f"{SVG}rect"):
        if node.get("shape-rendering"):
            left, top, wide = (float(node.get(name)) for name in ("x", "y", "width"))
            for x in range(round(left / CELL[0]), round((left + wide) / CELL[0])):
                ground[x, round((top - 1.5) / CELL[1])] = luminance(node.get("fill"))
    ink, contrast = {}, {}
    for node in root.iter(f"{SVG}text"):
        if "clip-path" not in node.attrib:
            continue
        left = round(float(node.get("x")) / CELL[0])
        row = round((float(node.get("y")) - 20) / CELL[1])
        tone = luminance(fill[node.get("class").split()[0]])
        for x, sign in enumerate(node.text or "", left):
            if sign.isspace():
                continue
            light, dark = sorted((tone, ground[x, row]), reverse=True)
            for half, drawn in enumerate(HALVES.get(sign, (1, 1))):
                if drawn and light != dark:
                    ink[x, 2 * row + half] = 1
                    contrast[x, 2 * row + half] = (light + 0.05) / (dark + 0.05)
    return ink, contrast


def pixels(app, svg):
    """For each state on the face: the shape of its pixel, as rows of half characters, and the
    least contrast in it."""
    face = app.screen.query_one(Face)
    ink, contrast = in_grey(svg)
    size = fit(app.live.dial.channels, face.size.width, face.size.height, True)
    left = face.region.x + (face.size.width - size.width) // 2
    top = 2 * (face.region.y + (face.size.height - size.height) // 2)
    found = {}
    for channel, state in zip(app.live.dial.channels, app.live.states, strict=True):
        x = left + channel.column * (size.pixel_width + size.gap_x)
        y = top + channel.row * (size.pixel_height + size.gap_y)
        places = [
            [(x + i, y + j) for i in range(size.pixel_width)] for j in range(size.pixel_height)
        ]
        shape = tuple(tuple(ink.get(place, 0) for place in row) for row in places)
        least = min(contrast[place] for row in places for place in row if place in contrast)
        assert found.setdefault(state, (shape, least))[0] == shape  # one state, one shape
    return found


def apart(one, other):
    """The share of two shapes' half characters in which they differ."""
    pairs = [(a, b) for r, s in zip(one, other, strict=True) for a, b in zip(r, s, strict=True)]
    return sum(a != b for a, b in pairs) / len(pairs)


@pytest.mark.parametrize(
    "size",
    [(80, 24), *(pytest.param(size, marks=pytest.mark.deep) for size in ((120, 40), (200, 60)))],
    ids=str,
)
def test_states_are_told_apart_in_grey(
    make_app, still_feed, dial, levels, now_us, drive, until, size
):
    feed = still_feed(Connected("/dev/dial", "5b", dial.hash, "1", ""))
    app = make_app(feed)
    bent = levels({0: 0, 5: 3})

    async def script(pilot):
        for name in (theme.DARK.name, theme.LIGHT.name):
            assert app.theme == name
            found = {}
            for sun in (True, False):
                feed.post(Frame(now_us, 0.0, sun, bent, 0))
                await until(pilot, lambda sun=sun: (State.UNOBSERVED in app.live.states) != sun)
                await pilot.pause()
                found |= pixels(app, app.export_screenshot())
            assert set(found) == set(State)
            for one, other in combinations(State, 2):
                differ = apart(found[one][0], found[other][0])
                assert differ >= DIFFER, (size, name, one, other, differ)
            for state, (_, contrast) in found.items():
                assert contrast >= CONTRAST, (name, state, contrast)
            await pilot.press("t")
            await pilot.pause()

    drive(app, script, size)


@pytest.mark.deep
def test_a_picture_that_tells_states_by_colour_alone_would_be_found_out(
    make_app, still_feed, dial, levels, now_us, drive, until, monkeypatch
):
    """As this test would have to show it: every state a full pixel, in its own colour."""
    from dialbench.watch import glyphs

    whole = glyphs._bitmap
    monkeypatch.setattr(glyphs, "_bitmap", lambda state, w, h: whole(State.LIT, w, h))
    app = make_app(
        still_feed(
            Connected("/dev/dial", "5b", dial.hash, "1", ""),
            Frame(now_us, 0.0, True, levels({0: 0, 5: 3}), 0),
        )
    )

    async def script(pilot):
        await until(pilot, lambda: State.STRAY in app.live.states)
        await pilot.pause()
        found = pixels(app, app.export_screenshot())
        assert apart(found[State.LIT][0], found[State.STRAY][0]) == 0

    drive(app, script)
