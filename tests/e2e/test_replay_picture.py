"""The moving picture of a day plays in a browser, by itself."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from datetime import date
from itertools import pairwise

import numpy as np
import pytest
from PIL import Image, ImageColor
from tests.host import traced

from dialbench.colours import DARK
from dialbench.replay.days import stored_day
from dialbench.replay.picture import animated
from dialbench.replay.timeline import Timeline
from dialbench.sky import Sky
from dialbench.states import State

pytestmark = [pytest.mark.needs_chromium, pytest.mark.timeout(300)]

DAY = date(2027, 4, 16)
SECONDS = 60
LATE = 0.05  # by such a share the browser's virtual time has been seen to be off
Shoot = Callable[..., np.ndarray]


@pytest.fixture(scope="module")
def day() -> Timeline:
    """A day of traced light under clouds, so that all five states come up."""
    dial = traced.spelt(channels=6, steps=20)
    sky = Sky(dial.site)
    truth = traced.truth_of(dial, axis_deg=1.5, width=0.1)
    return stored_day(traced.log_of(truth, sky, [DAY], cloudy=True), dial, sky, DAY)


@pytest.fixture(scope="module")
def shoot(day: Timeline, tmp_path_factory: pytest.TempPathFactory) -> Shoot:
    """The picture's pixels after so many seconds of the browser's time."""
    folder = tmp_path_factory.mktemp("picture")
    (folder / "day.svg").write_text(animated(day, SECONDS), encoding="utf-8")
    page = '<body style="margin:0">'
    (folder / "image.html").write_text(f'{page}<img src="day.svg">', encoding="utf-8")

    def shoot(after_s: float, name: str = "day.svg", *more: str) -> np.ndarray:
        if name == "held.html":  # exactly there
            hold = (
                f"s=document.querySelector('svg');s.pauseAnimations();s.setCurrentTime({after_s})"
            )
            held = f"{page}{animated(day, SECONDS)}<script>{hold}</script>"
            (folder / name).write_text(held, encoding="utf-8")
        taken = folder / "shot.png"
        taken.unlink(missing_ok=True)
        subprocess.run(
            [
                "chromium",
                "--headless",
                "--no-sandbox",  # which the tests' own user may be refused
                "--disable-gpu",
                "--hide-scrollbars",
                "--window-size=960,540",
                f"--user-data-dir={folder / 'profile'}",
                f"--virtual-time-budget={100 if name == 'held.html' else round(1000 * after_s)}",
                f"--screenshot={taken}",
                *more,
                (folder / name).as_uri(),
            ],
            check=True,
            capture_output=True,
            timeout=60,
        )
        return np.asarray(Image.open(taken).convert("RGB"))

    return shoot


def shown(pixels: np.ndarray) -> list[State]:
    """The state of each of the six channels, by colour and by shape: two columns, three rows."""
    side = 316 / 3
    states = []
    for channel in range(6):
        left = 32 + (592 - 2 * side) / 2 + channel % 2 * side
        top = 72 + channel // 2 * side
        centre, edge, corner = (
            pixels[round(top + y * side), round(left + x * side)]
            for x, y in ((0.5, 0.5), (0.12, 0.35), (0.14, 0.14))
        )
        bare = DARK["background"]
        looks = {
            State.LIT: (DARK["lit"], DARK["lit"], DARK["lit"]),
            State.DARK: (DARK["dark"], bare, bare),
            State.MISSING: (bare, DARK["missing"], DARK["missing"]),
            State.STRAY: (DARK["stray"], bare, DARK["stray"]),
            State.UNOBSERVED: (DARK["unobserved"], bare, bare),
        }
        [state] = [
            state
            for state, colours in looks.items()
            if all(
                tuple(found) == ImageColor.getrgb(colour)
                for found, colour in zip((centre, edge, corner), colours, strict=True)
            )
        ]
        states.append(state)
    return states


def face(day: Timeline, after_s: float) -> list[State]:
    """That of the day so many seconds into the film."""
    share = after_s % SECONDS / SECONDS
    return list(day.at(day.start_us + round(share * day.states.span_us)).states)


def test_every_face_is_shown_at_its_time(day: Timeline, shoot: Shoot) -> None:
    """In the middle between changes, so often that each state comes up."""
    wanted = set(State)
    edges = [(at - day.start_us) / day.states.span_us * SECONDS for at, _ in day.changes()]
    for a, b in pairwise(edges):
        middle_s = (a + b) / 2
        if b - a > 0.1 and wanted & set(face(day, middle_s)):
            wanted -= set(face(day, middle_s))
            assert shown(shoot(middle_s, "held.html")) == face(day, middle_s), middle_s
    assert not wanted


def test_it_plays_by_itself_and_begins_anew(day: Timeline, shoot: Shoot) -> None:
    seen = set()
    for after_s in (2.0, 20.0, 22.0, SECONDS + 21.0):
        states = shown(shoot(after_s))
        near = np.linspace((1 - LATE) * after_s - 0.5, (1 + LATE) * after_s + 0.5, 200)
        assert states in [face(day, at_s) for at_s in near.tolist()], after_s
        seen.add(tuple(states))
    assert len(seen) >= 2


def test_it_plays_as_an_image_of_a_page_too(shoot: Shoot) -> None:
    assert (shoot(2.0, "image.html") != shoot(40.0, "image.html")).any()


def test_it_stands_still_for_those_who_want_that(day: Timeline, shoot: Shoot) -> None:
    still = [shoot(after_s, "day.svg", "--force-prefers-reduced-motion") for after_s in (1, 22)]
    assert (still[0] == still[1]).all()
    middle = day.at(day.start_us + day.states.span_us // 2)
    assert shown(still[0]) == list(middle.states)


def test_it_is_small(day: Timeline) -> None:
    assert len(animated(day, SECONDS).encode()) < 100_000
